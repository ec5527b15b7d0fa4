"""What an attacker in radio range sends: one generator an attack, each without end, from a seeded source of numbers.

The attacks are those of which the standards warn: RFC 4944 section 13 and RFC 8931 section 7 (fragments), RFC 6775
section 9 and RFC 4861 section 11 (forged advertisements and registrations), RFC 7252 section 11, RFC 9147 section 11
(handshakes), RFC 7416 (RPL), and what a decoder itself may fear: long chains of headers and byte code.
"""

import struct
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from ipaddress import IPv6Address
from random import Random
from typing import NamedTuple

from findings import air
from findings.air import ALL_NODES, BROADCAST, PAN, ROOT
from hostile.network import FRAGMENTING, NODES, PORTS, SEALED, eui

from lowpanbudget import Env, compress

ATTACKER = bytes.fromhex("6666")
ALL_RPL_NODES = IPv6Address("ff02::1a")
LINK_LOCAL_UDP = bytes.fromhex(
    "7e33f0"
)  # IPHC: hop limit 64, link-local from both link addresses; ports in line
LINK_LOCAL_OTHER = bytes.fromhex("7a33")  # the same, next header in line


class Sent(NamedTuple):
    """A frame of an attack, without its FCS."""

    octets: bytes


@dataclass(frozen=True, slots=True)
class Attack:
    """An attack: its frames, how many a second, and what it is in words.

    ``contexts``: the reader is given the context of the network. ``taken``: why an attacker in range can really take
    some of what the nodes in ``takes`` send, where that is so. ``names``: findings of which the audit must tell one.
    ``forges``: nodes in whose name the attacker speaks, so that findings about them are findings about it.
    """

    frames: Callable[[Random], Iterator[bytes]]
    rate: float
    what: str
    names: tuple[str, ...]
    contexts: bool = True
    taken: str = ""
    takes: tuple[bytes, ...] = ()
    forges: tuple[bytes, ...] = ()


def header(
    source: bytes = ATTACKER, to: bytes = ROOT, sequence: int = 0, pan: int = PAN, kind: int = 1
) -> bytes:
    """A MAC header of 2006 inside one PAN, by hand: frame control, number, PAN, destination, source."""
    modes = (2 if len(to) == 2 else 3) << 10 | (2 if len(source) == 2 else 3) << 14
    control = kind | 0x0040 | 0x1000 | modes
    return struct.pack("<HBH", control, sequence & 0xFF, pan) + to[::-1] + source[::-1]


def anyone(random: Random) -> bytes:
    """A source address that nobody has: an EUI-64, or a short address beyond those of the farm."""
    if random.random() < 0.5:
        return random.randbytes(8)
    return struct.pack(">H", random.randrange(0x1000, 0xFFF0))


def udp_in_frame(ports: tuple[int, int], data: bytes, source: bytes, to: bytes = ROOT) -> bytes:
    """IPHC and UDP between the link-local addresses of two link addresses, checksum right."""
    ends = air.address("fe80::", source), air.address("fe80::", to)
    segment = air.udp(data, *ends, ports)
    return LINK_LOCAL_UDP + segment[:4] + segment[6:8] + data


def of(
    source: IPv6Address, to: IPv6Address, kind: int, body: bytes, links: tuple[bytes, bytes]
) -> bytes:
    """An ICMPv6 message of a kind in a compressed datagram; codes stand in ``kind`` >> 8."""
    message = air.icmpv6(kind & 0xFF, body, source, to, code=kind >> 8)
    return compress(air.ip(source, to, 58, message, 255), Env(*links, contexts={})).octets


# --- fragments ---------------------------------------------------------------------------------------------


def first_fragments(random: Random) -> Iterator[bytes]:
    """First fragments from everywhere, of which no other ever comes."""
    while True:
        source = anyone(random)
        size, tag = random.randrange(100, 1281), random.randrange(1 << 16)
        head = struct.pack(">HH", 0xC000 | size, tag)
        body = LINK_LOCAL_UDP + random.randbytes(6) + random.randbytes(40)
        yield header(source, sequence=tag) + head + body


