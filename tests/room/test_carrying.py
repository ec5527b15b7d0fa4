"""Which settings carry so many octets: judged by building the frames of the designs with the changes made."""

import json
from pathlib import Path as File
from typing import Any

import pytest
from contract.entry import invoke

from lowpanbudget import DoesNotFit, RequestError, carrying, load_design
from lowpanbudget.design.knobs import knobs, turned
from lowpanbudget.design.meaning import Design
from lowpanbudget.room.sets import smallest_sets

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


@pytest.mark.parametrize("most", [2, 12])
def test_sets_that_are_not_worked_out_are_counted(
    most: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("lowpanbudget.room.carrying._MOST_SETS", most)
    every = smallest_sets(DESIGNS["footbridge"], "snapshot", 66)
    assert 2 < len(every) <= 12
    (one,) = carrying(DESIGNS["footbridge"], 66, "snapshot")
    told = [chosen.ids for chosen in one.sets]
    assert told == [chosen.ids for chosen in every[:most]]
    assert len(told) + one.more_sets == len(every)


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


LONG_FRAMES = """
title = "Wind turbines"
[link]
phy = "sun-fsk"
pan_id = 0x51b7
[[context]]
id = 0
prefix = "2001:db8:9:1::/64"
[[station]]
name = "blade"
role = "node"
short = 1
prefix = "2001:db8:9:1::/64"
[[station]]
name = "hub"
role = "border"
short = 2
prefix = "2001:db8:9:1::/64"
[[flow]]
name = "spectrum"
source = "blade"
destination = "hub"
source_port = 0xf0b1
destination_port = 0xf0b2
most_frames = 4
messages = ["spectrum"]
[[message]]
name = "spectrum"
byte_order = "big"
bit_order = "msb-first"
layout = "bit-packed"
[[message.field]]
kind = "octets"
name = "bins"
max_length = 1300
min_length = 1300
"""


def test_where_the_mtu_ends_the_room_the_answers_say_so(tmp_path: File) -> None:
    """IPv6 40, UDP 8 (RFC 8200 section 3, RFC 768): 1232 of 1280 are left, 1300 are a datagram of 1348.

    No number of frames carries that; datagrams of up to 1400 octets (network.mtu) do. MHR 9, IPHC 2, UDP NHC 4 and
    FCS 4 octets leave 2047 - 19 - 1232 = 796 of the largest frame.
    """
    path = tmp_path / "wind.toml"
    path.write_text(LONG_FRAMES, "utf-8")
    (one,) = carrying(load_design(path), 1300, most_frames=4)
    assert (one.carries, one.datagram, one.mtu, one.sets) == (1232, 1348, 1280, ())
    for args in (("budget", str(path), "--octets", "1300"), ("fit", str(path))):
        told = " ".join(invoke(*args).stdout.split())
        assert "datagram would have 1348 octets, the MTU is 1280" in told
        assert "raise network.mtu" in told
        assert "allow more frames" not in told
    shown = " ".join(invoke("budget", str(path)).stdout.split())
    first = json.loads(invoke("budget", str(path), "--json").stdout)["budget"][0]
    assert f"{first['beyond_mtu']} octets of it stay empty" in shown
    assert first["beyond_mtu"] == 2047 - first["ledger"]["octets"] == 796
    page = tmp_path / "wind.html"
    assert (
        invoke("page", str(path), "-o", str(page), "--no-network", "--combinations", "1").exit_code
        == 0
    )
    text = " ".join(page.read_text("utf-8").split())
    assert "796 stay empty: the MTU (network.mtu) ends datagrams at 1280 octets" in text
    path.write_text(LONG_FRAMES + "[network]\nmtu = 1400\n", "utf-8")
    assert carrying(load_design(path), 1300)[0].fits


@pytest.mark.parametrize("wrong", [-1, 1.5, True, "9"])
def test_what_is_no_number_of_octets_is_refused(wrong: object) -> None:
    with pytest.raises(RequestError, match="octets"):
        carrying(DESIGNS["archive"], wrong)  # type: ignore[arg-type]


@pytest.mark.parametrize("most_frames", [0, -1, True, 1.5, None])
def test_a_number_of_frames_is_a_whole_one_from_1(most_frames: Any) -> None:
    with pytest.raises(RequestError, match="is no number from 1"):
        carrying(DESIGNS["archive"], 80, most_frames=most_frames)
