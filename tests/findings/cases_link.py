"""A capture that fires each finding about the link, and a near miss: link, protection, sequence and size.

Frame control (IEEE 802.15.4-2006 clause 7.2.1.1, from memory): type in bits 0-2 (data 1), security 3, acknowledgement
5, PAN ID compression 6, destination mode 10-11, version 12-13, source mode 14-15 (short 2, extended 3).
"""

import struct
from collections.abc import Callable, Iterable
from dataclasses import replace

from cryptography.hazmat.primitives.ciphers.aead import AESCCM
from findings import air
from findings.air import FAR_NODE, FAR_ROOT, NODE, PAN, ROOT, Capture
from findings.cases_deployment import slotted
from findings.judge import Case, Told

from lowpanbudget import encode_frame, parse_design
from lowpanbudget.layers.link.auxiliary import Security
from lowpanbudget.layers.link.mac import FrameType

FAR = (FAR_NODE, FAR_ROOT)
THIRD = bytes.fromhex("025e100000000042")


def plain(count: int = 6, **changes: object) -> list[bytes | tuple[float, bytes]]:
    return [air.frame(air.datagram(bytes([n]) * 9), n, **changes) for n in range(1, count + 1)]  # type: ignore[arg-type]


def both_pans(source_pan: int) -> Capture:
    return Capture(plain(pan_id_compression=False, source_pan=source_pan))


def suppression_bit(octet: int) -> Capture:
    octets = bytearray(air.frame(air.datagram()))
    octets[1] |= octet
    return Capture([air.mended(bytes(octets))])


def elements(after: str) -> Capture:
    """Version 2 with an element (id 0x1a, 4 octets: IEEE 802.15.4-2015 table 7-7, from memory), then what is given."""
    control = 1 | 1 << 6 | 1 << 9 | 2 << 10 | 2 << 12 | 2 << 14
    head = (
        control.to_bytes(2, "little")
        + bytes([7])
        + PAN.to_bytes(2, "little")
        + ROOT[::-1]
        + NODE[::-1]
    )
    element = (4 | 0x1A << 7).to_bytes(2, "little") + bytes(4)
    return Capture([air.mended(head + element + bytes.fromhex(after) + b"\0\0")])


def check_sequences(wrong: bool) -> Capture:
    """Twenty frames; where they are wrong, each in other bits."""
    frames = [frame for frame in plain(20) if isinstance(frame, bytes)]
    return Capture([f[:-2] + bytes([f[-2] ^ wrong * n, f[-1]]) for n, f in enumerate(frames, 1)])


def reversed_source(link: bytes) -> Capture:
    links = (link, FAR_ROOT)
    return Capture([air.frame(air.datagram(links=links), links=links)], known_devices=FAR)


def sized(octets: int) -> Capture:
    """A frame of this many octets: 9 of MAC header, 2 of check sequence, the rest of another protocol."""
    return Capture([air.raw(bytes([8]) * (octets - 11))])


def acknowledged(octets: int, number: int = 1) -> Capture:
    """The same, and an acknowledgement of this number behind it: frame type 2 (IEEE 802.15.4-2015 clause 7.3.3)."""
    (frame,) = sized(octets).air
    assert isinstance(frame, bytes)
    return Capture([(1.0, frame), (1.01, air.mended(bytes([2, 0, number, 0, 0])))])


def in_planned_slots(octets: int) -> Capture:
    """Such a frame beside a design whose slots leave 102 x 32 µs for one."""
    return replace(sized(octets), design=parse_design(slotted("max_frame_us = 3264")))


def short_source(source: bytes) -> Capture:
    links = (source, ROOT)
    return Capture([air.frame(air.datagram(links=links), links=links)])


def other_bits(control: int) -> Capture:
    """A frame with another frame control of the same addresses."""
    octets = air.frame(air.datagram())
    return Capture([air.mended(control.to_bytes(2, "little") + octets[2:])])


def other_security(bits: int, version: int = 1) -> Capture:
    """A secured frame with bits of the security control, 0x0d, set as well: behind a PAN ID, in version 2 none."""
    pan = PAN if version == 1 else None
    security = Security(5, 1, 5, key_index=1)
    mac = air.mac(1, FAR, version=version, destination_pan=pan, security=security)
    octets = bytearray(encode_frame(mac, bytes.fromhex(IPHC_ONLY), key=air.KEY).octets)
    octets[21 if version == 1 else 19] |= bits
    return Capture([air.mended(bytes(octets))])


