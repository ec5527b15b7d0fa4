"""Fragments put together: RFC 4944 section 5.3, its timer, its rule for overlaps, and bounds of our own."""

from typing import Any

import pytest

import lowpanbudget
from lowpanbudget import Env, Mac, RequestError, decode_frame, encode_frame, split

# events have no public names, only kinds
Reassembler: Any = lowpanbudget.Reassembler
Complete, Discarded, Ignored, TimedOut = "Complete", "Discarded", "Ignored", "TimedOut"
A, B, C = b"\x00\x01", b"\x00\x02", b"\x00\x03"


def datagram(payload: int, fill: int = 0x55) -> bytes:
    """Return an uncompressible-payload datagram between fe80::ff:fe00:1 and ::2 (RFC 8200 section 3)."""
    head = bytes.fromhex("6000 0000") + payload.to_bytes(2, "big") + bytes([59, 64])
    return (
        head
        + bytes.fromhex("fe80 0000 0000 0000 0000 00ff fe00 0001")
        + bytes.fromhex("fe80 0000 0000 0000 0000 00ff fe00 0002")
        + bytes((fill + i) % 256 for i in range(payload))
    )


def frame(payload: bytes, source: bytes = A, destination: bytes = B) -> Any:
    mac = Mac(destination_pan=1, destination=destination, source=source, pan_id_compression=True)
    return decode_frame(encode_frame(mac, payload).octets)


def frames(octets: bytes, tag: int = 1, room: int = 60, source: bytes = A) -> list[Any]:
    return [frame(part, source) for part in split(octets, Env(source, B), room=room, tag=tag)]


