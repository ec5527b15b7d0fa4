"""Sweeps: rooms that were added up are those of frames, counts those of the rows, and nothing surpasses the best."""

import random
from collections.abc import Sequence
from dataclasses import replace
from itertools import product
from typing import Any

import pytest
from design.designs import EXAMPLES
from findings.cases_planning import store
from room.sweep_proof import Kind, Settings, differs, kinds

from lowpanbudget import RequestError, budget, carrying, load_design, parse_design, sweep
from lowpanbudget.design.knobs import knobs, positions, turned
from lowpanbudget.design.meaning import Design
from lowpanbudget.room.sweep.axes import axes_of
from lowpanbudget.room.sweep.proof import encoded_room
from lowpanbudget.room.sweep.swept import Sweep
from lowpanbudget.room.sweep.tables import OF_HEADERS, OF_LINK

DESIGNS = {name: load_design(EXAMPLES / f"{name}.toml") for name in ("archive", "footbridge")}
ARCHIVE, FOOTBRIDGE = DESIGNS["archive"], DESIGNS["footbridge"]
KINDS = kinds()
COAP = '[flow.coap]\ncode = "POST"\npath = "r"\n'


@pytest.mark.long
@pytest.mark.parametrize("kind", KINDS, ids=[kind.name for kind in KINDS])
def test_rooms_are_those_of_frames(kind: Kind) -> None:
    settings = Settings(kind, few=True)
    draw = random.Random(kind.name)
    wrong = {
        tuple(places): difference
        for places, room in settings.drawn(draw, 16)
        if (difference := differs(settings, places, room))
    }
    assert wrong == {}


def test_the_judge_sees_an_octet_more_or_less() -> None:
    settings = Settings(KINDS[0], few=True)
    drawn = settings.drawn(random.Random(3), 40)
    places, room = next((places, room) for places, room in drawn if room is not None)
    assert differs(settings, places, room + 1)
    assert differs(settings, places, room - 1)
    assert differs(settings, places, None)


def test_no_change_is_measured_twice() -> None:
    """What bears on two shares of the link, or two of the headers, would be added twice."""
    for design in DESIGNS.values():
        for flow in design.flows:
            for knob in positions(design, flow):
                assert knob.shares
                for half in (OF_LINK, OF_HEADERS):
                    assert sum(share in half for share in knob.shares) <= 1


FEW: dict[str, Any] = {
    "addresses": ["short", "extended"],
    "level": ["5", "6", "7"],
    "key_id_mode": ["0", "1"],
    "udp_checksum": ["carried", "elided"],
    "ports": ["0xf0b1,0xf0b2", "0xc001,0xc002"],
    "hops": [1, 3],
}


def only(design: Design, flow: str, few: dict[str, Any]) -> dict[str, Any]:
    """Return these axes, and of all others the value that the design has."""
    axes = axes_of(design, design.flow(flow), weaker=True)
    ends = tuple(few)
    return {a.name: [a.now] for a in axes if not a.name.endswith(ends)} | few


@pytest.fixture(scope="module")
def few() -> Sweep:
    (found,) = sweep(
        FOOTBRIDGE,
        "features",
        axes=only(FOOTBRIDGE, "features", FEW | {"pan_ids": ["one", "none"]}),
    )
    return found


def test_counts_are_those_of_the_rows(few: Sweep) -> None:
    rows = rows_of(few)
    names = [axis.name for axis in few.axes if not axis.given]
    settings: dict[tuple[Any, ...], dict[str, int]] = {}
    for row in rows:
        settings.setdefault(tuple(row[name] for name in names), {})[row["hops"]] = row["room"]
    # a setting must do for both numbers of hops
    whole = {values: min(rooms.values()) for values, rooms in settings.items() if len(rooms) == 2}
    assert few.settings == 2 * 3 * 2 * 2 * 2 * 2
    # frames between short addresses carry a PAN ID: half of those with two forms of addresses and of PAN IDs
    assert few.refused == few.settings // 4 == few.settings - len(whole)
    # an elided checksum protects less: no count has it, but where the value itself is told
    checksum = names.index("udp_checksum")
    safe = {values: room for values, room in whole.items() if values[checksum] == "carried"}
    assert few.weakening == len(whole) - len(safe) == len(whole) // 2
    assert (few.least, few.most) == (min(safe.values()), max(safe.values()))
    for octets in range(max(whole.values()) + 2):
        assert few.carrying(octets) == sum(room >= octets for room in safe.values())
    for axis in few.axes:
        for value in axis.values:
            assert value.weaker is (value.value == "elided")
            counted = whole if value.weaker else safe
            rooms = (
                [
                    row["room"]
                    for row in rows
                    if row["hops"] == value.value and tuple(row[name] for name in names) in safe
                ]
                if axis.given
                else [r for v, r in counted.items() if v[names.index(axis.name)] == value.value]
            )
            assert (value.least, value.most) == (min(rooms), max(rooms))


