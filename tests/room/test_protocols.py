"""Flows with protocols above UDP, and with routing artefacts: the room still fits, one octet more does not."""

import re
import tomllib

import pytest
from design.designs import EXAMPLES, changed, fault_of

from lowpanbudget import Reassembler, budget, decode_frame
from lowpanbudget.bits import tiles
from lowpanbudget.design.load import parse_design
from lowpanbudget.design.meaning import Design
from lowpanbudget.design.path import FlowPath
from lowpanbudget.room.compute import Budget
from lowpanbudget.room.knobs import Turning
from lowpanbudget.room.measure import room_of
from lowpanbudget.stack.encoding import STAND_IN_KEY
from lowpanbudget.stack.events import Complete

FOOTBRIDGE = (EXAMPLES / "footbridge.toml").read_text(encoding="utf-8")
COAP = '[flow.coap]\ncode = "POST"\npath = "s"\n'
OSCORE = '[flow.oscore]\nsender_id = "05"\nrecipient_id = ""\n'
CASES = {
    "CoAP": ("snapshot", COAP),
    "CoAP with options": (
        "features",
        COAP + "token_octets = 8\ncontent_format = 60\nobserve = 70000\n",
    ),
    "OSCORE": ("snapshot", COAP + OSCORE),
    "DTLS 1.2": ("snapshot", '[flow.dtls]\nsuite = "TLS_PSK_WITH_AES_128_CCM_8"\n'),
    "DTLS 1.3": ("snapshot", '[flow.dtls]\nsuite = "TLS_AES_128_CCM_8_SHA256"\ncid = "01"\n'),
    "CoAP in DTLS 1.3": ("command", COAP + '[flow.dtls]\nsuite = "TLS_AES_128_CCM_SHA256"\n'),
    "information": ("features", "[flow.routing]\n"),
    "information as an option": ("features", '[flow.routing]\nform = "extension-headers"\n'),
    "short route": ("command", "[flow.routing]\nroute = 3\n"),
    "route as a header": ("command", '[flow.routing]\nroute = 3\nform = "extension-headers"\n'),
    "tunnel": ("snapshot", "[flow.routing]\ntunnel = true\n"),
    "all": ("command", COAP + OSCORE + "[flow.routing]\nroute = 4\nentry_octets = 2\n"),
}


def with_tables(flow: str, tables: str) -> list[Budget]:
    return budget(design_with(flow, tables), flow)


def design_with(flow: str, tables: str) -> Design:
    start = FOOTBRIDGE.index(f'name = "{flow}"\nsource')
    end = FOOTBRIDGE.index("\n\n", start)
    return parse_design(FOOTBRIDGE[:end] + "\n" + tables + FOOTBRIDGE[end:])


@pytest.mark.parametrize("case", CASES)
def test_the_room_fits_and_one_octet_more_does_not(case: str) -> None:
    found = with_tables(*CASES[case])
    assert len(found) == 2
    for one in found:
        path = one.path
        assert one.room > 0
        (frame,) = path.frames(bytes(one.room))
        assert len(frame.octets) <= 127
        assert len(path.frames(bytes(one.room + 1))) == 2
        assert tiles(one.ledger.spans, len(frame.octets) * 8)
        carried = sum(span.bits for span in one.ledger if span.layer == "payload") // 8
        assert carried == one.room
        assert one.cliffs(3)[0] == (one.room, 1)
        assert_reads_back(path, one.room)
        for saving in (*one.savings, *one.weaker, *one.stronger):
            assert saving.path is not None
            assert saving.gain == room_of(saving.path) - one.room
            (after,) = saving.path.frames(bytes(one.room + saving.gain))
            assert len(after.octets) <= 127
            assert len(saving.path.frames(bytes(one.room + saving.gain + 1))) == 2


def assert_reads_back(path: FlowPath, room: int) -> None:
    (frame,) = path.frames(bytes(room))
    read = decode_frame(
        frame.octets, contexts=path.contexts, keys=STAND_IN_KEY, asn=0, root=path.env.root
    )
    assert read.fault is None
    assert read.datagram is not None
    assert read.datagram.octets == path.datagram(bytes(room))