def first_fragments_of_one(random: Random) -> Iterator[bytes]:
    """The same from one node to the root."""
    while True:
        size, tag = random.randrange(100, 1281), random.randrange(1 << 16)
        head = struct.pack(">HH", 0xC000 | size, tag)
        body = LINK_LOCAL_UDP + random.randbytes(6) + random.randbytes(40)
        yield header(sequence=tag) + head + body


def later_fragments(random: Random) -> Iterator[bytes]:
    """Later fragments of datagrams that were never begun, at any offset."""
    while True:
        size, tag = random.randrange(100, 1281), random.randrange(1 << 16)
        offset = random.randrange(1, size // 8)
        head = struct.pack(">HHB", 0xE000 | size, tag, offset)
        octets = random.randbytes(min(48, size - 8 * offset) // 8 * 8 or 8)
        yield header(anyone(random), sequence=tag) + head + octets


def overlapping_fragments(random: Random) -> Iterator[bytes]:
    """Fragments under a few tags that overlap, contradict and come again."""
    before = b""
    number = 0
    while True:
        number += 1
        if before and random.random() < 0.2:
            yield before
            continue
        size, tag = random.choice((200, 208, 1280)), random.randrange(4)
        offset = random.randrange(0, 20)
        octets = random.randbytes(random.choice((8, 16, 24, 48)))
        if offset:
            part = struct.pack(">HHB", 0xE000 | size, tag, offset) + octets
        else:
            part = struct.pack(">HH", 0xC000 | size, tag) + LINK_LOCAL_UDP + bytes(6) + octets
        before = header(sequence=number) + part
        yield before


def fragments_in_anothers_name(random: Random) -> Iterator[bytes]:
    """Fragments under the address of an honest node that sends fragments, of its size, with any tag."""
    size = 40 + 8 + 7 + 36 * 8  # as ``network`` sends: IPv6, UDP, CoAP, payload
    number = 0
    while True:
        number += 1
        # as it heard of the tags that are in use
        tag, offset = number // 100 + random.randrange(40), random.randrange(1, size // 8)
        part = struct.pack(">HHB", 0xE000 | size, tag, offset) + random.randbytes(8)
        yield header(random.choice(FRAGMENTING), sequence=number) + part


def slow_drip(random: Random) -> Iterator[bytes]:
    """Two hundred datagrams at a time, of which a small fragment comes now and then, for hours."""
    tag = 0
    while True:
        tag += 200
        for offset in random.sample(range(1, 155), 40):
            for number in range(200):
                head = struct.pack(">HHB", 0xE000 | 1280, (tag + number) & 0xFFFF, offset)
                yield (
                    header(struct.pack(">H", 0x5000 + number), sequence=offset)
                    + head
                    + (random.randbytes(8))
                )


def recoverable(random: Random) -> Iterator[bytes]:
    """RFC 8931: fragments under random tags and sequences, windows without end, acknowledgements and aborts."""
    while True:
        source, tag = random.choice((ATTACKER, anyone(random))), random.randrange(256)
        sequence, size = random.randrange(32), random.randrange(1, 60)
        second = random.choice((0, 0x80)) | sequence << 2
        offset = random.randrange(0, 1200)
        kind = random.random()
        if kind < 0.1:  # an acknowledgement with some bitmap
            part = bytes([0xEA, tag]) + random.choice((bytes(4), b"\xff" * 4, random.randbytes(4)))
        elif kind < 0.15:  # an abort
            part = bytes([0xE8, tag, 0, 0, 0, 0])
        else:
            word = second << 8 | size
            part = struct.pack(">BBHH", 0xE8, tag, word, offset) + random.randbytes(size)
        yield header(source, sequence=tag) + part


# --- what nodes are told -----------------------------------------------------------------------------------


def forged_contexts(random: Random) -> Iterator[bytes]:
    """Router advertisements (RFC 4861 section 11) that give every context another prefix each time."""
    ends = air.address("fe80::", ATTACKER), ALL_NODES
    number = 0
    while True:
        number += 1
        prefix = f"2001:db8:{random.randrange(1 << 16):x}:{random.randrange(1 << 16):x}::/64"
        option = air.context_option(random.randrange(16), prefix, minutes=random.randrange(3))
        body = struct.pack(">BBHII", 64, 0, random.randrange(3), 0, 0) + option
        payload = of(*ends, 134, body, (ATTACKER, BROADCAST))
        yield header(to=BROADCAST, sequence=number) + payload


def addresses_taken(random: Random) -> Iterator[bytes]:
    """Registrations (RFC 6775 section 9) of any EUI-64 from any short address, those of sealed nodes among them."""
    root = air.address("fe80::", ROOT)
    number = 0
    while True:
        number += 1
        source = random.choice((*SEALED, struct.pack(">H", random.randrange(0x1000, 0xFFF0))))
        option = bytes([33, 2, 0, 0, 0, 0, 0, 60]) + random.randbytes(8)
        origin = air.address("fe80::", source)
        payload = of(origin, root, 135, bytes(4) + root.packed + option, (source, ROOT))
        yield header(source, sequence=number) + payload


def roots(random: Random) -> Iterator[bytes]:
    """DIOs (RFC 7416 section 7) of DODAGs, versions and ranks without end."""
    source = air.address("fe80::", ATTACKER)
    number = 0
    while True:
        number += 1
        body = struct.pack(
            ">BBHB", random.randrange(4), random.randrange(256), random.randrange(1, 1 << 16), 0x88
        )
        body += bytes(3) + random.randbytes(16) + bytes([4, 14, 0, 8, 12, 10, 8, 0, 1, 0, 0, 1])
        body += bytes([0, 120, 0, 60])
        payload = of(source, ALL_RPL_NODES, 1 << 8 | 155, body, (ATTACKER, BROADCAST))
        yield header(to=BROADCAST, sequence=number) + payload


# --- link --------------------------------------------------------------------------------------------------


def counters(random: Random) -> Iterator[bytes]:
    """Frames in the name of sealed nodes, without their key: counters that jump, come again and are exhausted."""
    number = 0
    while True:
        number += 1
        counter = random.choice(
            (random.randrange(1 << 32), 0xFFFF_FFFF, random.randrange(64), number)
        )
        head = bytearray(header(random.choice(SEALED), sequence=number))
        head[0] |= 0x08  # security enabled
        yield bytes(head) + struct.pack("<BIB", 0x0D, counter, 1) + random.randbytes(30)


def replays(random: Random) -> Iterator[bytes]:
    """A few frames of an honest node, as it would send them, again and again with other numbers."""
    frames = [
        udp_in_frame(PORTS, struct.pack(">6H", *range(at, at + 6)), NODES[0]) for at in range(8)
    ]
    while True:
        yield header(NODES[0], sequence=random.randrange(256)) + random.choice(frames)


def strangers(random: Random) -> Iterator[bytes]:
    """Datagrams from sources and PANs without end."""
    while True:
        source, pan = anyone(random), random.randrange(0xFFFF)
        number = random.randrange(256)
        payload = udp_in_frame((0xF0B1, 0xF0B2), random.randbytes(12), source)
        yield header(source, sequence=number, pan=pan) + payload


def beacons(random: Random) -> Iterator[bytes]:
    """Enhanced beacons of slotted networks whose elements change each time, and lists of elements without measure."""
    while True:
        # version 2 beacon with elements: no destination, PAN and short source
        control = 0 | 0x2000 | 0x0200 | 2 << 14
        head = struct.pack("<HBH", control, random.randrange(256), PAN)
        head += random.choice((ATTACKER, anyone(random)[:2]))[::-1]
        elements = b""
        if random.random() < 0.3:
            while len(elements) < random.choice((20, 90, 400, 1500)):
                body = random.randbytes(random.randrange(0, 8))
                elements += struct.pack("<H", len(body) | random.randrange(256) << 7) + body
        elements += struct.pack("<H", 0x7E << 7)  # HT1: payload elements follow
        inner = struct.pack("<H", 6 | 0x1A << 8) + random.randbytes(6)  # TSCH synchronization
        inner += struct.pack("<H", 1 | 0x1C << 8) + random.randbytes(1)  # timeslot
        inner += struct.pack("<H", 1 | 9 << 11 | 0x8000) + random.randbytes(1)  # channel hopping
        while random.random() < 0.7 and len(inner) < 1500:
            body = random.randbytes(random.randrange(0, 30))
            inner += struct.pack("<H", len(body) | random.randrange(128) << 8) + body
        yield head + elements + struct.pack("<H", len(inner) & 0x7FF | 1 << 11 | 0x8000) + inner


def commands(random: Random) -> Iterator[bytes]:
    """Association responses and coordinator realignments that give away every short address."""
    while True:
        to = random.choice((*map(eui, SEALED), random.randbytes(8)))
        short = random.choice((*SEALED, random.randbytes(2)))
        if random.random() < 0.5:
            payload = b"\x02" + short[::-1] + b"\x00"
        else:
            payload = b"\x08" + struct.pack("<H", PAN) + ATTACKER[::-1] + b"\x0f" + short[::-1]
        yield header(random.randbytes(8), to, random.randrange(256), kind=3) + payload


def noise(random: Random) -> Iterator[bytes]:
    """Octets without any sense, of any length."""
    while True:
        yield random.randbytes(random.randrange(1, 126))


# --- above -------------------------------------------------------------------------------------------------


def ports(random: Random) -> Iterator[bytes]:
    """CoAP to and from any port, with tokens and message IDs at random."""
    while True:
        token = random.randbytes(random.randrange(9))
        kind, code = random.randrange(4), random.choice((0, 1, 2, 5, 68, 69, random.randrange(256)))
        data = bytes([0x40 | kind << 4 | len(token), code]) + random.randbytes(2) + token
        ends = (random.randrange(1, 1 << 16), random.choice((5683, random.randrange(1, 1 << 16))))
        number = random.randrange(256)
        yield header(sequence=number) + udp_in_frame(ends, data + random.randbytes(4), ATTACKER)


def requests(random: Random) -> Iterator[bytes]:
    """Confirmable requests of thousands of nodes, which nobody answers."""
    number = 0
    while True:
        number += 1
        source = struct.pack(">H", 0x1000 + random.randrange(5000))
        data = air.coap_message(mid=number & 0xFFFF, token=random.randbytes(8), code=1)
        payload = udp_in_frame((random.randrange(1024, 1 << 16), 5683), data, source)
        yield header(source, sequence=number) + payload


def handshakes(random: Random) -> Iterator[bytes]:
    """DTLS (RFC 9147 section 11): ClientHellos without end, in pieces, from many ports, none carried on."""
    number = 0
    while True:
        number += 1
        length = random.randrange(40, 70)
        body = b"\xfe\xfd" + random.randbytes(length - 2)
        handshake = b"\x01" + struct.pack(">I", random.randrange(length, 400))[1:]
        handshake += struct.pack(">H", number & 0xFFFF) + bytes(3)
        handshake += struct.pack(">I", len(body))[1:] + body
        record = b"\x16\xfe\xfd" + struct.pack(">H", random.choice((0, random.randrange(1 << 16))))
        record += random.randbytes(6) + struct.pack(">H", len(handshake)) + handshake
        source = random.choice((ATTACKER, struct.pack(">H", 0x6600 + random.randrange(64))))
        payload = udp_in_frame((random.randrange(1024, 1 << 16), 5684), record, source)
        yield header(source, sequence=number) + payload


def chains(random: Random) -> Iterator[bytes]:
    """6LoRH headers, compressed extension headers and IPv6 in IPv6 in rows as long as a frame holds."""
    while True:
        kind = random.randrange(4)
        if kind == 0:  # source routes: critical 6LoRH of types 0 to 4
            payload = b"\xf1"
            while len(payload) < 90:
                hops = random.randrange(8)
                form = random.randrange(3)
                payload += bytes([0x80 | hops, form]) + random.randbytes((hops + 1) << form)
            payload += LINK_LOCAL_UDP + random.randbytes(6)
        elif kind == 1:  # elective ones that nobody knows, empty
            payload = (
                b"\xf1" + bytes([0xA0, random.randrange(256)]) * 45 + LINK_LOCAL_UDP + bytes(6)
            )
        elif kind == 2:  # extension headers in NHC form, each followed by another
            payload = bytes.fromhex("7e33")
            while len(payload) < 95:
                payload += bytes([0xE1 | random.choice((0, 2, 6)), 2]) + random.randbytes(2)
            payload += b"\xf0" + random.randbytes(6)
        else:  # headers in headers
            payload = bytes.fromhex("7e33") + bytes.fromhex("ee7e33") * random.randrange(1, 30)
            payload += b"\xf0" + random.randbytes(6)
        yield header(sequence=random.randrange(256)) + payload


def byte_code(random: Random) -> Iterator[bytes]:
    """RFC 7400: byte code that makes as much of each octet as it may."""
    while True:
        code = random.randbytes(2)
        while len(code) < 90:
            op = random.randrange(4)
            if op == 0:
                code += b"\x8f"  # 17 zeros
            elif op == 1:
                code += bytes([0xA0 | random.randrange(32)])
                code += bytes([0xC0 | random.randrange(64)])  # back-references, the longer the more
            elif op == 2:
                code += b"\xbf\xbf\xff"
            else:
                some = random.randrange(1, 5)
                code += bytes([some]) + random.randbytes(some)
        payload = bytes.fromhex("7e33d0") + random.randbytes(6) + code[:90]
        yield header(sequence=random.randrange(256)) + payload


ATTACKS = {
    "first-fragments": Attack(
        first_fragments, 200, "first fragments from everywhere, never finished", ("fragments-flood",)
    ),
    "one-sender": Attack(
        first_fragments_of_one, 200, "first fragments of one node, never finished", ("fragments-flood",)
    ),
    "later-fragments": Attack(
        later_fragments, 200, "later fragments of datagrams that nobody began", ("fragments-flood",)
    ),
    "overlaps": Attack(
        overlapping_fragments, 200, "fragments that overlap and use tags again",
        ("fragments-overlap", "tag-used-again"),
    ),
    "in-anothers-name": Attack(
        fragments_in_anothers_name, 20, "fragments in an honest node's name, tags at random",
        ("fragments-unfinished", "fragments-flood"),
        taken="a datagram whose tag and size are hit is lost: nothing else tells senders apart",
        takes=FRAGMENTING, forges=FRAGMENTING,
    ),
    "slow-drip": Attack(
        slow_drip, 3, "small fragments that drip for hours", ("fragments-flood", "fragments-unfinished")
    ),
    "recoverable": Attack(
        recoverable, 200, "recoverable fragments, windows, aborts", ("recoverable-fragments-failed",)
    ),
    "contexts": Attack(
        forged_contexts, 50, "forged router advertisements of contexts", ("context-announced-otherwise",)
    ),
    "contexts-learned": Attack(
        forged_contexts, 50, "the same, where the reader has to learn the contexts from the air",
        ("context-announced-otherwise",), contexts=False,
    ),
    "addresses": Attack(
        addresses_taken, 50, "registrations of short addresses that others have", ("address-of-two-devices",),
        forges=SEALED,
    ),
    "commands": Attack(
        commands, 50, "commands that give short addresses to others", ("address-of-two-devices",)
    ),
    "roots": Attack(roots, 50, "DIOs of many roots, versions and ranks", ("two-roots", "version-jumps")),
    "counters": Attack(
        counters, 100, "frame counters that jump, come again and are exhausted",
        ("integrity-code-wrong",), forges=SEALED,
    ),
    "replays": Attack(replays, 100, "frames of an honest node sent again", ("sent-again-as-new",), forges=NODES[:1]),
    "strangers": Attack(strangers, 200, "sources and PANs without end", ("addresses-without-end",)),
    "beacons": Attack(
        beacons, 100, "enhanced beacons and lists of elements that change", ("frame-too-long",)
    ),
    "noise": Attack(noise, 200, "octets without sense", ("contents-unreadable", "not-read-further")),
    "ports": Attack(ports, 100, "ports, tokens and message IDs at random", ("coap-message-forbidden",)),
    "requests": Attack(
        requests, 100, "requests of thousands of nodes", ("request-never-answered",)
    ),
    "handshakes": Attack(handshakes, 100, "DTLS handshakes without end", ("handshakes-never-ended",)),
    "chains": Attack(chains, 100, "chains of 6LoRH and extension headers", ("octets-contradict",)),
    "byte-code": Attack(byte_code, 100, "byte code that expands", ("octets-contradict",)),
}  # fmt: skip
