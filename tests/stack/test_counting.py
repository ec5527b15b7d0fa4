"""Fragments whose sender counts a source route in another form than whole addresses (RFC 8138 leaves it open)."""

import pytest
from findings import air
from findings.cases_fragments import route_counted, route_out_of_order, routed_packet

from lowpanbudget import Reassembler, decode_frame
from lowpanbudget.layers.lowpan.fragment import SizeTooSmall
from lowpanbudget.layers.lowpan.lorh import IpInIp, Rpi, SrhLorh
from lowpanbudget.stack.counting import most_added
from lowpanbudget.stack.events import Complete, Discarded


def events_of(less: int, last: int) -> list[object]:
    reassembler = Reassembler()
    events: list[object] = []
    for octets in route_counted(less, last=last).air:
        assert isinstance(octets, bytes)
        events += reassembler.feed(decode_frame(octets, contexts=air.CONTEXTS))
    assert reassembler.held == (0 if isinstance(events[-1], Complete) else 96)
    return events


# two addresses: 8 + 32 octets whole; 8 + 4 filled up to 16 where each leaves out 14 (RFC 6554 section 3); or none
@pytest.mark.parametrize("less", [0, 24, 40])
@pytest.mark.parametrize("last", [96, 48])
def test_the_datagram_is_whole_in_each_form(less: int, last: int) -> None:
    (whole,) = events_of(less, last)
    assert isinstance(whole, Complete)
    # with the lengths of IPv6 and UDP that it was sent with
    assert whole.datagram.octets == routed_packet()
    assert whole.fragments == 1 + 96 // last


@pytest.mark.parametrize("less", [8, 16, 32])
def test_no_form_has_these_octets(less: int) -> None:
    discarded, *_ = events_of(less, 96)
    assert isinstance(discarded, Discarded)
    assert "overlaps another with a different extent" in discarded.reason


def test_what_rpl_added_at_most() -> None:
    """An RPL option of 8 octets (RFC 6553), an outer header of 40, and 8 and 16 for each hop of a route (RFC 6554)."""
    route = SrhLorh((b"\0\1", b"\0\2"))
    assert most_added([Rpi()]) == 8
    assert most_added([Rpi(), IpInIp(64)]) == 8 + 40
    assert most_added([route, Rpi(), IpInIp(64)]) == 8 + 2 * 16 + 8 + 40


@pytest.mark.parametrize("less", [0, 24, 40])
def test_how_its_sender_counts_is_known_of_what_was_sent(less: int) -> None:
    reassembler = Reassembler()
    for octets in route_counted(less).air:
        assert isinstance(octets, bytes)
        reassembler.feed(decode_frame(octets, contexts=air.CONTEXTS))
    assert reassembler.arrival is not None
    counted = reassembler.arrival.datagram.counted
    assert (0 if counted is None else counted.less) == less


def test_what_was_broken_off_tells_no_count() -> None:
    """The second one came before the first, which overlaps it by 24 octets: nobody knows that they are of one."""
    reassembler = Reassembler()
    for octets in route_out_of_order().air:
        assert isinstance(octets, bytes)
        reassembler.feed(decode_frame(octets, contexts=air.CONTEXTS))
    assert reassembler.arrival is not None
    assert reassembler.arrival.datagram.counted is None


def test_a_first_fragment_that_brings_as_many_octets_as_the_size_waits_for_more() -> None:
    """Where its sender counts 8 octets less than it brings, 8 are to come: without them it was not sent in full."""
    sent = b"\xf1" + ROUTE + INFORMATION + air.payload(air.datagram(bytes(144)))
    size = len(air.datagram(bytes(144)))
    head = bytes([0xC0 | size >> 8, size & 0xFF]) + b"\0\7"
    root = air.address(air.PREFIX, air.ROOT)
    frame = decode_frame(air.raw(head + sent[:-8]), contexts=air.CONTEXTS, root=root)
    reassembler = Reassembler()
    assert reassembler.feed(frame) == []
    assert reassembler.arrival is not None
    assert reassembler.expired(61.0) == [reassembler.arrival.datagram]