def pan_rule(version: int, known: int = 4, **options: bool) -> Capture:
    """Frames by the 2006 rule; the last says that it follows the 2015 rule, by which no PAN ID is there."""
    before = [air.frame(air.datagram(bytes([n]), links=FAR), n, FAR) for n in range(1, known + 1)]
    packed = air.payload(air.datagram(b"last", links=FAR), FAR, **options)
    last = bytearray(air.raw(packed, 9, FAR))
    last[1] = last[1] & 0xCF | version << 4
    return Capture([*before, air.mended(bytes(last))])


def counters(*numbers: int, level: int = 5) -> Capture:
    return Capture(
        [air.secured(bytes([n]) * 6, n, number, level) for n, number in enumerate(numbers, 1)]
    )


def used_twice(*data: bytes) -> Capture:
    """Frames of one node under one counter."""
    return Capture([air.secured(one, number, 7) for number, one in enumerate(data, 1)])


def keyed(*uses: tuple[int, bytes]) -> Capture:
    """Sealed frames under keys of these indexes, of these nodes to the other, one each second."""
    frames: list[tuple[float, bytes]] = []
    for number, (index, source) in enumerate(uses, 1):
        links = source, FAR_ROOT if source == FAR_NODE else FAR_NODE
        header = air.mac(number, links, security=Security(5, 1, number, key_index=index))
        packed = air.payload(air.datagram(b"reading", links=links), links)
        frames.append((number, encode_frame(header, packed, key=air.KEY).octets))
    return Capture([*frames])


KEY_SOURCE = bytes(range(1, 9))


def among_three(*sources: bytes, asked: bool = False) -> Capture:
    """A leaf names keys of these sources in turn, each in five frames; two others name the first of all, before, too.

    The leaf sends to its parent, which forwards to the root, and sends to it as well where it is ``asked``.
    """
    leaf, parent = bytes.fromhex("025e100000000042"), FAR_NODE
    sent = [(KEY_SOURCE, parent, FAR_ROOT), (KEY_SOURCE, FAR_ROOT, parent)]
    for source in sources:
        sent += 5 * [(source, leaf, parent), (KEY_SOURCE, parent, FAR_ROOT)]
        sent += asked * 2 * [(KEY_SOURCE, parent, leaf)]
        sent += [(KEY_SOURCE, FAR_ROOT, parent)]
    frames: list[tuple[float, bytes]] = []
    for number, (source, *links) in enumerate(sent, 1):
        security = Security(5, 3, number, key_source=source, key_index=1)
        header = air.mac(number, (links[0], links[1]), security=security)
        frames.append((number, encode_frame(header, bytes.fromhex(IPHC_ONLY), key=air.KEY).octets))
    return Capture([*frames])


def counted(*numbers: int, at: Iterable[float] = (), **changes: object) -> Capture:
    """Sealed frames that are the same where their counters are."""
    frames = []
    for number in numbers:
        security = Security(5, 1, number, key_index=1)
        header = air.mac(number, FAR, security=security, **changes)
        frames.append(encode_frame(header, bytes.fromhex(IPHC_ONLY), key=air.KEY).octets)
    times = list(at) or [float(n) for n in range(1, len(frames) + 1)]
    return Capture(list(zip(times, frames, strict=True)))


def beside(one: Capture, other: Capture) -> Capture:
    """The frames of both in the order of their times."""
    return Capture([*sorted([*one.timed(), *other.timed()])])


def opened(
    key: bytes | None, links: tuple[bytes, bytes] = FAR, devices: dict[int, bytes] | None = None
) -> Capture:
    sealed = air.secured(b"data", 1, 5, links=links)
    return Capture([sealed], keys=() if key is None else (key,), devices=devices or {})


def of_neighbours() -> Capture:
    """A frame of the network, and one each of two nodes of the PAN beside it, whose EUI-64s nobody has."""
    sealed = air.secured(b"data", 1, 5, links=(NODE, ROOT))
    beside = [
        air.mended(sealed[:3] + b"\xce\xab" + sealed[5:7] + bytes([short, 0]) + sealed[9:])
        for short in (0x17, 0x18)
    ]
    return Capture([air.secured(b"data", 1, 5), *beside], keys=(air.KEY,))


