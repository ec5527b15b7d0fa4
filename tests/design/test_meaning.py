"""Faults of meaning: all at once when the shape is right, each with its place and the way out."""

import pytest
from design.designs import SMALL, changed, fault_of, faults_of, place

from lowpanbudget.design.load import parse_design
from lowpanbudget.design.meaning import Design
from lowpanbudget.errors import RequestError

SHORT = (
    SMALL.replace("frame_version = 2", "frame_version = 1")
    .replace('addresses = "extended"', 'addresses = "short"')
    .replace("slotted = true\n", "")
    .replace('extended = "02:00:00:00:00:00:00:', 'short = "0x00')
)

# old, new, key, mark of the place, a part of the message, a part of the hint
WRONG = [
    ("frame_version = 2", 'frame_version = 1\nsequence_number = "suppressed"', "link.sequence_number",
     '"suppressed"', "version-1 frame always has a sequence number", "frame_version = 2"),
    ("frame_version = 2", 'frame_version = 1\npan_ids = "none"', "link.pan_ids", '"none"',
     "cannot carry none PAN IDs", "both or one"),
    ("frame_version = 2", 'frame_version = 2\npan_ids = "both"', "link.pan_ids", '"both"',
     "cannot carry both PAN IDs", "one or none"),
    ("pan_id = 0x1a2b", "pan_id = 0x1a2b\ndestination_pan_id = 0x1a2c", "link.pan_ids", "[link]  #",
     "two different PAN IDs", "both"),
    ("slotted = true", 'slotted = true # one\n[[link.header_ie]]\nid = 26\noctets = "' + 128 * "00" + '"',
     "link.header_ie[1].octets", '"0000', "content of 127 octets at most, not 128", "no more bits"),
    ("slotted = true", 'slotted = true\n[[link.payload_ie]]\nid = 16\noctets = "01"', "link.payload_ie[1].id",
     "16\noctets", "group id of 15 at most, not 16", "7.4.3"),
    # IEEE 802.15.4-2015 clause 7.4.2.18 (from memory): a termination has no content
    ("slotted = true", 'slotted = true\n[[link.header_ie]]\nid = 126\noctets = "0102"',
     "link.header_ie[1].octets", '"0102"', "has no content", "terminations are added"),
    ("slotted = true", "slotted = true\n[[link.header_ie]]\nid = 127\n[[link.header_ie]]\nid = 26",
     "link.header_ie[1].id", "127\n[[", "comes last", "terminations are added"),
    ("slotted = true", "slotted = true\n[[link.header_ie]]\nid = 127\n[[link.payload_ie]]\nid = 2",
     "link.header_ie[1].id", "127\n[[", "no payload IEs follow", "terminations are added"),
    ("frame_version = 2", "frame_version = 1", "link.slotted", "true", "in frames of version 2", "frame_version = 2"),
    ("pan_id = 0x1a2b", "pan_id = 0xffff", "link.pan_id", "0xffff", "every PAN", "0xfffe"),
    ("frame_version = 2", "frame_version = 0", "link.security", "[link.security]",
     "version-0 frame has no auxiliary", "1 or 2"),
    ("level = 5", 'level = 5\nkey_id_mode = 2\nkey_source = "0102030405060708"', "link.security.key_source",
     '"0102030405060708"', "key source of 4 octets, not 8", "Mode 2 takes 4"),
    ("level = 5", 'level = 5\nkey_source = "01020304"', "link.security.key_source", '"01020304"',
     "key source of 0 octets, not 4", "modes 0 and 1 none"),
    ("slotted = true\n\n[link.security]", '\n[link.security]\nframe_counter = "suppressed"',
     "link.security.frame_counter", '"suppressed"', "slotted network", "slotted = true"),
    ("[network]", '[[context]]\nid = 0 # again\nprefix = "2001:db8:9::/48"\n[network]', "context[2].id",
     "0\nprefix", "two contexts have the id 0", "0 to 15"),
    ('name = "sink"', 'name = "probe" #', "station[2].name", '"probe" #', "two stations are named", ""),
    ('role = "collector"', 'role = "border" # two', "station[3].role", '"border"\nextended',
     "two border routers", "outside"),
    ('role = "border"', 'role = "node" # no border', "station[4].role", '"outside"',
     "reached through a border router", "border"),
    ('address = "2001:db8:2::9"', 'address = "2001:db8:2::9"\nprefix = "2001:db8:7::/64"',
     "station[4].prefix", '"2001:db8:7::/64"', "both given", "whole address"),
    ('"2001:db8:2::9"', '"ff05::1"', "station[4].address", '"ff05::1"', "multicast", "group"),
    ('"2001:db8:2::9"', '"::"', "station[4].address", '"::"', "nobody's address", "others see"),
    ('"2001:db8:2::9"', '"::1"', "station[4].address", '"::1"', "nobody's address", "others see"),
    ('"2001:db8:2::9"', '"fe80::9"', "flow[2].destination", '"far"\nhops', "no router passes on", "prefix"),
    ('address = "2001:db8:2::9"', "", "station[4]", '[[station]]\nname = "far"', "whole IPv6 address",
     "2001:db8::1"),
    ('"02:00:00:00:00:00:00:05"\nprefix = "2001:db8:1::/64"',
     '"02:00:00:00:00:00:00:05"\nprefix = "2001:db8:1::/48"', "station[1].prefix", '"2001:db8:1::/48"',
     "48 bits", "/64"),
    # RFC 4291 section 2.7: "Multicast addresses must not be used as source addresses in IPv6 packets"
    ('"02:00:00:00:00:00:00:05"\nprefix = "2001:db8:1::/64"',
     '"02:00:00:00:00:00:00:05"\nprefix = "ff02::/64"', "station[1].prefix", '"ff02::/64"',
     "are multicast addresses", "RFC 4291 section 2.7"),
    # a zone index is text for people on one node (RFC 4007 section 11, from memory)
    ('"2001:db8:2::9"', '"fe80::9%eth0"', "station[4].address", '"fe80::9%eth0"', "names a zone", ""),
    ('extended = "02:00:00:00:00:00:00:05"\n', "", "station[1]", '[[station]]\nname = "probe"',
     "no extended link address", "Add extended"),
    ('extended = "02:00:00:00:00:00:00:05"\n', 'extended = "02:00:00:00:00:00:00:05"\nidentifier = "short"\n',
     "station[1].identifier", '"short"', "none is given", "Add short"),
    ('extended = "02:00:00:00:00:00:00:05"\n', 'extended = "02:00:00:00:00:00:00:05"\nshort = 0xfffe\n',
     "station[1].short", "0xfffe", "no address of one node", "RFC 4944"),
    ('extended = "02:00:00:00:00:00:00:05"\n', 'extended = "02:00:00:00:00:00:00:05"\nshort = 0x8001\n',
     "station[1].short", "0x8001", "no address of one node", "RFC 4944"),
    # RFC 4291 section 2.5.1: of the octet ccccccug "g" is the individual/group bit
    ('extended = "02:00:00:00:00:00:00:05"', 'extended = "03:00:00:00:00:00:00:05"', "station[1].extended",
     '"03:00', "a group, not of one node", "RFC 4291 section 2.5.1"),
    ('name = "out"', 'name = "up" # again', "flow[2].name", '"up" # again', "two flows", ""),
    ('source = "probe"\ndestination = "sink"', 'source = "prob"\ndestination = "sink"', "flow[1].source",
     '"prob"', "no station 'prob'", "Did you mean probe?"),
    ('source = "probe"\ndestination = "sink"', 'source = "zzz"\ndestination = "sink"', "flow[1].source",
     '"zzz"', "no station 'zzz'", "Stations: probe, sink, gate, far"),
    ('destination = "sink"', 'destination = "probe"', "flow[1].destination", '"probe"\nhops', "to another one", ""),
    ('destination = "sink"', 'destination = "sink"\ngroup = "ff03::1"', "flow[1]",
     '[[flow]]\nname = "up"', "a destination or a group", "multicast address"),
    ('destination = "sink"\n', "", "flow[1]", '[[flow]]\nname = "up"', "a destination or a group", "station"),
    ('destination = "sink"', 'group = "2001:db8::1"', "flow[1].group", '"2001:db8::1"', "no multicast address",
     "ff"),
    ('destination = "sink"', 'group = "ff02::1"', "flow[1].group", '"ff02::1"', "3 hops", "RFC 4291"),
    ('destination = "sink"', 'group = "ff01::1"', "flow[1].group", '"ff01::1"', "never leaves", "RFC 4291"),
    # RFC 7252 section 8.1: "multicast requests MUST be Non-confirmable", and go "in UDP not in DTLS"
    ('destination = "sink"', 'group = "ff03::1"\ncoap = { code = "POST", confirmable = true }',
     "flow[1].coap.confirmable", "true }", "no group acknowledges", "RFC 7252 section 8.1"),
    ('destination = "sink"', 'group = "ff03::1"\ndtls = { suite = "TLS_AES_128_CCM_8_SHA256" }', "flow[1].dtls",
     '{ suite = "TLS', "a group more", "RFC 7252 section 8.1"),
    # RFC 8613 section 3.1: a sender and a recipient context
    ('destination = "sink"',
     'group = "ff03::1"\ncoap = { code = "POST" }\noscore = { sender_id = "01", recipient_id = "02" }',
     "flow[1].oscore", "{ sender_id", "a group more", "RFC 8613 section 3.1"),
    # RFC 768: of the source port alone "if not used, a value of zero is inserted"
    ("destination_port = 5683\nmess", "destination_port = 0\nmess", "flow[1].destination_port", "0\nmess",
     "should be 1 or more, not 0", "from 1 to 65535: UDP destination port; 0 names nobody"),
    # the hint of any other value leaves 0 out as well
    ("destination_port = 5683\nmess", "destination_port = -1\nmess", "flow[1].destination_port", "-1\nmess",
     "should be 1 or more, not -1", "from 1 to 65535"),
    ("hops = 3", "hops = 3\nhop_limit = 2", "flow[1].hop_limit",
     "2\nsource_port = 0xf0b1\ndestination_port = 5683\nmess", "ends before 3 hops", "Raise"),
    ("hops = 2", "hops = 2\nhop_limit = 2", "flow[2].hop_limit", "2\nsource_port",
     "2 hops and the border router", "Raise"),
    ('messages = ["reading"]', 'messages = ["readin"]', "flow[1].messages[1]", '"readin"', "no message",
     "Did you mean reading?"),
    ('messages = ["reading"]', 'messages = ["reading", "reading"]', "flow[1].messages[2]", '"reading"]',
     "stands here twice", "every_s"),
    ('tag = "door"', 'tag = "Dor"', "message[1].field[4].tag", '"Dor"', "no earlier field of kind enumeration",
     "Did you mean 'door'?"),
    ('when = "shut"', 'when = "shutt"', "message[1].field[4].option[1].when", '"shutt"', "no name of 'door'",
     "Did you mean 'shut'?"),
    ('source = "probe"\ndestination = "far"', 'source = "gate"\ndestination = "far"', "flow[2].destination",
     '"far"\nhops', "nothing crosses the mesh", "border"),
    ("step = 0.5", "step = 0.3", "message[1].field[1].step", "0.3", "", ""),
    ("max = 60", "max = -41", "message[1].field[1].max", "-41", "", ""),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "key", "mark", "message", "hint"), WRONG)