def fragment(size: int, tag: int, offset: int, octets: bytes) -> Any:
    """By hand, RFC 4944 figure 5."""
    head = (0b11100 << 11 | size).to_bytes(2, "big") + tag.to_bytes(2, "big") + bytes([offset // 8])
    return frame(head + octets)


def name_of(event: Any) -> str:
    return type(event).__name__


def only(events: list[Any], kind: str) -> Any:
    assert [name_of(event) for event in events] == [kind]
    return events[0]


def test_in_order() -> None:
    whole, reassembler = datagram(190), Reassembler()
    parts = frames(whole)
    assert len(parts) == 4
    for number, part in enumerate(parts[:-1]):
        assert reassembler.feed(part, float(number)) == []
    complete = only(reassembler.feed(parts[-1], 3.0), Complete)
    assert complete.datagram.octets == whole
    assert complete.fragments == 4
    assert (complete.started_s, complete.ended_s) == (0.0, 3.0)
    assert complete.key == (A, B, 230, 1)
    assert reassembler.held == 0


def test_a_frame_that_is_a_whole_datagram() -> None:
    complete = only(Reassembler().feed(frames(datagram(20))[0], 5.0), Complete)
    assert complete.datagram.octets == datagram(20)
    assert complete.key is None
    assert complete.fragments == 1


def test_a_frame_with_a_fault_or_without_datagram_is_ignored() -> None:
    assert "fault" in only(Reassembler().feed(frame(b"\x7a"), 0.0), Ignored).reason
    assert only(Reassembler().feed(frame(b""), 0.0), Ignored).reason
    assert only(Reassembler().feed(frame(b"\x00\x01"), 0.0), Ignored).reason


def test_a_duplicate_counts_once() -> None:
    """Coverage decides, not a count of octets: a duplicate completes nothing."""
    whole, reassembler = datagram(190), Reassembler()
    first, second, *rest = frames(whole)
    reassembler.feed(first)
    reassembler.feed(second)
    for again in (first, second, second, first):
        assert "duplicate" in only(reassembler.feed(again), Ignored).reason
    events = [event for part in rest for event in reassembler.feed(part)]
    assert only(events, Complete).datagram.octets == whole


def test_an_overlap_discards_what_was_there_and_starts_afresh() -> None:
    """Section 5.3: "the fragment(s) already accumulated in the reassembly buffer SHALL be discarded"."""
    reassembler = Reassembler()
    reassembler.feed(fragment(100, 7, 40, bytes(24)))
    reassembler.feed(fragment(100, 7, 80, bytes(20)))
    discarded = only(reassembler.feed(fragment(100, 7, 48, b"\1" * 32)), Discarded)
    assert discarded.received == 44
    assert "overlap" in discarded.reason
    assert (
        reassembler.held == 32
    )  # "A fresh reassembly may be commenced with the most recently received"
    rest = [
        fragment(100, 7, 80, b"\2" * 20),
        fragment(100, 7, 40, b"\3" * 8),
        fragment(100, 7, 0, b"\4" * 40),
    ]
    events = [event for part in rest for event in reassembler.feed(part)]
    assert (
        only(events, Complete).datagram.octets == b"\4" * 40 + b"\3" * 8 + b"\1" * 32 + b"\2" * 20
    )


@pytest.mark.parametrize(("offset", "length"), [(40, 16), (40, 32), (48, 8), (32, 16), (32, 40)])
def test_overlap_is_a_different_size_or_offset(offset: int, length: int) -> None:
    reassembler = Reassembler()
    reassembler.feed(fragment(100, 7, 40, bytes(24)))
    only(reassembler.feed(fragment(100, 7, offset, bytes(length))), Discarded)


@pytest.mark.parametrize(("offset", "length"), [(32, 8), (64, 8)])
def test_neighbours_do_not_overlap(offset: int, length: int) -> None:
    reassembler = Reassembler()
    reassembler.feed(fragment(100, 7, 40, bytes(24)))
    assert reassembler.feed(fragment(100, 7, offset, bytes(length))) == []
    assert reassembler.held == 24 + length


def test_what_identifies_a_datagram() -> None:
    """Source, destination, size and tag; another in any of them is another datagram."""
    reassembler = Reassembler()
    wholes = {
        (A, 1, 190): datagram(190, 1),
        (A, 2, 190): datagram(190, 2),
        (A, 1, 191): datagram(191, 3),
        (C, 1, 190): datagram(190, 4),
    }
    lots = [frames(octets, tag, source=source) for (source, tag, _), octets in wholes.items()]
    events = [
        e for parts in zip(*lots, strict=True) for part in parts for e in reassembler.feed(part)
    ]
    assert [event.datagram.octets for event in events if name_of(event) == Complete] == list(
        wholes.values()
    )


def test_the_timer_starts_with_the_first_fragment() -> None:
    reassembler = Reassembler()
    first, second, third, _ = frames(datagram(190))
    reassembler.feed(second, 10.0)
    reassembler.feed(first, 40.0)
    ignored = only(reassembler.feed(frame(b"\x00"), 70.0), Ignored)
    assert "no datagram and no fragment" in ignored.reason
    timed_out, ignored = reassembler.feed(frame(b"\x00"), 70.1)
    assert name_of(timed_out) == TimedOut
    assert name_of(ignored) == Ignored
    assert timed_out.started_s == 10.0
    assert third.fragment is not None
    assert timed_out.received == third.fragment.offset
    assert timed_out.missing == ((timed_out.received, 230),)
    assert reassembler.held == 0


def test_a_late_fragment_starts_anew() -> None:
    reassembler = Reassembler(timeout_s=5)
    first, *rest = frames(datagram(190))
    reassembler.feed(first, 0.0)
    events = [event for part in rest for event in reassembler.feed(part, 6.0)]
    assert reassembler.held == 230 - only(events, TimedOut).received


def test_missing_ranges() -> None:
    reassembler = Reassembler()
    reassembler.feed(fragment(100, 7, 40, bytes(24)), 0.0)
    reassembler.feed(fragment(100, 7, 80, bytes(8)), 0.0)
    timed_out = reassembler.feed(frame(b""), 61.0)[0]
    assert name_of(timed_out) == TimedOut
    assert timed_out.missing == ((0, 40), (64, 80), (88, 100))


@pytest.mark.parametrize("timeout_s", [0, -1, 60.1, 3600])
def test_the_time_out_is_60_s_at_most(timeout_s: float) -> None:
    """Section 5.3: "The reassembly timeout MUST be set to a maximum of 60 seconds"."""
    with pytest.raises(RequestError, match="60"):
        Reassembler(timeout_s=timeout_s)


@pytest.mark.parametrize(("datagrams", "octets"), [(0, 1), (1, 0), (-1, 1)])
def test_bounds_are_at_least_one(datagrams: int, octets: int) -> None:
    with pytest.raises(RequestError):
        Reassembler(max_datagrams=datagrams, max_octets=octets)


def test_the_oldest_is_given_up_when_too_many_are_open() -> None:
    reassembler = Reassembler(max_datagrams=3)
    for tag in range(5):
        events = reassembler.feed(fragment(100, tag, 40, bytes(8)), float(tag))
        if tag >= 3:
            assert only(events, Discarded).key[3] == tag - 3
    assert reassembler.held == 24


def test_a_bound_of_one_datagram_is_a_bound() -> None:
    whole, reassembler = datagram(190), Reassembler(max_datagrams=1)
    for tag in (1, 2):
        events = [event for part in frames(whole, tag) for event in reassembler.feed(part)]
        assert only(events, Complete).datagram.octets == whole
    first, second = (frames(whole, tag)[0] for tag in (3, 4))
    assert reassembler.feed(first) == []
    assert only(reassembler.feed(second), Discarded).key[3] == 3


def test_octets_are_bounded() -> None:
    reassembler = Reassembler(max_octets=100)
    for tag in range(50):
        reassembler.feed(fragment(2000, tag, 800, bytes(40)), 0.0)
        assert reassembler.held <= 100
    giant = Reassembler(max_octets=30)
    events = giant.feed(fragment(100, 1, 40, bytes(40)), 0.0)
    assert only(events, Discarded).received == 40
    assert giant.held == 0


def test_what_is_whole_and_absorbs_copies_is_bounded_in_both_ways() -> None:
    """Recoverable fragments (RFC 8931 figure 1), each a whole datagram; how long copies are absorbed is our choice.

    60 octets: the dispatch 0x41 and 59 of IPv6 (RFC 4944 section 5.1). Either bound alone is one.
    """
    for bounds, most in (({"max_datagrams": 2}, 2 * 60), ({"max_octets": 120}, 2 * 60)):
        reassembler = Reassembler(**bounds)
        held = []
        for tag in range(8):
            # tag, sequence 0 of 60 octets; its offset is the size of the datagram (section 5.1)
            header = bytes([0b1110_1000, tag]) + (60).to_bytes(2, "big") * 2
            whole = datagram(19, tag)
            event = only(reassembler.feed(frame(header + b"\x41" + whole), tag / 10), Complete)
            assert event.datagram.octets == whole
            held.append(reassembler.held)
        assert held == [60, *[most] * 7]


def test_one_octet_is_a_bound() -> None:
    reassembler = Reassembler(max_octets=1)
    assert reassembler.feed(fragment(49, 1, 48, bytes(1))) == []
    assert reassembler.held == 1
    assert only(reassembler.feed(fragment(49, 2, 48, bytes(1))), Discarded).key[3] == 1


def test_close_ends_what_is_open() -> None:
    reassembler = Reassembler()
    reassembler.feed(fragment(100, 1, 40, bytes(8)))
    reassembler.feed(fragment(100, 2, 40, bytes(16)))
    events = reassembler.close()
    assert [(name_of(e), e.received) for e in events if name_of(e) == Discarded] == [
        (Discarded, 8),
        (Discarded, 16),
    ]
    assert reassembler.close() == []


def test_a_first_fragment_without_datagram_leaves_nothing_behind() -> None:
    """FRAG1 around something that is no IPv6: no octets of a datagram."""
    reassembler = Reassembler()
    reassembler.feed(frame(bytes.fromhex("c064 0001 00 01")))
    assert reassembler.close() == []


def test_tags_wrap() -> None:
    """Section 5.3: "The incremented value of datagram_tag SHALL wrap from 65535 back to zero"."""
    reassembler = Reassembler()
    for tag in (65535, 0):
        parts = frames(datagram(190, tag % 256), tag)
        assert all(part.fragment is not None and part.fragment.tag == tag for part in parts)
        events = [event for part in parts for event in reassembler.feed(part)]
        assert only(events, Complete).datagram.octets == datagram(190, tag % 256)


@pytest.mark.parametrize("wrong", [b"\x41", None, "frame"])
def test_only_frames_are_fed(wrong: Any) -> None:
    with pytest.raises(RequestError, match="decode_frame"):
        Reassembler().feed(wrong)


@pytest.mark.parametrize("time_s", ["1", None, float("nan"), float("inf")])
def test_times_are_numbers(time_s: Any) -> None:
    with pytest.raises(RequestError, match="time_s"):
        Reassembler().feed(frames(datagram(20))[0], time_s)
