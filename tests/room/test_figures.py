"""Rooms that can be worked out by hand, each with the source of its figures."""

from dataclasses import replace
from ipaddress import IPv6Address

import pytest
from design.designs import EXAMPLES

from lowpanbudget import budget, load_design
from lowpanbudget.design.flow import Flow, Station
from lowpanbudget.design.link import Link
from lowpanbudget.design.path import FlowPath, paths
from lowpanbudget.design.routing import Routing
from lowpanbudget.env import Contexts
from lowpanbudget.layers.link.auxiliary import Security
from lowpanbudget.layers.link.phy import PHYS
from lowpanbudget.room.measure import room_of

SHORT, OTHER_SHORT = b"\x00\x05", b"\x00\x06"
EXTENDED, OTHER_EXTENDED = bytes.fromhex("0200000000000005"), bytes.fromhex("0200000000000006")
WORST = Link(version=1, addresses="extended", pan_ids="both", destination_pan_id=1)


def sealed(link: Link, level: int, mode: int) -> Link:
    source = {2: bytes(4), 3: bytes(8)}.get(mode)
    return replace(
        link, security=Security(level, mode, 0, key_source=source, key_index=1 if mode else None)
    )


def test_two_short_addresses_in_one_pan() -> None:
    # frame control 2, sequence 1, PAN ID 2, addresses 2 + 2, FCS 2: 11 of 127 (common practice, no source)
    assert Link(version=1).room(SHORT, OTHER_SHORT) == 127 - 11 == 116


def test_the_worst_frame_of_rfc_4944() -> None:
    # RFC 4944 section 4: "Starting from a maximum physical layer packet size of 127 octets and a maximum frame
    # overhead of 25, the resultant maximum frame size at the media access control layer is 102 octets"
    assert WORST.room(EXTENDED, OTHER_EXTENDED) == 102


@pytest.mark.parametrize(("level", "overhead"), [(5, 9), (6, 13), (7, 21)])
def test_security_as_rfc_4944_counts_it(level: int, overhead: int) -> None:
    # RFC 4944 section 4: "in the maximum case (21 octets of overhead in the AES-CCM-128 case, versus 9 and 13 for
    # AES-CCM-32 and AES-CCM-64, respectively) leaves only 81 octets available"
    room = sealed(WORST, level, 0).room(EXTENDED, OTHER_EXTENDED)
    assert room == 102 - overhead
    if level == 7:
        assert room == 81


def test_the_worst_security_is_worse_than_that() -> None:
    # auxiliary header 1 + 4 + 9, MIC 16: 30 octets (IEEE 802.15.4 clause 9.4, from memory)
    assert sealed(WORST, 7, 3).room(EXTENDED, OTHER_EXTENDED) == 102 - 30


@pytest.mark.parametrize(("mode", "octets"), [(0, 5), (1, 6), (2, 10), (3, 14)])
def test_auxiliary_headers(mode: int, octets: int) -> None:
    # control 1, counter 4, key identifier 0, 1, 5 or 9 (IEEE 802.15.4 clause 9.4, from memory)
    assert sealed(Link(), 5, mode).room(SHORT, OTHER_SHORT) == 116 - octets - 4


def test_a_suppressed_counter_leaves_two_octets() -> None:
    link = Link(version=2, slotted=True, security=Security(5, 1, None, None, 1, asn_in_nonce=True))
    assert link.room(SHORT, OTHER_SHORT) == 116 - 2 - 4


def path_of(
    source: Station, destination: Station, prefixes: dict[int, str], hops: int
) -> list[FlowPath]:
    border = Station("border", "border", b"\x00\x09")
    return paths(Link(), Contexts(prefixes), Flow("f", source, destination, border, hops=hops))


def octets_of(path: FlowPath, layer: str) -> int:
    (frame,) = path.frames(b"")
    return sum(span.bits for span in frame.spans if span.layer == layer) // 8


