"""Flows that are forwarded below IPv6: frames against RFC 4944 sections 5, 5.2, 9 and 11, written out by hand."""

import re

import pytest
from design.designs import changed, fault_of

from lowpanbudget import Reassembler, budget, decode_frame, explain, parse_design, room_by_hops
from lowpanbudget.design.knobs import positions, turned
from lowpanbudget.design.meaning import Design
from lowpanbudget.design.path import FlowPath
from lowpanbudget.stack.events import Complete

HEAD = """\
title = "Level gauges along a dyke"
[link]
pan_id = 0x4d55
addresses = "short"
"""
STATIONS = """
[[context]]
id = 0
prefix = "2001:db8:4d::/64"
[[station]]
name = "gauge"
role = "node"
short = 0x0017
extended = "02:00:00:00:00:00:00:17"
prefix = "2001:db8:4d::/64"
[[station]]
name = "gate"
role = "border"
short = 0x0001
extended = "02:00:00:00:00:00:00:01"
prefix = "2001:db8:4d::/64"
[[station]]
name = "office"
role = "outside"
address = "2001:db8:9::5"
"""


def flow(
    name: str = "levels", to: str = 'destination = "gate"', more: str = "", **keys: str
) -> str:
    stated = {"source": '"gauge"', "hops": "3", "routing": "{ mesh_under = true }"} | keys
    lines = "".join(f"{key} = {value}\n" for key, value in stated.items())
    ports = "source_port = 0xf0b1\ndestination_port = 0xf0b2\n"
    return f'\n[[flow]]\nname = "{name}"\n{to}\n{ports}{lines}{more}'


def paths(text: str) -> list[FlowPath]:
    design = parse_design(text)
    return design.paths(design.flows[0])


def lowpan(path: FlowPath, payload: bytes = b"hello") -> list[str]:
    """Return in hex what stands behind the MAC header of each frame, the check sequence left out."""
    header = len(path.link.frame(path.hop.source, path.hop.destination, b"").octets) - 2
    return [frame.octets[header:-2].hex() for frame in path.frames(payload)]


def test_a_mesh_header_as_figure_3_of_rfc_4944_has_it() -> None:
    """Section 5.2: "|1 0|V|F|HopsLft| originator address, final address"; V and F are 1 for 16-bit addresses."""
    first, forwarded = paths(HEAD + STATIONS + flow())
    assert lowpan(first)[0].startswith("b3" + "0017" + "0001" + "7e77")  # 10 1 1 0011
    # "SHALL be decremented by each forwarding node": 10 1 1 0010; the rest is the same to the octet
    assert lowpan(forwarded)[0] == "b2" + lowpan(first)[0][2:]
    # section 11: "the originator's link-layer address", and in the MAC header those of the hop
    assert first.hop.source == bytes.fromhex("0017") != forwarded.hop.source
    assert bytes.fromhex("0001") not in {first.hop.destination, forwarded.hop.destination}


def test_extended_addresses_in_a_mesh_header() -> None:
    """Section 5.2: V and F "SHALL be zero if the ... Address is an IEEE extended 64-bit address"."""
    text = (HEAD + STATIONS + flow()).replace('"short"', '"extended"')
    first, _ = paths(text)
    assert lowpan(first)[0].startswith("83" + "0200000000000017" + "0200000000000001" + "7e77")


@pytest.mark.parametrize(
    ("hops", "first", "forwarded"),
    [
        ("14", "be", "bd"),
        ("15", "bf0f", "bf0e"),
        ("16", "bf10", "bf0f"),
        ("254", "bffe", "bffd"),
    ],
)
def test_hops_left_over_14_have_an_octet_of_their_own(
    hops: str, first: str, forwarded: str
) -> None:
    """Section 5.2: "0xF is reserved and signifies an 8-bit Deep Hops Left field immediately following"."""
    both = paths(HEAD + STATIONS + flow(hops=hops))
    assert [lowpan(path)[0].split("00170001")[0] for path in both] == [first, forwarded]


def test_a_group_in_a_mesh() -> None:
    """Section 9: "100", 5 bits of DST[15] and DST[16]; section 11.1: a broadcast header behind the mesh header."""
    text = HEAD + STATIONS + flow(to='group = "ff05::1:2ffc"')
    for path, left in zip(paths(text), ("b3", "b2"), strict=True):
        assert path.hop.destination.hex() == "ffff"
        assert lowpan(path)[0].startswith(left + "0017" + "8ffc" + "5000")


@pytest.mark.parametrize(("end", "final"), [("1:fffc", "9ffc"), ("1:e0fc", "80fc")])
def test_of_a_group_13_bits_are_in_its_link_address(end: str, final: str) -> None:
    """Section 9: "the last 5 bits in octet DST[15]"; 100 before them are no bits of the group."""
    first, _ = paths(HEAD + STATIONS + flow(to=f'group = "ff05::{end}"'))
    assert lowpan(first)[0].startswith("b3" + "0017" + final)