def rows_of(found: Sweep) -> list[dict[str, Any]]:
    return [dict(zip(found.columns, row, strict=True)) for row in found.rows()]


def surpasses(one: Sequence[int], other: Sequence[int]) -> bool:
    return one != other and all(a >= b for a, b in zip(one, other, strict=True))


def test_the_best_are_those_that_no_other_surpasses(few: Sweep) -> None:
    """Every setting encoded by itself, compared with every other."""
    flow = FOOTBRIDGE.flow("features")
    axes = axes_of(
        FOOTBRIDGE, flow, only(FOOTBRIDGE, "features", FEW | {"pan_ids": ["one", "none"]})
    )
    given = next(number for number, axis in enumerate(axes) if axis.given)
    goods: set[tuple[int, ...]] = set()
    for places in product(*(range(1 if axis.given else len(axis.values)) for axis in axes)):
        changes = [
            axis.changes[at] for axis, at in zip(axes, places, strict=True) if not axis.given
        ]
        made = [change for change in changes if change is not None]
        try:
            rooms = [
                encoded_room(
                    FOOTBRIDGE, "features", axes, (*places[:given], hops, *places[given + 1 :])
                )
                for hops in range(2)
            ]
        except RequestError:
            continue
        levels = [change.protection for change in made if change.dimension.endswith(".level")]
        weaker = -sum(bool(change.caution) for change in made)
        conditions = -sum(bool(change.condition) for change in made)
        goods.add((min(rooms), *(levels[0] if levels else (0, 0)), weaker, conditions))
    safe = {one for one in goods if one[3] == 0}
    front = {one for one in safe if not any(surpasses(other, one) for other in safe)}
    every = {one for one in goods if not any(surpasses(other, one) for other in goods)}
    assert len(few.front) == len(front) > 4
    assert len(few.weaker) == len(every - safe) > 2
    assert sorted(one.room for one in few.front) == sorted(one[0] for one in front)
    assert sorted(len(one.conditions) for one in few.front) == sorted(-one[4] for one in front)
    assert not any(one.cautions for one in few.front)
    assert all(one.cautions for one in few.weaker)


