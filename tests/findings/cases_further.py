"""What findings say where their rule has another branch than the one in its case: another cause, severity or number."""

import struct
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from ipaddress import IPv6Address
from typing import NamedTuple

from findings import air, faults
from findings.air import BROADCAST, FAR_NODE, NODE, PAN, PREFIX, ROOT, Capture
from findings.cases_answers import with_message_ids
from findings.cases_application import (
    ASKING,
    COMPARE_CONTEXT,
    DATA,
    DESIGN,
    EACH_MINUTE,
    MASTER_SECRET,
    PLAN,
    READINGS,
    SMALL,
    UNANSWERED_PLAN,
    again,
    answered_nodes,
    answered_twice,
    asked_by_path,
    at_random,
    exchanges,
    floats,
    from_new_ports,
    heard_beside,
    in_pieces,
    in_records,
    in_turn,
    messages,
    of_a_burst,
    one_stray,
    planned,
    ports_in_line,
    sealed,
    two_answered,
    unasked,
    versioned,
    with_connection_id,
    with_holes,
    with_own_identifier,
    with_request,
    without_checksum_in_pieces,
    without_its_context,
    wrong_tokens,
)
from findings.cases_compression import (
    FAR,
    altered,
    between,
    known_contexts,
    solicitation,
    summed,
    to_group,
    to_port,
    under,
    whole_headers,
    without_length,
)
from findings.cases_delivery import limited, posted_again
from findings.cases_deployment import slotted
from findings.cases_fragments import acknowledged as recovery_acknowledged
from findings.cases_fragments import (
    begun_beside,
    cut,
    cut_in_byte_code,
    edited,
    frames_of_one,
    from_prefix,
    headers_cut,
    in_one_long_frame,
    in_turns,
    interleaved,
    late_first,
    later_ones,
    leaving,
    meeting,
    meeting_in_vain,
    partly_missed,
    passed_by,
    recovered,
    repeats_acknowledged,
    sized,
    spilled,
    with_beacons,
)
from findings.cases_joining import (
    CHILD,
    DAO_ACK_MISSING,
    FULL,
    UNREADABLE,
    acknowledged,
    answered,
    confirmed,
    daos_each_3_s,
    gone_on,
    granted,
    led,
    passed_on,
    registered,
    unanswered,
)
from findings.cases_link import (
    FAR_NAME,
    IPHC_ONLY,
    KEY_SOURCE,
    acknowledged_by,
    among_three,
    beside,
    counted,
    in_slot,
    in_slots,
    of_neighbours,
    other_bits,
    other_frames,
    other_security,
    pan_rule,
    plain,
    short_source,
    used_twice,
)
from findings.cases_link import (
    sized as of_octets,
)
from findings.cases_nodes import (
    COPY,
    REGISTERED,
    RELAY,
    REPLACED,
    acknowledging,
    back,
    begun_alone,
    beside_each_other,
    corrected,
    elsewhere,
    heard_in_part,
    joined,
    judged,
    kept_in_pieces,
    numbered,
    parent_back,
    partly_given_up,
    registration,
    relayed,
    relayed_for,
    relayed_in_pieces,
    renamed,
    strange_to,
    swallowed,
    unsealed,
)
from findings.cases_routing import (
    asking,
    at_the_end,
    beside_dios,
    daos,
    dio,
    dios,
    far_away,
    of_ranks,
    stormy,
)
from findings.judge import Told

from lowpanbudget import encode_frame
from lowpanbudget.findings.captures.checksums import COMPUTED
from lowpanbudget.findings.prefix_sums import MISTAKE_FIRST
from lowpanbudget.layers.link.auxiliary import Security
from lowpanbudget.layers.link.mac import FrameType

SAME_WORDS = {
    1: "2001:db8:2::/64", 2: "2001:2:db8::/64", 3: "2:2001:db8::/64", 4: "db8:2:2001::/64"
}  # fmt: skip
# of ``passed_by``, where nothing says that the capture missed a fragment
NONE_COMPLETED = Told(
    "risk",
    "0x0017 to 0x0001",
    "4 of 4 datagrams in fragments were not completed",
    tuple(
        f"datagram of 348 octets, tag {tag:#06x}: octets 328-347 did not come" for tag in range(3)
    ),
    (1, 4, 7, 10),
    4,
)
TAKE_OUT = (
    "Announce the old prefix with C = 0 for 300 s, then the new one with C = 0 until all nodes have it, "
    "then with C = 1; or take a number that is free."
)
REFUTED = (
    "all 3 differ by +0x0001, as under another prefix, but others of the sender, under the same contexts, are right "
    "between them"
)
ON_THE_WAY = (
    "Look for octets changed between where the checksum and where the check sequence of the frame was made: buffers, "
    "drivers, a router that changes what it sends on. Addresses and prefixes are the sender's own, unless it changed "
    "them meanwhile: others of its datagrams are right."
)
NO_SOURCE = (
    "An acknowledgement that names no sender is that of the destination of the frame before it with the same number: "
    "see that the capture has that frame, and the key file the EUI-64 of its destination where that is a short address."
)


FRAGMENT_SENT_ON = (
    "Let the sender wait for the acknowledgement as long as the PHY takes, and send what is tried again under the same "
    "number, which the receiver knows. Look also whether a fragment stays in its queue when it was sent."
)


SEAL_IN_ITS_SLOT = (
    "Seal a frame when it goes out, with the number of that slot, and send no other one in it; let no node begin with "
    "an old number again, as one does that takes it from a beacon that somebody plays again. If the frames were "
    "encrypted, agree on a new key."
)


class Further(NamedTuple):
    name: str
    fires: Callable[[], Capture]
    told: Told


def associated_twice() -> Capture:
    """Association responses, short address and status (IEEE 802.15.4-2015 clause 7.5.3, from memory)."""
    frames = []
    for number, eui in enumerate((air.FAR_NODE, COPY), 1):
        mac = air.mac(number, (air.FAR_ROOT, eui), frame_type=FrameType.COMMAND)
        frames.append(encode_frame(mac, b"\x02\x17\x00\x00").octets)
    return Capture(list(frames))


HELD, OTHER = "2001:db8:3::/64", "2001:db8:99::/64"


def announced_by_another() -> Capture:
    frames = []
    for number, (link, prefix) in enumerate(((ROOT, HELD), (RELAY, OTHER))):
        body = bytes([64, 0]) + struct.pack(">HII", 1800, 0, 0) + air.context_option(3, prefix)
        packet = air.nd_message(134, body, air.address("fe80::", link), air.ALL_NODES)
        frames.append(air.frame(packet, number, (link, BROADCAST)))
    return Capture(list(frames))


def announcing(context: int, prefix: str, *, compress: bool = True, minutes: int = 60) -> bytes:
    option = air.context_option(context, prefix, compress=compress, minutes=minutes)
    told = air.advertisement(option)
    return air.frame(told, 9, (ROOT, BROADCAST))


def moved(*steps: tuple[float, str, bool]) -> Capture:
    """What the root announces of context 3: when, its prefix, and whether it may compress."""
    return Capture(
        [(at, announcing(3, prefix, compress=compress)) for at, prefix, compress in steps]
    )


def withdrawn(*steps: tuple[float, str, int]) -> Capture:
    """What the root announces of context 3: when, its prefix, and for how many minutes."""
    frames: list[bytes | tuple[float, bytes]] = []
    for at, prefix, minutes in steps:
        told = air.context_option(3, prefix, minutes=minutes)
        frames.append((at, air.frame(air.advertisement(told), 9, (ROOT, BROADCAST))))
    return Capture(frames)


def learned(context: int, prefix: str, capture: Capture) -> Capture:
    """The capture where nobody gave the context, and the root announces it first."""
    return replace(capture, air=[announcing(context, prefix), *capture.air], contexts={})


def announced_before() -> Capture:
    """The root announces one prefix, then another; the node computes its checksums with the first."""
    known = learned(0, f"{PREFIX}/64", summed(under(PREFIX), under("2001:db8:12::")))
    return replace(known, air=[announcing(0, "2001:db8:12::/64"), *known.air])


def damaged(count: int) -> Capture:
    """Of 20 frames the first ones have a bit turned in their check sequence."""
    return Capture(
        [
            f[:-1] + bytes([f[-1] ^ (n < count)])
            for n, f in enumerate(plain(20))
            if isinstance(f, bytes)
        ]
    )


def of_one(change: Callable[[bytes, int], bytes], right: int = 0) -> Capture:
    """Frames of two nodes in turn; what stands behind the 6 later ones of the first is changed."""
    frames: list[bytes | tuple[float, bytes]] = []
    for number in range(6 + right):
        for links in ((NODE, ROOT), (b"\x00\x18", ROOT)):
            frame = air.frame(air.datagram(bytes([number]) * 7, links=links), number, links)
            if links[0] == NODE and number >= right:
                frame = frame[:-2] + change(frame[-2:], number)
            frames.append(frame)
    return Capture(frames)


def damaged_alike(*senders: bytes) -> Capture:
    """Frames of these nodes in turn; of every tenth of the first one bit is heard wrong, the last but 32 of the frame.

    Each is sent again under its number, and then heard right.
    """
    frames: list[bytes | tuple[float, bytes]] = []
    for number in range(60):
        for links in ((one, ROOT) for one in senders):
            frame = air.frame(air.datagram(bytes([number]) * 7, links=links), number, links)
            if links[0] == senders[0] and number % 10 == 9:
                frames.append((number, frame[:-4] + bytes([frame[-4] ^ 1]) + frame[-3:]))
            frames.append((number + 0.01, frame))
    return Capture(frames)


def to(link: bytes) -> Capture:
    links = (NODE, link)
    return Capture([air.frame(air.datagram(links=links), links=links)])


def told_contexts(*options: bytes, used_at: float = 11.0) -> Capture:
    """An advertisement, and a frame that compresses with context 1."""
    told = air.frame(air.advertisement(*options), 1, (ROOT, BROADCAST))
    return Capture([(1.0, told), (used_at, air.frame(air.datagram(prefix="2001:db8:2::"), 2))])


def identifier_in_line(iid: str) -> Capture:
    """RFC 6282 section 3.1.1: 0x7a, SAM 01 with an identifier of 8 octets, in a frame from an extended address."""
    return Capture([air.raw(bytes.fromhex("7a133b" + iid), 1, FAR)])


def compressed(octets: str) -> Capture:
    return Capture([air.raw(bytes.fromhex(octets), n) for n in range(1, 5)])


def udp_in_line() -> Capture:
    """RFC 6282 section 3.1.1: 0x7a, NH 0, both link-local addresses elided, the number 17 and the header as it is."""
    ends = air.address("fe80::", NODE), air.address("fe80::", ROOT)
    return compressed("7a3311" + air.udp(b"reading", *ends).hex())


def copy_of_a_fragment() -> Capture:
    (_, first), *_ = [frame for frame in cut() if isinstance(frame, tuple)]
    return Capture([(1.0, first), (1.011, air.mended(first[:2] + b"\x2a" + first[3:]))])


def under_a_short_context() -> Capture:
    ends = IPv6Address("2001:db8:0:7::1"), IPv6Address("2001:db8:0:7::2")
    packet = air.ip(*ends, 17, air.udp(b"x", *ends))
    return Capture([air.raw(air.payload(packet))], contexts={2: "2001:db8::/32"})


def verified_and_elided() -> Capture:
    """Level 1, a code and no encryption: what is elided can be read without a key."""
    packed = air.payload(air.datagram(links=FAR), FAR, elide_udp_checksum=True)
    return Capture([air.secured(b"", 1, 5, level=1, packed=packed)])


def first_fragment(octets: int) -> Capture:
    """A first fragment of a datagram of 348 octets that brings so many octets of compressed form."""
    packed = air.payload(air.datagram(bytes(300)))
    return Capture([air.raw(bytes.fromhex("c15c0007") + packed[:octets])])


def without_its_first() -> Capture:
    """A datagram whose first fragment is lost; five seconds later one with other data, under the same tag."""
    other = air.pieces(air.datagram(b"\x01" * 300), start=11)
    return Capture([*cut()[1:], *((6 + n / 50, part) for n, part in enumerate(other))])


def counted_in_octets() -> Capture:
    """The second of the fragments of 738 octets has its offset in octets, which still is one of the datagram."""
    (_, first), (_, second), *_ = [item for item in cut(690, room=50) if isinstance(item, tuple)]
    return Capture([first, air.mended(second[:13] + bytes([88]) + second[14:])])


def first_alone() -> Capture:
    return Capture([cut()[0], (200.0, air.frame(air.datagram()))])


def aborted() -> Capture:
    """RFC 8931 section 5.1: sequence 1 with Fragment_Size and Fragment_Offset 0."""
    packed = air.payload(air.datagram(bytes(100)))
    first = bytes([0xE8, 5]) + frames_of_one(packed)
    return Capture([(1.0, air.raw(first, 1)), (2.0, air.raw(bytes([0xE8, 5, 1 << 2, 0, 0, 0]), 2))])


def uncompressed(place: int) -> Capture:
    """Dispatch 0x41 (RFC 4944 section 5.1) with a length of 16 at this place, one more than there are."""
    packet = air.datagram()
    return Capture([air.raw(b"\x41" + packet[:place] + b"\0\x10" + packet[place + 2 :])])


def counted_or_under_another() -> Capture:
    """The option counted in the pseudo-header, to a host outside, with a context whose prefix does the same."""
    source, to = air.address(PREFIX, NODE), IPv6Address("2001:db8:f00d:2::10")
    packets = []
    for number in range(3):
        head = struct.pack(">HHHH", *air.PORTS, 9, 0)
        data = bytes([number])
        over = air.pseudo(source, to, 9 + 8, 17) + head + data
        segment = head[:6] + struct.pack(">H", air.internet_checksum(over)) + data
        packets.append(air.ip(source, to, 0, air.rpl_option() + segment))
    return Capture([*air.frames(packets)], {0: air.CONTEXTS[0], 1: "2001:db8:9::/64"})


def ranked() -> Capture:
    """The RPL option with instance 5 and rank 0x0203."""
    source, to = under(PREFIX)
    option = bytes([17, 0, 0x63, 4, 0, 5, 2, 3])
    packets = [air.ip(source, to, 0, option + air.udp(bytes([n]), source, to)) for n in range(5)]
    return Capture([air.raw(air.payload(packet), n) for n, packet in enumerate(packets, 1)])


def without_checksum() -> Capture:
    source, to = under(PREFIX)
    return Capture([air.frame(air.ip(source, to, 17, air.udp(b"data", source, to, checksum=0)))])


def under_the_key_in(pan: int) -> Capture:
    """Three readings sealed with the network's key, in a PAN of their own."""
    frames = []
    for number in range(1, 4):
        header = air.mac(
            number, (FAR_NODE, air.FAR_ROOT), security=Security(5, 1, number, key_index=1)
        )
        packed = air.payload(
            air.datagram(DATA, links=(FAR_NODE, air.FAR_ROOT)), (FAR_NODE, air.FAR_ROOT)
        )
        frames.append(
            encode_frame(replace(header, destination_pan=pan), packed, key=air.KEY).octets
        )
    return Capture([*frames], SMALL, PLAN, keys=(air.KEY,))


def planned_as(frames: list[bytes | tuple[float, bytes]]) -> Capture:
    return Capture(frames, SMALL, PLAN)


OTHER_VALUES = (
    "Look for what changed there: the sensor or its calibration, the unit or the scale that the node sends in. If such "
    "values are right, widen the range in format, node and receiver together."
)
MODE_0 = "[link.security]\nlevel = 5\nkey_id_mode = 0"