def test_each_fragment_carries_the_mesh_header_in_front() -> None:
    """Section 5: headers "MUST appear in the following order": mesh addressing, broadcast, fragmentation."""
    first, forwarded = paths(HEAD + STATIONS + flow())
    sent = lowpan(first, bytes(range(250)))
    assert len(sent) > 2
    assert {one[:10] for one in sent} == {"b300170001"}
    assert sent[0][10:12] == "c1"  # 11000, and the size 298 is 001 00101010
    assert {one[10:12] for one in sent[1:]} == {"e1"}
    assert lowpan(forwarded, bytes(range(250))) == ["b2" + one[2:] for one in sent]


@pytest.mark.parametrize("kind", ["plain", "recoverable"])
@pytest.mark.parametrize("addresses", ["short", "extended"])
def test_what_a_hop_carries_is_read_as_it_was_sent(kind: str, addresses: str) -> None:
    """On each hop the whole datagram comes back, with the identifiers of originator and final destination."""
    network = f'\n[network]\nfragments = "{kind}"\n'
    text = HEAD.replace('"short"', f'"{addresses}"') + network + STATIONS + flow(most_frames="9")
    for path in paths(text):
        payload = bytes(range(200))
        reassembler, events = Reassembler(path.contexts), list[object]()
        for number, frame in enumerate(path.frames(payload)):
            read = decode_frame(frame.octets, contexts=path.contexts)
            assert read.fault is None
            assert (read.link_source, read.link_destination) == path.ends
            events += reassembler.feed(read, float(number))
        (whole,) = [one for one in events if isinstance(one, Complete)]
        assert whole.datagram.octets == path.datagram(payload)


def test_acknowledged_fragments_come_back_through_the_mesh() -> None:
    """RFC 8931 section 5.2 behind RFC 4944 section 5.2: originator and final destination are the other way round."""
    network = '\n[network]\nfragments = "recoverable"\n'
    first, _ = paths(HEAD + network + STATIONS + flow(most_frames="9"))
    frame, _ = first.fragments_acknowledged()
    header = len(first.link.frame(first.hop.destination, first.hop.source, b"").octets) - 2
    assert frame.octets[header:-2].hex().startswith("b3" + "0001" + "0017" + "ea")


def test_recoverable_fragments_leave_nothing_free_for_the_next_hop() -> None:
    """RFC 8931 section 4.1 wants slack for "a less-efficient compression in the next hops", and a mesh has none."""
    network = '\n[network]\nfragments = "recoverable"\n'
    first, _ = paths(HEAD + network + STATIONS + flow(most_frames="9"))
    assert len(first.frames(bytes(200))[0].octets) == 127


REFUSED = [
    ("{ mesh_under = true, route = 2 }", "flow[1].routing.route"),
    ("{ mesh_under = true, rpi = true }", "flow[1].routing.rpi"),
    ("{ mesh_under = true, tunnel = true }", "flow[1].routing.tunnel"),
    ('{ mesh_under = true, form = "6lorh" }', "flow[1].routing.form"),
    ('{ mesh_under = true, form = "extension-headers" }', "flow[1].routing.form"),
    ("{ mesh_under = true, option_type = 0x23 }", "flow[1].routing.option_type"),
    ("{ mesh_under = true, instance = 3 }", "flow[1].routing.instance"),
    ("{ mesh_under = true, sender_rank = 512 }", "flow[1].routing.sender_rank"),
    ("{ mesh_under = true, entry_octets = 2 }", "flow[1].routing.entry_octets"),
]


@pytest.mark.parametrize(("routing", "key"), REFUSED)
def test_what_routers_of_ipv6_read_is_refused(routing: str, key: str) -> None:
    """RFC 6775 section 2: "all IPv6 hosts in a LoWPAN are only one IP hop away from the 6LBR"."""
    fault = fault_of(HEAD + STATIONS + flow(routing=routing))
    assert fault.key == key
    assert fault.line > 30
    assert "mesh_under" in fault.message
    assert fault.hint is not None
    assert "RFC 6775 section 2" in fault.hint


def test_what_adds_nothing_is_not_refused() -> None:
    keys = "{ mesh_under = true, rpi = false, tunnel = false, route = 0, instance = 0 }"
    assert paths(HEAD + STATIONS + flow(routing=keys)) == paths(HEAD + STATIONS + flow())