def test_no_advice_shortens_a_tag() -> None:
    for case in ("DTLS 1.3", "CoAP in DTLS 1.3", "DTLS 1.2"):
        design = design_with(*CASES[case])
        for one in budget(design, CASES[case][0]):
            for saving in Turning(design).all(one.path):
                assert saving.path is not None
                was, then = one.path.flow.application.dtls, saving.path.flow.application.dtls
                assert was is not None
                assert then is not None
                assert then.suite.aead.tag >= was.suite.aead.tag or len(saving.caution) > 20


def test_rooms_by_hand() -> None:
    bare = {(one.flow, one.hop): one.room for one in budget(parse_design(FOOTBRIDGE))}

    def cost(case: str, hop: int = 0) -> int:
        one = with_tables(*CASES[case])[hop]
        return bare[one.flow, one.hop] - one.room

    # RFC 7252 section 3: header 4, token 1, Uri-Path 1 + 1, payload marker 1
    assert cost("CoAP") == 8
    # token 8, Observe 1 + 3, Uri-Path 1 + 1, Content-Format 1 + 1, marker 1, header 4
    assert cost("CoAP with options") == 4 + 8 + 4 + 2 + 2 + 1
    # draft-ietf-iotops-security-protocol-comparison: DTLS 1.2 adds 29 octets, 21 without its tag of 8
    assert cost("DTLS 1.2") == 29
    # the same draft: DTLS 1.3 adds 11 with a sequence number below 256 and its length left out, a connection ID 1 more
    assert cost("DTLS 1.3") == 12
    # the same draft: an OSCORE request adds 13, and 1 more for an identifier of 1 octet
    assert cost("OSCORE") == cost("CoAP") + 14
    # RFC 8138 section 6: RPI-6LoRH of 3 octets for instance 0 and a rank in one octet; RFC 8025: page switch 1
    assert cost("information") == 3 + 1
    # RFC 6553 section 3: the option in a hop-by-hop header of 8, of which LOWPAN_NHC elides nothing but the next header
    assert cost("information as an option") == 8
    # SRH-6LoRH: 2 and 8 for each router (RFC 8138 section 5.1), of which one is passed on the second hop
    assert cost("short route") == 2 + 3 * 8 + 3 + 1
    assert cost("short route", hop=1) == 2 + 2 * 8 + 3 + 1


def test_a_route_that_leaves_no_room() -> None:
    found = with_tables("command", "[flow.routing]\nroute = 11\nentry_octets = 8\ntunnel = true\n")
    # MAC header 21, security 2 + 4, check sequence 2, page switch 1, RPI-6LoRH 3, IP-in-IP-6LoRH 3, IPHC 2, UDP 4;
    # SRH-6LoRH: 2 and 8 for each of 11 routers and the end, of which one is passed on the second hop
    rest = 127 - (21 + 2 + 4 + 2 + 1 + 3 + 3 + 2 + 4)
    assert [one.room for one in found] == [rest - (2 + 12 * 8), rest - (2 + 11 * 8)] == [-13, -5]
    for one in found:
        assert len(one.path.frames(b"")) > 1
        assert one.ledger.octets == 127 - one.room
        assert all(frames > 1 for _, frames in one.cliffs(8))


@pytest.mark.parametrize("tunnel", ["false", "true"])
@pytest.mark.parametrize("octets", [2, 8])
def test_a_frame_goes_where_its_source_route_leads(octets: int, tunnel: str) -> None:
    """RFC 8138 section 5.6: who is not the segment endpoint "MUST drop the packet"; section 5.5: who is pops its entry.

    Identifiers are made of EUI-64s with one bit inverted (RFC 4291 appendix A); so the entry names the link address.
    """
    found = with_tables(
        "command", f"[flow.routing]\nroute = 2\nentry_octets = {octets}\ntunnel = {tunnel}\n"
    )
    macs, routes = [], []
    for one in found:
        frame = decode_frame(one.path.frames(b"")[0].octets)
        assert frame.mac is not None
        macs.append(frame.mac)
        spans = [span for span in one.ledger if span.layer == "SRH-6LoRH"]
        routes.append([span.value for span in spans if span.name.startswith("hop ")])
    first, second = macs
    for mac, route in zip(macs, routes, strict=True):
        assert mac.destination is not None
        inverted = bytes([mac.destination[0] ^ 2, *mac.destination[1:]])
        assert inverted[-octets:] == route[0]
    assert second.source == first.destination
    assert routes[1] == routes[0][1:]
    assert len(routes[0]) == 2 + (
        tunnel == "true"
    )  # the tunnel's end is the last entry (section 7)