@pytest.mark.parametrize("name", DESIGNS)
def test_each_saving_of_a_budget_is_a_setting(name: str) -> None:
    """A change alone gives in a sweep what it gives in a budget."""
    design = DESIGNS[name]
    for flow in design.flows:
        hops = budget(design, flow.name)
        axes = axes_of(design, flow, weaker=True)
        alone = {
            change.id: (axis.name, axis.now, value)
            for axis in axes
            for value, change in zip(axis.values, axis.changes, strict=True)
            if change is not None
        }
        savings = {
            saving.id for hop in hops for saving in (*hop.savings, *hop.weaker, *hop.stronger)
        }
        assert savings <= set(alone)
        some = sorted(savings)[:: max(len(savings) // 3, 1)]
        for saving in some:
            axis, now, value = alone[saving]
            (found,) = sweep(design, flow.name, axes=only(design, flow.name, {axis: [now, value]}))
            rows = rows_of(found)
            gains = {
                one.hop: {s.id: s.gain for s in (*one.savings, *one.weaker, *one.stronger)}
                for one in hops
            }
            then = next(row for row in rows if row[axis] == value)
            for hop in hops:
                if saving in gains[hop.hop]:
                    assert then[hop.hop] == hop.room + gains[hop.hop][saving]
                else:  # a budget tells no change that only takes
                    assert then[hop.hop] <= hop.room


@pytest.mark.parametrize(
    ("name", "flow", "octets"),
    [("footbridge", "snapshot", (84, 99)), ("archive", "alarm", (80, 92))],
)
def test_the_smallest_sets_are_the_smallest_of_all(
    name: str, flow: str, octets: tuple[int, ...]
) -> None:
    """Of all combinations of the changes that are advice none is smaller than those that a search found."""
    design = DESIGNS[name]
    advice = {k.id for k in knobs(design, design.flow(flow)) if not (k.caution or k.stronger)}
    axes = axes_of(design, design.flow(flow))
    few = {
        axis.name: [v for v in axis.values if v == axis.now or f"{axis.dimension}={v}" in advice]
        for axis in axes
    }
    (found,) = sweep(design, flow, axes=few)
    most: dict[int, int] = {}  # room with so many changes
    for row in rows_of(found):
        count = sum(row[axis.name] != axis.now for axis in axes)
        most[count] = max(most.get(count, 0), row["room"])
    for wanted in octets:
        least = min(count for count, room in most.items() if room >= wanted)
        (answer,) = carrying(design, wanted, flow)
        assert {len(one.ids) for one in answer.sets} == {least}


def test_protection_takes_the_octets_of_the_standard() -> None:
    """IEEE 802.15.4-2015 tables 9-6 and 9-7, from memory: codes of 4, 8, 16 octets; key identifiers of 0, 1, 5, 9."""
    values = {"level": ["5", "6", "7"], "key_id_mode": ["0", "1", "2", "3"]}
    told: list[tuple[int, int]] = []
    (found,) = sweep(
        ARCHIVE,
        "climate",
        axes=only(ARCHIVE, "climate", values),
        tell=lambda *far: told.append(far),
    )
    # each combination of a table is told once, and the last is as many as there are
    assert [done for done, _ in told] == list(range(1, told[-1][1] + 1))
    rows = rows_of(found)
    mic, key = {"5": 4, "6": 8, "7": 16}, {"0": 0, "1": 1, "2": 5, "3": 9}
    taken = {
        row["room"] + mic[row["link.security.level"]] + key[row["link.security.key_id_mode"]]
        for row in rows
    }
    assert len(rows) == 12
    assert len(taken) == 1


def test_a_setting_must_do_for_all_hops() -> None:
    values = {"hops": range(2, 13), "level": ["5"]}
    (found,) = sweep(FOOTBRIDGE, "routed", axes=only(FOOTBRIDGE, "routed", values))
    rooms = {row["hops"]: row["room"] for row in rows_of(found)}
    assert found.least == found.most == min(rooms.values()) == rooms["12"]
    assert [value.most for value in found.axes[-1].values] == list(rooms.values())
    # each router is 8 octets more of the route (RFC 8138 section 5.1), once the first hop is the worst one
    assert {rooms[str(hops)] - rooms[str(hops + 1)] for hops in range(3, 12)} == {8}


def test_what_cannot_be_added_is_left_out() -> None:
    """A LOWPAN_NHC header has a length of one octet (RFC 6282 section 4.2): 33 addresses of 8 octets are too long."""
    flow = FOOTBRIDGE.flow("routed")
    keys = {"form": ["extension"], "hops": [20, 40]}
    (found,) = sweep(FOOTBRIDGE, flow.name, axes=only(FOOTBRIDGE, "routed", keys))
    assert {row["hops"] for row in rows_of(found)} == {"20", "40"}
    keys["ports"] = ["0xf0b2,0xf0b1", "0xc001,0xc002"]
    keys["udp_checksum"] = ["carried"]
    (found,) = sweep(FOOTBRIDGE, flow.name, axes=only(FOOTBRIDGE, "routed", keys))
    assert "too long to be compressed" in found.reasons[0]
    assert {row["hops"] for row in rows_of(found)} == {"20"}


@pytest.mark.parametrize(
    ("axes", "says", "hint"),
    [
        ({"levle": [5]}, "no axis 'levle'", "level"),
        ({"routing.form": ["6lorh"]}, "no axis 'routing.form'", "Flows that have it: routed"),
        ({"level": []}, "has no values", "5, 6, 7"),
        ({"level": [9]}, "no value '9'", "5, 6, 7"),
        ({"hops": [0]}, "no value '0'", "1 to 254"),
        ({"identifier": ["short"]}, "may be several axes", "station[node].identifier"),
        ({"level": [6], "security.level": [7]}, "is given twice", "together"),
    ],
)
def test_errors_help(axes: dict[str, Any], says: str, hint: str) -> None:
    with pytest.raises(RequestError) as caught:
        sweep(FOOTBRIDGE, "features", axes=axes)
    assert says in caught.value.message
    assert hint in caught.value.hint


def test_the_whole_space_is_no_longer_than_what_it_is_made_of() -> None:
    """Weaker values, another PHY and other hops are swept when they are wanted alone."""
    flow = ARCHIVE.flow("alarm")
    names = {axis.name: axis for axis in axes_of(ARCHIVE, flow)}
    assert names["link.phy"].values == ("o-qpsk-2450",)
    assert names["hops"].values == ("3",)
    assert names["link.security.level"].values == ("6", "7")
    assert names["udp_checksum"].values == ("carried",)
    every = {axis.name: axis for axis in axes_of(ARCHIVE, flow, {"phy": ["sun-fsk"]}, weaker=True)}
    assert set(every["link.security.level"].values) == set("01234567")
    assert every["link.phy"].values == ("sun-fsk",)


def test_another_radio_is_no_better_setting() -> None:
    """The settings that none surpasses with one PHY are those of a sweep of it alone."""
    values = {"phy": ["o-qpsk-2450", "sun-fsk"]}
    (both,) = sweep(ARCHIVE, "alarm", axes=values)
    for phy in values["phy"]:
        (alone,) = sweep(ARCHIVE, "alarm", axes={"phy": [phy]})
        other = phy == "sun-fsk"
        same = [one for one in both.front if ("link.phy=sun-fsk" in one.ids) == other]
        assert sorted(s.room for s in same) == sorted(s.room for s in alone.front)


def test_a_table_has_a_limit(few: Sweep) -> None:
    with pytest.raises(RequestError, match="10,000,002 rows, a table holds 10,000,000"):
        replace(few, settings=5_000_001).rows()  # over two numbers of hops


def test_turning_refuses_a_flow_that_no_longer_reaches() -> None:
    flow = FOOTBRIDGE.flow("features")
    axes = axes_of(FOOTBRIDGE, flow, {"hops": [65]})
    with pytest.raises(RequestError, match="hop limit of 64 ends before 65 hops"):
        turned(FOOTBRIDGE, [axis.changes[0] for axis in axes if axis.given and axis.changes[0]])


def test_oscore_is_an_axis_of_a_message_of_coap() -> None:
    """RFC 8613 sections 5.3 and 6.1: an option of 6 octets, code and marker inside, and a tag of 8: 16 in all.

    What is added to a design is what one that has it from the start takes, and is taken out of that one again.
    """
    plain = parse_design(store(flow=COAP))
    ids = f'[flow.oscore]\nsender_id = "01"\nrecipient_id = "02"\nsequence = {(1 << 24) - 1}\n'
    sealed = parse_design(store(flow=COAP + ids))
    few: dict[str, Any] = {
        "level": [5],
        "udp_checksum": ["carried"],
        "routing.mesh_under": ["false"],
    }
    for design, weaker in ((plain, False), (sealed, True)):
        (swept,) = sweep(design, axes=few, weaker=weaker)
        (axis,) = [one for one in swept.axes if one.name == "oscore.sender_id"]
        most = {value.value: value.most for value in axis.values}
        assert most["none"] is not None
        assert most["01"] == most["none"] - 16
        now = "01" if weaker else "none"
        assert [value.value for value in axis.values if value.now] == [now]
        assert [value.value for value in axis.values if value.weaker] == ["none"] * weaker
    room = min(one.room for one in budget(plain)), min(one.room for one in budget(sealed))
    assert room[0] - room[1] == 16
    # no axis without a CoAP message, nor for a group; and what protects less is no setting unless it is asked for
    for text in (store(), store(flow=COAP, to="group")):
        (swept,) = sweep(parse_design(text))
        assert "oscore.sender_id" not in {one.name for one in swept.axes}
    (swept,) = sweep(sealed, axes={"level": [5]})
    (axis,) = [one for one in swept.axes if one.name == "oscore.sender_id"]
    assert [value.value for value in axis.values] == ["01"]