def acknowledged_by(
    eui: bytes, *, alone: bool = False, later_s: float = 0.004, number: int = 1
) -> Capture:
    """A sealed frame, and an enhanced acknowledgement without source address that this node seals for it.

    By hand: frame control (acknowledgement, secured, extended destination, version 2), number, PAN ID, destination,
    security control (level 5, key identifier mode 1), counter and key index; all of it under a code of 4 octets, with
    the nonce of address, counter and level (IEEE 802.15.4-2015 clause 9.3, from memory).
    """
    header = struct.pack("<HBH", 0x2C0A, number, PAN) + air.FAR_NODE[::-1]
    header += struct.pack("<BIB", 0x0D, 9, 1)
    cipher = AESCCM(air.KEY, tag_length=4)
    sealed = cipher.encrypt(eui + struct.pack(">IB", 9, 5), b"", header)
    asked = [] if alone else [(1.0, air.secured(b"data", 1, 5))]
    told = (1.0 + later_s, air.mended(header + sealed + bytes(2)))
    return Capture([*asked, told], keys=(air.KEY,))


def in_slot(sealed: int, told: int | None) -> Capture:
    """A frame without a frame counter: its nonce is made of the slot number that it was sent in."""
    security = Security(5, 1, None, key_index=1)
    mac = air.mac(1, FAR, version=2, destination_pan=None, security=security)
    packed = air.payload(air.datagram(b"data", links=FAR), FAR)
    octets = encode_frame(mac, packed, key=air.KEY, asn=sealed).octets
    return Capture([octets], keys=(air.KEY,), slot=told)


def in_slots(
    *sealed: int,
    counters: Iterable[int] = (),
    numbers: Iterable[int] = (),
    told: tuple[int, ...] | None = None,
    keys: tuple[bytes, ...] = (air.KEY,),
) -> Capture:
    """Readings whose nonces are EUI-64 and slot number; with ``counters`` they carry those beside (ASN in nonce)."""
    beside: list[int | None] = [*counters] or [None] * len(sealed)
    frames = []
    for number, slot, counter in zip([*numbers] or range(1, 99), sealed, beside, strict=False):
        security = Security(5, 1, counter, key_index=1, asn_in_nonce=counter is not None)
        mac = air.mac(number, FAR, version=2, destination_pan=None, security=security)
        packed = air.payload(air.datagram(bytes([number]) * 6, links=FAR), FAR)
        frames.append(encode_frame(mac, packed, key=air.KEY, asn=slot).octets)
    return Capture([*frames], keys=keys, slots=sealed if told is None else told)


def beacon(
    number: int,
    slot: int,
    source: bytes = FAR_ROOT,
    timeslot: int = 0,
    size: int = 101,
    handle: int = 0,
    hopping: int | None = None,
) -> bytes:
    """An enhanced beacon with TSCH elements (IEEE 802.15.4-2015 clauses 7.4.4.2 and 7.4.4.3, from memory).

    Short nested 0x1a: slot number and join metric; 0x1b: one slotframe of ``size`` slots with one link of all kinds.
    Long nested 0x9, where it is there: the number of a hopping sequence (clause 7.4.4.31).
    """
    told = (6 | 0x1A << 8).to_bytes(2, "little") + slot.to_bytes(5, "little") + b"\0"
    links = size.to_bytes(2, "little") + b"\x01" + timeslot.to_bytes(2, "little") + b"\0\0\x0f"
    told += (10 | 0x1B << 8).to_bytes(2, "little") + bytes([1, handle]) + links
    if hopping is not None:
        told += (1 | 9 << 11 | 1 << 15).to_bytes(2, "little") + bytes([hopping])
    elements = bytes.fromhex("003f") + (len(told) | 1 << 11 | 1 << 15).to_bytes(2, "little")
    # version 2: beacon, PAN ID compression, elements, short destination 0xffff, extended source
    head = (1 << 6 | 1 << 9 | 2 << 10 | 2 << 12 | 3 << 14).to_bytes(2, "little")
    head += bytes([number]) + PAN.to_bytes(2, "little") + b"\xff\xff" + source[::-1]
    return air.mended(head + elements + told + b"\0\0")


def beacons(*slots: int, timeslot: int = 0, apart_s: float = 2.0) -> Capture:
    """Beacons of the root."""
    frames = [beacon(number, slot, timeslot=timeslot) for number, slot in enumerate(slots)]
    return Capture([(1.0 + number * apart_s, frame) for number, frame in enumerate(frames)])


