"""The room by the number of hops: judged by frames, and by what a router in a source route takes."""

from dataclasses import replace
from itertools import pairwise

import pytest
from design.designs import EXAMPLES
from room.sweep_proof import carries

from lowpanbudget import RequestError, SrhLorh, budget, decode_frame, load_design, room_by_hops

DESIGNS = {name: load_design(EXAMPLES / f"{name}.toml") for name in ("archive", "footbridge")}
FOOTBRIDGE = DESIGNS["footbridge"]


@pytest.mark.parametrize("name", DESIGNS)
def test_rooms_are_those_of_frames(name: str) -> None:
    design = DESIGNS[name]
    for found in room_by_hops(design, [1, 2, 3, 9, 14]):
        for one in found.rooms:
            paths = design.paths(design.flow(found.flow).with_hops(one.hops))
            assert [path.hop.name for path in paths] == ["first", "forwarded"][: len(paths)]
            assert len(paths) == (1 if one.hops == 1 else 2)
            for path, room in zip(paths, (one.first, one.forwarded), strict=False):
                assert room is not None
                if room >= 0:
                    assert carries(path, room)
                    assert not carries(path, room + 1)
                else:
                    assert len(path.unlimited(b"").octets) == path.link.largest - room
        own = next(iter(room_by_hops(design, [found.hops], found.flow))).rooms[0]
        assert [own.first, own.forwarded] == [one.room for one in budget(design, found.flow)]


def test_a_source_route_follows_and_ends() -> None:
    """RFC 8138 section 5.1: an entry of type 3 is 8 octets, and 88 octets of room hold no more than eleven.

    The design's routers differ in 8 octets; from the third hop on each is one entry more.
    """
    (found,) = room_by_hops(FOOTBRIDGE, range(1, 13), "routed")
    rooms = [one.room for one in found.rooms if one.room is not None]
    assert len(rooms) == 12
    steps = {before - after for before, after in pairwise(rooms[2:])}
    assert steps == {8}
    assert found.deepest == 10
    assert found.end is not None
    assert found.end.hops == 11
    assert found.end.room is not None
    assert found.end.room <= 0 < rooms[9]


def test_over_one_hop_stands_no_router() -> None:
    flow = FOOTBRIDGE.flow("routed")
    assert [flow.with_hops(hops).routing.route for hops in (1, 2, 9)] == [0, 1, 8]
    storing = replace(flow, routing=replace(flow.routing, route=0), hops=1)
    (one,) = budget(FOOTBRIDGE.with_flow(storing), "routed")
    assert room_by_hops(FOOTBRIDGE, [1], "routed")[0].rooms[0].room == one.room


def test_the_end_is_found_beyond_what_was_asked() -> None:
    (found,) = room_by_hops(FOOTBRIDGE, [2], "routed")
    assert (found.deepest, found.end and found.end.hops) == (10, 11)
    (found,) = room_by_hops(FOOTBRIDGE, [200], "features")
    assert found.rooms[0].room is None
    assert "hop limit of 64 ends" in found.rooms[0].refused
    assert (
        found.deepest == 64
    )  # RFC 8200 section 3: the hop limit falls by 1 at each node that forwards
    open_end = replace(FOOTBRIDGE.flow("features"), hop_limit=255)
    (found,) = room_by_hops(FOOTBRIDGE.with_flow(open_end), [254], "features")
    assert (found.deepest, found.end) == (254, None)


@pytest.mark.parametrize("hops", [[], [0], [255], [True], ["3"]])
def test_numbers_that_no_flow_can_have(hops: list[int]) -> None:
    with pytest.raises(RequestError) as caught:
        room_by_hops(FOOTBRIDGE, hops)
    assert caught.value.hint == "Give numbers from 1 to 254"


@pytest.mark.parametrize("hops", [1, 2, 3])
def test_without_routers_an_outer_header_still_says_where_it_ends(hops: int) -> None:
    """RFC 8138 section 7: "In Non-Storing mode, there is no implicit value for packets going downwards".

    Section 5.6: each router pops its entry.
    Storing mode is the design's where it has no route: "it is the destination address in the LOWPAN_IPHC".
    """
    flow = FOOTBRIDGE.flow("routed").tunnelled()
    design = replace(FOOTBRIDGE, link=replace(FOOTBRIDGE.link, security=None)).with_flow(flow)
    path = design.paths(flow.with_hops(hops))[0]
    frame = decode_frame(path.frames(b"")[0].octets, contexts=dict(design.contexts), root=path.root)
    final = flow.destination.ip(design.link.addresses)
    entries = [hop for header in frame.packet.all(SrhLorh) for hop in header.hops]
    assert len(entries) == hops  # each router, and the end
    assert final.packed.endswith(entries[-1])
    # as many hops again as before, also from where there was no router
    assert flow.with_hops(hops).with_hops(9).routing.route == flow.with_hops(9).routing.route == 8
    storing = replace(flow, routing=replace(flow.routing, route=0), hops=1)
    (implied,) = design.paths(storing)[0].frames(b"")
    assert decode_frame(implied.octets).packet.find(SrhLorh) is None