def test_the_best_case_of_rfc_6282() -> None:
    # RFC 6282 section 3.1: "In the best case, the LOWPAN_IPHC can compress the IPv6 header down to two octets ...
    # with link-local communication"; section 4.3: UDP 1 octet, ports 1, checksum 2
    (path,) = path_of(Station("a", "node", SHORT), Station("b", "node", OTHER_SHORT), {}, 1)
    assert (octets_of(path, "IPHC"), octets_of(path, "UDP NHC")) == (2, 4)
    assert room_of(path) == 116 - 2 - 4


def test_several_hops_of_rfc_6282() -> None:
    # RFC 6282 section 3.1: "When routing over multiple IP hops, LOWPAN_IPHC can compress the IPv6 header down to
    # 7 octets (1-octet dispatch, 1-octet LOWPAN_IPHC, 1-octet Hop Limit, 2-octet Source Address, and 2-octet
    # Destination Address)"
    prefix = int(IPv6Address("2001:db8::"))
    ends = (
        Station("a", "node", SHORT, prefix=prefix),
        Station("b", "node", OTHER_SHORT, prefix=prefix),
    )
    first, forwarded = path_of(*ends, {0: "2001:db8::/64"}, 3)
    assert octets_of(forwarded, "IPHC") == 7
    assert (
        octets_of(first, "IPHC") == 4
    )  # source and hop limit elided: the destination's 2 octets are left
    assert room_of(forwarded) == 116 - 7 - 4


def test_two_hops_end_at_the_destination() -> None:
    prefix = int(IPv6Address("2001:db8::"))
    ends = (
        Station("a", "node", SHORT, prefix=prefix),
        Station("b", "node", OTHER_SHORT, prefix=prefix),
    )
    _, last = path_of(*ends, {0: "2001:db8::/64"}, 2)
    # dispatch and IPHC 2, hop limit 63: 1, source 2, destination elided (RFC 6282 section 3.1.1)
    assert octets_of(last, "IPHC") == 5
    assert last.hop.destination == OTHER_SHORT


def rooms(name: str) -> dict[tuple[str, str], int]:
    return {(b.flow, b.hop): b.room for b in budget(load_design(EXAMPLES / f"{name}.toml"))}


def test_the_footbridge() -> None:
    # version 2, extended addresses, one PAN ID: 2 + 1 + 2 + 8 + 8 = 21; auxiliary header without counter 2, MIC 4,
    # FCS 2: 29, and 98 are left (IEEE 802.15.4-2015 table 7-2; by hand)
    left = 127 - (21 + 2 + 4 + 2)
    assert left == 98
    assert load_design(EXAMPLES / "footbridge.toml").link.room(EXTENDED, OTHER_EXTENDED) == left
    found = rooms("footbridge")
    # IPHC 2; context 0 covers the prefixes; first hop: source elided, destination identifier 8; UDP NHC 1 + 1 + 2
    assert found["features", "first"] == left - (2 + 8) - 4 == 84
    # forwarded: hop limit 1, both identifiers 8
    assert found["features", "forwarded"] == left - (2 + 1 + 8 + 8) - 4 == 75
    # to the office no context covers: 16; ports 0xf0b1 and 7005: 1 + 3 + 2
    assert found["snapshot", "first"] == left - (2 + 16) - 6 == 74
    assert found["snapshot", "forwarded"] == left - (2 + 1 + 8 + 16) - 6 == 65
    assert found["command", "first"] == 84
    assert found["command", "forwarded"] == 75
    # to a group: the broadcast address 2 octets instead of 8 (104 left); ff03::fc in 4 octets (RFC 6282 figure 3)
    assert found["time", "first"] == 104 - (2 + 4) - 4 == 94
    assert found["time", "forwarded"] == 104 - (2 + 1 + 8 + 4) - 4 == 85


def test_the_archive() -> None:
    # version 1, short addresses, one PAN ID: 9; auxiliary header 6, MIC 8, FCS 2: 25, and 102 are left
    left = 127 - (9 + 6 + 8 + 2)
    assert left == 102
    assert load_design(EXAMPLES / "archive.toml").link.room(SHORT, OTHER_SHORT) == left
    found = rooms("archive")
    # IPHC 2, context octet 1 (context 1 covers the whole destination); UDP NHC 4
    assert found["climate", "first"] == left - 3 - 4 == 95
    assert (
        found["climate", "forwarded"] == left - (3 + 1 + 2) - 4 == 92
    )  # hop limit, source identifier
    # hop limit 32 in line, no context for the destination; ports 4, checksum 2
    assert found["alarm", "first"] == left - (2 + 1 + 16) - 7 == 76
    assert found["alarm", "forwarded"] == left - (2 + 1 + 2 + 16) - 7 == 74
    # from outside the hop limit is 63 or less: in line; destination identifier 2
    assert (
        found["settings", "first"] == found["settings", "forwarded"] == left - (3 + 1 + 2) - 4 == 92
    )