def beacons_of_two(ahead: int, *, late_s: float = 0.0) -> Capture:
    """Beacons of the root each 2 s, and of a node a second later; its number is so many slots of 10 ms ahead."""
    frames: list[tuple[float, bytes]] = []
    for turn in range(4):
        slot, at = 5000 + 200 * turn, 1 + 2.0 * turn
        frames.append((at, beacon(turn, slot)))
        frames.append((at + 1 + late_s, beacon(turn, slot + 100 + ahead, FAR_NODE)))
    return Capture([*frames])


def slotframes(*sizes: int, planned: int | None = None) -> Capture:
    """Beacons of three nodes in turn, each of which has had these sizes of its slotframe; a design of so many slots."""
    plan = slotted(f"slotframe = {planned}").replace("pan_id = 0x1a2b", f"pan_id = {PAN:#06x}")
    design = None if planned is None else parse_design(plan)
    nodes = (FAR_ROOT, FAR_NODE, THIRD)
    frames = [
        beacon(turn, 1000 + 100 * turn, nodes[turn % 3], size=size)
        for turn, size in enumerate(sizes)
    ]
    return Capture([*frames], design=design)


def hopping(*offsets: int, sequence: int = 0) -> Capture:
    """Four beacons of each of three nodes, in slot 0 of slotframes of 101; each on the channel of an offset.

    RFC 7554 appendix A.7; the sequence of 16 channels is the default of 2.4 GHz (from memory, as RFC 8180 has it).
    """
    channels = (16, 17, 23, 18, 26, 15, 25, 22, 19, 11, 12, 13, 24, 14, 20, 21)
    nodes, slots = (FAR_ROOT, FAR_NODE, THIRD), tuple(101 * turn for turn in range(1, 13))
    frames = [
        beacon(turn, slot, nodes[turn % 3], hopping=sequence) for turn, slot in enumerate(slots)
    ]
    on = tuple(channels[(slot + offsets[turn % 3]) % 16] for turn, slot in enumerate(slots))
    return Capture([*frames], slots=slots, channels=on)


def twice(apart_s: float) -> Capture:
    packet = air.datagram(b"the same reading")
    return Capture([(1.0, air.frame(packet, 41)), (1.0 + apart_s, air.frame(packet, 42))])


def other_frames(octets: str, **changes: object) -> Capture:
    return Capture([air.raw(bytes.fromhex(octets), **changes)])  # type: ignore[arg-type]


IPHC_ONLY = (
    "7a333b"  # RFC 6282 section 3.1.1: TF 11, HLIM 10, both addresses elided; next header 59
)

FAR_NAME = "02:5e:10:00:00:00:00:17"
WANTED = "sealed; the key wanted: key id mode 1, index 1"
UNOPENED = frozenset({"key-missing"})  # the capture is read without its key

