"""Where one octet more costs a frame, against a count of our own from the 8-octet rule."""

from collections.abc import Callable, Iterable
from dataclasses import replace
from functools import cache

import pytest
from design.designs import EXAMPLES
from hypothesis import given, settings
from hypothesis import strategies as st
from room.random_paths import mesh_by_hand, random_paths

from lowpanbudget import Env, budget, load_design, split
from lowpanbudget.design.application import NONE, Application
from lowpanbudget.design.path import FlowPath
from lowpanbudget.design.routing import UNROUTED, Routing
from lowpanbudget.errors import DoesNotFit
from lowpanbudget.room.further import FurtherFrames
from lowpanbudget.room.measure import cliffs, frames_of, room_of
from lowpanbudget.stack.split import fragment_octets

IPV6_UDP = 48  # RFC 8200 section 3: 40; RFC 768: 8
FRAG1, FRAGN = 4, 5  # RFC 4944 section 5.3


def counted(room: int, compressed: int, payload: int, uncompressed: int = IPV6_UDP) -> int:
    """Return the frames of a payload by hand.

    ``room`` octets stand between header and trailer of a frame; ``compressed`` of them are the headers. RFC 4944
    section 5.3: "datagram_offset ... in increments of 8 octets", so that all fragments but the last carry a multiple
    of 8 octets of the uncompressed datagram, whose compressed headers stand in the first (RFC 6282 section 2).
    """
    if compressed + payload <= room:
        return 1
    datagram = uncompressed + payload
    first = min((uncompressed + room - FRAG1 - compressed), datagram - 1) // 8 * 8
    frames, left = 1, datagram - first
    while left > 0:
        left -= left if left <= room - FRAGN else (room - FRAGN) // 8 * 8
        frames += 1
    return frames


@cache
def octets_of(application: Application, payload: int) -> int:
    """Return the octets of the protocols above UDP: they stand in its payload, and here they are only counted."""
    return len(application.write(bytes(payload)).data)


def by_hand(path: FlowPath, most: int) -> list[tuple[int, int]]:
    # a frame with a payload: header elements end with a termination before one
    one = path.link.frame(path.hop.source, path.hop.destination, b"\0")
    room = path.link.largest - (len(one.octets) - 1) - mesh_by_hand(path)
    application = path.flow.application
    compressed = path.lengths(0)[0] - octets_of(application, 0)
    uncompressed = len(path.datagram(b"")) - octets_of(application, 0)
    found: list[tuple[int, int]] = []
    for payload in range(path.link.mtu - uncompressed + 1):
        above = octets_of(application, payload)
        if uncompressed + above > path.link.mtu:
            break
        frames = counted(room, compressed, above, uncompressed)
        if frames > most:
            break
        if found and found[-1][1] == frames:
            found.pop()
        found.append((payload, frames))
    return found


@pytest.mark.parametrize("name", ["archive", "footbridge"])
def test_the_examples(name: str) -> None:
    for found in budget(load_design(EXAMPLES / f"{name}.toml")):
        wanted = by_hand(found.path, 256)
        assert found.cliffs(8) == wanted[:8]
        assert found.cliffs(1) == [(found.room, 1)]
        everything = found.cliffs(256)
        assert everything == wanted
        # the MTU of RFC 4944 section 4
        assert len(found.path.datagram(bytes(everything[-1][0]))) == 1280


@settings(max_examples=60)
@given(random_paths(), st.data())
def test_random_designs(path: FlowPath, data: st.DataObject) -> None:
    assert cliffs(path, room_of(path), 5) == by_hand(path, 5)
    payload = data.draw(st.integers(0, path.link.mtu - IPV6_UDP))
    frames = path.frames(bytes(payload))
    assert all(len(frame.octets) <= path.link.largest for frame in frames)
    assert len(frames) == frames_of(path, payload) == path.count(payload)
    assert [len(f.octets) - (path.link.largest - path.link_room) for f in frames] == path.lengths(
        payload
    )


