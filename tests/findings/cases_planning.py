"""A design that fires each finding about designs and what it then says, and a near miss.

A frame has 127 octets: 9 of MAC header (control 2, number 1, PAN ID 2, two short addresses) and 2 of check sequence
leave 116. On the first hop LOWPAN_IPHC takes 4 octets, the identifier of the destination two of them, and UDP 4 (both
ports in one octet, the checksum): 108 are left. On later hops the source's identifier goes in line as well, and the hop
limit: 11 octets, 105 left. Level 5 with key id mode 1 takes 10 more: control 1, counter 4, index 1, code 4.

A datagram that is cut has 48 octets of IPv6 and UDP. On later hops its first fragment, 4 octets, brings 96 octets of
data and the others, 5 octets, 104 each; under level 5 these are 88 and 96. All but the last end at a multiple of 8.
"""

from typing import NamedTuple

from design.designs import changed
from findings.judge import DesignCase, Told


def store(
    link: str = "",
    flow: str = "",
    octets: int = 20,
    extra: str = "",
    hops: int = 3,
    to: str = "sink",
) -> str:
    """An invented store: one flow from a probe over some hops, one message of so many octets."""
    whom = f'destination = "{to}"' if to != "group" else 'group = "ff03::fc"'
    return f"""
title = "A cold store"
[link]
frame_version = 1
addresses = "short"
pan_id = 0x1a2b
{link}
[[context]]
id = 0
prefix = "2001:db8:1::/64"
{extra}
[[station]]
name = "probe"
role = "node"
short = 0x0017
prefix = "2001:db8:1::/64"
[[station]]
name = "sink"
role = "collector"
short = 0x0001
prefix = "2001:db8:1::/64"
[[station]]
name = "gate"
role = "border"
short = 0x0002
prefix = "2001:db8:1::/64"
[[station]]
name = "far"
role = "outside"
address = "2001:db8:f00d:2::10"
[[flow]]
name = "up"
source = "{"gate" if to == "probe" else "probe"}"
{whom}
hops = {hops}
source_port = 0xf0b1
destination_port = 0xf0b2
messages = ["reading"]
{flow}
[[message]]
name = "reading"
byte_order = "big"
bit_order = "msb-first"
layout = "octet-aligned"
[[message.field]]
kind = "version"
name = "version"
bits = 8
value = 1
[[message.field]]
kind = "octets"
name = "data"
length = {octets - 1}
"""


def from_far(flow: str) -> str:
    """The same flow the other way round, and the host outside sends."""
    return store(flow=flow, to="probe").replace('source = "gate"', 'source = "far"')


def collected(every_s: int, marked: str = "true", deployment: str = "") -> str:
    """The same flow with a message of 7 to 12 readings, their times 0 to 3000 s after the first in steps of 60."""
    head = store(flow=f"every_s = {every_s}").partition("[[message.field]]")[0]
    return f"""{head.replace("octet-aligned", "bit-packed")}
[[message.field]]
kind = "version"
name = "version"
value = 1
[[message.field]]
kind = "time"
name = "time"
[[message.field]]
kind = "array"
name = "readings"
min_length = 7
max_length = 12
batch = {marked}
[message.field.element]
kind = "group"
field = [
  {{ kind = "time-offset", name = "at", base = "time", max = 3000, step = 60 }},
  {{ kind = "number", name = "level", min = 0, max = 1023 }},
]
{deployment}"""


CONTEXT = '[[context]]\nid = {0}\nprefix = "2001:db8:{0}0::/64"\n'
SEALED = "[link.security]\nlevel = 5"
COAP = '[flow.coap]\ncode = "{code}"\npath = "r"\n'

DTLS = '[flow.dtls]\nsuite = "{}"'
OSCORE = '[flow.oscore]\nsender_id = "01"\nrecipient_id = "02"\n'
REQUESTS = COAP.format(code="POST") + OSCORE
NOTIFIES = f"every_s = 60\n{COAP.format(code='2.05')}observe = 5\n{OSCORE}"