LINK_CASES = {
    "pan-id-carried-twice": Case(
        lambda: both_pans(PAN),
        lambda: both_pans(0x1234),
        # 1 | 1 << 5 | 2 << 10 | 1 << 12 | 2 << 14
        Told(
            "waste",
            "0x0017",
            "PAN ID 0xabcd stands as destination and as source; two octets say it again",
            ("frame control 0x9821, PAN IDs 0xabcd and 0xabcd",),
            (1, 2, 3, 4, 5, 6),
            6,
        ),
    ),
    "sequence-suppression-misused": Case(
        lambda: suppression_bit(1),
        lambda: suppression_bit(0),
        # 0x9861, a data frame of version 1 with compression, and bit 8
        Told(
            "failure",
            "0x0017",
            "bit 8 is reserved in version 1, and it is set",
            ("frame control 0x9961",),
            (1,),
        ),
    ),
    "reserved-bits-set": Case(
        lambda: other_bits(0x9861 | 1 << 7),
        # bits 4 and 5 say that more comes, and that an acknowledgement is asked for
        lambda: other_bits(0x9861 | 1 << 4 | 1 << 5),
        Told(
            "remark",
            "0x0017",
            "bit 7 of the frame control is reserved in version 1, and it is set",
            ("frame control 0x98e1",),
            (1,),
        ),
    ),
    "header-elements-unreadable": Case(
        lambda: elements(IPHC_ONLY),
        lambda: elements("803f" + IPHC_ONLY),
        # 9 octets of addresses, an element of 2 + 4; the next two, 7a 33, say length 0x7a in their lower 7 bits: 122,
        # from octet 9 + 6 + 2 on, where only 3b is
        Told(
            "failure",
            "0x0017",
            "the content of the unassigned header IE needs 122 octets, 1 octet left",
            ("octet 17, header IE", "walked: CSL IE (4 octets)"),
            (1,),
            cite="IEEE 802.15.4-2015 §7.4.2",
        ),
    ),
    # termination 1, an MLME IE of 4 octets from octet 17 on, in it the head of a nested 0x1b that says 40, and 2 octets
    "element-content-unreadable": Case(
        lambda: elements("003f" + "0488" + "281b" + "0100"),
        lambda: elements("003f" + "0388" + "011b" + "00"),
        Told(
            "risk",
            "0x0017",
            "the content of the TSCH slotframe and link IE needs 40 octets, 2 octets left",
            ("octet 21",),
            (1,),
            cite="IEEE 802.15.4-2015 §7.4.4",
        ),
    ),
    "elements-ended-for-nothing": Case(
        lambda: elements("803f"),
        lambda: elements(""),
        Told(
            "remark",
            "0x0017",
            "a termination element ends a list that the frame ends anyway",
            (),
            (1,),
        ),
    ),
    "check-sequence-wrong": Case(
        lambda: check_sequences(True),
        lambda: check_sequences(False),
        Told(
            "risk",
            "",
            "no frame ends with its check sequence: it was taken off or replaced",
            ("20 of 20 frames do not match",),
            (1, 2, 3, 4, 5, 6, 7, 8),
            20,
        ),
    ),
    "address-octets-reversed": Case(
        lambda: reversed_source(FAR_NODE[::-1]),
        lambda: reversed_source(FAR_NODE),
        # the air has the least significant octet first: of the address turned round that is 02
        Told(
            "failure",
            "17:00:00:00:00:10:5e:02",
            "the source 17:00:00:00:00:10:5e:02 is the reverse of a known device, 02:5e:10:00:00:00:00:17",
            ("source as sent: 02 5e 10 00 00 00 00 17",),
            (1,),
        ),
    ),
    "frame-too-long": Case(
        lambda: sized(128),
        lambda: sized(127),
        # IEEE 802.15.4-2015 table 11-1, from memory: 127 octets, and 2047 of the SUN PHYs
        Told(
            "risk",
            "0x0017",
            "128 octets, 1 over the 127 of most PHYs: the SUN PHYs alone carry it, with up to 2047",
            (),
            (1,),
            advice="Give the design with the PHY; where it is none of SUN, fill frames no further than it carries.",
        ),
        also=frozenset({"not-a-lowpan-frame"}),
    ),
    # 96 octets with 6 of preamble, delimiter and PHY header take 32 µs each (o-qpsk-2450)
    "frame-longer-than-planned-slot": Case(
        lambda: in_planned_slots(97),
        lambda: in_planned_slots(96),
        Told(
            "risk",
            "0x0017 of PAN 0xabcd",
            "97 octets take 3296 µs, the slots of the design have time for 96",
            (),
            (1,),
        ),
        also=frozenset({"not-a-lowpan-frame"}),
    ),
    "short-address-unusable": Case(
        lambda: short_source(b"\xff\xfe"),
        lambda: short_source(b"\x7f\xff"),
        Told(
            "failure",
            "0xfffe to 0x0001",
            "the source 0xfffe means: no short address assigned",
            (),
            (1,),
        ),
    ),
    "pan-id-rule-of-other-version": Case(
        lambda: pan_rule(2),
        lambda: pan_rule(1),
        # 1 | 1 << 5 | 1 << 6 | 3 << 10 | 2 << 12 | 3 << 14
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
            (5,),
        ),
    ),
    "frame-counter-used-twice": Case(
        lambda: counters(7, 7),
        lambda: counters(7, 8),
        Told(
            "failure",
            FAR_NAME,
            "02:5e:10:00:00:00:00:17 used a frame counter 0x00000007 for two different frames "
            "(key id mode 1, index 1)",
            # a header of 27 octets whose third is the number, 4 octets of IPHC and NHC, then the checksum (2), what is
            # sent (6) and the code (4)
            (
                "frame counter 0x00000007 in frames 1 and 2",
                "different octets: 13, the first is octet 2, the last 42",
            ),
            (1, 2),
        ),
        also=UNOPENED,
    ),
    # the first frame once more: at once that is a retry, behind the next frame it is none
    "frame-replayed": Case(
        lambda: counted(7, 8, 7),
        lambda: counted(7, 7, 8),
        Told(
            "risk",
            FAR_NAME,
            "secured frames come again, and are no retries",
            (
                "frame counter 0x00000007 in frames 1 and 3, 2 s apart: equal octet for octet",
                "frame 2 to the same receiver came between, with a higher counter",
            ),
            (1, 3),
        ),
        also=UNOPENED,
    ),
    "frame-counter-went-back": Case(
        lambda: counters(900, 901, 0),
        lambda: counters(900, 908, 901),
        # 901 is 0x385, in the frame before the last
        Told(
            "failure",
            FAR_NAME,
            "the frame counter of 02:5e:10:00:00:00:00:17 went from 0x00000385 back to 0x00000000",
            ("frame 2: 0x00000385; frame 3: 0x00000000",),
            (2, 3),
        ),
        also=UNOPENED,
    ),
    # by frames 1 to 3 both have the first key; the root goes on with it, or is silent once the node has the second
    "key-changed": Case(
        lambda: keyed((1, FAR_NODE), (1, FAR_ROOT), (2, FAR_NODE), (1, FAR_ROOT)),
        lambda: keyed((1, FAR_NODE), (2, FAR_NODE), (1, FAR_NODE), (1, FAR_ROOT)),
        Told(
            "risk",
            "02:5e:10:00:00:00:00:01",
            "02:5e:10:00:00:00:00:01 stays with key id mode 1, index 1, which others left for key id mode 1, "
            "index 2",
            ("frame 3 is the first under the other key, frame 4, 1 s later, its last",),
            (3, 4),
            advice=(
                "See whether the node was told of the new key, and whether it has room for it: once the others "
                "forget the old one, none of its frames is taken any more."
            ),
        ),
        more=(
            Told(
                "remark",
                "PAN 0xabcd",
                "nodes go from key id mode 1, index 1 to key id mode 1, index 2",
                ("02:5e:10:00:00:00:00:17 from frame 3 on",),
                (3,),
            ),
        ),
        also=UNOPENED,
    ),
    # frames 1 and 2 are of the others; of those from 3 on each second one to frame 11 is the leaf's, and 12 the root's.
    # Its key source is 01 ... 08 the other way round
    "key-named-by-one-node": Case(
        lambda: among_three(KEY_SOURCE[::-1]),
        lambda: among_three(KEY_SOURCE[::-1], asked=True),
        Told(
            "risk",
            "02:5e:10:00:00:00:00:42",
            "02:5e:10:00:00:00:00:42 names key id mode 3, index 1, source 0807060504030201, and no other node does: "
            "the octets of the key source in reverse",
            (
                "2 nodes with key id mode 3, index 1, source 0102030405060708",
                "5 frames of it from frame 3 on, 0 to it",
            ),
            (3, 11),
        ),
        also=UNOPENED,
    ),
    "frame-counter-at-its-end": Case(
        lambda: counters(0xFFFFFFFE, 0xFFFFFFFF),
        lambda: counters(0xFFFFFFFD, 0xFFFFFFFE),
        Told(
            "failure",
            FAR_NAME,
            "frames carry the frame counter 0xffffffff, which is the end of a key",
            ("key id mode 1, index 1",),
            (2,),
        ),
        also=UNOPENED,
    ),
    "slot-number-stands-still": Case(
        lambda: beacons(1000, 1000, 1000),
        lambda: beacons(1000, 1200, 1400),
        Told(
            "failure",
            "02:5e:10:00:00:00:00:01",
            "beacons tell the same absolute slot number (ASN) again and again",
            ("ASN 1000 since frame 1",),
            (1, 2, 3),
            2,
        ),
    ),
    "slot-number-went-back": Case(
        lambda: beacons(5000, 5200, 2400, 2600),
        lambda: beacons(5000, 5200, 5400, 5600),
        Told(
            "risk",
            "02:5e:10:00:00:00:00:01",
            "the absolute slot number (ASN) in beacons falls",
            ("frame 2: ASN 5200; frame 3: ASN 2400",),
            (2, 3),
        ),
    ),
    # a slot takes 10 ms: from frame 3 to frame 4 it is 1 s, 100 slots, from 4 to 5 as well
    "slot-numbers-disagree": Case(
        lambda: beacons_of_two(7000),
        lambda: beacons_of_two(0),
        Told(
            "failure",
            "02:5e:10:00:00:00:00:01 and 02:5e:10:00:00:00:00:17",
            "beacons of two nodes tell absolute slot numbers (ASN) that are not of one time",
            (
                "frame 3: ASN 5200; frame 4, 1 s later: ASN 12300, where 5300 is due",
                "frame 4: ASN 12300; frame 5, 1 s later: ASN 5400, where 12400 is due",
                "frame 5: ASN 5400; frame 6, 1 s later: ASN 12500, where 5500 is due",
                "frame 6: ASN 12500; frame 7, 1 s later: ASN 5600, where 12600 is due",
            ),
            (3, 4, 5, 6, 7, 8),
            5,
        ),
    ),
    "timeslot-outside-slotframe": Case(
        lambda: beacons(1000, timeslot=101),
        lambda: beacons(1000, timeslot=100),
        Told(
            "failure",
            "02:5e:10:00:00:00:00:01",
            "a link has timeslot 101, and its slotframe the slots 0 to 100",
            ("slotframe 0",),
            (1,),
        ),
    ),
    # 202 mod 16 is 10, and the eleventh channel 12; three further on is 14. 505 and 808 mod 16 are 9 and 8
    "beacon-off-its-channel": Case(
        lambda: hopping(0, 3, 0),
        lambda: hopping(0, 3, 0, sequence=1),
        Told(
            "failure",
            FAR_NAME,
            "beacons are on other channels than their link has by the default hopping sequence",
            (
                "frame 2: slot 202 on channel 14, 12 by offset 0 of its link",
                "frame 5: slot 505 on channel 24, 11 by offset 0 of its link",
                "frame 8: slot 808 on channel 13, 19 by offset 0 of its link",
                "beacons of 2 other nodes are on the channels of theirs",
            ),
            (2, 5, 8, 11),
            4,
        ),
    ),
    "slotframes-differ": Case(
        lambda: slotframes(*(17, 101, 17) * 3),
        # the network goes over to 101 slots, one node first: its beacons of before are no matter
        lambda: slotframes(*(17, 101, 17) * 3, *(101, 101, 101) * 3),
        Told(
            "risk",
            FAR_NAME,
            "slotframe 0 has 101 slots, and 17 in the beacons of most others",
            ("2 other nodes with 17 slots",),
            (2, 5, 8),
            3,
        ),
    ),
    "slotframe-not-as-planned": Case(
        lambda: slotframes(*(17, 17, 17) * 3, planned=101),
        lambda: slotframes(*(17, 17, 17) * 3, planned=17),
        Told(
            "risk",
            "02:5e:10:00:00:00:00:01, 02:5e:10:00:00:00:00:17, 02:5e:10:00:00:00:00:42",
            "beacons tell of slotframes of 17 slots, and the design has 101 (access.slots.slotframe)",
            (),
            (1, 2, 3, 4, 5, 6, 7, 8, 9),
            9,
        ),
    ),
    "integrity-code-wrong": Case(
        lambda: opened(bytes(16)),
        lambda: opened(air.KEY),
        # the code by AES-CCM of the cryptography library: a tag of 4 octets under the right key, nonce EUI-64, counter
        # 5, level 5, over a header of 27 octets and 7e 77 f3 12, the UDP checksum and "data"
        Told(
            "failure",
            FAR_NAME,
            "frames fail under the key that they name",
            ("key id mode 1, index 1, code 0ddbff06, frame counter 0x00000005",),
            (1,),
        ),
    ),
    "extended-address-unknown": Case(
        lambda: opened(air.KEY, (NODE, ROOT)),
        lambda: opened(air.KEY, (NODE, ROOT), {0x17: FAR_NODE}),
        Told(
            "remark",
            "0x0017",
            "the nonce needs the EUI-64 of the sender, and the short address is all that is known",
            (),
            (1,),
        ),
    ),
    # the source is an EUI-64: the number of the slot is all that is missing
    "slot-number-unknown": Case(
        lambda: in_slot(5, None),
        lambda: in_slot(5, 5),
        Told(
            "remark",
            FAR_NAME,
            "the nonce holds the absolute slot number, and it is not known",
            (),
            (1,),
        ),
    ),
    "key-missing": Case(
        lambda: opened(None), lambda: opened(air.KEY), Told("remark", WANTED, WANTED, (), (1,))
    ),
    "encrypted-without-integrity": Case(
        lambda: counters(1, level=4),
        lambda: counters(1, level=5),
        Told("risk", FAR_NAME, "security level 4 encrypts and does not verify", (), (1,)),
        also=UNOPENED,
    ),
    "sent-again-as-new": Case(
        lambda: twice(0.01),
        lambda: twice(5.0),
        Told(
            "remark",
            "0x0017 to 0x0001",
            "the same payload is sent again under a new number",
            ("frame 1 number 41, frame 2 number 42, 10.0 ms apart",),
            (1, 2),
        ),
    ),
    # LOWPAN_DFF, RFC 6971: assigned, and not built here; behind 9 octets of MAC header
    "not-read-further": Case(
        lambda: other_frames("43" + "00" * 8),
        lambda: other_frames(IPHC_ONLY),
        Told(
            "remark",
            "dispatch octet 0x43 in page 0 is LOWPAN_DFF, depth-first forwarding: not read further",
            "dispatch octet 0x43 in page 0 is LOWPAN_DFF, depth-first forwarding: not read further",
            ("octet 9, 6LoWPAN dispatch",),
            (1,),
            cite="RFC 6971",
        ),
    ),
}