def secured_at(level: int, planned: int) -> Capture:
    plan = air.design(DESIGN.format(link=f"[link.security]\nlevel = {planned}"))
    frame = air.secured(b"", 1, 5, level, packed=bytes.fromhex(IPHC_ONLY))
    return Capture([frame], SMALL, plan)


def summed_otherwise(covered: bool, more: int, kind: int) -> Capture:
    """UDP behind a hop-by-hop header; its checksum covers that, or counts octets or a next header of its own.

    Another one without that header, under the same context, is right between two of them.
    """
    source, to = under(PREFIX)
    head, option = struct.pack(">HHHH", *air.PORTS, 12, 0), air.rpl_option()
    packets = [air.ip(source, to, 17, air.udp(b"data", source, to))]
    for data in (b"data", b"datb"):
        over = air.pseudo(source, to, 12 + more, kind) + option * covered + head + data
        segment = head[:6] + struct.pack(">H", air.internet_checksum(over)) + data
        packets.append(air.ip(source, to, 0, option + segment))
    return Capture([air.frame(packets[at], number) for number, at in enumerate((1, 0, 2), 1)])


def with_bit_inverted() -> Capture:
    """Bit 0x0010 of three checksums, which is set in all of them: 0xc0dc, 0xbcd9, 0xb8d6."""
    frames = []
    for number in range(1, 4):
        packet = bytearray(air.ip(*under(PREFIX), 17, air.udp(bytes([number]) * 7, *under(PREFIX))))
        packet[47] ^= 0x10
        frames.append(air.frame(bytes(packet), number))
    return Capture(list(frames))


def kept(link: bytes) -> IPv6Address:
    """An identifier with the PAN ID, its universal/local bit as it is."""
    return IPv6Address(f"fe80::{PAN:x}:ff:fe00:{link.hex()}")


def listener_report() -> Capture:
    """RFC 3810 section 5.2: to ff02::16, type 143; hop limit 1 is wanted."""
    packet = air.nd_message(143, bytes(4), air.address("fe80::", NODE), IPv6Address("ff02::16"))
    return Capture([air.frame(packet, 1, (NODE, BROADCAST))])


DAMAGED = "some frames were damaged before this receiver saw them; nothing is concluded from those"
NONE_OF_FEW = "no frame ends with its check sequence; so few do not tell whether it was taken off"
HOP = "0x0017 to 0x0001"
OTHER_WORDS = "with one word other than in 2001:db8:1::/64:"
ALONE = "the same in one address alone:"
PORTS = "with one port other than in the header:"
RESERVED = "the reserved octet of the fragment header is"
NO_ANSWER = "requests to 2001:db8:1::ff:fe00:1 on port 5683"
CLIENT = "2001:db8:1::ff:fe00:17 to 2001:db8:1::ff:fe00:1 on port 5683"

BESIDE = "frames go to 0x0001 in PAN 0xabce"
ELSEWHERE = "acknowledges frames in PAN 0xabcd, none in PAN 0xabce"
LOOKS_ALIKE = "0x0001 of a network of its own, too far away to be heard, would look the same"
REGISTERED_FAR = "2001:db8:1:0:5e:1000:0:17"
_SEVERAL = (
    "Several DODAGs in one instance are allowed, as of border routers that are meant to be several. Where one root is "
    "meant, find the node that starts a DODAG of its own, as when it hears nobody."
)
_ANSWERING = (
    "DAOs arrive: look whether parent or root answers each that has the K flag, with its own DAOSequence, and over "
    "which nodes the answer goes. Where nobody is meant to answer, clear K."
)
CRITICAL = "option 2069 is critical and not known here: a receiver that does not know it rejects"


def a_fifth_missed() -> Capture:
    """A network whose node 2 forgets what comes to it in fragments; the receiver misses every fifth frame."""
    frames = faults.LongForgotten(reports=20, long_every=2).capture().timed()
    return Capture([one for number, one in enumerate(frames) if number % 5])