def test_a_fault_of_meaning(
    old: str, new: str, key: str, mark: str, message: str, hint: str
) -> None:
    text = changed((old, new))
    found = {fault.key: fault for fault in faults_of(text)}
    assert key in found, found
    fault = found[key]
    assert message in fault.message
    assert hint in fault.hint
    assert (fault.line, fault.column) == place(text, mark)


def test_a_group_may_be_asked_without_confirmation() -> None:
    """RFC 7252 section 8.1: "Such multicast requests MUST be Non-confirmable"."""
    text = changed(('destination = "sink"', 'group = "ff03::1"\ncoap = { code = "POST" }'))
    assert parse_design(text).flow("up").group is not None


def test_all_faults_of_meaning_at_once() -> None:
    text = changed(
        ("level = 5", "level = 5\nkey_id_mode = 3\nkey_source = '01020304'"),
        ('destination = "sink"', 'destination = "sinkk"'),
        ("hops = 2", "hops = 65"),
        ('messages = ["reading"]', 'messages = ["x"]'),
        ("step = 0.5", "step = 0.3"),
    )
    assert [fault.key for fault in faults_of(text)] == [
        "link.security.key_source", "flow[1].destination", "flow[1].messages[1]", "flow[2].hop_limit",
        "message[1].field[1].step",
    ]  # fmt: skip


