"""Which settings carry so many octets: judged by building the frames of the designs with the changes made."""

from pathlib import Path as File

import pytest
from contract.entry import invoke

from lowpanbudget import DoesNotFit, RequestError, carrying, load_design
from lowpanbudget.design.knobs import knobs, turned
from lowpanbudget.design.meaning import Design

FOLDER = File(__file__).parents[2] / "examples"
DESIGNS = {name: load_design(FOLDER / f"{name}.toml") for name in ("archive", "footbridge")}


def frames(design: Design, flow: str, octets: int) -> int:
    """Return the frames that a payload takes on the worst hop; very many where it cannot be sent."""
    try:
        return max(len(path.frames(bytes(octets))) for path in design.paths(design.flow(flow)))
    except DoesNotFit:
        return 1000


def with_changes(design: Design, flow: str, ids: tuple[str, ...]) -> Design:
    """Return the design with these changes, each looked up where it is made."""
    left = list(ids)
    while left:
        known = {knob.id: knob for knob in knobs(design, design.flow(flow))}
        change = next(name for name in left if name in known)
        left.remove(change)
        design = turned(design, (known[change],))
    return design


@pytest.mark.long
@pytest.mark.parametrize("name", DESIGNS)
@pytest.mark.parametrize(("octets", "most"), [(60, 1), (94, 1), (170, 2), (1300, 9)])
def test_answers_are_those_of_frames(name: str, octets: int, most: int) -> None:
    design = DESIGNS[name]
    for one in carrying(design, octets, most_frames=most, weaker=True):
        assert one.fits == (frames(design, one.flow, octets) <= most) == (one.carries >= octets)
        assert (
            frames(design, one.flow, one.carries)
            <= most
            < frames(design, one.flow, one.carries + 1)
        )
        assert not (one.fits and (one.sets or one.weaker))
        assert not any(saving.caution for chosen in one.sets for saving in chosen.savings)
        assert all(any(saving.caution for saving in chosen.savings) for chosen in one.weaker)
        for chosen in (*one.sets[:3], *one.weaker[:3]):
            after = with_changes(design, one.flow, chosen.ids)
            assert frames(after, one.flow, octets) <= most
            assert frames(after, one.flow, chosen.carries) <= most
            assert most < frames(after, one.flow, chosen.carries + 1)


def test_a_set_counted_by_hand() -> None:
    """Two extended addresses are 16 octets, short ones 4; the prefix stays: 65 of snapshot's worst hop become 83.

    MAC: 12 octets less; the source's identifier of 8 octets in line becomes 2 (RFC 6282 section 3.2.2): 18 in all.
    """
    (one,) = carrying(DESIGNS["footbridge"], 80, "snapshot")
    found = {chosen.ids: chosen.carries for chosen in one.sets}
    assert one.carries == 65
    assert found["link.addresses=short",] == 65 + 12 + 6


def test_the_command_answers_by_its_exit_code() -> None:
    path = str(FOLDER / "archive.toml")
    assert invoke("budget", path, "--flow", "climate", "--octets", "92").exit_code == 0
    no = invoke("budget", path, "--flow", "climate", "--octets", "93")
    assert no.exit_code == 1
    assert "no, 1 missing" in no.stdout
    assert "weaken" not in no.stdout
    assert "no advice" in invoke("budget", path, "--octets", "98", "--weaker").stdout
    asked = invoke("budget", path, "--weaker")
    assert asked.exit_code == 2
    assert "Add --octets N" in asked.stderr


@pytest.mark.parametrize("wrong", [-1, 1.5, True, "9"])
def test_what_is_no_number_of_octets_is_refused(wrong: object) -> None:
    with pytest.raises(RequestError, match="octets"):
        carrying(DESIGNS["archive"], wrong)  # type: ignore[arg-type]