def test_an_answer_is_forwarded_as_its_request_is() -> None:
    coap = 'coap = { code = "GET", path = "l" }\nanswer = { }\n'
    design = parse_design(HEAD + STATIONS + flow(more=coap))
    (path, _) = design.paths(design.flow("levels-answer"))
    assert lowpan(path)[0].startswith("b3" + "0001" + "0017")
    fault = fault_of(HEAD + STATIONS + flow(more=coap.replace("{ }", "{ route = 2 }")))
    assert fault.key == "flow[1].answer.route"


def test_a_network_is_mesh_under_or_routed() -> None:
    """RFC 6606 section 3.1: "the 6LBR is the only IPv6 router in the LoWPAN"."""
    other = flow("other", to='destination = "office"', routing="{ rpi = true }")
    fault = fault_of(HEAD + STATIONS + flow() + other)
    assert fault.key == "flow[2].hops"
    assert "3 hops" in fault.message
    assert "RFC 6606 section 3.1" in (fault.hint or "")
    one = other.replace("hops = 3", "hops = 1")
    assert len(parse_design(HEAD + STATIONS + flow() + one).flows) == 2


@pytest.mark.parametrize("key", ["dio_s", "dao_s"])
def test_what_rpl_sends_for_itself_is_refused(key: str) -> None:
    fault = fault_of(HEAD + f"[upkeep]\n{key} = 600\n" + STATIONS + flow())
    assert fault.key == f"upkeep.{key}"


def test_link_local_addresses_and_a_hop_limit_of_one_reach_all_nodes() -> None:
    """RFC 6606 section 3.1: "the IPv6 link-local scope includes all nodes in the LoWPAN"."""
    inside = re.sub(r'(:\d\d")\nprefix = ".*"', r"\1", STATIONS)
    first, forwarded = paths(HEAD + inside + flow(hop_limit="1"))
    assert lowpan(first)[0].startswith("b3001700017d33")  # hop limit 1, both addresses elided
    assert lowpan(forwarded)[0][2:] == lowpan(first)[0][2:]
    group = flow(to='group = "ff02::1"', hop_limit="1")
    assert len(paths(HEAD + inside + group)) == 2
    (rooms,) = room_by_hops(parse_design(HEAD + inside + flow(hop_limit="1")), [1, 14, 15, 16])
    # by hand: 127 - MAC 9, mesh 5, IPHC 2, UDP 4, check sequence 2; 15 hops have an octet of their own
    assert [(one.hops, one.room) for one in rooms.rooms] == [
        (1, 105),
        (14, 105),
        (15, 104),
        (16, 104),
    ]


def test_routed_and_mesh_under_with_what_each_costs() -> None:
    """5 octets of mesh header go; a packet that is routed carries two identifiers of 2 octets and a hop limit instead.

    Addresses made of short ones go in line in 16 bits (RFC 6282 section 3.1.1): on the first hop the destination's, on
    a later one both, and there the hop limit is none of 1, 64 and 255.
    """
    for one, gain in zip(
        budget(parse_design(HEAD + STATIONS + flow())), (5 - 2, 5 - 5), strict=True
    ):
        assert [(s.gain, s.caution) for s in one.savings if "mesh_under" in s.id] == (
            [(gain, "")] if gain else []
        )
        assert not [s for s in (*one.weaker, *one.stronger) if "mesh_under" in s.id]


def test_a_network_of_rpl_that_forwards_below_ipv6_instead() -> None:
    """Nothing of RPL is left in any flow: a plan that is turned is the one that a file states."""
    both = [
        HEAD
        + STATIONS
        + flow(routing=up)
        + flow("set", 'destination = "gauge"', source='"gate"', routing=back)
        for up, back in (
            ("{ rpi = true }", "{ rpi = true, route = 2 }"),
            ("{ mesh_under = true }", "{ mesh_under = true }"),
        )
    ]
    routed, below = map(parse_design, both)
    (knob,) = [
        one for one in positions(routed, routed.flows[0]) if one.dimension == "routing.mesh_under"
    ]
    assert "RFC 8931 appendix A" in knob.caution
    assert turned(routed, [knob]) == below
    (back,) = [
        one for one in positions(below, below.flows[0]) if one.dimension == "routing.mesh_under"
    ]
    assert not back.caution
    assert all(not one.mesh_under for one in turned(below, [back]).flows)


def test_the_word_is_explained_with_its_key() -> None:
    (word,) = explain("mesh-under")
    assert "mesh_under = true in [flow.routing]" in str(word.data)
    (key,) = explain("flow.routing.mesh_under")
    assert "explain mesh-under" in str(key.data)


def test_other_designs_have_no_mesh_header() -> None:
    design: Design = parse_design(changed())
    for path in (path for one in design.flows for path in design.paths(one)):
        assert path.link_room == path.link.room(path.hop.source, path.hop.destination)