@settings(max_examples=20)
@given(random_paths())
def test_over_the_mtu_nothing_is_sent(path: FlowPath) -> None:
    most = path.link.mtu - IPV6_UDP
    assert frames_of(path, most) is not None
    assert frames_of(path, most + 1) is None
    with pytest.raises(DoesNotFit) as caught:
        path.frames(bytes(most + 3))
    assert caught.value.by == 3


def test_the_snapshot_by_hand() -> None:
    # 1152 + 48 = 1200 octets; 98 a frame. First hop: headers 24, so 4 + 24 + 70 in the first fragment, cut at
    # 48 + 70 = 118 -> 112; then 5 + 93 -> 88: 1088 octets are left, 12 * 88 = 1056, and a last one of 32: 14 frames
    design = load_design(EXAMPLES / "footbridge.toml")
    first, _ = design.paths(design.flow("snapshot"))
    assert first.count(1152) == 1 + 12 + 1 == 14


def test_a_burst_of_small_packets_needs_no_fragments() -> None:
    # 100 packets of 50 octets each 100 ms, a report each 30 s or each 5 s (common practice, no source)
    for name in ("archive", "footbridge"):
        design = load_design(EXAMPLES / f"{name}.toml")
        for flow in design.flows:
            if flow.application != NONE or flow.routing != UNROUTED:
                continue
            for path in design.paths(flow):
                assert path.count(50) == 1


FOOTBRIDGE = load_design(EXAMPLES / "footbridge.toml")
ROUTES = st.builds(
    Routing, rpi=st.booleans(), route=st.integers(0, 40), entry_octets=st.integers(1, 16),
    tunnel=st.booleans(), compressed=st.booleans(),
)  # fmt: skip


@settings(max_examples=60)
@given(ROUTES, st.sampled_from(("routed", "features")), st.integers(0, 1300))
def test_what_is_added_up_of_routed_frames_is_what_they_have(
    routing: Routing, flow: str, octets: int
) -> None:
    """Down and up; a route of many whole addresses is too long to be compressed (RFC 6282 section 4.2)."""
    routed = replace(FOOTBRIDGE.flow(flow), routing=routing)
    for path in FOOTBRIDGE.paths(routed):
        added_up, built = (_told(measure, octets) for measure in (path.lengths, path.measured))
        assert added_up == built


def _told(measure: Callable[[int], Iterable[int]], octets: int) -> list[int] | None:
    try:
        return list(measure(octets))
    except DoesNotFit:
        return None


def test_what_frames_between_add_is_measured_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """The second path is encoded to its second frame alone, and gives the same as all frames encoded."""
    asked = []

    def counting(path: FlowPath, room: int, frames: int) -> list[tuple[int, int]]:
        asked.append(frames)
        return cliffs(path, room, frames)

    monkeypatch.setattr("lowpanbudget.room.further.cliffs", counting)
    design = load_design(EXAMPLES / "footbridge.toml")
    further = FurtherFrames(6)
    for path in design.paths(design.flow("features")):
        room = room_of(path)
        assert further.cliffs(path, room) == cliffs(path, room, 6)
    assert asked == [2, 3, 2]


@pytest.mark.parametrize("room", [12, 13, 14, 60])
def test_octets_of_fragments_are_those_that_are_sent(room: int) -> None:
    """Arithmetic for the least room too: a header of 5 and one unit of 8 octets (RFC 4944 section 5.3)."""
    source, destination = (
        bytes.fromhex(f"fe80 0000 0000 0000 0000 00ff fe00 000{n}") for n in (1, 2)
    )
    whole = bytes.fromhex("6000 0000 0064 3b40") + source + destination + bytes(100)
    found = fragment_octets(140, 3, 40, room)
    if room < 13:
        assert found is None
    else:
        assert found == [len(one) for one in split(whole, Env("0001", "0002"), room=room)]