@pytest.mark.parametrize(("mtu", "room"), [(1280, 1280 - 48), (1400, 1400 - 48), (2047, None)])
def test_the_mtu_caps_long_frames(mtu: int, room: int | None) -> None:
    # IPv6 header 40, UDP header 8 (RFC 8200 section 3, RFC 768); the MTU counts the datagram as it is uncompressed
    phy = PHYS["sun-fsk"]
    link = Link(phy.name, phy.largest, phy.fcs, mtu=mtu)
    ends = (Station("a", "node", SHORT), Station("b", "node", OTHER_SHORT))
    (path,) = paths(link, Contexts(), Flow("f", *ends, ends[0]))
    # 2047 octets hold the largest datagram of 2047, of whose 48 header octets 6 are left: MHR 9 + 6 + 1999 + FCS 4
    assert room_of(path) == (2047 - 48 if room is None else room)


@pytest.mark.parametrize(("compressed", "limit"), [(True, 64), (False, 63)])
def test_the_second_hop_of_a_source_route_has_its_own_hop_limit(
    compressed: bool, limit: int
) -> None:
    """Of 65 the second hop sees 64, which is elided (RFC 6282 section 3.1.1); the third sees 63.

    As 6LoRH an entry is gone by then (RFC 8138 section 5.5); as an extension header the route keeps its size.
    """
    mesh = int(IPv6Address("2001:db8::"))
    node, border = (
        Station("n", "node", SHORT, prefix=mesh),
        Station("b", "border", OTHER_SHORT, prefix=mesh),
    )
    routing = Routing(rpi=True, route=2, compressed=compressed)
    flow = Flow("f", border, node, border, hops=3, hop_limit=65, routing=routing)
    _, forwarded = paths(Link(), Contexts(), flow)
    assert forwarded.hop.hop_limit == limit
    (frame,) = forwarded.frames(b"")
    in_line = [span for span in frame.spans if span.layer == "IPHC" and span.name == "hop limit"]
    entries = [
        span for span in frame.spans if span.layer == "SRH-6LoRH" and span.name.startswith("hop ")
    ]
    assert (len(in_line), len(entries)) == ((0, 1) if compressed else (1, 0))


def test_hop_limits_from_outside_are_not_counted_on() -> None:
    ends = (
        Station("far", "outside", address=IPv6Address("2001:db8:9::1")),
        Station("b", "node", OTHER_SHORT, prefix=int(IPv6Address("2001:db8::"))),
    )
    border = Station("border", "border", b"\x00\x09")
    for hop_limit in (
        64,
        65,
        255,
        33,
    ):  # 65 would be 64 behind one router, but nobody counts the routers
        flow = Flow("f", *ends, border, hops=2, hop_limit=hop_limit)
        for path in paths(Link(), Contexts(), flow):
            assert path.hop.hop_limit not in {1, 64, 255}
    (only,) = paths(Link(), Contexts(), Flow("f", *ends, border, hop_limit=2))
    assert only.hop.hop_limit == 1  # no other is possible


def test_directions() -> None:
    def direction(source: str, destination: str) -> str:
        start, end = Station(source, source), Station(destination, destination)  # type: ignore[arg-type]
        return Flow("f", start, end, start).direction

    assert (
        direction("node", "collector")
        == direction("node", "outside")
        == direction("node", "border")
        == "up"
    )
    assert (
        direction("collector", "node")
        == direction("outside", "node")
        == direction("border", "node")
        == "down"
    )
    assert direction("outside", "collector") == "down"
    assert direction("collector", "outside") == "up"
    assert direction("node", "node") == "across"