# a root and a node of 16-bit addresses: the first router of a route would have the root's, one octet further on
NEIGHBOURS = """
title = "A route of short addresses"
link = { addresses = "short", pan_id = 1, security = { level = 5, key_id_mode = 1 } }
context = [{ id = 0, prefix = "2001:db8::/64" }]
station = [
    { name = "root", role = "border", short = 3, prefix = "2001:db8::/64" },
    { name = "node", role = "node", short = 2, prefix = "2001:db8::/64" },
]
[[flow]]
name = "down"
source = "root"
destination = "node"
source_port = 0xf0b1
destination_port = 0xf0b2
hops = 3
routing = { form = "extension-headers", route = 2 }
"""


@pytest.mark.parametrize("entry", [2, 1])
@pytest.mark.parametrize("tunnel", ["", ", tunnel = true"])
def test_routers_of_a_route_header_are_neighbours(tunnel: str, entry: int) -> None:
    """RFC 6554 section 2: "each and every IPv6 hop ... is specified within the SRH": the destination is the neighbour.

    So its identifier follows from the frame (RFC 6282 section 3.2.2) and takes no octet, on every hop.
    """
    text = NEIGHBOURS.replace("route = 2", f"route = 2, entry_octets = {entry}{tunnel}")
    found = budget(parse_design(text))
    # MAC header 9, security 6 and 4, check sequence 2; IPHC 2, hop-by-hop 8, UDP 4; the header of 8 with both addresses
    # is filled up to 16 (RFC 6554 section 3). In a tunnel also NHC 1, IPHC 2 and the node's address 2
    inner = 1 + 2 + 2 if tunnel else 0
    first = 127 - (9 + 6 + 4 + 2) - (2 + 8 + 16 + 4) - inner
    # forwarded: hop limit 1, source 2 (in the tunnel the inner source follows from the outer one)
    assert [one.room for one in found] == [first, first - 3]
    link = [decode_frame(one.path.frames(b"")[0].octets).mac for one in found]
    passed = [(mac.source, mac.destination) for mac in link if mac is not None]
    assert passed[0][1] == passed[1][0]
    assert len({b"\0\2", b"\0\3", *(one for both in passed for one in both)}) == 4
    # over one router the second hop is the last; over two it is as counted above
    shorter = budget(
        parse_design(text.replace("hops = 3", "hops = 2").replace("route = 2", "route = 1"))
    )
    for one, longer in zip(shorter, found, strict=True):
        path = one.path.with_route(2)
        assert path is not None
        assert room_of(path) == longer.room


def test_a_route_ends_where_the_hop_limit_does() -> None:
    """Each router takes one off the hop limit (RFC 8200 section 3): 64 reach over 63 routers."""
    for one in budget(parse_design(NEIGHBOURS)):
        assert one.path.with_route(63) is not None
        assert one.path.with_route(64) is None


def test_routers_without_identifiers_of_their_links_stand_in_line() -> None:
    """Where the node's address is none of its link address nobody knows which neighbour a router's is of."""
    assigned = 'short = 2, address = "2001:db8::77"'
    text = NEIGHBOURS.replace('short = 2, prefix = "2001:db8::/64"', assigned)
    first, forwarded = budget(parse_design(text))
    # as above, and 8 octets of the identifier (RFC 6282 section 3.1.1)
    room = 127 - (9 + 6 + 4 + 2) - (2 + 8 + 8 + 16 + 4)
    assert (first.room, forwarded.room) == (room, room - 3)