def test_faults_of_shape_come_before_those_of_meaning() -> None:
    text = changed(('destination = "sink"', 'destination = "x"'), ("hops = 2", "hops = 0"))
    assert fault_of(text).key == "flow[2].hops"


def test_link_local_flows_go_one_hop() -> None:
    text = SMALL.replace(
        'prefix = "2001:db8:1::/64"\n\n[[station]]\nname = "sink"', '\n[[station]]\nname = "sink"'
    )
    assert {fault.key for fault in faults_of(text)} == {"flow[1].source", "flow[2].source"}
    near = text.replace("hops = 3", "hops = 1").replace(
        'destination = "far"', 'destination = "gate"'
    )
    near = near.replace("hops = 2", "hops = 1")
    design = parse_design(near)
    assert str(design.flows[0].source.ip("extended")) == "fe80::5"


def test_the_collector_may_be_the_border_but_not_talk_to_itself() -> None:
    gate = (
        '[[station]]\nname = "gate"\nrole = "border"\n'
        'extended = "02:00:00:00:00:00:00:07"\nprefix = "2001:db8:1::/64"\n\n'
    )
    text = changed(('role = "collector"', 'role = "border"'), (gate, ""))
    assert parse_design(text).flows[1].border.name == "sink"
    out = text.replace(
        'source = "probe"\ndestination = "far"', 'source = "sink"\ndestination = "far"'
    )
    fault = fault_of(out)
    assert fault.key == "flow[2].destination"
    assert "0200000000000006" in fault.message