FURTHER = (
    # what cannot be read before the first of them is no answer, and one frame behind it is one answer at most
    *(
        Further(
            "dao-never-acknowledged",
            partial(unanswered, (8, 1), (28, 2), (48, 3), *others, more=[(at, UNREADABLE)]),
            Told(
                "failure",
                CHILD,
                DAO_ACK_MISSING,
                (
                    f"{CHILD} asked {3 + len(others)} times, first 92 s before the capture ends",
                    *why,
                ),
                (3, 4, 5) if at < 8 else (2, 3, 4, 6),
                3 + len(others),
            ),
        )
        for at, others, why in (
            (5, (), ()),
            (50, ((58, 4),), ("1 frame since then cannot be read",)),
        )
    ),
    # the root of this network has another prefix than the receiver
    Further(
        "rpl-option-leaves-network",
        lambda: from_prefix("2001:db8:7:ff::", IPv6Address("2001:db8:7:ff::1")),
        Told(
            "remark",
            "0x0017",
            "a datagram to 2001:db8:1::ff:fe00:1 carries an option that others must discard",
            ("63 04 00 00 02 00",),
            (1,),
        ),
    ),
    # their last frames were acknowledged, at another try: each pair makes four frames and one, four tries of the last,
    # and six acknowledgements
    Further(
        "fragments-meet",
        lambda: meeting_in_vain(answered=True),
        Told(
            "risk",
            "0x0001",
            "3 datagrams to 0x0001 were not completed while others were open, up to 2 at once",
            (),
            (3, 18, 33),
        ),
    ),
    # ten of four frames come whole before, while no other is sent; then 4 and 3 frames in turn, as above
    Further(
        "fragments-meet",
        lambda: meeting(apart=0.1, before=10),
        Told(
            "risk",
            "0x0001",
            "3 datagrams to 0x0001 were not completed while others were open, up to 2 at once",
            (),
            (42, 49, 56),
        ),
    ),
    # the DIO behind it says that the type is 0x63 (RFC 9008 section 4.1.3)
    Further(
        "rpl-option-leaves-network",
        lambda: leaving(0x63, lorh=True, announces=0x63),
        Told(
            "remark",
            "0x0017",
            "a datagram to 2001:db8:f00d:2::10 carries an option that others must discard",
            ("63 04 00 00 02 00",),
            (1,),
        ),
    ),
    # options by their numbers (RFC 7252 table 4), b: delta 11
    *(
        Further(
            "coap-message-forbidden",
            partial(messages, air.coap_message(options, data, code=code, kind=1)),
            Told("failure", f"0x0017: {text}", text, evidence, (1,), cite=cite),
        )
        for code, options, data, text, evidence, cite in (
            (
                1,
                b"\xb2..",
                b"",
                "Uri-Path is never '..'",
                ("option 11: 2e 2e",),
                "RFC 7252 §5.10.1",
            ),
            (1, b"", b"x", "0.01 GET is not defined to have a payload", (), "RFC 7252 §5.5"),
            (
                0x43,
                b"",
                b"",
                "2.03 Valid has no ETag, which says what is valid",
                (),
                "RFC 7252 §5.9.1.3",
            ),
            (
                0x45,
                b"\xb1a",
                b"x",
                "Uri-Path is not defined for a response, only for a request",
                ("option 11: 61",),
                "",  # section 5.4, as the manual has it
            ),
        )
    ),
    Further(
        "frames-refused",
        lambda: judged("n", "n", "nn", "n", "n"),
        Told(
            "failure",
            "0x0017 to 0x0001",
            "0x0001 received 5 frames and accepted none",
            ("6 acknowledgements with nack = 1: not accepted",),
            (2, 4, 6, 8, 10, 12),
            6,
        ),
    ),
    Further(
        "frames-refused",
        lambda: judged("a", "na", "a"),
        Told(
            "remark",
            "0x0017 to 0x0001",
            "0x0001 accepted each of 3 frames in the end",
            ("1 acknowledgement with nack = 1: not accepted",),
            (4,),
            1,
        ),
    ),
    # 33 octets of headers and 4 of code around 150 octets, of which a digest is kept, and around 6
    *(
        Further(
            "frame-counter-used-twice",
            partial(used_twice, *data),
            Told(
                "failure",
                FAR_NAME,
                "02:5e:10:00:00:00:00:17 used a frame counter 0x00000007 for two different frames "
                "(key id mode 1, index 1)",
                ("frame counter 0x00000007 in frames 1 and 2", *differ),
                (1, 2),
            ),
        )
        for data, differ in (
            ((bytes(150), bytes(6)), ("one has 187 octets, the other 43",)),
            ((bytes(6), bytes(150)), ("one has 43 octets, the other 187",)),
            ((bytes(150), bytes(149) + b"1"), ()),
        )
    ),
    # two DAOs that name a parent may be those of before it became a root
    Further(
        "two-roots",
        lambda: daos(256, 256, parent=256, stored=True),
        Told(
            "failure",
            "DODAG 2001:db8:1::ff:fe00:1",
            "fe80::ff:fe00:17 and fe80::ff:fe00:18 announce the rank of the root, 256",
            (),
            (1, 2),
            2,
        ),
    ),
    # of nine DODAGs and as many roots of one the first eight are told (our choice)
    Further(
        "two-roots",
        lambda: dios(*(dio(bytes([0, at]), 256) for at in range(1, 10))),
        Told(
            "failure",
            "DODAG 2001:db8:1::ff:fe00:1",
            "fe80::ff:fe00:1 and fe80::ff:fe00:2 announce the rank of the root, 256",
            (),
            tuple(range(1, 9)),
            7,
        ),
    ),
    Further(
        "two-roots",
        lambda: dios(*(dio(bytes([0, at]), 256, dodag=IPv6Address(at)) for at in range(1, 10))),
        Told(
            "remark",
            "instance 0",
            "instance 0 has 2 DODAGs: ::1, ::2",
            (),
            tuple(range(1, 9)),
            7,
            _SEVERAL,
            "RFC 6550 §3.1.2",
        ),
    ),
    # a tenth is a remark, more than that a risk
    *(
        Further(
            "frames-refused",
            partial(judged, "n", "n", "n", *["a"] * (asked - 3)),
            Told(
                severity,
                "0x0017 to 0x0001",
                f"0x0001 received 3 of {asked} frames and never accepted them",
                ("3 acknowledgements with nack = 1: not accepted",),
                (2, 4, 6),
                3,
            ),
        )
        for asked, severity in ((30, "remark"), (29, "risk"))
    ),
    # eight as Trickle sends them (RFC 6206 section 4.2), then 60 in 59 s. Trickle has
    # 9 intervals while it doubles, and 3058 / 1048.6 s of the longest: 4.096 s times 2 ** 8
    Further(
        "control-out-of-proportion",
        lambda: stormy([1, 5, 13, 29, 61, 125, 253, 509, *(3000.0 + n for n in range(60))]),
        Told(
            "risk",
            "fe80::ff:fe00:17",
            "fe80::ff:fe00:17 sent 68 DIO messages in 3058 s",
            (
                "median of the last 16 intervals: 1 s; Trickle has room for 12",
                "60 of them in 59 s, from frame 9 on, 2999 s after the first",
            ),
            tuple(range(9, 17)),
            60,
        ),
    ),
    # 24 DAOs without K want no answer; of 24 with it the first 20 have theirs, and 4 have none
    *(
        Further(
            "control-out-of-proportion",
            fires,
            Told(
                "risk",
                "fe80::ff:fe00:17",
                "fe80::ff:fe00:17 sent 24 DAO messages in 69 s",
                ("median of the last 16 intervals: 3 s",),
                frames,
                24,
            ),
        )
        for fires, frames in (
            (lambda: daos_each_3_s(0), (2, 3, 4, 5, 6, 7, 8, 9)),
            (lambda: daos_each_3_s(0x80, answered=20), (2, 4, 6, 8, 10, 12, 14, 16)),
        )
    ),
    # ten of each; from the first to the last 18 s
    Further(
        "control-out-of-proportion",
        lambda: asking(10),
        Told(
            "risk",
            "fe80::ff:fe00:17",
            "fe80::ff:fe00:17 sent 10 router solicitations in 18 s, and 10 DIS messages in 18 s",
            ("median of the last 9 intervals: 2 s",),
            (1, 3, 5, 7, 9, 11, 13, 15, 2, 4, 6, 8),
            20,
        ),
    ),
    # its short address is known to be that of another than the one that gets it
    Further(
        "hop-limit-runs-out",
        lambda: at_the_end(ROOT, bytes.fromhex("025e100000000018"), air.FAR_ROOT),
        Told(
            "failure",
            "02:5e:10:00:00:00:00:17",
            "datagrams to 2001:db8:1::ff:fe00:1 come to 02:5e:10:00:00:00:00:18 with hop limit 1, "
            "which must discard them",
            ("sent by 2001:db8:1:0:5e:1000:0:17",),
            (1,),
        ),
    ),
    Further(
        "hop-limit-runs-out",
        lambda: far_away(heard=True),
        Told(
            "failure",
            "02:5e:10:00:00:00:00:17",
            "datagrams to 2001:db8:1:0:5e:1000:0:1 come to 02:5e:10:00:00:00:00:18 with hop limit 1, "
            "which must discard them",
            ("sent by 2001:db8:1:0:5e:1000:0:17",),
            (2,),
        ),
    ),
    Further(
        "fragments-flood",
        lambda: later_ones(32),
        Told(
            "failure",
            "0x0001",
            "32 of 32 datagrams to 0x0001 were begun and never went on, up to 32 at once",
            ("from 0x0017 in 3.1 s",),
            tuple(range(1, 13)),
            32,
        ),
    ),
    # 9 of MAC header, 6 of compressed headers, 2 of check sequence; 160 zeros in ten codes of 17 at most, as many as an
    # octet of byte code adds (RFC 7400 table 1)
    Further(
        "fragmented-without-need",
        cut_in_byte_code,
        Told(
            "waste",
            "0x0017 to 0x0001",
            "2 fragments make a frame of 27 octets, 100 to spare",
            ("datagram of 208 octets, tag 0x0007",),
            (1, 2),
        ),
    ),
    # 9 of MAC header, 6 of compressed headers, 60 of data, 2 of check sequence, as in the case of the others
    Further(
        "fragmented-without-need",
        lambda: recovered(60, 40),
        Told(
            "waste",
            "0x0017 to 0x0001",
            "2 recoverable fragments make a frame of 77 octets, 50 to spare",
            ("compressed datagram of 66 octets, tag 0x07",),
            (1, 2),
        ),
    ),
    # RFC 6282 section 2: 9 of MAC header, 4 of FRAG1, 2 of IPHC, 1 of NHC, and the ports in one octet stand before
    Further(
        "headers-beyond-first-fragment",
        lambda: headers_cut(4, recoverable=False),
        Told(
            "failure",
            "0x0017",
            "the first fragment ends within its compressed headers: "
            "checksum needs 2 octets, 0 octets left",
            (
                "octet 17, UDP NHC",
                "the first fragment brings 4 octets of a datagram of 88 octets before compression",
            ),
            (1, 3, 5),
            3,
        ),
    ),
    # the copies are the third, the fourth and the fifth of the capture's fragments, an acknowledgement behind each; an
    # acknowledged frame is not to be sent again (IEEE 802.15.4-2015 clause 6.7.4.3, from memory)
    Further(
        "fragment-repeated",
        lambda: repeats_acknowledged(3),
        Told(
            "waste",
            "0x0017 to 0x0001: acknowledged",
            "fragments are sent again at once under a new number, though an acknowledgement of the first was heard",
            ("datagram of 348 octets, tag 0x0007, octets 136 to 231",),
            (3, 5, 7, 9),
            3,
            advice=FRAGMENT_SENT_ON,
        ),
    ),
    # two come again behind the first copy, which is known for one when nothing has followed in time
    Further(
        "fragment-repeated",
        lambda: late_first(3),
        Told(
            "remark",
            "0x0017 to 0x0001",
            "fragments are repeated octet range by octet range",
            ("datagram of 348 octets, tag 0x0007, octets 0 to 135",),
            (6, 7, 5),
            3,
        ),
    ),
    # the second of each two requests, for the path of the flow that has one octet
    Further(
        "message-length-wrong",
        lambda: asked_by_path(b"\x07\x07"),
        Told(
            "failure",
            "flow b, 2001:db8:1::ff:fe00:17",
            "flow b carries 2 octets, its messages have count 1",
            ("data 07 07",),
            (2, 4),
            2,
        ),
    ),
    # the code by AES-CCM of the cryptography library: nonce EUI-64 and slot number 1000, most significant octet first
    Further(
        "integrity-code-wrong",
        lambda: in_slot(1000, 1100),
        Told(
            "failure",
            FAR_NAME,
            "frames fail under the key that they name",
            (
                "key id mode 1, index 1, code 4e415e61, nonce of absolute slot number 1100, as the capture has it",
            ),
            (1,),
        ),
    ),
    # CCM encrypts by exclusive or with what key and nonce make (RFC 3610 section 2.3): under one nonce what is sealed
    # differs in those octets in which the contents do, checksum (2) and reading (6); beside are number (1) and code (4)
    Further(
        "frame-counter-used-twice",
        lambda: in_slots(1000, 1100, 1000),
        Told(
            "failure",
            FAR_NAME,
            "02:5e:10:00:00:00:00:17 sealed two different frames (key id mode 1, index 1) with one nonce: both open "
            "with the slot number 1000 in it",
            (
                "slot number 1000 in frames 1 and 3",
                "different octets: 13, the first is octet 2, the last 36",
            ),
            (1, 3),
            advice=SEAL_IN_ITS_SLOT,
            cite="RFC 9030 §6.4",
        ),
    ),
    Further(
        "frame-counter-used-twice",
        lambda: in_slots(1000, 1100, 1000, counters=(7, 8, 7)),
        Told(
            "failure",
            FAR_NAME,
            "02:5e:10:00:00:00:00:17 sealed two different frames (key id mode 1, index 1) with one nonce: both open "
            "with the slot number 1000 in it",
            (
                "slot number 1000 in frames 1 and 3",
                "different octets: 13, the first is octet 2, the last 40",
            ),
            (1, 3),
            advice=SEAL_IN_ITS_SLOT,
            cite="RFC 9030 §6.4",
        ),
    ),
    Further(
        "reserved-bits-set",
        lambda: other_bits(0x9861 | 1 << 9),
        Told(
            "remark",
            "0x0017",
            "bit 9 of the frame control is reserved in version 1, and it is set",
            ("frame control 0x9a61",),
            (1,),
        ),
    ),
    *(
        Further(
            "reserved-bits-set",
            partial(other_security, 1 << bit, version),
            Told(
                "remark",
                FAR_NAME,
                f"bit {bit} of the security control is reserved in version {version}, and it is set",
                (),
                (1,),
                cite=cite,
            ),
        )
        for bit, version, cite in (
            (5, 1, "IEEE 802.15.4-2006 §7.6.2.2"),
            (6, 1, "IEEE 802.15.4-2006 §7.6.2.2"),
            (7, 1, "IEEE 802.15.4-2006 §7.6.2.2"),
            (7, 2, "IEEE 802.15.4-2015 §9.4"),
        )
    ),
    # no key: the number may be the receiver's own
    Further(
        "frame-counter-used-twice",
        lambda: in_slots(1000, 1100, 1000, keys=()),
        Told(
            "remark",
            FAR_NAME,
            "the capture has one slot number 1000 for two different frames (key id mode 1, index 1) of "
            "02:5e:10:00:00:00:00:17",
            (
                "slot number 1000 in frames 1 and 3",
                "different octets: 13, the first is octet 2, the last 36",
            ),
            (1, 3),
            advice="Give the keys: frames that open with this number prove that one nonce sealed both. Else look how "
            "the receiver of the capture counts: a node sends one frame in a slot.",
            cite="RFC 9030 §6.4",
        ),
    ),
    # nonces of two slot numbers: all that is encrypted differs, as the same did not above, beside number and code
    Further(
        "frame-counter-used-twice",
        lambda: in_slots(1000, 1100, counters=(7, 7)),
        Told(
            "risk",
            FAR_NAME,
            "02:5e:10:00:00:00:00:17 used a frame counter 0x00000007 for two different frames (key id mode 1, index "
            "1); the slot number makes their nonces, so that none is used twice by this",
            (
                "frame counter 0x00000007 in frames 1 and 2",
                "different octets: 17, the first is octet 2, the last 40",
            ),
            (1, 2),
            advice="Increase the counter for every frame, as it is sent: receivers that compare it with the last one "
            "drop the later frame. The key may stay: the counter is no part of these nonces.",
            cite="IEEE 802.15.4-2015 §9.2.3",
        ),
    ),
    Further(
        "frame-counter-went-back",
        lambda: in_slots(1000, 1100, counters=(900, 0)),
        Told(
            "risk",
            FAR_NAME,
            "the frame counter of 02:5e:10:00:00:00:00:17 went from 0x00000384 back to 0x00000000",
            ("frame 1: 0x00000384; frame 2: 0x00000000",),
            (1, 2),
        ),
    ),
    # the kid of appendix C.4 is empty; its answer stays shut with it
    Further(
        "sealed-content-not-opened",
        unasked,
        Told(
            "remark",
            "2001:db8:1::ff:fe00:1: answers",
            "1 answer sealed with the numbers of requests that were not heard here",
            (),
            (1,),
            advice="The keys may be right. An earlier capture, or one of another receiver beside it, may have the "
            "requests.",
            cite="RFC 8613 §8.4",
        ),
    ),
    *(
        Further(
            "sealed-content-not-opened",
            partial(with_connection_id, length),
            Told(
                "risk",
                "2001:db8:1::ff:fe00:17",
                "nothing opens with the keys that fit by their names",
                (
                    f"a DTLS record is not opened: {octets} (cid, cid_length) does not fit: it would end elsewhere",
                ),
                (1,),
                advice="Compare the record keys and the epoch with those of the node; give the keys that are missing "
                "in the key file (--keys).",
                cite="RFC 9146 §4",
            ),
        )
        for length, octets in (
            (1, "a connection ID of 1 octet"),
            (3, "a connection ID of 3 octets"),
        )
    ),
    Further(
        "sealed-content-not-opened",
        lambda: sealed(MASTER_SECRET, sender=b"\x02"),
        Told(
            "remark",
            "2001:db8:1::ff:fe00:17",
            "the key file does not have what opens it",
            (
                "an OSCORE message is not opened: the key file has no context for it (kid of no octets)",
                "answers that stay shut with their requests: 1",
            ),
            (1, 2),
            advice=COMPARE_CONTEXT,
        ),
    ),
    # the second and third of each minute's frames: one is answered, five are not and were sent once
    Further(
        "request-never-answered",
        lambda: exchanges(EACH_MINUTE, {1: 68}, code=3, end=900.0),
        Told(
            "risk",
            CLIENT,
            f"5 of 6 {NO_ANSWER} have no answer",
            ("sent again: 0 of them",),
            (3, 4, 5),
            5,
        ),
    ),
    # the numbers of whoever is asked go on by one: nothing was sent that the capture missed
    Further(
        "request-never-answered",
        lambda: two_answered(hole=False),
        Told(
            "risk",
            CLIENT,
            f"4 of 6 {NO_ANSWER} have no answer",
            ("sent again: 0 of them",),
            (3, 4, 5),
            4,
        ),
    ),
    # one answer whose request was not heard says nothing of the four that have none
    Further(
        "request-never-answered",
        one_stray,
        Told(
            "risk",
            CLIENT,
            f"4 of 5 {NO_ANSWER} have no answer",
            (
                "sent again: 4 of them",
                "answers that no request matches by message ID and token: 1",
            ),
            (3, 5, 7),
            4,
        ),
    ),
    # sent again each, and told as before, whatever else its numbers leave place for
    Further(
        "request-never-answered",
        lambda: exchanges(EACH_MINUTE, {1: 68, 6: 68}, code=3, end=900.0, repeated=(2, 3, 4)),
        Told(
            "risk",
            CLIENT,
            f"3 of 5 {NO_ANSWER} have no answer",
            (
                "sent again: 3 of them",
                "not counted: 1 heard once, whose answer may have come by unheard, by the numbers on its way",
            ),
            (3, 5, 7),
            3,
        ),
    ),
    # from 1 to 166 s, the first before a frame of its own was heard; at 169 s seven have waited for a minute: those
    # of 16 to 106 s
    Further(
        "datagrams-not-sent-on",
        swallowed,
        Told(
            "risk",
            "0x0018",
            "0x0018 acknowledged 12 datagrams and never sent 7 of them on: its frame numbers leave no place for them",
            (
                "2001:db8:1::ff:fe00:17 to 2001:db8:1::ff:fe00:1: 7 of 12, 4 more in its last minute",
            ),
            (5, 8, 11, 14, 17, 20, 23),
            7,
        ),
    ),
    # each reading makes nine frames, one that is kept six: the last fragment of the fourth is frame 32
    *(
        Further(
            "datagrams-not-sent-on",
            kept,
            Told(
                "risk",
                "0x0018",
                "0x0018 acknowledged 10 datagrams and never sent 3 of them on: its frame numbers leave no place for "
                "them",
                ("2001:db8:1::ff:fe00:17 to 2001:db8:1::ff:fe00:1: 3 of 10",),
                frames,
                3,
            ),
        )
        for kept, frames in (
            (lambda: relayed_in_pieces(3, 4, 5), (32, 38, 44)),
            # one that goes on makes four frames, and one that comes twice two more: the fifth begins with frame 17
            (lambda: relayed(3, 4, 5, twice=(1, 4)), (15, 17, 21)),
            # the fifth, frame 13, was only late
            (lambda: relayed(2, 3, 4, 5, late=(4,)), (9, 11, 15)),
        )
    ),
    Further(
        "request-never-answered",
        from_new_ports,
        Told(
            "remark",
            "2001:db8:1::ff:fe00:1",
            "2001:db8:1::ff:fe00:1 answers none of 4 requests on port 5683",
            (
                "the first 180 s before the capture ends",
                "none was sent again, and whom they were sent to is not heard here at all",
            ),
            (1, 2, 3),
            4,
            advice="Capture where the node that is asked is heard as well. A client that has no answer sends again: "
            "one that does not has it, or waits for none.",
        ),
    ),
    # the same, and the node that is asked sends something: its answers would be heard
    Further(
        "request-never-answered",
        lambda: heard_beside(from_new_ports()),
        Told(
            "risk",
            "2001:db8:1::ff:fe00:1",
            "2001:db8:1::ff:fe00:1 answers none of 4 requests on port 5683",
            ("the first 180 s before the capture ends",),
            (1, 2, 3),
            4,
        ),
    ),
    Further(
        "request-never-answered",
        wrong_tokens,
        Told(
            "risk",
            "2001:db8:1::ff:fe00:1",
            "2001:db8:1::ff:fe00:1 answers none of 3 requests on port 5683",
            (
                "the first 399 s before the capture ends",
                "answers that no request matches by message ID and token: 3",
            ),
            (1, 3, 5),
            3,
            advice=(
                "Something comes back: compare message ID and token of these answers with those of the requests. An "
                "acknowledgement has the message ID of its request, and every answer its token."
            ),
        ),
    ),
    Further(
        "answer-with-other-message-id",
        lambda: with_message_ids((0x107, 7), (0x108, 8), (0x109, 9)),
        Told(
            "failure",
            "2001:db8:1::ff:fe00:1",
            "answers come with the token of a request and another message ID",
            (
                "token 00: message ID 0x0107 in frame 1, 0x0007 in frame 2",
                "token 01: message ID 0x0108 in frame 3, 0x0008 in frame 4",
                "token 02: message ID 0x0109 in frame 5, 0x0009 in frame 6",
            ),
            (1, 2, 3, 4, 5, 6),
            3,
        ),
    ),
    # half of them, each sent again: the sender heard nothing either
    Further(
        "request-never-answered",
        lambda: exchanges(
            EACH_MINUTE, {1: 68, 2: 68, 3: 68}, code=3, end=900.0, repeated=(4, 5, 6)
        ),
        Told(
            "risk",
            CLIENT,
            f"3 of 6 {NO_ANSWER} have no answer",
            ("sent again: 3 of them",),
            (7, 9, 11),
            3,
        ),
    ),
    # the last one has 900 - 301 s, over 247
    Further(
        "request-never-answered",
        lambda: exchanges(EACH_MINUTE, dict.fromkeys(range(1, 7), 0), code=3, end=900.0),
        Told(
            "risk",
            f"{CLIENT}: acknowledged alone",
            f"6 of 6 {NO_ANSWER} are acknowledged and have no answer",
            (),
            (1, 3, 5),
            6,
        ),
    ),
    # the last one has 400 - 301 s, less than the 145 s that a message without confirmation may live
    Further(
        "request-never-answered",
        lambda: exchanges(EACH_MINUTE, {}, kind=1, end=400.0),
        Told(
            "risk",
            f"{CLIENT}: non-confirmable",
            "5 of 5 non-confirmable GET or FETCH to 2001:db8:1::ff:fe00:1 on port 5683 have no answer",
            (),
            (1, 2, 3),
            5,
        ),
    ),
    # two frames of the one; the first of the other takes their place, and its second makes a whole with the last two of
    # the one; the same again from frame 9 on
    Further(
        "tag-used-again",
        lambda: interleaved(7),
        Told(
            "failure",
            "0x0017 to 0x0001",
            "a tag is used for another datagram while one under it is not whole",
            (
                "datagram of 348 octets, tag 0x0007",
                "fragments of both make up one, whose checksum is wrong",
            ),
            (1, 2, 3, 4, 5, 6, 9, 10, 11, 12, 13, 14),
            3,
        ),
    ),
    Further(
        "node-was-silent",
        lambda: back(lost=28),
        Told(
            "risk",
            "0x0018",
            "0x0018 was never silent for more than 30 s, then was for 930 s, and goes on as before",
            ("28 sequence numbers missing meanwhile: it sent unheard, or began anew",),
            (22, 54),
        ),
    ),
    # readings of the third node come at 3 + 10 n, behind one of the first and its acknowledgement
    # theirs come at 2 and 3 + 10 n, behind a reading and its acknowledgement: six frames in ten seconds
    Further(
        "pan-beside-the-network",
        lambda: beside_each_other(tries=1),
        Told(
            "risk",
            "0x0019, 0x001a",
            f"{BESIDE}; 0x0001 and 40 frames of the network are in PAN 0xabcd",
            (f"0x0001 {ELSEWHERE}", f"2 nodes of that PAN, and no tries again: {LOOKS_ALIKE}"),
            (3, 4, 9, 10, 15, 16, 21, 22, 27, 28),
            10,
        ),
    ),
    # twelve with the tries
    Further(
        "pan-beside-the-network",
        lambda: beside_each_other(tries=4),
        Told(
            "failure",
            "0x0019, 0x001a",
            f"{BESIDE}; 0x0001 and 40 frames of the network are in PAN 0xabcd",
            (f"0x0001 {ELSEWHERE}",),
            (3, 7, 15, 19, 27, 31, 39, 43, 51, 55),
            10,
        ),
    ),
    Further(
        "pan-beside-the-network",
        lambda: acknowledging(both=False),
        Told(
            "failure",
            "0x0019",
            "frames go to 0x0001 in PAN 0xabce; 0x0001 and 24 frames of the network are in PAN 0xabcd",
            ("0x0001 acknowledges frames in PAN 0xabcd, none in PAN 0xabce",),
            (3, 8, 13, 18, 23),
            5,
        ),
    ),
    # RFC 8200 section 4.5: Reserved is "initialized to zero"; six octets stand behind it
    Further(
        "extension-bits-not-zero",
        lambda: other_frames("7e33e43b060001123456786162"),
        Told(
            "risk",
            "0x0017",
            f"{RESERVED} 6, and senders must leave it 0: it looks like a length, the octets that follow it; "
            "this header has none",
            (),
            (1,),
            cite="RFC 8200 §4.5",
        ),
    ),
    Further(
        "extension-bits-not-zero",
        lambda: other_frames("7e33e43b800001123456786162"),
        Told(
            "risk",
            "0x0017",
            f"{RESERVED} 128, and senders must leave it 0",
            (),
            (1,),
            cite="RFC 8200 §4.5",
        ),
    ),
    # the last of the first one came at 1.06 s, the first of the other at 6 s
    Further(
        "tag-used-again",
        without_its_first,
        Told(
            "failure",
            HOP,
            "fragments of two datagrams under one tag make up one, whose checksum is wrong",
            (
                "datagram of 348 octets, tag 0x0007: its first fragment comes 4.94 s after the others",
            ),
            (1, 2, 3, 4),
        ),
    ),
    # one in ten of 20 are 2
    Further(
        "check-sequence-wrong",
        lambda: damaged(3),
        Told("risk", "", DAMAGED, ("3 of 20 frames do not match",), (1, 2, 3), 3),
    ),
    Further(
        "check-sequence-wrong",
        lambda: damaged(2),
        Told("remark", "", DAMAGED, ("2 of 20 frames do not match",), (1, 2), 2),
    ),
    # of fewer frames a share tells nothing: our choice
    Further(
        "check-sequence-wrong",
        lambda: Capture(damaged(3).air[:19]),
        Told("remark", "", DAMAGED, ("3 of 19 frames do not match",), (1, 2, 3), 3),
    ),
    # of three frames on they are taken for frames without check sequences
    Further(
        "check-sequence-wrong",
        lambda: Capture(damaged(2).air[:2]),
        Told("remark", "", NONE_OF_FEW, ("2 of 2 frames do not match",), (1, 2), 2),
    ),
    # a cyclic code is linear: one bit, as far from the end, changes the same bits of the sum in every frame; where one
    # node alone sends nothing follows from whose they are, and with another all 6 are its own at (66/126)^6: 0.02
    Further(
        "check-sequence-wrong",
        lambda: damaged_alike(NODE),
        Told(
            "remark",
            "",
            DAMAGED,
            ("6 of 66 frames do not match",),
            (10, 21, 32, 43, 54, 65),
            6,
        ),
    ),
    Further(
        "check-sequence-wrong",
        lambda: damaged_alike(NODE, b"\x00\x18"),
        Told(
            "remark",
            "0x0017",
            "of all nodes 0x0017 alone sends frames whose check sequence is wrong",
            (
                "6 of 126 frames do not match",
                "6 of them are of 0x0017, and 60 data frames of it are right",
            ),
            (19, 40, 61, 82, 103, 124),
            6,
            advice=(
                "Look whether others take its frames: where they are acknowledged, move the receiver of the "
                "capture nearer; where not, look how the node makes its check sequence, and at its radio."
            ),
        ),
    ),
    # every second frame is of the node; its check sequences are turned round, or wrong in other bits each time
    Further(
        "check-sequence-wrong",
        lambda: of_one(lambda two, _: two[::-1]),
        Told(
            "risk",
            "0x0017",
            "of all nodes 0x0017 alone sends frames whose check sequence is wrong",
            (
                "6 of 12 frames do not match",
                "what stands there is one with its octets exchanged",
                "6 of them are of 0x0017, and no data frames of it are right",
            ),
            (1, 3, 5, 7, 9, 11),
            6,
            advice=(
                "No receiver that follows the standard takes such frames. Where they are acknowledged, whoever wrote "
                "the capture did it, or all nodes do it alike; else compare the sum with that of a chip that is known "
                "to be right: its start, and the order of bits and octets."
            ),
        ),
    ),
    *(
        Further(
            "check-sequence-wrong",
            lambda right=right: of_one(lambda two, n: bytes([two[0], two[1] ^ 1 + n]), right),  # type: ignore[misc]
            Told(
                severity,
                "0x0017",
                "of all nodes 0x0017 alone sends frames whose check sequence is wrong",
                (
                    f"6 of {12 + 2 * right} frames do not match",
                    f"6 of them are of 0x0017, and {right or 'no'} data frames of it are right",
                ),
                tuple(range(1 + 2 * right, 12 + 2 * right, 2)),
                6,
                advice=(
                    "Look whether others take its frames: where they are acknowledged, move the receiver of the "
                    "capture nearer; where not, look how the node makes its check sequence, and at its radio."
                ),
            ),
        )
        for severity, right in (("risk", 0), ("remark", 8))
    ),
    Further(
        "short-address-unusable",
        lambda: to(b"\xff\xfe"),
        Told("failure", "0x0017", "the destination 0xfffe means: no short address", (), (1,)),
    ),
    Further(
        "short-address-unusable",
        lambda: short_source(b"\xff\xff"),
        Told("failure", "0xffff to 0x0001", "the source 0xffff means: broadcast", (), (1,)),
    ),
    Further(
        "short-address-unusable",
        lambda: short_source(b"\x80\x17"),
        Told(
            "remark",
            "",
            "sources start with a 1 bit, which RFC 4944 keeps for groups",
            ("source 0x8017",),
            (1,),
        ),
    ),
    Further(
        "frame-too-long",
        lambda: of_octets(2048),
        Told("failure", "0x0017", "2048 octets, 1 over the limit of 2047", (), (1,)),
    ),
    # 21 of MAC header with extended addresses, 6 of auxiliary header, 6 of compressed headers, 100, code 4, check 2
    Further(
        "frame-too-long",
        lambda: Capture([air.secured(bytes(100), 1, 5)]),
        Told(
            "risk",
            FAR_NAME,
            "139 octets, 12 over the 127 of most PHYs, of which 4 are the integrity code: the SUN PHYs alone carry it, "
            "with up to 2047",
            (),
            (1,),
            advice="Give the design with the PHY; where it is none of SUN, fill frames no further than it carries.",
        ),
    ),
    Further(
        "address-octets-reversed",
        lambda: identifier_in_line("1500000000105e02"),
        Told(
            "failure",
            FAR_NAME,
            "the identifier of fe80::1500:0:10:5e02 belongs to 17:00:00:00:00:10:5e:02, "
            "the frame is from its reverse",
            ("link source 02:5e:10:00:00:00:00:17",),
            (1,),
        ),
    ),
    Further(
        "address-octets-reversed",
        lambda: registered(FAR_NODE[::-1]),
        Told(
            "failure",
            "17:00:00:00:00:10:5e:02",
            "the EUI-64 17:00:00:00:00:10:5e:02 is registered, the reverse of 02:5e:10:00:00:00:00:17",
            ("sent by 02:5e:10:00:00:00:00:17",),
            (1,),
            advice="Write the EUI-64 into the option as it is, most significant octet first: only the MAC header "
            "turns it.",
            cite="RFC 6775 §4.1",
        ),
    ),
    Further(
        "universal-local-bit-wrong",
        lambda: identifier_in_line("025e100000000017"),
        Told(
            "failure",
            FAR_NAME,
            "fe80::25e:1000:0:17 holds the link address with its universal/local bit as it is, "
            "not inverted",
            ("link source 02:5e:10:00:00:00:00:17",),
            (1,),
        ),
    ),
    Further(
        "sent-again-as-new",
        copy_of_a_fragment,
        Told(
            "risk",
            HOP,
            "the same payload is sent again under a new number",
            ("frame 1 number 1, frame 2 number 42, 11.0 ms apart",),
            (1, 2),
        ),
    ),
    Further(
        "context-used-too-late",
        lambda: told_contexts(air.context_option(1, "2001:db8:2::/64", minutes=0)),
        Told(
            "failure",
            "0x0017: context 1",
            "context 1 (2001:db8:2::/64) was withdrawn, and headers are compressed with it",
            ("frame 1: announcement; frame 2: used 10.0 s later",),
            (2,),
            advice="Announce a context with C = 0 until no node compresses with it, and withdraw it then.",
            cite="RFC 6775 §7.2",
        ),
    ),
    Further(
        "context-used-too-late",
        lambda: told_contexts(air.context_option(1, "2001:db8:2::/64", minutes=2), used_at=200.0),
        Told(
            "failure",
            "0x0017: context 1",
            "context 1 (2001:db8:2::/64) ran out after 120 s, and headers are compressed with it",
            ("frame 1: announcement; frame 2: used 199.0 s later",),
            (2,),
        ),
    ),
    Further(
        "context-length-unusual",
        lambda: told_contexts(air.context_option(3, "2001:db8:3::/48")),
        Told("remark", "context 3", "context 3 is 2001:db8:3::/48", (), (1,)),
    ),
    Further(
        "context-length-unusual",
        under_a_short_context,
        Told(
            "risk",
            "context 2",
            "context 2 is 2001:db8::/32",
            ("2001:db8:0:7::/64 lies under it and is not restored from it",),
        ),
    ),
    Further(
        "context-unknown",
        lambda: known_contexts({1: "2001:db8:1::/64"}),
        Told("remark", "context 0", "context 0 has no prefix", ("octet 11, IPHC",), (1, 2), 2),
    ),
    Further(
        "context-unknown",
        lambda: strange_to(2),
        Told(
            "remark",
            "context 5",
            "context 5 has no prefix",
            (
                "octet 13, IPHC",
                "0x0018 alone compresses with it, first in frame 15; it and 2 others with context 0",
            ),
            (15, 19, 23, 27, 31, 35, 39),
            7,
        ),
    ),
    # beside one other nobody knows which of both is strange
    Further(
        "context-unknown",
        lambda: strange_to(0),
        Told(
            "remark",
            "context 5",
            "context 5 has no prefix",
            ("octet 13, IPHC",),
            (15, 19, 23, 27, 31, 35, 39),
            7,
        ),
    ),
    # another node with its short address was heard in a PAN of its own before; the 22nd reading is
    # frame 3 + 4 x 20 + 3, at 641 s; the last frame of all comes at 1362 s, the last acknowledgement 11 s before
    Further(
        "node-reports-no-more",
        lambda: elsewhere(22, since=1),
        Told(
            "remark",
            "0x0018",
            "0x0018 sent a datagram of its own at least every 30 s, and none for the last 721 s",
            ("it still acknowledges, polls or forwards, 11 s before the end",),
            (86,),
        ),
    ),
    # 21 readings were heard in 720 s, the last at 731 s, frame 25 + 21; two silences are half as long as the longest or
    # longer. The last frame comes at 1471 s. Of messages at random one silence in e^20 is 20 times the mean (Poisson)
    Further(
        "node-fell-silent",
        lambda: heard_in_part(50),
        Told(
            "risk",
            "0x0018",
            "0x0018 was never silent for more than 120 s, and is for the last 740 s",
            ("20 silences of 36 s in the mean",),
            (46,),
        ),
    ),
    # 22 were heard in 810 s, the last at 821 s, frame 28 + 22; the longest is 5.4 of 38.6 s. The last frame: at 1681 s
    Further(
        "node-fell-silent",
        lambda: heard_in_part(57, 28, range(5, 11)),
        Told(
            "risk",
            "0x0018",
            "0x0018 was never silent for more than 210 s, and is for the last 860 s",
            ("21 silences of 38.6 s in the mean",),
            (50,),
        ),
    ),
    # no datagram of it was heard whole, and it is told as of readings in one frame
    Further(
        "node-fell-silent",
        lambda: begun_alone(rest=False),
        Told(
            "risk",
            "0x0018",
            "0x0018 was never silent for more than 30 s, and is for the last 260 s",
            ("10 silences about as long as the longest",),
            (22,),
        ),
    ),
    # it registers another address and is not heard any more: its last of 11 readings is frame 2 + 2 x 10, at 301 s, the
    # last of all comes at 11 + 1170 s
    Further(
        "node-fell-silent",
        lambda: renamed(goes_on=False),
        Told(
            "risk",
            "0x0017",
            "0x0017 was never silent for more than 30 s, and is for the last 880 s",
            ("10 silences about as long as the longest",),
            (22,),
        ),
    ),
    # what it sends on is of the node whose address it has: its own 22nd reading is frame 4 x 21 + 2, at 1 + 630 + 11 s,
    # the last acknowledgement the last frame, at 1 + 1350 + 20.001 s
    Further(
        "node-reports-no-more",
        lambda: relayed_for((), own=22, of=46),
        Told(
            "remark",
            "0x0018",
            "0x0018 sent a datagram of its own at least every 30 s, and none for the last 729 s",
            ("it still acknowledges, polls or forwards, 0 s before the end",),
            (86,),
        ),
    ),
    # what it sends to all, unread, is none of the datagrams to the root: each that is kept makes three frames
    Further(
        "datagrams-not-sent-on",
        lambda: relayed(3, 4, 5, asks=True),
        Told(
            "risk",
            "0x0018",
            "0x0018 acknowledged 10 datagrams and never sent 3 of them on: its frame numbers leave no place for them",
            ("2001:db8:1::ff:fe00:17 to 2001:db8:1::ff:fe00:1: 3 of 10",),
            (13, 16, 19),
            3,
        ),
    ),
    Further(
        "solicitation-to-wrong-group",
        lambda: solicitation("ff02::1"),
        Told(
            "remark",
            "0x0017",
            "fe80::12:3456 is asked for at ff02::1, it listens at ff02::1:ff12:3456",
            (),
            (1,),
        ),
    ),
    # 0x50 is 80
    Further(
        "prefix-multicast-wrong",
        lambda: to_group("ff3e:50:2001:db8:1:1:0:1"),
        Told(
            "failure",
            "0x0017",
            "ff3e:50:2001:db8:1:1:0:1 has a prefix of 80 bits",
            ("ff 3e 00 50 20 01 0d b8 00 01 00 01 00 00 00 01",),
            (1,),
        ),
    ),
    Further(
        "checksum-elided-without-cover",
        verified_and_elided,
        Told(
            "remark",
            FAR_NAME,
            "the frame has an integrity code that could not be verified here",
            (),
            (1,),
        ),
    ),
    # 0x6b 0x80 begins a header with the traffic class of expedited forwarding (0xb8): TF = 01, HLIM = 11, CID = 1
    Further(
        "dispatch-left-out",
        lambda: whole_headers(word=0x6B80_0000, part=False),
        Told(
            "failure",
            "0x0017",
            "an IPv6 header follows the MAC header at once, without the dispatch octet 0x41 before it",
            ("read as LOWPAN_IPHC it is another header, or none: the datagram is lost",),
            (1, 2, 3),
            3,
        ),
    ),
    # RFC 6282 section 3.1.1: HLIM 00 and hop limit 64
    Further(
        "header-not-shortest",
        lambda: compressed("78333b40"),
        Told(
            "waste",
            "0x0017: hop limit 1",
            "1 octet could be left out: hop limit 1",
            (),
            (1, 2, 3, 4),
            4,
        ),
    ),
    # number and 8 octets in line; LOWPAN_NHC, ports of 4 bits each and the checksum take 1 + 1 + 2
    Further(
        "header-not-shortest",
        udp_in_line,
        Told(
            "waste",
            "0x0017: next header and UDP header 5",
            "5 octets could be left out: next header and UDP header 5",
            (),
            (1, 2, 3, 4),
            4,
        ),
    ),
    # dispatch 1, IPv6 40 and UDP 8; shortest IPHC 2, NHC 1, ports of 4 bits each 1, checksum 2
    Further(
        "header-not-shortest",
        lambda: Capture([air.raw(b"\x41" + air.datagram(prefix="fe80::"), n) for n in range(1, 5)]),
        Told(
            "waste",
            "0x0017: uncompressed IPv6 header 43",
            "43 octets could be left out: the IPv6 header is not compressed",
            (),
            (1, 2, 3, 4),
            4,
        ),
    ),
    # CID 1 and context 0 on both sides
    Further(
        "header-not-shortest",
        lambda: compressed("7ab3003b"),
        Told(
            "waste",
            "0x0017: context octet 1",
            "1 octet could be left out: context octet 1",
            (),
            (1, 2, 3, 4),
            4,
        ),
    ),
    # 8 + 4 octets; RFC 8200 section 8.1 forbids 0
    Further(
        "checksum-wrong",
        without_checksum,
        Told(
            "failure",
            "0x0017",
            "the UDP checksum is zero",
            ("f0 b1 f0 b2 00 0c 00 00",),
            (1,),
            advice=COMPUTED,
        ),
    ),
    # the PAN ID of the two is 0xabce; a line of the key file may have it before the short address
    Further(
        "extended-address-unknown",
        of_neighbours,
        Told(
            "remark",
            "0x0017 of PAN 0xabce, 0x0018 of PAN 0xabce",
            "the nonce needs the EUI-64 of the sender, and the short address is all that is known",
            (),
            (2, 3),
            2,
            advice='Add a line "0xabce/0xSHORT" = "EUI-64" under [devices] of the key file, where the nodes are yours: '
            "a line without the PAN is of all.",
        ),
    ),
    *(
        Further(
            "extended-address-unknown",
            capture,
            Told(
                "remark",
                "an unnamed node",
                "the nonce holds the sender's EUI-64, and the frame has no source address",
                (),
                frames,
                advice=NO_SOURCE,
            ),
        )
        for capture, frames in (
            (lambda: acknowledged_by(air.FAR_ROOT, alone=True), (1,)),
            (lambda: acknowledged_by(air.FAR_ROOT, later_s=0.5), (2,)),
            (lambda: acknowledged_by(air.FAR_ROOT, number=2), (2,)),
            (lambda: acknowledged_by(COPY), (2,)),
        )
    ),
    # of frames that are alike in all but their numbers each counts; 3 identifiers, 2 prefixes and no length,
    # the octets exchanged, and 1 or 2 octets left out
    Further(
        "checksum-wrong",
        lambda: altered(4, 0x55),
        Told(
            "failure",
            "0x0017",
            "no reading makes the checksum right",
            ("checksum carried 0x685f, computed 0x680a; 13 readings tried",),
            (1, 2, 3, 4),
            4,
        ),
    ),
    # 0xe000 | 2100; read as RFRAG that is tag 0x34 and 7 octets, with 45 less 6 of header behind it
    Further(
        "datagram-size-impossible",
        spilled,
        Told(
            "failure",
            "0x0017",
            "a datagram_size of 2100 spills from its 11 bits into the dispatch "
            "(Fragment_Size says 7 octets, 39 follow)",
            ("payload starts e8 34 00 07 0c",),
            (1,),
        ),
    ),
    Further(
        "datagram-size-impossible",
        lambda: sized(1500),
        Told("risk", "0x0017", "datagram_size 1500 is over the MTU of 1280", (), (1,)),
    ),
    # 40 + 8 + 1233; RFC 4944 section 4: "The MTU size for IPv6 packets over IEEE 802.15.4 is 1280 octets"
    Further(
        "datagram-size-impossible",
        lambda: in_one_long_frame(1233, 1233),
        Told(
            "risk",
            "0x0017",
            "a datagram of 1281 octets, whole in one frame, is over the MTU of 1280",
            (),
            (1, 2),
            2,
            cite="RFC 8200 §5",
        ),
    ),
    # 6 octets of headers and 40 of data stand for 48 and 40
    Further(
        "datagram-size-too-small",
        lambda: sized(46),
        Told(
            "failure",
            "0x0017",
            "the first fragment alone stands for 88 octets, datagram_size says 46",
            (
                "46 octets behind the fragment header on the air",
                "the size fits the compressed form",
            ),
            (1,),
        ),
    ),
    Further(
        "datagram-size-too-small",
        lambda: sized(45),
        Told(
            "failure",
            "0x0017",
            "the first fragment alone stands for 88 octets, datagram_size says 45",
            ("46 octets behind the fragment header on the air",),
            (1,),
        ),
    ),
    # half of them, the last a tenth of a second times 31 after the first and the whole one beside it after that
    Further(
        "fragments-flood",
        lambda: begun_beside(32),
        Told(
            "failure",
            "0x0001",
            "32 of 64 datagrams to 0x0001 were begun and never went on, up to 33 at once",
            ("from 0x0017 in 3.15 s",),
            (1, 2, 4, 5, 7, 8, 10, 11, 13, 14, 16, 17),
            32,
        ),
    ),
    # 42 octets of 32 µs are 1.344 ms, twenty frames of them in 10 s 0.2688 % (see ``cases_delivery``)
    *(
        Further(
            "on-air-over-limit",
            partial(limited, limits),
            Told("risk", "0x0001", cause, evidence),
        )
        for limits, cause, evidence in (
            (
                "frame_ms = 1.343",
                "one transmission took 1.344 ms, 1.343 ms allowed by the design",
                (),
            ),
            (
                "duty_cycle = 0.00268\nwindow_s = 10",
                "on the air for 0.269 % of the time, 0.268 % allowed by the design",
                ("in the worst window of 10 s",),
            ),
        )
    ),
    # four prefixes whose words are those of 2001:db8:2::, so that their sums are alike (RFC 1071); three are told
    Further(
        "context-table-differs",
        lambda: replace(
            summed(under(PREFIX), under("2001:db8:2::")), contexts={0: f"{PREFIX}/64", **SAME_WORDS}
        ),
        Told(
            "failure",
            "0x0017: context 0 read as 2:2001:db8::/64, here context 3",
            "the checksum is right when the addresses are "
            + " or the addresses are ".join(
                f"{prefix}ff:fe00:17 and {prefix}ff:fe00:1 (context 0 read as {prefix}/64, here context {number})"
                for number, prefix in enumerate(("2001:db8:2::", "2001:2:db8::", "2:2001:db8::"), 1)
            ),
            # 3 and 3 alone; 3 and 5 prefixes on both sides; no length
            (
                "checksum carried 0xc0da, computed here 0xc0dc; 17 readings tried",
                "checksum carried 0xbcd7, computed here 0xbcd9; 17 readings tried",
                "checksum carried 0xb8d4, computed here 0xb8d6; 17 readings tried",
            ),
            (1, 2, 3),
            3,
        ),
    ),
    # 6 octets of headers and 85 of data: 48 + 85
    Further(
        "fragment-offset-wrong",
        lambda: first_fragment(91),
        Told("failure", "0x0017", "the fragment ends at octet 133, no multiple of 8", (), (1,)),
    ),
    Further(
        "fragments-disagree",
        lambda: edited({2: (3, b"\x08")}),
        Told(
            "failure",
            HOP,
            "fragments of one datagram have different tags",
            (
                "datagram of 348 octets, tag 0x0007: octets 0-135, 136-231, 328-347",
                "datagram of 348 octets, tag 0x0008: octets 232-327",
            ),
            (1, 2, 3, 4),
        ),
    ),
    # a size of 340 in all four of 348
    Further(
        "fragments-disagree",
        lambda: edited(dict.fromkeys(range(4), (1, b"T"))),
        Told(
            "failure",
            "0x0017",
            "the fragment ends at octet 348, 8 octets behind datagram_size 340",
            (
                "payload starts e1 54 00 07 29",
                "it begins at octet 328, where the fragment before ended",
            ),
            (3, 4),
        ),
    ),
    # 10 octets of headers and 40 of data stand for 88; 88 x 8 = 704 is within 738, and 704 + 40 is not
    Further(
        "fragment-offset-wrong",
        counted_in_octets,
        Told(
            "failure",
            "0x0017",
            "40 octets at 704 do not fit datagram_size 738",
            (
                "payload starts e2 e2 00 07 58",
                "the fragment before ended at octet 88: the offset counts octets",
            ),
            (1, 2),
        ),
    ),
    # the same with no place for them in the numbers: nobody missed what was never sent
    Further(
        "fragments-unfinished",
        lambda: passed_by(3, hole=False),
        NONE_COMPLETED,
    ),
    Further(
        "fragments-unfinished",
        lambda: with_beacons(passed_by(3, hole=False)),
        replace(NONE_COMPLETED, frames=(1, 5, 9, 13)),
    ),
    Further(
        "fragments-unfinished",
        lambda: in_turns(0, hole=False),
        Told(
            "risk",
            "0x0017 to 0x0001",
            "3 of 6 datagrams in fragments were not completed",
            tuple(
                f"datagram of 348 octets, tag {tag:#06x}: octets 0-135 did not come"
                for tag in (0, 2, 4)
            ),
            (3, 10, 17),
            3,
        ),
    ),
    # a sender that asks for no acknowledgement sends once, and does not see whether the air loses it
    Further(
        "fragments-unfinished",
        lambda: passed_by(3, asks=False),
        NONE_COMPLETED,
    ),
    # three whose last fragment has no number, and one whose second was missed
    Further(
        "fragments-unfinished",
        partly_missed,
        Told(
            "risk",
            "0x0017 to 0x0001",
            "3 of 3 datagrams in fragments were not completed",
            (
                "not counted: 1 of which frames came by unheard, by the numbers of their sender",
                *(
                    f"datagram of 348 octets, tag {tag:#06x}: octets 328-347 did not come"
                    for tag in range(3)
                ),
            ),
            (1, 4, 7),
            3,
        ),
    ),
    Further(
        "fragments-unfinished",
        first_alone,
        Told(
            "remark",
            HOP,
            "1 of 1 datagrams in fragments were not completed",
            ("of 1 only one fragment was seen",),
            (1,),
        ),
    ),
    Further(
        "recoverable-fragments-failed",
        aborted,
        Told(
            "remark",
            HOP,
            "datagrams in recoverable fragments were given up",
            ("tag 0x05: the sender aborted the datagram, 80 octets had come",),
            (1,),
        ),
    ),
    # RFC 8931 section 5.2: all zeros abort, and 0xf0000000 are the sequences 0 to 3, of which there are three
    Further(
        "recoverable-fragments-failed",
        lambda: recovery_acknowledged(0),
        Told(
            "remark",
            HOP,
            "datagrams in recoverable fragments were given up",
            ("tag 0x07: all 3 fragments were sent, and the receiver aborted",),
            (1, 2, 3, 4),
        ),
    ),
    Further(
        "recoverable-fragments-failed",
        lambda: recovery_acknowledged(0xF0000000),
        Told(
            "risk",
            HOP,
            "an acknowledgement names recoverable fragments that were never sent",
            ("tag 0x07, 3 fragments: sequence 3",),
            (4,),
            advice="Look how the receiver makes its bitmap: bit 0, the most significant one, stands for sequence 0, "
            "and only bits of fragments that came are set (all 32 once the datagram is whole). For a bit too many the "
            "sender gives up a fragment that never arrived.",
            cite="RFC 8931 §5.2",
        ),
    ),
    Further(
        "recoverable-fragments-failed",
        lambda: recovery_acknowledged(0x20000000),
        Told(
            "remark",
            HOP,
            "recoverable fragments that the receiver misses are not sent again",
            ("tag 0x07: sequences 0, 1",),
            (1, 2, 4),
        ),
    ),
    # 40 + 16, and 40 + 8 + 7
    Further(
        "lengths-disagree",
        lambda: uncompressed(4),
        Told(
            "failure",
            "0x0017",
            "the IPv6 header says 56 octets, 55 are there",
            ("60 00 00 00 00 10 11 40",),
            (1,),
        ),
    ),
    # the checksum is that over the right length
    Further(
        "lengths-disagree",
        lambda: uncompressed(44),
        Told(
            "failure",
            "0x0017",
            "UDP says 16 octets, IPv6 leaves 15",
            ("f0 b1 f0 b2 00 10 20 a7",),
            (1,),
            cite="RFC 768",  # "the length in octets of this user datagram including this header and the data"
        ),
    ),
    # 3 octets, the instance, the lower octet of the rank, and f1 (RFC 8138 section 6)
    Further(
        "rpl-information-as-option",
        ranked,
        Told(
            "remark",
            "0x0017",
            "the RPL option takes 8 octets of the datagram, 6 would do with 6LoRH and its page switch",
            ("63 04 00 05 02 03",),
            (1, 2, 3, 4, 5),
            5,
        ),
    ),
    # RFC 8949 appendix A: 100000.0 is fa47c35000; 1 << 24 takes no more bits, and is over what 16 bits hold
    Further(
        "float-wider-than-needed",
        lambda: floats(2.0**24),
        Told(
            "waste",
            "0x0017",
            "4 octets of the payload only widen floats",
            ("fb 41 70 00 00 00 00 00 00 is 16777216.0, 5 octets would do",),
            (1, 2, 3, 4),
            4,
        ),
    ),
    Further(
        "longer-than-budgeted",
        ports_in_line,
        Told(
            "risk",
            "flow readings, 0x0017: UDP NHC source port, UDP NHC destination port",
            "headers take 3 octets more than budgeted for the first hop: "
            "ports 0xf0b1 and 0xf0b2 take 4 octets, 1 would do",
            (
                "UDP NHC source port: 2 octets, planned 4 bits",
                "UDP NHC destination port: 2 octets, planned 4 bits",
            ),
            (1,),
        ),
    ),
    # an identifier of its own in line, of 8 octets, on the first hop, where the hop limit is still 64; the 2 of the
    # destination, planned beyond the next node, are not there
    Further(
        "longer-than-budgeted",
        lambda: with_own_identifier("2001:db8:1::1:2:3:4"),
        Told(
            "risk",
            "flow readings, 0x0017: IPHC source address",
            "headers take 6 octets more than budgeted for the first hop",
            ("IPHC source address: 8 octets, planned none",),
            (1,),
        ),
    ),
    # RFC 4944 section 6: the PAN ID 0xabcd before 00ff:fe00 and the address; its bit 0x0200, universal/local, should be
    # zero: 0xa9cd
    *(
        Further(
            "longer-than-budgeted",
            partial(with_own_identifier, f"2001:db8:1::{pan}:ff:fe00:17"),
            Told(
                "risk",
                "flow readings, 0x0017: IPHC source address",
                "headers take 6 octets more than budgeted for the first hop: the source has the identifier of 0x0017 "
                "by RFC 4944 section 6, with the PAN ID, which goes in line",
                ("IPHC source address: 8 octets, planned none",),
                (1,),
                advice="Make the identifier of a short address by RFC 6282 section 3.2.2, 0000:00ff:fe00:XXXX, without "
                "the PAN ID: it then follows from the link address, and is not carried.",
            ),
        )
        for pan in ("a9cd", "abcd")
    ),
    # RFC 6282 section 3.1.1: SAM 00 and DAM 00 without a context, of 16 octets each, where context 0 left nothing
    Further(
        "longer-than-budgeted",
        without_its_context,
        Told(
            "risk",
            "flow readings, 0x0017: IPHC source address, IPHC destination address",
            "headers take 32 octets more than budgeted for the first hop: "
            "context 0, 2001:db8:1::/64, would compress the source and the destination",
            (
                "IPHC source address: 16 octets, planned none",
                "IPHC destination address: 16 octets, planned none",
                "context 0 is used by 1 other and 0x0017 before",
            ),
            (3,),
            advice="Look which contexts the node has: it may have lost this one, as its time was over before it was "
            "announced again, or have another prefix under its number (RFC 6775 sections 4.2 and 7.2). What others "
            "send it with this context it may not understand either.",
        ),
    ),
    # RFC 6282 section 3.1.1: an address of another prefix than that of a context goes in line, its 16 octets (SAM 00).
    # Planned on the first hop: none (SAM 11)
    Further(
        "longer-than-budgeted",
        lambda: with_own_identifier("2001:db8:7:ff::ff:fe00:17"),
        Told(
            "risk",
            "flow readings, 0x0017: IPHC source address",
            "headers take 14 octets more than budgeted for the first hop: "
            "the source is of 2001:db8:7:ff::/64, the design has 2001:db8:1::/64",
            ("IPHC source address: 16 octets, planned none",),
            (1,),
            advice="Give the node an address of the network's own prefix, and let it send from that: no context "
            "compresses the other one, and what answers it leaves the network. Or plan the flow with that prefix, as "
            "a context.",
        ),
    ),
    Further(
        "message-length-wrong",
        lambda: of_a_burst(8),
        Told(
            "failure",
            READINGS,
            "flow readings carries 8 octets, its messages have reading 3",
            ("data 00 00 00 00 00 00 00 00",),
            (1,),
        ),
    ),
    Further(
        "message-length-wrong",
        lambda: planned(bytes(25)),
        Told(
            "failure",
            READINGS,
            "flow readings carries 25 octets, its messages have reading 3",
            ("data" + " 00" * 24 + " ...",),
            (1,),
        ),
    ),
    Further(
        "message-length-wrong",
        lambda: planned(bytes(7)),
        Told(
            "failure",
            READINGS,
            "flow readings carries 7 octets, its messages have reading 3",
            ("data 00 00 00 00 00 00 00",),
            (1,),
        ),
    ),
    Further(
        "message-values-implausible",
        lambda: versioned(b"\2\0\xc8"),
        Told(
            "failure",
            "reading from 2001:db8:1::ff:fe00:17",
            "reading cannot be read as designed: field version is 2, and this format has 1",
            ("data 02 00 c8",),
            (1,),
            advice="Bring node and design together. While nodes send another version as well, write that as a message "
            "of its own, and name both in the messages of the flow.",
        ),
    ),
    Further(
        "headers-not-as-planned",
        lambda: planned(DATA, hop_limit=255),
        Told(
            "remark",
            "0x0017: hop limit of flow readings",
            "flow readings starts with hop limit 255, the design has 64",
            (),
            (1,),
            advice="Bring node and design together: it bounds over how many hops a datagram may go, and how long a "
            "loop lasts.",
            cite="RFC 8200 §3",
        ),
    ),
    # in fragments the first of them tells
    *(
        Further(
            "headers-not-as-planned",
            partial(in_pieces, limit),
            Told(
                "remark",
                "0x0017: hop limit of flow readings",
                f"flow readings starts with hop limit {limit}, the design has 64",
                (),
                (1, 2),
                advice="Bring node and design together: it bounds over how many hops a datagram may go, and how long "
                "a loop lasts.",
                cite="RFC 8200 §3",
            ),
        )
        for limit in (255, 63)
    ),
    Further(
        "headers-not-as-planned",
        without_checksum_in_pieces,
        Told(
            "risk",
            "02:5e:10:00:00:00:00:17: UDP checksum of flow readings",
            "flow readings elides its UDP checksum, which the design carries",
            (),
            (1, 2),
        ),
    ),
    # 0x48 is reserved (RFC 4944 section 5.1), in a PAN beside the design's
    Further(
        "reserved-code-used",
        lambda: replace(other_frames("480200010203", destination_pan=0x51B8), design=PLAN),
        Told(
            "remark",
            "0x0017 of PAN 0x51b8",
            "dispatch octet 0x48 in page 0 is reserved: not read further",
            ("octet 9, 6LoWPAN dispatch; octets from 7: 17 00 48 02 00 01 02 03",),
            (1,),
            advice="Look whose it is: its PAN is none of the design's, and another protocol there is no fault of your "
            "network.",
            cite="RFC 4944 §5.1",
        ),
    ),
    # 200 is c8 00 the other way round, and 0xc800 is 51200
    Further(
        "message-values-implausible",
        lambda: planned(*[bytes([1]) + struct.pack("<H", 200)] * 3),
        Told(
            "failure",
            "reading from 2001:db8:1::ff:fe00:17",
            "reading cannot be read as designed; it can when the sender writes octets little-endian",
            ("field temperature has code 51200, which stands for no value", "data 01 c8 00"),
            (1, 2, 3),
            3,
        ),
    ),
    # 0x0500 to 0x0502 would be 5 to 517 the other way round, and 128 and 129 before them 0x8000 and 0x8100, which are
    # no values: the scale has changed, 1282 / 128.5 is 9.98
    Further(
        "message-values-implausible",
        lambda: planned(
            *[bytes([1]) + struct.pack(">H", one) for one in (128, 129, 1280, 1282, 1282)]
        ),
        Told(
            "failure",
            "reading from 2001:db8:1::ff:fe00:17",
            "reading cannot be read as designed: temperature is 1280 to 1282 (about 10 times what it was), its range "
            "is 0 to 1000; it began with frame 3, and 2 messages before could be read",
            (
                "field temperature has code 1280, which stands for no value",
                "data 01 05 00",
                "field temperature has code 1282, which stands for no value",
                "data 01 05 02",
            ),
            (3, 4, 5),
            3,
            advice=OTHER_VALUES,
        ),
    ),
    # 0xff38 would be -200, signed; 1025 would not, and says with it that both are too large
    Further(
        "message-values-implausible",
        lambda: planned(*[bytes([1]) + struct.pack(">H", one) for one in (65336, 7, 1025)]),
        Told(
            "failure",
            "reading from 2001:db8:1::ff:fe00:17",
            "reading cannot be read as designed: temperature is 1025 to 65336, its range is 0 to 1000",
            (
                "field temperature has code 65336, which stands for no value",
                "data 01 ff 38",
                "field temperature has code 1025, which stands for no value",
                "data 01 04 01",
            ),
            (1, 3),
            2,
            advice=OTHER_VALUES,
        ),
    ),
    Further(
        "interval-off-plan",
        lambda: planned(*[DATA] * 8, every=150.0),
        Told(
            "risk",
            READINGS,
            "2001:db8:1::ff:fe00:17 sends every 150 s in flow readings, planned are 60 s",
            ("median of 7 intervals",),
            (1,),
        ),
    ),
    # one of three leaves the key in frame 14, and nothing is told of the two that it leaves, who are the most
    Further(
        "key-changed",
        lambda: among_three(KEY_SOURCE, KEY_SOURCE[::-1]),
        Told(
            "remark",
            "PAN 0xabcd",
            "nodes go from key id mode 3, index 1, source 0102030405060708 to key id mode 3, index 1, source "
            "0807060504030201: the octets of the key source in reverse",
            ("02:5e:10:00:00:00:00:42 from frame 14 on",),
            (14,),
        ),
    ),
    # 11 times three frames, 30 times four, and then the 154th is acknowledged: at 1231 s, the last before came at 311 s
    Further(
        "node-was-silent",
        parent_back,
        Told(
            "risk",
            "0x0018",
            "0x0018 was never silent for more than 30 s, then was for 920 s, and goes on as before",
            ("its sequence number went on by one: it sent nothing meanwhile",),
            (33, 155),
        ),
    ),
    Further(
        "frames-not-acknowledged",
        parent_back,
        Told(
            "risk",
            "0x0017 to 0x0018",
            "30 of 71 frames were never acknowledged, tried up to 4 times",
            ("30 of them while nothing was heard of 0x0018",),
            tuple(range(34, 80, 4)),
            30,
            advice="Look why 0x0018 was gone, its supply first: no filter and no key explains that it sent nothing. "
            "See that the nodes behind it find another parent.",
        ),
    ),
    # of 50 heard once 10 are not answered here: with 95 % no more than 0.317 of all (Clopper and Pearson); twelve of
    # twelve are so with a chance of one in 10,000 where 0.0001 ** (1 / 12) = 0.464 of all are; 12 - 0.317 * 12 = 8.2
    Further(
        "frames-not-acknowledged",
        lambda: partly_given_up(12),
        Told(
            "risk",
            "0x0017 to 0x0001",
            "8 or more of 62 frames were never acknowledged, tried up to 4 times",
            (
                "not answered as heard here: 12 of 12 heard 3 times or more, and 10 of 50 heard less often",
            ),
            (115, 119, 123, 127),
            8,
        ),
    ),
    # of 30 first fragments from node 4 and those behind it 22 are heard. Of node 2, 26 numbers are missing, 93 heard:
    # with 95 % no more than 29 % are missed (Clopper and Pearson). Were each of 22 heard with a chance of 0.71 ** 3,
    # which is 0.36, none of them would be once in 17,000 times
    Further(
        "datagrams-not-sent-on",
        a_fifth_missed,
        Told(
            "risk",
            "0x0002",
            "of 22 datagrams in fragments that came to 0x0002 0 were heard going on, fewer than what is missed here "
            "explains",
            (
                "of its frames 29% or less are missed here, by its frame numbers",
                "2001:db8:1::ff:fe00:4 to 2001:db8:1::ff:fe00:1: 0 of 4",
                "2001:db8:1::ff:fe00:5 to 2001:db8:1::ff:fe00:1: 0 of 9",
                "2001:db8:1::ff:fe00:7 to 2001:db8:1::ff:fe00:1: 0 of 9",
            ),
            (129, 135, 161, 222, 246, 305, 328, 385, 390, 413, 473, 496),
            22,
        ),
    ),
    # the first comes before it is known that the relay answers at all; of the relay's numbers 6 are missing and 113
    # heard behind another: with 95 % no more than 9.7 % are missed; 10.5 % where it is 7 of 122 (Clopper and Pearson)
    *(
        Further(
            "datagrams-not-sent-on",
            partial(kept_in_pieces, *sends, to=to),
            Told(
                "risk",
                "0x0018",
                f"of 19 datagrams in fragments that came to 0x0018 {len(sends)} were heard going on, fewer than what "
                "is missed here explains",
                (
                    f"of its frames {most} or less are missed here, by its frame numbers",
                    f"2001:db8:1::ff:fe00:17 to {receiver}: {len(sends)} of 19",
                ),
                frames,
                19 - len(sends),
            ),
        )
        for sends, to, receiver, most, frames in (
            (
                (),
                ROOT,
                "2001:db8:1::ff:fe00:1",
                "10%",
                (16, 28, 39, 51, 63, 74, 86, 98, 109, 121, 133, 144),
            ),
            # who sends one on is no end of the others, be the receiver of another network
            (
                (5,),
                b"\0\x77",
                "2001:db8:1::ff:fe00:77",
                "11%",
                (16, 28, 39, 51, 63, 76, 88, 100, 111, 123, 135, 146),
            ),
        )
    ),
    # who has the key is none of the neighbour's: what the key opens names its node
    Further(
        "pan-not-in-design",
        lambda: under_the_key_in(0x51B8),
        Told(
            "risk",
            "02:5e:10:00:00:00:00:17",
            "frames carry PAN ID 0x51b8, and a key that was given opens them",
            (),
            (1, 2, 3),
            3,
            advice="Give the node the PAN ID of the design, link.pan_id, or the design that of the node: who has the "
            "key belongs to the network, and receivers filter by PAN ID.",
        ),
    ),
    # what is missing was sent 30 s behind each reading, and none was due before 60 s
    Further(
        "interval-off-plan",
        lambda: with_holes(30.0),
        Told(
            "risk",
            READINGS,
            "2001:db8:1::ff:fe00:17 sends every 120 s in flow readings, planned are 60 s",
            ("median of 19 intervals",),
            (1,),
        ),
    ),
    # every second frame is an answer, and the request twice as often as planned
    Further(
        "interval-off-plan",
        lambda: Capture([*list(answered_nodes(NODE, every=30.0).timed())[1::2]], SMALL, ASKING),
        Told(
            "risk",
            "flow readings-answer, 2001:db8:1::ff:fe00:1 to 2001:db8:1::ff:fe00:17",
            "2001:db8:1::ff:fe00:1 sends to 2001:db8:1::ff:fe00:17 every 30 s in flow readings-answer, "
            "planned are 60 s",
            ("median of 7 intervals",),
            (1,),
        ),
    ),
    # at random moments as well: 132 intervals of 3741 s together, where 7920 s are planned
    Further(
        "interval-off-plan",
        lambda: at_random(132, 30.0, 1),
        Told(
            "risk",
            READINGS,
            "2001:db8:1::ff:fe00:17 sends every 28.3 s in flow readings, planned are 60 s",
            ("mean of 132 intervals",),
            (1,),
        ),
    ),
    # every second one is left out, or sent twice, or nearly so, on either side of what is told: all the time it is
    *(
        Further(
            "interval-off-plan",
            lambda rhythms=rhythms: in_turn(*rhythms),  # type: ignore[misc]
            Told(
                "risk",
                READINGS,
                f"2001:db8:1::ff:fe00:17 sends every {told} in flow readings, planned are 60 s",
                ("median of 60 intervals",),
                (1,),
            ),
        )
        for told, rhythms in (
            ("120 s", [(60, 120.0)]),
            ("120 s", [(5, 119.99), (5, 120.01)] * 6),
            ("30 s", [(60, 30.0)]),
            ("30 s", [(5, 29.99), (5, 30.01)] * 6),
            ("33 s", [(5, 32.99), (5, 33.01)] * 6),
        )
    ),
    # 20 of 60 intervals are of 300 s in place of 60: 6000 of 8400 s; the last ones are as planned, or the first
    *(
        Further(
            "interval-off-plan",
            lambda rhythms=rhythms: in_turn(*rhythms),  # type: ignore[misc]
            Told(
                "risk",
                READINGS,
                "2001:db8:1::ff:fe00:17 sends every 300 s in flow readings, planned are 60 s",
                ("median of 20 intervals", "for 71% of the time"),
                (number,),
            ),
        )
        for number, rhythms in ((1, ((20, 300.0), (40, 60.0))), (41, ((40, 60.0), (20, 300.0))))
    ),
    Further(
        "request-repeated",
        lambda: again(5.0),
        Told(
            "remark",
            "0x0017",
            "0x0017 sent messages again 3 times, 0 of them in less than 2 s",
            ("shortest time between: 5.00 s",),
            (1, 2, 3, 4),
        ),
    ),
    # MAX_TRANSMIT_SPAN is 45 s (RFC 7252 section 4.8.2): 60, 120 and 180 s are behind it
    Further(
        "request-repeated",
        lambda: again(60.0),
        Told(
            "remark",
            "0x0017",
            "0x0017 sent messages again 3 times, 3 of them later than 45 s behind the first",
            ("shortest time between: 60.00 s",),
            (1, 2, 3, 4),
            advice="No retransmission comes so late, unless ACK_TIMEOUT or MAX_RETRANSMIT was raised. Else look what "
            "keeps a message that was answered and sends it again, such as a queue or a store of the node, or who else "
            "sends it; and whether the receiver takes it for new: it may forget the message ID 247 s behind the first.",
            cite="RFC 7252 §4.8.2",
        ),
    ),
    # the number goes back from the third frame on, five times
    Further(
        "sequence-number-stuck",
        lambda: numbered(65, 66, 65, 66, 65, 66, 65),
        Told(
            "failure",
            "0x0017",
            "frames of different contents take turns under two sequence numbers, 65 and 66",
            ("since frame 1",),
            (1, 7),
        ),
    ),
    Further(
        "unsecured-among-secured",
        lambda: unsealed(5),
        Told(
            "risk",
            FAR_NAME,
            "5 frames of this node have no link security, and 12 have",
            (),
            (25, 26, 27, 28, 29),
            5,
        ),
    ),
    # 61 to 72 are how it joins, 73 is the first at the level of the others
    Further(
        "secured-less-than-others",
        lambda: joined((5, 1), *[(1, 2)] * 5),
        Told(
            "risk",
            "02:5e:10:00:00:00:00:21",
            "5 data frames of this node have level 1 (MIC-32)",
            ("61 frames of 6 nodes have level 5 (ENC-MIC-32)",),
            (74,),
            5,
        ),
    ),
    # the key of the others is none to join with
    Further(
        "secured-less-than-others",
        lambda: joined((5, 1), key_index=1),
        Told(
            "risk",
            "02:5e:10:00:00:00:00:01, 02:5e:10:00:00:00:00:21",
            "6 data frames of this node have level 1 (MIC-32)",
            ("61 frames of 6 nodes have level 5 (ENC-MIC-32)",),
            (61, 62),
            12,
        ),
    ),
    # who is never heard at the level of the others did not join
    Further(
        "secured-less-than-others",
        joined,
        Told(
            "risk",
            "02:5e:10:00:00:00:00:01, 02:5e:10:00:00:00:00:21",
            "6 data frames of this node have level 1 (MIC-32)",
            ("60 frames of 5 nodes have level 5 (ENC-MIC-32)",),
            (61, 62),
            12,
        ),
    ),
    Further(
        "acknowledgement-not-as-planned",
        lambda: with_request(5, asks=True, plan=UNANSWERED_PLAN),
        Told(
            "remark",
            "0x0017",
            "frames ask for an acknowledgement, and the design has none (link.acknowledged)",
            (),
            (1, 2, 3, 4, 5),
            5,
            advice=(
                "Set link.acknowledged = true: the plan then counts the acknowledgements, and what they save."
            ),
        ),
    ),
    Further(
        "security-not-as-planned",
        lambda: planned_as([air.secured(b"", 1, 5, packed=bytes.fromhex(IPHC_ONLY))]),
        Told(
            "remark",
            FAR_NAME,
            "frames have level 5 (ENC-MIC-32), the design has 0 (none)",
            (),
            (1,),
            advice="Plan with the level that the node has: it protects as the design wants and more, and takes octets "
            "of its own.",
        ),
    ),
    # table 9-6 of IEEE 802.15.4-2015, from memory: level 1 is MIC-32 and encrypts nothing, as 2 with 8 octets; 7 has 16
    *(
        Further(
            "security-not-as-planned",
            partial(secured_at, level, planned),
            Told(
                "failure",
                FAR_NAME,
                f"frames have level {level} ({name}), the design has {planned} ({then})",
                (),
                (1,),
                advice=f"Give the node the level of the design: its frames are secured, and lack {lacks}; never lower "
                "the plan to match.",
            ),
        )
        for level, name, planned, then, lacks in (
            (1, "MIC-32", 5, "ENC-MIC-32", "encryption"),
            (2, "MIC-64", 5, "ENC-MIC-32", "encryption"),
            (5, "ENC-MIC-32", 7, "ENC-MIC-128", "an integrity code of 16 octets"),
            (1, "MIC-32", 7, "ENC-MIC-128", "encryption and an integrity code of 16 octets"),
        )
    ),
    # 1600 us each second, of which 80 are drift and 100 an error: from the second frame on, the first has none before
    Further(
        "time-corrections-grow",
        lambda: corrected(*((1.0, 1600) for _ in range(11))),
        Told(
            "risk",
            "0x0017",
            "0x0001 corrects the clock of this node by more than the 1500 µs that a receiver waits, and it does not "
            "follow",
            ("from 1600 to 1600 µs in frames 4 to 22",),
            (4, 22),
            10,
        ),
    ),
    # 90 us each 12 s: clocks of 40 ppm run apart by 960, and 100 are taken for an error; those of the design, of 5 ppm
    # each, by 120, so that from the third on, 270, it is more
    Further(
        "time-corrections-grow",
        lambda: replace(
            corrected(*((12.0, 90 * n) for n in range(1, 13))),
            design=air.design(
                slotted("drift_ppm = 5").replace("pan_id = 0x1a2b", f"pan_id = {air.PAN:#06x}")
            ),
        ),
        Told(
            "risk",
            "0x0017",
            "0x0001 corrects the clock of this node further and further, and it does not follow",
            ("from 90 to 1080 µs in frames 2 to 24",),
            (2, 24),
            12,
        ),
    ),
    # table 9-7, from memory: mode 1 names the key by an index of one octet, mode 0 not at all
    Further(
        "security-not-as-planned",
        lambda: replace(secured_at(5, 5), design=air.design(DESIGN.format(link=MODE_0))),
        Told(
            "remark",
            FAR_NAME,
            "frames have key id mode 1, the design has 0",
            (),
            (1,),
            advice="Set link.security.key_id_mode to what nodes use, so that headers are planned as long as they are; "
            "or give all nodes the one of the plan.",
        ),
    ),
    # 0x9861 with version 2 instead of 1, and bit 8
    Further(
        "sequence-suppression-misused",
        lambda: Capture([air.raw(bytes.fromhex(IPHC_ONLY), version=2, sequence=None)]),
        Told(
            "remark",
            "0x0017",
            "an acknowledgement is asked for and no number tells which frame it is for",
            ("frame control 0xa961",),
            (1,),
            advice="Keep the number where a receiver sends no enhanced acknowledgements, or ask for none.",
        ),
    ),
    # a forwarder: HLIM 00, SAM and DAM 10, from 0x0018; the destination is the frame's own
    Further(
        "header-not-shortest",
        lambda: compressed("78223b4000180001"),
        Told(
            "remark",
            "0x0017: hop limit 1, destination address 2",
            "3 octets could be left out: hop limit 1, destination address 2",
            (),
            (1, 2, 3, 4),
            4,
        ),
    ),
    # the only frame of the capture: its checksum proves the addresses that the 2006 rule gives
    Further(
        "pan-id-rule-of-other-version",
        lambda: pan_rule(2, known=0),
        Told(
            "failure",
            FAR_NAME,
            "version 2 cannot be read by its own rule; by that of version 1 it comes from "
            "02:5e:10:00:00:00:00:17 in PAN 0xabcd",
            # no PAN ID: two octets of the destination, the upper ones, then six of the source
            (
                "frame control 0xec61",
                "10:00:00:00:00:17:02:5e, as its own rule reads it, is the same sender",
            ),
            (1,),
        ),
    ),
    # type 1 with code 0.00 (RFC 7252 section 4.3)
    Further(
        "coap-message-forbidden",
        lambda: messages(bytes([1 << 6 | 1 << 4, 0, 0, 2])),
        Told(
            "failure",
            "0x0017: a non-confirmable message is empty",
            "a non-confirmable message is empty",
            (),
            (1,),
            cite="RFC 7252 §4.3",
        ),
    ),
    # a delta of 0x0708 + 269 is 2069, an odd number; RFC 7252 section 5.4.1 tells receivers alone what to do
    Further(
        "coap-message-forbidden",
        lambda: messages(bytes.fromhex("500100 02 e1 0708 78")),
        Told(
            "remark",
            f"0x0017: {CRITICAL}",
            CRITICAL,
            ("option 2069: 78",),
            (1,),
            advice="See that its receivers know the option: one that does not answers a confirmable request with 4.02 "
            "and rejects other messages. Options of even numbers are ignored where they are not known.",
            cite="RFC 7252 §5.4.1",
        ),
    ),
    *(
        Further(
            "checksum-counts-extensions",
            partial(summed_otherwise, covered, more, kind),
            Told(
                "failure",
                f"0x0017: {text}",
                f"the checksum is right when {text}",
                (
                    f"checksum carried {carried:#06x}, computed here 0xec22; 19 readings tried",
                    f"checksum carried {carried - 1:#06x}, computed here 0xec21; 19 readings tried",
                ),
                (1, 3),
                2,
            ),
        )
        # the header's words, 0x1100, 0x6304, 0 and 0x0200, sum to 0x7604: that and 8 less than 0xec22
        for covered, more, kind, text, carried in (
            (
                False,
                8,
                17,
                "the length in the pseudo-header counts the extension headers too",
                0xEC1A,
            ),
            (True, 8, 17, "the checksum covers the extension headers too", 0x7616),
            (
                True,
                0,
                17,
                "the checksum covers the extension headers, not counted in its length",
                0x761E,
            ),
            (False, 0, 0, "the pseudo-header names the extension header", 0xEC33),
            (False, 8, 0, "the pseudo-header names and counts the extension header", 0xEC2B),
        )
    ),
    # 12 less in the sum of two addresses under one prefix, whose words then sum up to 6 less
    Further(
        "checksum-without-length",
        partial(without_length, b"data"),
        Told(
            "failure",
            "0x0017",
            "the checksum is right when the length is left out of the pseudo-header; where the words of the prefix of "
            "context 0 sum up to 0x0006 less at the sender than here, or to 0x000c less in one address alone, it "
            "would be right as well: all cover 12 octets",
            (
                "checksum carried 0xec2e, computed 0xec22; 14 readings tried",
                f"{OTHER_WORDS} 1ffb:db8:1::/64 or 2001:db2:1::/64 or 2001:db8:fffa::/64 or 2001:db8:1:fff9::/64",
                f"{ALONE} 1ff5:db8:1::/64 or 2001:dac:1::/64 or 2001:db8:fff4::/64 or 2001:db8:1:fff3::/64",
            ),
            (1,),
        ),
    ),
    Further(
        "ports-do-not-fit-form",
        with_bit_inverted,
        Told(
            "failure",
            "0x0017",
            "all its checksums are right when the source port is 61633, of which the form of the ports carries the "
            "last 4 bits, or the destination port is 61634, of which the form of the ports carries the last 4 bits; "
            "where the words of the prefix of context 0 sum up to 0x0008 more at the sender than here, or to 0x0010 "
            "more in one address alone, or bit 0x0010 of the checksum is inverted in all of them, they would be right "
            "as well",
            (
                "all 3 wrong sums differ by +0x0010",
                f"{OTHER_WORDS} 2009:db8:1::/64 or 2001:dc0:1::/64 or 2001:db8:9::/64 or 2001:db8:1:8::/64",
                f"{ALONE} 2011:db8:1::/64 or 2001:dc8:1::/64 or 2001:db8:11::/64 or 2001:db8:1:10::/64",
            ),
            (1, 2, 3),
            3,
            advice=MISTAKE_FIRST,
        ),
    ),
    # 0x0002 for 0x0001: a node has one prefix under a number, and the second datagram is right
    Further(
        "checksum-wrong",
        lambda: between(True, False, True, True),
        Told(
            "failure",
            "0x0017",
            "no reading makes the checksum right",
            (
                REFUTED,
                "checksum carried 0x1b9e, computed 0x1b9f; 27 readings tried",
                "checksum carried 0x1398, computed 0x1399; 27 readings tried",
                "checksum carried 0x0f95, computed 0x0f96; 27 readings tried",
            ),
            (1, 3, 4),
            3,
            advice=ON_THE_WAY,
        ),
    ),
    # both add 8: 2001:db8:9::/64 for 2001:db8:1::/64, and an option of 8 octets that is counted (RFC 8200 section 8.1)
    Further(
        "checksum-wrong",
        counted_or_under_another,
        Told(
            "failure",
            "0x0017",
            "several readings make the checksum right: the source is 2001:db8:9::ff:fe00:17 (context 0 read as "
            "2001:db8:9::/64, here context 1) or the length in the pseudo-header counts the extension headers too",
            # the source's 3 and 2 prefixes, no length, and 5 ways to count or cover the header
            (
                "checksum carried 0xd3c5, computed 0xd3cd; 11 readings tried",
                "checksum carried 0xd2c5, computed 0xd2cd; 11 readings tried",
                "checksum carried 0xd1c5, computed 0xd1cd; 11 readings tried",
            ),
            (1, 2, 3),
            3,
        ),
    ),
    # a port that is none of CoAP's and was not heard: 0x1233, 4659, is 0x217f more than 0xf0b3, with the carry
    Further(
        "ports-do-not-fit-form",
        lambda: to_port(0x1233),
        Told(
            "failure",
            "0x0017",
            "all its checksums are right when the source port is 4657, of which the form of the ports carries the last "
            "4 bits, or the destination port is 4659, of which the form of the ports carries the last 4 bits; where "
            "the words of the prefix of context 0 sum up to 0x6f40 less at the sender than here, or to 0x217f more in "
            "one address alone, they would be right as well",
            (
                "all 3 wrong sums differ by +0x217f",
                f"{OTHER_WORDS} b0c0:db8:1::/64 or 2001:9e77:1::/64 or 2001:db8:90c0::/64 or 2001:db8:1:90bf::/64",
                f"{ALONE} 4180:db8:1::/64 or 2001:2f37:1::/64 or 2001:db8:2180::/64 or 2001:db8:1:217f::/64",
            ),
            (1, 2, 3),
            3,
            advice=MISTAKE_FIRST,
        ),
    ),
    # one of two addresses under one prefix has another, 1 more: half of an odd sum is 0x8000, 0x7fff less
    Further(
        "prefix-of-context-differs",
        lambda: summed(
            under(PREFIX), (air.address("2001:db8:2::", NODE), air.address(PREFIX, ROOT))
        ),
        Told(
            "failure",
            "0x0017",
            "the words of the prefix of context 0 sum up to 0x7fff less at the sender than here, or to 0x0001 more in "
            "one address alone",
            (
                "all 3 wrong sums differ by +0x0001",
                f"{OTHER_WORDS} a001:db8:1::/64 or 2001:8db8:1::/64 or 2001:db8:8001::/64 or 2001:db8:1:8000::/64",
                f"{ALONE} 2002:db8:1::/64 or 2001:db9:1::/64 or 2001:db8:2::/64 or 2001:db8:1:1::/64",
                f"{PORTS} source 61618 in place of 61617 or destination 61619 in place of 61618",
            ),
            (1, 2, 3),
            3,
        ),
    ),
    # 0x1f4f less twice 0xabcd, in ones' complement
    Further(
        "identifier-by-old-rule",
        lambda: summed(under("fe80::"), (kept(NODE), kept(ROOT))),
        Told(
            "failure",
            "0x0017: identifiers with the PAN ID as it is",
            "the checksum is right when the addresses are fe80::abcd:ff:fe00:17 and "
            "fe80::abcd:ff:fe00:1 (identifiers with the PAN ID as it is)",
            (
                "checksum carried 0xc7b3, computed here 0x1f4f; 16 readings tried",
                "checksum carried 0xc3b0, computed here 0x1b4c; 16 readings tried",
                "checksum carried 0xbfad, computed here 0x1749; 16 readings tried",
            ),
            (1, 2, 3),
            3,
        ),
    ),
    Further(
        "hop-limit-forbidden",
        listener_report,
        Told(
            "failure",
            "0x0017",
            "the version 2 multicast listener report has hop limit 255, receivers want 1",
            ("type 143",),
            (1,),
            cite="RFC 3810 §5",  # from memory
        ),
    ),
    Further(
        "address-of-two-devices",
        associated_twice,
        Told(
            "risk",
            "short address 0x0017",
            "a short address is that of another device than before",
            (
                "short address 0x0017 is 02:5e:10:00:00:00:00:ff now, and was 02:5e:10:00:00:00:00:17",
            ),
            (2,),
        ),
    ),
    # RFC 6775 section 4.1: a Registration Lifetime of 60 minutes, renewed once, and over after 3600 s
    Further(
        "address-of-two-devices",
        lambda: Capture(
            [
                (0, registration(FAR_NODE, 1)),
                (9, registration(FAR_NODE, 2)),
                (3610, registration(COPY, 3)),
            ]
        ),
        Told(
            "remark",
            "short address 0x0017",
            "an address was registered by another device after its time was over",
            (
                f"{REGISTERED}: 02:5e:10:00:00:00:00:17 in frame 2, 02:5e:10:00:00:00:00:ff in frame 3",
                "the registration before was for 3600 s, 3601 s before",
            ),
            (2, 3),
            advice=REPLACED,
        ),
    ),
    # the registration of the second was not heard, or is sealed: the router agrees to it
    Further(
        "address-of-two-devices",
        lambda: Capture(
            [(0, registration(FAR_NODE, 1)), (3610, registration(COPY, 2, answers=True))]
        ),
        Told(
            "remark",
            "short address 0x0017",
            "an address was registered by another device after its time was over",
            (
                f"{REGISTERED}: 02:5e:10:00:00:00:00:17 in frame 1, 02:5e:10:00:00:00:00:ff in frame 2",
                "the registration before was for 3600 s, 3610 s before",
            ),
            (1, 2),
            advice=REPLACED,
        ),
    ),
    # one answer of the border router, over two hops
    Further(
        "address-of-two-devices",
        lambda: Capture([*confirmed(1, NODE)]),
        Told(
            "failure",
            REGISTERED_FAR,
            "a router refuses an address that another device has",
            (f"frame 1: {REGISTERED_FAR} has status 1, duplicate address",),
            (1,),
        ),
    ),
    # a context of 60 minutes; who announced it first holds it
    Further(
        "context-announced-otherwise",
        announced_by_another,
        Told(
            "risk",
            "0x0018",
            "contexts are announced otherwise than they hold",
            (
                f"context 3 is {HELD} by fe80::ff:fe00:1, and announced as {OTHER} by fe80::ff:fe00:18",
            ),
            (2,),
        ),
    ),
    # 300 s of C = 0 for the old prefix, then again for the new one (RFC 6775 section 7.2)
    *(
        Further(
            "context-announced-otherwise",
            partial(moved, *steps),
            Told(
                "risk",
                "0x0001: its own contexts",
                "a context becomes another before nobody uses it any more",
                (f"context 3 was {HELD} and becomes {OTHER}: {why}",),
                (len(steps),),
                cite="RFC 6775 §7.2",
                advice=TAKE_OUT,
            ),
        )
        for steps, why in (
            (
                ((1, HELD, True), (8, OTHER, True)),
                "the old one was in use, the new one begins with C = 1",
            ),
            (((1, HELD, True), (8, OTHER, False)), "the old one was in use"),
            (
                ((1, HELD, True), (8, HELD, False), (307, OTHER, False)),
                "the old one was out of use for 299 s only",
            ),
            (
                ((1, HELD, True), (8, HELD, False), (308, OTHER, True)),
                "the new one begins with C = 1",
            ),
        )
    ),
    # the same with a lifetime of 0 ("this context entry MUST be removed immediately", section 4.2) in between
    Further(
        "context-announced-otherwise",
        lambda: withdrawn((1, HELD, 60), (8, HELD, 0), (10, OTHER, 60)),
        Told(
            "risk",
            "0x0001: its own contexts",
            "a context becomes another before nobody uses it any more",
            (
                f"context 3 was {HELD} and becomes {OTHER}: the old one, withdrawn, was out of use for 2 s only",
            ),
            (3,),
            cite="RFC 6775 §7.2",
            advice=TAKE_OUT,
        ),
    ),
    # 0x0012 is 0x0011 more than 0x0001; nobody gave the context, and a router announces it
    Further(
        "prefix-of-context-differs",
        lambda: learned(0, f"{PREFIX}/64", summed(under(PREFIX), under("2001:db8:12::"))),
        Told(
            "failure",
            "0x0017",
            "the words of the prefix of context 0 sum up to 0x0011 more at the sender than here, or to 0x0022 more in "
            "one address alone",
            (
                "all 3 wrong sums differ by +0x0022",
                f"{OTHER_WORDS} 2012:db8:1::/64 or 2001:dc9:1::/64 or 2001:db8:12::/64 or 2001:db8:1:11::/64",
                f"{ALONE} 2023:db8:1::/64 or 2001:dda:1::/64 or 2001:db8:23::/64 or 2001:db8:1:22::/64",
                f"{PORTS} source 61651 in place of 61617 or destination 61652 in place of 61618",
            ),
            (2, 3, 4),
            3,
        ),
    ),
    # the same where the router announced that prefix before, and the node has not heard of the new one
    Further(
        "prefix-of-context-differs",
        announced_before,
        Told(
            "failure",
            "0x0017",
            "the sender has context 0 as 2001:db8:12::/64, which was announced here too: all sums are right so",
            ("all 3 wrong sums differ by +0x0022",),
            (3, 4, 5),
            3,
        ),
    ),
    # announced for 60 minutes, 60 s later for 2: over at 61 + 120 s
    Further(
        "context-used-too-late",
        lambda: Capture(
            [
                (1.0, announcing(1, "2001:db8:2::/64")),
                (61.0, announcing(1, "2001:db8:2::/64", minutes=2)),
                (200.0, air.frame(air.datagram(prefix="2001:db8:2::"), 2)),
            ]
        ),
        Told(
            "failure",
            "0x0017: context 1",
            "context 1 (2001:db8:2::/64) ran out after 120 s, and headers are compressed with it",
            (
                "since frame 2 it is announced for 120 s, before for 3600 s",
                "frame 2: announcement; frame 3: used 139.0 s later",
            ),
            (3,),
        ),
    ),
    # once, by the border router: over two hops, and handed on to the node
    # a router that has no place for an unheard answer did not take the node on, nor did the one that refused it before
    *(
        Further(
            "registration-refused",
            partial(gone_on, missed=missed, router=router),
            Told(
                "failure",
                "02:5e:10:00:00:00:00:17",
                f"routers refuse what it registers: {FULL}",
                (f"fe80::ff:fe00:1 answers with {FULL}, 2 times",),
                (2, 3),
                2,
            ),
        )
        for missed, router in ((False, RELAY), (True, ROOT))
    ),
    Further(
        "registration-refused",
        lambda: Capture([*confirmed(9, NODE), *answered(9, router=RELAY)]),
        Told(
            "risk",
            "02:5e:10:00:00:00:00:17",
            "routers refuse what it registers: status 9, 6LBR registry saturated",
            (f"{PREFIX}ff:fe00:1 answers with status 9, 6LBR registry saturated",),
            (1,),
        ),
    ),
    # a recording of minutes ago: the 40 counters since then are more than are kept with their frames
    Further(
        "frame-replayed",
        lambda: counted(7, *range(100, 140), 7),
        Told(
            "risk",
            FAR_NAME,
            "secured frames come again, and are no retries",
            (
                "frame counter 0x00000007 in frames 1 and 42, 41 s apart: equal octet for octet",
                "frame 10 to the same receiver came between, with a higher counter",
            ),
            (1, 42),
        ),
    ),
    # nothing asks for an acknowledgement that a MAC could wait for
    Further(
        "frame-replayed",
        lambda: counted(7, 7, ack_request=False),
        Told(
            "risk",
            FAR_NAME,
            "secured frames come again, and are no retries",
            (
                "frame counter 0x00000007 in frames 1 and 2, 1 s apart: equal octet for octet",
                "it asks for no acknowledgement, so its MAC sends it once",
            ),
            (1, 2),
        ),
    ),
    Further(
        "frame-replayed",
        lambda: counted(7, 7, at=(1, 11)),
        Told(
            "risk",
            FAR_NAME,
            "secured frames come again, and are no retries",
            (
                "frame counter 0x00000007 in frames 1 and 2, 10 s apart: equal octet for octet",
                "the tries of one frame do not last that long",
            ),
            (1, 2),
        ),
    ),
    # its receiver may have forgotten the message ID after 247 s (RFC 7252 section 4.8.2), and takes it for new
    Further(
        "old-message-sent-again",
        lambda: posted_again(345),
        Told(
            "remark",
            "reading from 2001:db8:1::ff:fe00:1",
            "it sends old messages again in new frames, behind newer ones: number 5 comes again",
            ("number 5 in frames 6 and 18, 345 s apart",),
            (6, 18),
        ),
    ),
    # what its receiver sent just before is no command: data fetch nothing
    Further(
        "frame-replayed",
        lambda: beside(
            counted(7, 7, at=(1, 11)),
            Capture([(10.9, air.raw(bytes.fromhex(IPHC_ONLY), 1, (air.FAR_ROOT, FAR_NODE)))]),
        ),
        Told(
            "risk",
            FAR_NAME,
            "secured frames come again, and are no retries",
            (
                "frame counter 0x00000007 in frames 1 and 3, 10 s apart: equal octet for octet",
                "the tries of one frame do not last that long",
            ),
            (1, 3),
        ),
    ),
    # sent again with the same sequence: too few to prove anything
    Further(
        "dao-never-acknowledged",
        lambda: unanswered((8, 1), (28, 1)),
        Told(
            "risk",
            "fe80::ff:fe00:17",
            "no DAO-ACK comes from fe80::ff:fe00:1",
            ("fe80::ff:fe00:17 asked 2 times, first 92 s before the capture ends",),
            (2, 3),
            2,
        ),
    ),
    # a DAO-ACK that answers another DAO than those heard
    Further(
        "dao-never-acknowledged",
        lambda: unanswered((8, 1), (28, 2), (48, 3), more=[(49, granted(0))]),
        Told(
            "failure",
            "fe80::ff:fe00:17",
            "no DAO-ACK comes from fe80::ff:fe00:1",
            (
                "fe80::ff:fe00:17 asked 3 times, first 92 s before the capture ends",
                "1 DAO-ACK with a sequence of none of them",
            ),
            (2, 3, 4),
            3,
            _ANSWERING,
        ),
    ),
    # a node that asks on is owed an answer, though the root has its DAO (RFC 6550 section 9.3, 4)
    Further(
        "dao-never-acknowledged",
        lambda: unanswered((8, 1), (28, 2), (48, 3), more=[led(30)]),
        Told(
            "failure",
            "fe80::ff:fe00:17",
            "no DAO-ACK comes from fe80::ff:fe00:1",
            (
                "fe80::ff:fe00:17 asked 3 times, first 92 s before the capture ends",
                "source routes lead to it: the root has its DAO",
            ),
            (2, 3, 5),
            3,
            _ANSWERING,
        ),
    ),
    # a source route before any of them says nothing of them
    Further(
        "dao-never-acknowledged",
        lambda: unanswered((8, 1), (28, 2), more=[led(4)]),
        Told(
            "risk",
            "fe80::ff:fe00:17",
            "no DAO-ACK comes from fe80::ff:fe00:1",
            ("fe80::ff:fe00:17 asked 2 times, first 92 s before the capture ends",),
            (3, 4),
            2,
        ),
    ),
    # three nodes that ask one root once each
    Further(
        "dao-never-acknowledged",
        lambda: unanswered(
            more=[
                one
                for at, node in ((8, NODE), (9, RELAY), (10, b"\0\x19"))
                for one in passed_on(2, at, node, ROOT)
            ]
        ),
        Told(
            "risk",
            ", ".join(f"{PREFIX}ff:fe00:{node}" for node in (17, 18, 19)),
            f"no DAO-ACK comes from {PREFIX}ff:fe00:1",
            tuple(
                f"{PREFIX}ff:fe00:{node} asked 1 time, first {waited} s before the capture ends"
                for node, waited in ((17, 92), (18, 91), (19, 90))
            ),
            (2, 3, 4),
            3,
        ),
    ),
    # one DAO on two hops to the root, which is heard; the relay that would bring the answer is too. The node does not
    # "reschedule the DAO message" (RFC 6550 section 9.3)
    Further(
        "dao-never-acknowledged",
        lambda: unanswered(more=passed_on(2, 8, NODE, RELAY, ROOT)),
        Told(
            "remark",
            f"{PREFIX}ff:fe00:17",
            f"no DAO-ACK comes from {PREFIX}ff:fe00:1",
            (f"{PREFIX}ff:fe00:17 asked 1 time, first 92 s before the capture ends",),
            (2,),
        ),
    ),
    # RFC 9010 section 6.3: U is 0x80, A is 0x40, and what is left is the status of a registration
    Further(
        "dao-refused",
        lambda: Capture([*acknowledged(0, 0xC2, 0xC2)]),
        Told(
            "failure",
            "fe80::ff:fe00:17",
            "its DAO messages are rejected: status 194, rejected: neighbour cache full",
            ("fe80::ff:fe00:1 answers with status 194, rejected: neighbour cache full, 2 times",),
            (2, 3),
            2,
        ),
    ),
    Further(
        "nonce-used-twice",
        lambda: answered_twice(own=False),
        Told(
            "failure",
            "2001:db8:1::ff:fe00:1",
            "two different contents are sealed with one nonce under one key",
            ("Partial IV 20 of its request in frames 2 and 3",),
            (2, 3),
        ),
    ),
    Further(
        "nonce-used-twice",
        lambda: in_records(5, 2, 2),
        Told(
            "failure",
            "2001:db8:1::ff:fe00:17",
            "two different contents are sealed with one nonce under one key",
            ("DTLS record 2 of epoch 1 in frames 2 and 3",),
            (2, 3),
            cite="RFC 6347 §4.1",
        ),
    ),
    Further(
        "rank-not-above-parent",
        lambda: daos(512, 512, 512, stored=False),
        Told(
            "risk",
            f"{PREFIX}ff:fe00:17",
            "the rank is 512, and that of the parent that its DAOs name is 512",
            (f"the parent is {PREFIX}ff:fe00:18",),
            tuple(range(1, 10)),
            3,
        ),
    ),
    # 512 comes from a node that is nearer to the root than 768; O is the first bit
    Further(
        "rank-error-flagged",
        lambda: of_ranks(512, 768),
        Told(
            "risk",
            "0x0018",
            "datagrams that go up come from a node of lower rank, and it is not flagged (R)",
            ("sender rank 512, then 768",),
            (1, 2),
        ),
    ),
    # 768 is further from the root than 512, whatever the flag says
    Further(
        "rank-error-flagged",
        lambda: beside_dios(*[(0x80, 768)] * 3),
        Told(
            "risk",
            "0x0017",
            "datagrams that are marked as going down (O) are sent to a node of lower rank",
            ("0x0017 has rank 768, 0x0018 512",),
            (3, 6, 9),
            3,
            advice=(
                "Where the receiver is the parent that the sender chose, the flag is wrong: O is set in what goes "
                "down along routes of DAOs, and cleared in what goes towards the root. Else look why the sender takes "
                "this node for its next."
            ),
        ),
    ),
    Further(
        "rank-error-flagged",
        lambda: of_ranks(3, 2, flags=0x80),
        Told(
            "risk",
            "0x0018",
            "datagrams that go down come from a node of higher rank, and it is not flagged (R)",
            ("sender rank 3, then 2",),
            (1, 2),
        ),
    ),
)