def test_what_overlaps_behind_another_fragment_tells_no_other_count() -> None:
    """RFC 4944 section 5.3: it differs in its extent from what is there, and that told how its sender counts."""
    first, second, _ = route_counted(0, last=48).air
    other = route_counted(24, last=48).air[1]
    assert isinstance(other, bytes)
    assert isinstance(second, bytes)
    size = 9  # of the MAC header: control 2, sequence 1, PAN 2, addresses 2 and 2
    other = air.mended(second[: size + 2] + other[size + 2 :])
    reassembler = Reassembler()
    events = []
    for octets in (first, second, other):
        assert isinstance(octets, bytes)
        events += reassembler.feed(decode_frame(octets, contexts=air.CONTEXTS))
    (discarded,) = events
    assert isinstance(discarded, Discarded)
    assert discarded.contradicted
    assert reassembler.held == 48


# RFC 8138: a source route of one entry of 2 octets (5.1), RPL information of instance 0 and a rank of 1 octet (6.3), an
# outer header with its hop limit alone (7)
ROUTE, INFORMATION, TUNNEL = b"\x80\x01" + air.ROOT, b"\x83\x05\x02", b"\xa1\x06\x40"


def last_hop(less: int, *, tunnel: bool, last: int = 96) -> list[object]:
    """The events of a datagram in two fragments behind these heads, and the datagram as it was sent."""
    packet = air.datagram(bytes(136 + (last % 8 or 8)))
    sent = b"\xf1" + ROUTE + INFORMATION + TUNNEL * tunnel + air.payload(packet)
    # the option (RFC 6553 section 3) and the outer header; the entry of the route is the destination
    added = 8 + 40 * tunnel
    cut, size = len(sent) - last, len(packet) + added - less
    head = size.to_bytes(2, "big") + b"\0\7"
    parts = [
        bytes([0xC0 | head[0]]) + head[1:] + sent[:cut],
        bytes([0xE0 | head[0]]) + head[1:] + bytes([(size - last) // 8]) + sent[cut:],
    ]
    root = air.address(air.PREFIX, air.ROOT)
    reassembler, events = Reassembler(), list[object]()
    for number, part in enumerate(parts, 1):
        frame = decode_frame(air.raw(part, number), contexts=air.CONTEXTS, root=root)
        events += reassembler.feed(frame)
    return [*events, packet]


# all that RPL added, or nothing of it; where 8 octets follow, or less, the first brings as many as the size then
@pytest.mark.parametrize(("less", "tunnel"), [(0, False), (8, False), (0, True), (48, True)])
@pytest.mark.parametrize("last", [96, 8, 7, 1])
def test_a_route_of_one_entry_takes_no_octets(less: int, tunnel: bool, last: int) -> None:
    whole, packet = last_hop(less, tunnel=tunnel, last=last)
    assert isinstance(whole, Complete)
    assert isinstance(packet, bytes)
    sent = whole.datagram.octets
    assert len(sent) == len(packet) + (48 if tunnel else 8)
    # with the length of UDP that it was sent with
    assert sent[-len(packet) + 40 :] == packet[40:]


def first_of_two(less: int) -> bytes:
    """A first fragment, all but an octet of a datagram with the RPL option, of which so many octets are not counted."""
    packet = air.datagram(bytes(100))
    sent = b"\xf1" + INFORMATION + air.payload(packet)
    head = (len(packet) + 8 - less).to_bytes(2, "big") + b"\0\7"
    return air.raw(bytes([0xC0 | head[0]]) + head[1:] + sent[:-1])


def test_a_size_that_leaves_nothing_to_follow_is_refused() -> None:
    """The option is 8 octets: 9 less than was sent are as many as the first brings without it."""
    read, refused = (decode_frame(first_of_two(less), contexts=air.CONTEXTS) for less in (8, 9))
    assert read.fault is None
    assert refused.fault is not None
    assert isinstance(refused.fault.about, SizeTooSmall)


@pytest.mark.parametrize(("less", "tunnel"), [(16, False), (24, False), (8, True), (40, True)])
def test_a_route_of_one_entry_is_not_counted_as_more(less: int, tunnel: bool) -> None:
    discarded, *_ = last_hop(less, tunnel=tunnel)
    assert isinstance(discarded, Discarded)