UP = "message reading on flow up"
ROUTE = '[flow.routing]\nrpi = true\nroute = 2\nform = "{form}"\nentry_octets = {octets}'
CASES = {
    "message-does-not-fit": DesignCase(
        lambda: store(octets=106),
        lambda: store(octets=105),
        Told(
            "failure",
            UP,
            "106 octets, 105 fit in one frame of the forwarded hop: 2 frames, 1 allowed",
            ("127 octets: MAC 11, IPHC 7, UDP NHC 4, payload 105",),
        ),
        also=frozenset({"later-hop-decides", "message-just-over-a-cliff"}),
    ),
    "later-hop-decides": DesignCase(
        lambda: store(octets=106),
        lambda: store(octets=105),
        Told("risk", UP, "106 octets fit the first hop (108) and not the forwarded one (105)"),
        also=frozenset({"message-does-not-fit", "message-just-over-a-cliff"}),
    ),
    "fits-only-unsecured": DesignCase(
        lambda: store(octets=96, link=SEALED),
        lambda: store(octets=95, link=SEALED),
        Told(
            "risk",
            UP,
            "96 octets; the room is 95, and 105 only without security",
            ("sizes 96 to 105 would pass an estimate that forgets it",),
        ),
        also=frozenset({"later-hop-decides", "message-does-not-fit", "message-just-over-a-cliff"}),
    ),
    # 96 octets and 104 more, as ff03::fc takes 4 of the 8 octets that the address may take
    "group-message-fragmented": DesignCase(
        lambda: store(octets=200, to="group", flow="most_frames = 9"),
        lambda: store(octets=40, to="group"),
        Told("risk", UP, "2 frames to all neighbours"),
    ),
    # 116 less the page switch, 3 of RPL information, 8 of headers and 2 of the route's: 102, of which 60 leave 42 for
    # addresses of 8 octets
    "route-too-long": DesignCase(
        lambda: store(octets=60, to="probe", hops=9, flow=ROUTE.format(form="6lorh", octets=8)),
        lambda: store(octets=10, to="probe", hops=4, flow=ROUTE.format(form="6lorh", octets=2)),
        Told("risk", UP, "one frame reaches over 5 routers, 9 hops need 8"),
        also=frozenset({"route-shorter-than-hops"}),
    ),
    # 102 less 4 or 6 of addresses; on the second hop one has gone (RFC 8138 section 5.5), 2 octets, and the source of 2
    # and a hop limit of 1 go in line
    "route-shorter-than-hops": DesignCase(
        lambda: store(to="probe", hops=4, flow=ROUTE.format(form="6lorh", octets=2)),
        lambda: store(to="probe", hops=3, flow=ROUTE.format(form="6lorh", octets=2)),
        Told(
            "risk",
            "flow up",
            "the route names 2 routers, 4 hops have 3",
            ("first hop: room 98, 96 over 3", "forwarded hop: room 97, 95 over 3"),
        ),
    ),
    # 105 less CoAP's 4 and a token of 1, Observe 2, Uri-Path 2 and the marker: 95; Observe 5 is one octet, the greatest
    # value three (RFC 7641 section 2)
    "observe-will-grow": DesignCase(
        lambda: store(octets=95, flow=COAP.format(code="2.05") + "observe = 5"),
        lambda: store(octets=93, flow=COAP.format(code="2.05") + "observe = 5"),
        Told("risk", UP, "Observe grows from 1 to 3 octets: 2 frames instead of 1"),
        also=frozenset({"protection-does-not-fit"}),
    ),
    # RFC 6282 section 4.3.3: the checksum has 2 octets; section 4.3.2: a code of the link has to stand in for it
    "checksum-planned-without-cover": DesignCase(
        lambda: store(flow='udp_checksum = "elided"'),
        lambda: store(flow='udp_checksum = "elided"', link=SEALED),
        Told(
            "failure",
            "flow up",
            "the checksum is elided and frames have no integrity code",
            (
                "first hop: room 110, 108 with the checksum",
                "forwarded hop: room 107, 105 with the checksum",
            ),
        ),
    ),
    # table 9-6, from memory: levels 4 to 7 encrypt, with no code and with 4, 8 and 16 octets of it
    "encryption-planned-without-integrity": DesignCase(
        lambda: store(link=SEALED.replace("5", "4")),
        lambda: store(link=SEALED),
        Told(
            "risk",
            "the link",
            "security level 4 encrypts and does not verify",
            ("level 5 adds a code of 4 octets",),
        ),
    ),
    # one each 600 s, at 0, 600 ... 3000 s: 6 of them, and seven begin and end 6 intervals apart, of 500 s at most
    "fewest-readings-not-spanned": DesignCase(
        lambda: collected(600),
        lambda: collected(500),
        Told(
            "failure",
            UP,
            "readings[].at spans 6 of readings, one each 600 s; a message has 7 at least",
            ("one each 500 s or more often are spanned",),
        ),
    ),
    # a share of 1 is the whole (the schema: "0.01 is 1 %")
    "duty-cycle-without-limit": DesignCase(
        lambda: store() + "[limits]\nduty_cycle = 1\n",
        lambda: store() + "[limits]\nduty_cycle = 0.01\n",
        Told("remark", "the network", "limits.duty_cycle = 1 is 100 % of the time"),
    ),
    # RFC 6775 section 4.2: each context is an option of its own, and the number of one in compressed headers
    "prefix-in-two-contexts": DesignCase(
        lambda: store(extra='[[context]]\nid = 3\nprefix = "2001:db8:1::/64"'),
        lambda: store(
            extra='[[context]]\nid = 3\nprefix = "2001:db8:1::/64"\nmay_compress = false'
        ),
        Told("waste", "the link", "contexts 0 and 3 are both 2001:db8:1::/64"),
    ),
    "context-serves-nobody": DesignCase(
        lambda: store(extra='[[context]]\nid = 1\nprefix = "2001:db8::/32"'),
        lambda: store(extra='[[context]]\nid = 1\nprefix = "2001:db8:f00d:2::/64"'),
        Told(
            "waste", "station far", "context 1 (2001:db8::/32) does not restore 2001:db8:f00d:2::10"
        ),
    ),
    # 88 and nine times up to 96; by the estimate 910 are 96 and eight times up to 104
    "fragments-pay-security-each": DesignCase(
        lambda: store(octets=900, link=SEALED, flow="most_frames = 20"),
        lambda: store(octets=900, flow="most_frames = 20"),
        Told("remark", UP, "10 frames, 9 by an estimate that counts security once"),
        also=frozenset({"message-takes-many-frames"}),
    ),
    # 96 and five times up to 104, three times over
    "message-takes-many-frames": DesignCase(
        lambda: store(octets=600, flow="most_frames = 20"),
        lambda: store(octets=300, flow="most_frames = 20"),
        Told(
            "remark",
            UP,
            "6 frames need as many places in a queue at once, and 18 transmissions",
            ("3 hops",),
        ),
        also=frozenset({"first-fragment-without-slack"}),
    ),
    "message-just-over-a-cliff": DesignCase(
        lambda: store(octets=110),
        lambda: store(octets=135),
        Told("remark", UP, "110 octets take 2 frames, 105 would take 1"),
        also=frozenset({"first-fragment-without-slack", "message-does-not-fit"}),
    ),
    # 4 octets of fragment header, 8 of headers and 104 of data fill the 116; later there are 11 of headers
    "first-fragment-without-slack": DesignCase(
        lambda: store(octets=300, hops=3),
        lambda: store(octets=300, hops=1),
        Told("remark", UP, "0 octets of slack, headers grow by 3"),
        also=frozenset({"message-does-not-fit"}),
    ),
    "hop-limit-costs-an-octet": DesignCase(
        lambda: store(flow="hop_limit = 16"),
        lambda: store(flow="hop_limit = 64"),
        # of three hops the first alone has it elided then: RFC 6282 section 3.1.1, 63 goes in line
        Told(
            "remark",
            "flow up",
            "hop limit 16",
            advice="Use 64, or 255: the first hop gains the octet, the room of the flow does not, as later hops pay it "
            "anyway.",
        ),
    ),
    # RFC 7252 section 6.4: "/v/" are the segments "v" and ""; section 3.1: an option of no value is one octet
    "path-has-empty-segment": DesignCase(
        lambda: store(flow=COAP.format(code="PUT").replace('"r"', '"/r/"')),
        lambda: store(flow=COAP.format(code="PUT").replace('"r"', '"/r"')),
        Told(
            "remark",
            "flow up",
            "1 Uri-Path option without a text, from a slash at the end or two in a row",
            ("1 octet a message",),
        ),
    ),
    # 105 less CoAP's 4 and a token of 1, Uri-Path 2, Block1 3 and the marker are 94: of the powers of two (RFC 7959
    # section 2.2) 64
    "block-size-to-use": DesignCase(
        lambda: store(octets=300, flow=COAP.format(code="PUT")),
        lambda: store(octets=30, flow=COAP.format(code="PUT")),
        Told("remark", UP, "300 octets do not fit one frame; blocks of 64 octets fit one frame"),
        also=frozenset({"first-fragment-without-slack", "message-does-not-fit"}),
    ),
    # 108 and 105 less CoAP's 4, a token of 1, Uri-Path 2, the marker, and 2 as the ports go in 3 octets (5684
    # is none of 0xf0bX and 0xf0XX, RFC 6282 section 4.3.3); DTLS takes 19 (RFC 9147 section 4)
    "clear-on-secured-port": DesignCase(
        lambda: store(flow=COAP.format(code="PUT")).replace("0xf0b2", "5684"),
        lambda: store(flow=COAP.format(code="PUT")).replace("0xf0b2", "5683"),
        Told(
            "risk",
            "flow up",
            "CoAP without DTLS has the port 5684",
            ("first hop: room 98, 79 with DTLS 1.3", "forwarded hop: room 95, 76 with DTLS 1.3"),
        ),
    ),
    # the shortest record header (RFC 9147 section 4): flags 1, number 1; content type 1, code 16
    "protection-does-not-fit": DesignCase(
        lambda: store(octets=105),
        lambda: store(octets=10),
        Told("remark", UP, "105 octets fit 105; with DTLS 1.3 the room is 86", cite="RFC 9147 §4"),
    ),
    # 96 and four times up to 104, three times over
    "handshake-takes-many-frames": DesignCase(
        lambda: store(flow=DTLS.format("TLS_AES_128_CCM_SHA256")),
        lambda: store(flow=DTLS.format("TLS_PSK_WITH_AES_128_CCM_8")),  # its flights are others
        Told(
            "remark",
            "flow up",
            "with raw public keys a flight of 454 octets takes 5 frames, 15 transmissions",
            ("3 hops",),
        ),
    ),
    # RFC 8613 section 4.1.3.5.2: "a Partial IV MUST be included in all notifications ... except for the first one". 108
    # and 105 less CoAP's 4 and a token of 1, Observe 2, an empty OSCORE option 1 and a marker, and inside (section 5.3)
    # code 1, Observe 1, Uri-Path 2, marker 1, tag 8: 22; flags and the number are 2 more (section 6.1)
    "notifications-without-partial-iv": DesignCase(
        lambda: store(flow=NOTIFIES + "response_sequence = false"),
        lambda: store(flow=NOTIFIES),
        Told(
            "failure",
            "flow up",
            "all notifications but the first carry a Partial IV",
            (
                "first hop: room 86, 84 with a Partial IV",
                "forwarded hop: room 83, 81 with a Partial IV",
            ),
        ),
    ),
    # 105 less CoAP's 4, a token of 1 and a marker, the OSCORE option (head, flags, a number of 1, an identifier of 1),
    # and inside code 1, Uri-Path 2, marker 1, tag 8: 83. 256 = 2^8 (RFC 8613 section 6.1), times 30 s are 2.13 h; in
    # ten years of 365 days there are 10512000, which take 3 octets
    "partial-iv-will-grow": DesignCase(
        lambda: store(octets=83, flow=f"every_s = 30\n{REQUESTS}"),
        lambda: store(octets=81, flow=f"every_s = 30\n{REQUESTS}"),
        Told(
            "risk",
            UP,
            "from sequence number 256 on (after 2.13 h) the Partial IV takes 2 octets: the room is 82, 2 frames "
            "instead of 1",
            advice="Plan with sequence = 16777215, which is not passed in ten years; or make a new security context "
            "before.",
        ),
    ),
    # RFC 9147 section 4.5.3, and a tag of 16 octets (RFC 8446 section B.4: AEAD_AES_128_CCM of RFC 5116)
    "dtls-suite-easy-to-forge": DesignCase(
        lambda: store(flow=DTLS.format("TLS_AES_128_CCM_8_SHA256")),
        lambda: store(flow=DTLS.format("TLS_PSK_WITH_AES_128_CCM_8")),
        Told(
            "risk",
            "flow up",
            "TLS_AES_128_CCM_8_SHA256 has a tag of 8 octets",
            (
                "first hop: room 97, 89 with a tag of 16 octets",
                "forwarded hop: room 94, 86 with a tag of 16 octets",
            ),
        ),
        also=frozenset({"handshake-takes-many-frames"}),
    ),
    # 16 of the advertisement, prefix information 32, three contexts of 16, border router 24, a short link address 8
    "advertisement-does-not-fit": DesignCase(
        lambda: store(
            extra='[[context]]\nid = 1\nprefix = "2001:db8:2::/64"\n[[context]]\nid = 2\nprefix = "2001:db8:3::/64"'
        ),
        lambda: store(extra=""),
        Told(
            "remark",
            "the link",
            "an advertisement with 6 options takes 2 frames",
            ("128 octets of ICMPv6 and 4 of IPv6, room for 116 behind the MAC header",),
        ),
    ),
    # behind 11 of the link: page 1, RPL information 3, IPHC 2, hop limit 63, source in full, identifier 2, UDP 4: 87
    # left; the tunnel's 3 are 2 and its hop limit, the root is known (RFC 8138 section 7)
    "inserted-without-tunnel": DesignCase(
        lambda: from_far("[flow.routing]\nrpi = true"),
        lambda: from_far("[flow.routing]\nrpi = true\ntunnel = true"),
        Told(
            "risk",
            "flow up",
            "the root adds RPL information to packets of far",
            (
                "first hop: room 87, 84 with a tunnel",
                "forwarded hop: room 87, 84 with a tunnel",
            ),
        ),
    ),
    # page 1, RPL information 3, IPHC 2, destination in full, UDP 4: 90; later 2 of the source and a hop limit. The
    # tunnel takes 4, an octet of the encapsulator with them, and inside it nothing changes from hop to hop
    "option-leaves-without-tunnel": DesignCase(
        lambda: store(flow="[flow.routing]\nrpi = true", to="far"),
        lambda: store(flow="[flow.routing]\nrpi = true\noption_type = 0x23", to="far"),
        Told(
            "risk",
            "flow up",
            "an option that others must discard goes out to far",
            (
                "first hop: room 90, 86 with a tunnel",
                "forwarded hop: room 87, 86 with a tunnel",
            ),
        ),
    ),
    # RPL information and page switch take 4 of the 105; the tunnel 4 (RFC 8138 section 7: 2, hop limit, and an octet of
    # the encapsulator), and inside it the source follows from that and the hop limit stays 64: 3 less
    "tunnel-costs-octets": DesignCase(
        lambda: store(flow="[flow.routing]\nrpi = true\ntunnel = true"),
        lambda: store(flow="[flow.routing]\nrpi = true"),
        Told("remark", "flow up", "room 100, 101 without the tunnel", ("1 octet a frame",)),
    ),
    # e1 06 63 04 and 4 octets, against f1 and 3 octets
    "routing-as-extension-headers": DesignCase(
        lambda: store(flow='[flow.routing]\nrpi = true\nform = "extension-headers"'),
        lambda: store(flow='[flow.routing]\nrpi = true\nform = "6lorh"'),
        Told("remark", "flow up", "room 97, 101 as 6LoRH headers", ("4 octets a frame",)),
    ),
    "message-deserves-a-look": DesignCase(
        changed,
        store,
        Told(
            "risk",
            "message reading",
            "several samples, and neither a sequence number nor a time: a lost message goes unseen",
            advice="Add a field of kind 'sequence' or 'time'",
        ),
        more=(
            Told(
                "remark",
                "message reading",
                "nothing tells a receiver which version of the format this is",
                advice="Add a field of kind 'version' as the first, unless the port says it",
            ),
        ),
        also=frozenset({"advertisement-does-not-fit"}),
    ),
}