def test_two_stations_with_one_address() -> None:
    twin = changed(('extended = "02:00:00:00:00:00:00:07"', 'extended = "02:00:00:00:00:00:00:06"'))
    fault = fault_of(twin)
    assert fault.key == "station[3].extended"
    assert "0200000000000006 of 'sink'" in fault.message
    # an identifier made of the EUI-64 has its universal bit turned over (RFC 4291 appendix A): sink is ...::6
    fault = fault_of(changed(('address = "2001:db8:2::9"', 'address = "2001:db8:1::6"')))
    assert fault.key == "station[4]"
    assert "2001:db8:1::6 of 'sink'" in fault.message
    # what no frame of this link carries is the PAN's all the same
    short = changed(
        ('"02:00:00:00:00:00:00:05"\n', '"02:00:00:00:00:00:00:05"\nshort = 0x0005\n'),
        ('"02:00:00:00:00:00:00:06"\n', '"02:00:00:00:00:00:00:06"\nshort = 0x0005\n'),
    )
    assert fault_of(short).key == "station[2].short"


def test_security_level_0_is_no_security() -> None:
    # IEEE 802.15.4: level 0 leaves the frame unsecured, so that no auxiliary header is sent (from memory)
    assert parse_design(changed(("level = 5", "level = 0"))).link.security is None


def test_both_pan_ids_of_two_pans() -> None:
    text = SHORT.replace(
        "pan_id = 0x1a2b", 'pan_id = 0x1a2b\ndestination_pan_id = 0x1a2c\npan_ids = "both"'
    )
    mac = parse_design(text).link.mac(b"\x00\x05", b"\x00\x06")
    assert (mac.destination_pan, mac.source_pan, mac.pan_id_compression) == (0x1A2C, 0x1A2B, False)


def test_unknown_names_are_requests() -> None:
    design = parse_design(SMALL)
    assert isinstance(design, Design)
    for ask in (design.flow, design.message):
        with pytest.raises(RequestError, match=r"It has: "):
            ask("nothing")


TWO_PREFIXES = """
title = "A gate with two prefixes"
[link]
frame_version = 1
pan_id = 0x1a2b
addresses = "short"
[[context]]
id = 0
prefix = "2001:db8:51::/64"
[[context]]
id = 1
prefix = "2001:db8:52::/64"
[[station]]
name = "node"
role = "node"
short = 0x012a
prefix = "2001:db8:51::/64"
[[station]]
name = "gate"
role = "border"
short = 0x0001
prefix = "{prefix}"
[[station]]
name = "second"
role = "outside"
address = "{other}"
[[flow]]
name = "report"
source = "node"
destination = "{to}"
hops = 2
source_port = 0xf0b1
destination_port = 0xf0b2
[flow.routing]
option_type = 0x23
"""


def test_a_second_address_of_the_border_router_is_a_station_outside() -> None:
    """Its frames are those to a border router of that address: identifiers elide by links (RFC 6282 section 3.2.2)."""
    alone, second = (
        parse_design(TWO_PREFIXES.format(prefix=prefix, other=other, to=to), "two.toml")
        for prefix, other, to in (
            ("2001:db8:52::/64", "2001:db8:53::9", "gate"),
            ("2001:db8:51::/64", "2001:db8:52::ff:fe00:1", "second"),
        )
    )
    one, other = (
        [path.frames(b"reading") for path in design.paths(design.flows[0])]
        for design in (alone, second)
    )
    assert len(one) == 2
    octets = [[frame.octets for frame in frames] for frames in one]
    assert octets == [[frame.octets for frame in frames] for frames in other]
