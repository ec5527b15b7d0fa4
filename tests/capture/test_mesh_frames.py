"""Frames of a mesh below IPv6 from datagrams: RFC 4944 sections 5, 5.2, 9 and 11, their octets counted by hand."""

from dataclasses import replace
from ipaddress import IPv6Address

import pytest
from design.test_mesh_under import HEAD, STATIONS, flow
from findings import air

from lowpanbudget import (
    Counters,
    Design,
    Reassembler,
    Record,
    RequestError,
    Shrinker,
    decode_frame,
    expand,
    parse_design,
    shrink,
)
from lowpanbudget.stack.events import Complete

GAUGE, GATE, OTHER = b"\x00\x17", b"\x00\x01", b"\x00\x29"
PREFIX, PORTS = "2001:db8:4d::", (0xF0B1, 0xF0B2)
HEADER = 9  # octets of the MAC header: frame control, number, PAN, two short addresses


def design(*flows: str) -> Design:
    return parse_design(HEAD + STATIONS + "".join(flows or (flow(),)))


def packet(
    data: bytes = b"level 12",
    links: tuple[bytes, bytes] = (GAUGE, GATE),
    ports: tuple[int, int] = PORTS,
) -> bytes:
    return air.datagram(data, PREFIX, links, ports=ports)


def links_of(frame: bytes) -> tuple[bytes, bytes]:
    """Return sender and receiver in the MAC header, whose octets come least significant first."""
    return frame[7:9][::-1], frame[5:7][::-1]


def test_frames_have_the_mesh_header_of_their_flow() -> None:
    """10, V = F = 1 of short addresses, 3 hops; both identifiers are elided against its two ends (section 10.1)."""
    shrinker = Shrinker(design())
    (frame,) = shrinker.frames(packet())
    assert frame[HEADER : HEADER + 7].hex() == "b3" + "0017" + "0001" + "7e77"
    sender, to = links_of(frame)
    assert (sender, to) == (GAUGE, shrinker.stand_in)
    assert to not in (GAUGE, GATE)  # three hops: the next node is neither end
    (back,) = shrinker.frames(packet(links=(GATE, GAUGE), ports=PORTS[::-1]))
    assert back[HEADER : HEADER + 5].hex() == "b3" + "0001" + "0017"


def test_over_one_hop_all_nodes_are_known() -> None:
    shrinker = Shrinker(design(flow(hops="1")))
    (frame,) = shrinker.frames(packet())
    assert frame[HEADER : HEADER + 5].hex() == "b1" + "0017" + "0001"
    assert links_of(frame) == (GAUGE, GATE)
    assert shrinker.stand_in is None


def test_other_nodes_of_the_mesh_send_as_the_planned_one() -> None:
    (frame,) = Shrinker(design()).frames(packet(links=(OTHER, GATE)))
    assert frame[HEADER : HEADER + 5].hex() == "b3" + "0029" + "0001"
    assert links_of(frame)[0] == OTHER


def test_what_belongs_to_no_flow_goes_as_far_as_one_between_the_same_two() -> None:
    """An echo request (RFC 4443 section 4.1) has no ports; of what has neither end nobody knows how far it goes."""
    ends = (air.address(PREFIX, GAUGE), air.address(PREFIX, GATE))
    echo = air.ip(*ends, 58, air.icmpv6(128, bytes(4), *ends))
    (frame,) = Shrinker(design(flow(hops="5"))).frames(echo)
    assert frame[HEADER : HEADER + 5].hex() == "b5" + "0017" + "0001"
    ends = (air.address(PREFIX, OTHER), air.address(PREFIX, b"\x00\x30"))
    other = air.ip(*ends, 58, air.icmpv6(128, bytes(4), *ends))
    with pytest.raises(RequestError, match=r"over how many hops .* 0x0029 to 0x0030") as caught:
        Shrinker(design()).frames(other)
    assert "Plan a flow between these two" in str(caught.value.hint)


def test_a_flow_of_routers_beside_it_stays_as_it_is() -> None:
    routed = flow("reports", routing="{ rpi = false }", hops="1").replace("0xf0b1", "0xf0b9")
    shrinker = Shrinker(design(flow(), routed))
    (frame,) = shrinker.frames(packet(ports=(0xF0B9, 0xF0B2)))
    assert frame[HEADER : HEADER + 2].hex() == "7e77"
    assert shrinker.stand_in is None


def test_a_hop_that_is_named_is_that_of_its_flow() -> None:
    planned = design()
    shrinker = Shrinker(planned, flow=planned.flows[0], hop="forwarded")
    (frame,) = shrinker.frames(packet())
    assert frame[HEADER : HEADER + 5].hex() == "b2" + "0017" + "0001"
    (path,) = [path for path in planned.paths(planned.flows[0]) if path.hop.name == "forwarded"]
    assert links_of(frame) == path.hop[1:3]
    assert not set(links_of(frame)) & {GAUGE, GATE}
    assert shrinker.stand_in in links_of(frame)


def test_hops_beyond_14_have_an_octet_of_their_own() -> None:
    """ "0xF is reserved and signifies an 8-bit Deep Hops Left field immediately following" (section 5.2)."""
    planned = design(flow(hops="15"))
    (first,) = Shrinker(planned).frames(packet())
    (later,) = Shrinker(planned, flow=planned.flows[0], hop="forwarded").frames(packet())
    assert first[HEADER : HEADER + 6].hex() == "bf0f" + "0017" + "0001"
    assert later[HEADER : HEADER + 6].hex() == "bf0e" + "0017" + "0001"


def test_each_fragment_has_it_and_all_fit() -> None:
    """127 octets are the most; put together at the end of the mesh they are the datagram that was sent."""
    sent = packet(bytes(range(250)))
    frames = Shrinker(design()).frames(sent)
    assert len(frames) > 2
    assert max(map(len, frames)) <= 127
    assert {one[HEADER : HEADER + 5].hex() for one in frames} == {"b300170001"}
    reassembler = Reassembler(contexts={0: f"{PREFIX}/64"})
    contexts = {0: f"{PREFIX}/64"}
    events = [
        event
        for one in frames
        for event in reassembler.feed(decode_frame(one, contexts=contexts))
        if isinstance(event, Complete)
    ]
    assert [event.datagram.octets for event in events] == [sent]


def test_each_broadcast_has_the_next_number() -> None:
    """Section 11.1: 01 010000 and a number, "incremented by the originator" for each; a group as of section 9."""
    group = IPv6Address("ff05::1:2ffc")
    source = air.address(PREFIX, GAUGE)
    counters = Counters(broadcast=254)
    shrinker = Shrinker(design(flow(to='group = "ff05::1:2ffc"')), counters=counters)
    data = air.ip(source, group, 17, air.udp(b"time", source, group, PORTS))
    found = [shrinker.frames(data)[0] for _ in range(3)]
    starts = [one[HEADER : HEADER + 7].hex() for one in found]
    assert starts == [f"b300178ffc50{number}" for number in ("ff", "00", "01")]
    assert {links_of(one)[1].hex() for one in found} == {"ffff"}
    assert counters == replace(counters, broadcast=1)


def test_what_was_made_comes_back() -> None:
    sent = [packet(b"%d" % number * 60) for number in range(1, 4)]
    fed = [Record(n, n, 229, one, len(one)) for n, one in enumerate(sent, 1)]
    again = expand(list(shrink(fed, Shrinker(design()))), contexts={0: f"{PREFIX}/64"})
    assert [one.octets for one in again] == sent