class Further(NamedTuple):
    name: str
    design: str
    told: Told


FURTHER = (
    # one hop: its octet is the flow's, and what to do is what the manual says
    Further(
        "hop-limit-costs-an-octet",
        store(flow="hop_limit = 16", hops=1),
        Told("remark", "flow up", "hop limit 16"),
    ),
    # level 4 encrypts and has no code (IEEE 802.15.4-2015 table 9-6, from memory): 6 octets less than without security.
    # Over one hop the destination is the frame's: 2 octets more
    Further(
        "checksum-planned-without-cover",
        store(
            flow='udp_checksum = "elided"', link=SEALED.replace("level = 5", "level = 4"), hops=1
        ),
        Told(
            "failure",
            "flow up",
            "the checksum is elided and frames have no integrity code",
            ("first hop: room 106, 104 with the checksum",),
        ),
    ),
    # 104, three times 104 and the rest of 454
    Further(
        "handshake-takes-many-frames",
        store(hops=1, flow=DTLS.format("TLS_AES_128_CCM_SHA256")),
        Told(
            "remark",
            "flow up",
            "with raw public keys a flight of 454 octets takes 5 frames",
            ("1 hop",),
        ),
    ),
    # nobody says how often: 2^16 may be reached, and of the octets that are left one is short
    Further(
        "partial-iv-will-grow",
        store(octets=82, flow=REQUESTS),
        Told(
            "risk",
            UP,
            "from sequence number 65536 on the Partial IV takes 3 octets: the room is 81, 2 frames instead of 1",
            advice="Plan with sequence = 16777215, which one message each 18.8 s does not pass in ten years; or make a "
            "new security context before.",
        ),
    ),
    # notifications carry it as well: 81 as above; each 5 s 63072000 in ten years, which take 4 octets
    Further(
        "partial-iv-will-grow",
        store(octets=79, flow=NOTIFIES.replace("60", "5") + "sequence = 65536\n"),
        Told(
            "risk",
            UP,
            "from sequence number 16777216 on (after 2.66 y) the Partial IV takes 4 octets: the room is 78, 2 frames "
            "instead of 1",
            advice="Plan with sequence = 4294967295, which is not passed in ten years; or make a new security context "
            "before.",
        ),
    ),
    # the flow allows for it
    Further(
        "fits-only-unsecured",
        store(octets=100, link=SEALED, flow="most_frames = 2"),
        Told(
            "remark",
            UP,
            "100 octets; the room is 95, and 105 only without security",
            ("sizes 96 to 105 would pass an estimate that forgets it",),
        ),
    ),
    # 1348 octets of datagram are over the MTU of 1280
    Further(
        "message-does-not-fit",
        store(octets=1300, flow="most_frames = 60"),
        Told(
            "failure",
            UP,
            "1300 octets, 105 fit in one frame of the forwarded hop: its datagram would have 1348 octets, the "
            "MTU is 1280",
            ("127 octets: MAC 11, IPHC 7, UDP NHC 4, payload 105",),
            advice=(
                "Shorten the message or send it in blocks; or raise network.mtu, where every link on the way carries "
                "more."
            ),
            cite="RFC 4944 §4",
        ),
    ),
    # 102, of which 100 leave 2
    Further(
        "route-too-long",
        store(octets=100, to="probe", hops=9, flow=ROUTE.format(form="6lorh", octets=8)),
        Told("risk", UP, "one frame does not reach over a single router, 9 hops need 8"),
    ),
    # 95 less CoAP's 4, a token of 1, Uri-Path 77, Block1 3 and the marker are 9
    Further(
        "block-size-to-use",
        store(octets=300, link=SEALED, flow=f'[flow.coap]\ncode = "PUT"\npath = "{"a" * 75}"\n'),
        Told("remark", UP, "300 octets do not fit one frame; no block size fits one frame"),
    ),
    # OSCORE (RFC 8613 sections 5.3 and 6.1): option 6 (head, flags, number of 3, identifier), inner code 1, marker 1,
    # code 8
    Further(
        "protection-does-not-fit",
        store(octets=97, flow=COAP.format(code="PUT")),
        Told(
            "remark",
            UP,
            "97 octets fit 97; with OSCORE the room is 81 and with DTLS 1.3 the room is 78",
        ),
    ),
)
