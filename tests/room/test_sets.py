"""Sets of changes: each is proven by encoding on every hop, and none smaller does, by trying all pairs another way."""

from collections.abc import Iterator
from itertools import combinations
from pathlib import Path as File

import pytest

from lowpanbudget import LowpanError, fit, load_design, parse_design
from lowpanbudget.design.knobs import knobs, turned
from lowpanbudget.design.meaning import Design
from lowpanbudget.room.measure import room_of
from lowpanbudget.room.sets import savings_of, smallest_sets

FOLDER = File(__file__).parents[2] / "examples"
EXAMPLES = [FOLDER / f"{name}.toml" for name in ("archive", "footbridge")]
DESIGNS = {path.stem: load_design(path) for path in EXAMPLES}
FLOWS = [(name, flow.name) for name, design in DESIGNS.items() for flow in design.flows]


def rooms(design: Design, flow: str) -> list[int]:
    return [room_of(path) for path in design.paths(design.flow(flow))]


def pairs(design: Design, flow: str) -> Iterator[tuple[tuple[str, ...], int]]:
    """Yield each change and each pair that weakens nothing, by their names, with the room of the worst hop."""
    single = [k for k in knobs(design, design.flow(flow)) if not (k.caution or k.stronger)]
    for changes in [(knob,) for knob in single] + list(combinations(single, 2)):
        try:
            after = turned(design, changes)
            for other in after.flows:
                rooms(after, other.name)
            yield tuple(knob.id for knob in changes), min(rooms(after, flow))
        except LowpanError:
            continue


@pytest.mark.parametrize(("name", "flow"), FLOWS)
def test_every_set_is_enough_on_every_hop_and_none_smaller_is(name: str, flow: str) -> None:
    design = DESIGNS[name]
    before = min(rooms(design, flow))
    found = {frozenset(ids): room for ids, room in pairs(design, flow)}
    for more in (1, 5, 15, 500):
        sets = smallest_sets(design, flow, before + more, 2)
        enough = [ids for ids, room in found.items() if room >= before + more]
        least = min(map(len, enough), default=0)
        # a pair of which one change is there only after the other is in the sets alone
        assert {ids for ids in enough if len(ids) == least} <= {frozenset(s.ids) for s in sets}
        for chosen in sets:
            assert len(chosen.changes) <= (least or 2)
            assert not any(knob.caution for knob in chosen.changes)
            after = turned(design, chosen.changes)
            assert list(chosen.rooms) == rooms(after, flow)
            for path in after.paths(after.flow(flow)):
                (frame,) = path.frames(bytes(before + more))
                assert len(frame.octets) <= path.link.largest


def test_sets_that_take_from_other_flows_come_last() -> None:
    """What they take is told by the rooms of the other flows, hop by hop, before and after."""
    design = DESIGNS["footbridge"]
    others = [one.name for one in design.flows if one.name != "features"]
    before = [room for other in others for room in rooms(design, other)]
    taken = []
    for chosen in smallest_sets(design, "features", min(rooms(design, "features")) + 5):
        changed = turned(design, chosen.changes)
        after = [room for other in others for room in rooms(changed, other)]
        taken.append(sum(max(was - then, 0) for was, then in zip(before, after, strict=True)))
    assert taken[0] == 0 < taken[-1]
    assert taken == sorted(taken)


@pytest.mark.parametrize(("name", "flow"), FLOWS)
def test_savings_add_up_to_the_room(name: str, flow: str) -> None:
    design = DESIGNS[name]
    for path in design.paths(design.flow(flow)):
        room = room_of(path)
        for chosen in smallest_sets(design, flow, min(rooms(design, flow)) + 9)[:2]:
            now = room
            for saving in savings_of(design, chosen.changes, path):
                now += saving.gain
                assert saving.path is not None
                assert room_of(saving.path) == now
            hop = [p.hop.name for p in design.paths(design.flow(flow))].index(path.hop.name)
            assert now == chosen.rooms[hop]


def test_nothing_is_changed_where_it_fits() -> None:
    design = DESIGNS["archive"]
    (chosen,) = smallest_sets(design, "climate", min(rooms(design, "climate")))
    assert chosen.changes == ()
    assert smallest_sets(design, "climate", 1200) == []


def test_weaker_changes_are_asked_for() -> None:
    """A UDP checksum of 2 octets and 4 of the MIC (IEEE 802.15.4-2015 table 9-6, from memory) are 5 and one over."""
    design = DESIGNS["archive"]
    wanted = min(rooms(design, "climate")) + 5
    assert smallest_sets(design, "climate", wanted) == []
    weak = smallest_sets(design, "climate", wanted, weaker=True)
    assert weak
    assert all(any(knob.caution for knob in chosen.changes) for chosen in weak)


LONG = """
[[message]]
name = "long"
byte_order = "big"
bit_order = "msb-first"
layout = "octet-aligned"

[[message.field]]
kind = "octets"
name = "data"
length = {octets}
"""


@pytest.mark.parametrize(("octets", "short"), [(80, ["forwarded"]), (88, ["first", "forwarded"])])
def test_fit_advises_one_set_for_all_hops_of_a_flow(octets: int, short: list[str]) -> None:
    text = EXAMPLES[1].read_text(encoding="utf-8") + LONG.format(octets=octets)
    fits = [one for one in fit(parse_design(text), "long") if one.flow == "features"]
    assert [one.hop for one in fits if one.advice] == short
    first, *others = [[saving.id for saving in one.advice] for one in fits if one.advice]
    assert all(other == first for other in others)
    for one in fits:
        assert one.room + sum(saving.gain for saving in one.advice) >= one.octets