LINK_NEAR: dict[str, tuple[str, Callable[[], Capture]]] = {
    # who acknowledges has received the whole frame (IEEE 802.15.4-2015 clause 6.7.4.2, from memory)
    "a frame over 127 octets that is acknowledged": (
        "frame-too-long",
        lambda: acknowledged(128),
    ),
    "an acknowledgement without source address, sealed by whom the frame went to": (
        "extended-address-unknown",
        lambda: acknowledged_by(air.FAR_ROOT),
    ),
    # a slotframe of 101 slots, in which it waits
    "beacons that go out a second after they were built": (
        "slot-numbers-disagree",
        lambda: beacons_of_two(0, late_s=0.9),
    ),
    "a network whose sequence 0 is another one": (
        "beacon-off-its-channel",
        lambda: hopping(5, 3, 9),
    ),
    "a node whose last beacons came before any of the others": (
        "slotframes-differ",
        lambda: Capture(
            [
                beacon(turn, 100 * turn, (FAR_ROOT, FAR_NODE)[turn > 3], size=17 + turn // 4)
                for turn in range(8)
            ]
        ),
    ),
    "a frame that is tried again and again": (
        "frame-replayed",
        lambda: counted(7, 7, 7, 8, at=(1, 2, 9, 10)),
    ),
    "frames that two receivers heard, with clocks that differ": (
        "frame-replayed",
        lambda: counted(7, 8, 7, 8, at=(1, 1.5, 1.9, 2.4)),
    ),
    # elements, and a frame counter left out, are of version 2
    "bits that version 2 has a meaning for": (
        "reserved-bits-set",
        lambda: Capture([*elements("003f" + "0388" + "011b" + "00").air, *in_slots(1000).air]),
    ),
    # the same header and contents, another slot number in the nonce: all of the code, and what is encrypted, differ
    "a frame that is sent again in a later slot, sealed anew": (
        "frame-counter-used-twice",
        lambda: in_slots(1000, 1007, counters=(7, 7), numbers=(1, 1), keys=()),
    ),
    "a frame that is heard twice in its slot": (
        "frame-counter-used-twice",
        lambda: in_slots(1000, 1000, numbers=(1, 1)),
    ),
    "a capture that has one slot number for two": (
        "frame-counter-used-twice",
        lambda: in_slots(1000, 1001, told=(1000, 1000)),
    ),
    "a slot number that comes back under another counter, where the counter makes the nonce": (
        "frame-counter-used-twice",
        lambda: replace(counters(7, 8), keys=(air.KEY,), slot=1000),
    ),
    "a frame to another receiver between two tries": (
        "frame-replayed",
        lambda: beside(counted(7, 7, at=(1, 3)), counted(8, at=(2,), destination=NODE)),
    ),
    # data requests each 20 s, the second of which brings it once more: no acknowledgement came
    "a frame that a sleeping node fetches twice": (
        "frame-replayed",
        lambda: beside(
            counted(7, 7, 8, at=(1, 21, 41)),
            Capture(
                [
                    (at - 0.01, air.raw(b"\x04", at, FAR[::-1], frame_type=FrameType.COMMAND))
                    for at in (1, 21, 41)
                ]
            ),
        ),
    ),
    "a frame that comes again, far behind": (
        "frame-counter-went-back",
        lambda: counted(7, 99, 7),
    ),
    "a frame that comes again after more counters than are kept": (
        "frame-counter-went-back",
        lambda: counted(7, *range(100, 140), 7),
    ),
    "frames that a receiver dated before its clock was set, by two years of seconds": (
        "frame-counter-went-back",
        lambda: counted(7, 99, 8, at=(1, 2, 2 * 365 * 86400)),
    ),
}