def test_faults_of_protocols_have_their_places() -> None:
    fault = fault_of(changed(("hops = 3", 'hops = 3\ncoap = { code = "POTS" }')))
    assert fault.key == "flow[1].coap.code"
    # RFC 7252 tables 5 and 6 and its section 12.1, where both registries began
    assert fault.hint.startswith("Did you mean POST? Give c.dd, or one of: Empty, GET, POST, ")
    assert "RFC 7252 §12.1" in fault.hint
    for code, meant in (("PTU", "PUT"), ("not fuond", "Not Found"), ("x", None)):
        fault = fault_of(changed(("hops = 3", f'hops = 3\ncoap = {{ code = "{code}" }}')))
        assert fault.hint.startswith(f"Did you mean {meant}? Give" if meant else "Give c.dd")
    # RFC 7252 section 5.10.1: 'MUST NOT be "." or ".."'
    for key, written in (
        ("path", 'path = "a/../r"'),
        ("option[1]", 'option = [{ name = "Uri-Path", text = "." }]'),
    ):
        fault = fault_of(changed(("hops = 3", f'hops = 3\ncoap = {{ code = "GET", {written} }}')))
        assert fault.key == f"flow[1].coap.{key}"
        assert "Uri-Path is never" in fault.message
        assert "Resolve the path first" in fault.hint
        assert "RFC 7252 §5.10.1" in fault.hint
    fault = fault_of(changed(("hops = 3", 'hops = 3\ncoap = { code = "POST", pathh = "a" }')))
    assert (fault.key, fault.hint) == ("flow[1].coap.pathh", "Did you mean path?")
    fault = fault_of(
        changed(("hops = 3", 'hops = 3\noscore = { sender_id = "", recipient_id = "01" }'))
    )
    assert "CoAP" in fault.message
    fault = fault_of(changed(("hops = 3", "hops = 3\nrouting = { entry_octets = true }")))
    assert fault.key == "flow[1].routing.entry_octets"


def test_recoverable_fragments() -> None:
    """RFC 8931 section 5.1: an RFRAG header has 6 octets, and offsets count compressed octets, cut anywhere."""
    text = FOOTBRIDGE.replace("[network]", '[network]\nfragments = "recoverable"')
    plain = budget(parse_design(FOOTBRIDGE), "snapshot")[0]
    found = budget(parse_design(text), "snapshot")[0]
    assert found.room == plain.room
    frames = found.path.frames(bytes(found.room + 1))
    assert len(frames) == 2
    reads = [
        decode_frame(frame.octets, contexts=found.path.contexts, keys=STAND_IN_KEY, asn=0)
        for frame in frames
    ]
    assert all(read.fault is None for read in reads)
    # a frame of 127 less MAC header 21, security 2 + 4, check sequence 2; the compressed datagram is one octet longer
    assert sum(len(read.fragment_octets) for read in reads) == 127 - 29 + 1
    # section 4.1: the first leaves room for what the next hop cannot elide, an identifier of 8 octets and a hop limit
    assert len(reads[0].fragment_octets) == 127 - 29 - 6 - (8 + 1)
    reassembler = Reassembler(contexts=found.path.contexts)
    (event,) = [event for read in reads for event in reassembler.feed(read, 0.0)][-1:]
    assert isinstance(event, Complete)
    assert event.datagram.octets == found.path.datagram(bytes(found.room + 1))


def test_routers_are_told_apart_as_the_node_is_addressed() -> None:
    """An EUI-64 beside a short address that the identifier is made from makes no entry of a route longer."""
    file = EXAMPLES.parent / "vectors/rooms/short-addresses.toml"
    short = tomllib.loads(file.read_text(encoding="utf-8"))["design"]
    both = re.sub(r"short = 0x0(\d)(\d\d)", r'\g<0>\nextended = "02:00:5e:00:00:00:0\1:\2"', short)
    assert both.count("extended") == 3
    assert _rooms(both) == _rooms(short)


def test_short_addresses_make_routes_shorter() -> None:
    """12 octets of both MAC addresses, 6 of the node's identifier in line, and 6 of each of seven entries.

    An entry holds what its address has not in common with the one before it: 8 octets of an identifier made from an
    EUI-64, 2 of one made from a short address (RFC 8138 section 5.1, RFC 6282 section 3.2.2).
    """
    first = next(one for one in with_tables("routed", "") if one.hop == "first")
    (gain,) = (one.gain for one in first.savings if one.knob == "link.addresses")
    assert gain == 12 + 6 + 7 * 6


def _rooms(text: str) -> dict[tuple[str, str], int]:
    return {(one.flow, one.hop): one.room for one in budget(parse_design(text))}
