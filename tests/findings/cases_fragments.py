"""A capture that fires each finding about fragments and networks, and a near miss.

A datagram of 300 octets of data has 40 + 8 + 300 = 348. Its first fragment, in a room of 102, holds 4 octets of
fragment header, 2 of LOWPAN_IPHC and 4 of UDP (ports in one octet, the checksum) and then 88 of data, the most up to 92
that end at a multiple of 8: it stands for 136 octets. The next two hold 96 behind 5 octets, to 231 and 327; the last
holds 20.
"""

from collections.abc import Callable
from functools import partial
from ipaddress import IPv6Address

from findings import air
from findings.air import BROADCAST, FAR_NODE, FAR_ROOT, NODE, PREFIX, ROOT, Capture
from findings.judge import Case, Told

from lowpanbudget import Env, encode_frame, split

OTHER = b"\x00\x18"
LARGE = 300  # octets of data: four frames or so
LONG_FRAMES = """
title = "A store whose nodes take long datagrams"
link = {{ phy = "sun-fsk", addresses = "short", pan_id = 0xabcd }}
network = {{ nodes = 2, mtu = {mtu} }}
[[context]]
id = 0
prefix = "2001:db8:1::/64"
[[station]]
name = "node"
role = "node"
short = 0x17
prefix = "2001:db8:1::/64"
[[station]]
name = "root"
role = "border"
short = 0x01
prefix = "2001:db8:1::/64"
[[flow]]
name = "up"
source = "node"
destination = "root"
hops = 1
source_port = 0xf0b1
destination_port = 0xf0b2
"""
Timed = list[bytes | tuple[float, bytes]]
Sent = list[tuple[float, bytes]]


def cut(
    octets: int = LARGE, *, tag: int = 7, room: int = 102, at: float = 1.0, every: float = 0.02,
    links: tuple[bytes, bytes] = (NODE, ROOT), prefix: str = PREFIX,
) -> Sent:  # fmt: skip
    """The fragments of a datagram with their times."""
    parts = air.pieces(air.datagram(bytes(octets), prefix, links), links, tag=tag, room=room)
    return [(at + index * every, part) for index, part in enumerate(parts)]


def cut_in_byte_code() -> Capture:
    """160 zeros in two fragments: 96 in byte code in the first one, 64 as they are.

    RFC 7400 table 1: 1000nnnn stands for nnnn + 2 zeros, NHC 11010CPP for 11110CPP.
    """
    packed = air.payload(air.datagram(bytes(160)))
    at = packed.index(0xF3)
    head = packed[:at] + b"\xd3" + packed[at + 1 : len(packed) - 160]
    size, tag = 40 + 8 + 160, b"\x00\x07"
    first = (0b11000 << 11 | size).to_bytes(2, "big") + tag + head + bytes.fromhex("8f8f8f8f8f89")
    later = (0b11100 << 11 | size).to_bytes(2, "big") + tag + bytes([(48 + 96) // 8]) + bytes(64)
    return Capture([air.encoded(air.mac(n), part) for n, part in enumerate((first, later), 1)])


def sized(size: int) -> Capture:
    """A first fragment with this datagram_size, in 11 bits behind 11000 (RFC 4944 section 5.3)."""
    head = (0b11000 << 27 | size << 16 | 7).to_bytes(4, "big")
    return Capture([air.raw(head + air.payload(air.datagram(bytes(40)))[:48])])


def in_one_long_frame(*data: int, mtu: int | None = None) -> Capture:
    """Datagrams of so many octets behind 48 of headers, as a PHY with frames of 2047 octets carries them."""
    frames = [
        encode_frame(air.mac(number), air.payload(air.datagram(bytes([number]) * octets)), fcs=4)
        for number, octets in enumerate(data, 1)
    ]
    plan = None
    if mtu is not None:
        plan = air.design(LONG_FRAMES.format(mtu=mtu))
    return Capture([frame.octets for frame in frames], design=plan, fcs=4)


def spilled() -> Capture:
    """A later fragment whose size 2100 took the bit beside its dispatch: 11101."""
    head = (0b11100 << 27 | 2100 << 16 | 7).to_bytes(4, "big") + bytes([12])
    return Capture([air.raw(head + bytes(40))])


def edited(change: dict[int, tuple[int, bytes]]) -> Capture:
    """Fragments of a datagram with octets of their MAC payloads (which start at 9) replaced."""
    frames: Timed = []
    for number, item in enumerate(cut()):
        assert isinstance(item, tuple)
        octets = bytearray(item[1])
        if number in change:
            place, new = change[number]
            octets[9 + place : 9 + place + len(new)] = new
        frames.append((item[0], air.mended(bytes(octets))))
    return Capture(frames)


def rests_of_two() -> Capture:
    """Of two datagrams of one size the third fragment came, and all but the third: their numbers tell them apart."""
    other = air.pieces(air.datagram(b"\xa5" * LARGE), tag=8, start=5)
    return Capture([*early(cut(), 2), (1.05, other[2]), (200.0, air.frame(air.datagram(), 99))])


def second_offset(value: int) -> Capture:
    return edited({1: (4, bytes([value]))})


def compressed_offset() -> Capture:
    """The second fragment starts where the first ended on the air, in units of 8 octets."""
    first = air.pieces(air.datagram(bytes(LARGE)))[0]
    wire = len(first) - 9 - 2 - 4
    return second_offset(wire // 8)


def last_of(octets: int) -> Capture:
    """Fragments with room to spare; a last one of 80 and some octets is cut once more, ``octets`` of it left over."""
    for data in range(200, 300):
        *parts, last = air.pieces(air.datagram(bytes(data)), room=90)
        head, rest = last[9:14], last[14:-2]
        if len(rest) == 80 + octets:
            again = head[:4] + bytes([head[4] + 10])  # the offset in units of 8
            parts += [air.raw(head + rest[:80], 50), air.raw(again + rest[80:], 51)]
            return Capture([(1 + n / 50, part) for n, part in enumerate(parts)])
    raise AssertionError(octets)


def as_cut() -> Capture:
    """The same size as ``last_of(4)``, cut as the project cuts it: the last fragment has 84 octets."""
    ends = {
        len(air.pieces(air.datagram(bytes(data)), room=90)[-1]): data for data in range(200, 300)
    }
    return Capture([*cut(ends[9 + 5 + 84 + 2], room=90)])


def early(frames: Sent, *without: int) -> Sent:
    """The frames but for those numbered."""
    return [frame for number, frame in enumerate(frames) if number not in without]


def pausing(*times: float) -> Capture:
    """Three datagrams of so many frames, 400 s apart, whose frames come at these times; later another frame."""
    frames: Timed = []
    for number in range(3):
        parts = air.pieces(air.datagram(bytes(LARGE)), tag=number + 1)[: len(times)]
        frames += [(1 + 400.0 * number + at, part) for at, part in zip(times, parts, strict=True)]
    return Capture([*frames, (1600.0, air.frame(air.datagram(), 99))])


def unfinished(lost: int) -> Capture:
    """Four datagrams a minute and a half apart; of ``lost`` the last frame is missing."""
    frames: Timed = []
    for number in range(4):
        one = cut(tag=number, at=1 + 100.0 * number)
        frames += early(one, len(one) - 1) if number < lost else one
    return Capture([*frames, (600.0, air.frame(air.datagram()))])


def passed_by(
    *missed: int,
    times: int = 4,
    hole: bool = True,
    asks: bool = True,
    every: float = 100.0,
    links: tuple[bytes, bytes] = (NODE, ROOT),
) -> Capture:
    """Datagrams whose sender counts on from one to the next; the capture missed some frames of each.

    Without a ``hole`` in its numbers those were never sent; else each may have been acknowledged, where the sender
    ``asks`` for that. The last frame comes when each datagram has had its time.
    """
    frames: Timed = []
    number = 0
    for tag in range(times):
        for index, (at, octets) in enumerate(cut(tag=tag, at=1 + every * tag, links=links)):
            number += index not in missed or hole
            if index not in missed:
                control = bytes([octets[0] if asks else octets[0] & ~0x20])  # AR, bit 5
                frames.append(
                    (at, air.mended(control + octets[1:2] + bytes([number]) + octets[3:]))
                )
    last = air.frame(air.datagram(links=links), number + 1, links)
    return Capture([*frames, (1 + every * times, last)])


def in_turns(*missed: int, hole: bool = True) -> Capture:
    """Three pairs of datagrams of one node, of 4 fragments each that it sends in turn, one in a slotframe of 1.01 s.

    That of 101 slots of 10 ms (RFC 9033 section 14). Of the first of each pair some were missed, or never sent.
    """
    frames: Timed = [(0.5, air.frame(air.datagram(), 0))]
    number = 0
    for turn in range(3):
        pair = cut(tag=2 * turn), cut(tag=2 * turn + 1)
        for n in range(8):
            is_missed = not n % 2 and n // 2 in missed
            number += hole or not is_missed
            if not is_missed:
                octets = pair[n % 2][n // 2][1]
                at = 1 + 100.0 * turn + 1.01 * n
                frames.append((at, air.mended(octets[:2] + bytes([number]) + octets[3:])))
    return Capture([*frames, (400.0, air.frame(air.datagram(), number + 1))])


def with_beacons(capture: Capture) -> Capture:
    """The same, and a plain beacon of the node half-way between its datagrams.

    It has the next number of macBSN, data and commands have macDSN (IEEE 802.15.4-2006 7.2.2.1.1, from memory).
    """
    rest = air.PAN.to_bytes(2, "little") + NODE[::-1] + b"\xff\xcf\0\0\0\0"
    told = [(51.0 + 100 * n, air.mended(b"\0\x80" + bytes([90 + n]) + rest)) for n in range(4)]
    return Capture(sorted([*capture.timed(), *told], key=lambda one: one[0]))


def two_passed_by(*missed: int) -> Capture:
    """Datagrams of two senders at once; the capture missed the same of both, and their next numbers tell so."""
    both = [*passed_by(*missed).air, *passed_by(*missed, links=(OTHER, ROOT)).air]
    return Capture(sorted(both, key=lambda one: one[0]))


def partly_missed() -> Capture:
    """Three datagrams whose last fragment was never sent, then one whose second was missed: number 11 of 10 to 13."""
    torn = passed_by(3, times=3, hole=False).air[:-1]
    rest = early(renumbered(cut(tag=9, at=301.0), 10), 1)
    return Capture([*torn, *rest, (500.0, air.frame(air.datagram(), 14))])


def replayed_pieces() -> Capture:
    """Datagrams in sealed fragments; the first fragment of each comes again after three minutes."""
    links = (FAR_NODE, FAR_ROOT)
    packets = [air.datagram(bytes([tag]) * LARGE, links=links) for tag in range(3)]
    frames: Sent = []
    counter = 0
    for tag, packet in enumerate(packets):
        sent: list[bytes] = []
        for part in split(packet, Env(*links, contexts=air.CONTEXTS), room=80, tag=tag):
            counter += 1
            # steps so wide are no holes in the sequence numbers
            sent.append(air.secured(b"", counter * 70 & 0xFF, counter, packed=part))
        frames += [(1 + 300.0 * tag + n / 50, one) for n, one in enumerate(sent)]
        frames.append((181 + 300.0 * tag, sent[0]))
    last = air.secured(b"", counter + 1, counter + 1)
    return Capture([*frames, (900.0, last)], keys=(air.KEY,))


def one_tag(second: int) -> Capture:
    """A datagram whose last fragment is lost; five seconds later one with other data, under this tag."""
    other = air.pieces(air.datagram(b"\x01" * LARGE), tag=second, start=11)
    return Capture([*early(cut(), 3), *((6 + n / 50, part) for n, part in enumerate(other))])


def tagged(*tags: int, changes: bool = True) -> Capture:
    """Datagrams under these tags, of 348 octets in 4 frames, one after the other; with other octets each or alike."""
    frames: list[bytes | tuple[float, bytes]] = []
    for number, tag in enumerate(tags):
        packet = air.datagram(bytes([number * changes]) * 300)
        frames += air.pieces(packet, tag=tag, start=4 * number)
    return Capture(frames)


def interleaved(second: int) -> Capture:
    """Two datagrams of one hop and size at once, three times; one begins behind two frames of the other."""
    frames: Timed = []
    for turn in range(3):
        ones = air.pieces(air.datagram(bytes([turn]) * LARGE), tag=7, start=10 * turn)
        others = air.pieces(air.datagram(b"\xa5" * LARGE), tag=second, start=10 * turn + 4)
        order = (*ones[:2], *others[:1], *ones[2:], *others[1:])
        frames += [(1 + 100 * turn + n / 50, part) for n, part in enumerate(order)]
    return Capture([*frames, (400.0, air.frame(air.datagram(), 99))])


def torn(apart: float) -> Capture:
    """Six datagrams of one node, each without its last frame, so many seconds apart."""
    frames: Timed = []
    for number in range(6):
        frames += early(cut(tag=number, at=1 + apart * number), 3)
    return Capture([*frames, (900.0, air.frame(air.datagram(), 99))])


def later_ones(count: int) -> Capture:
    """Second fragments of so many datagrams, ten a second, and nothing else of them."""
    packets = [air.pieces(air.datagram(bytes(LARGE)), tag=tag, start=tag) for tag in range(count)]
    return Capture([(1 + tag / 10, parts[1]) for tag, parts in enumerate(packets)])


def begun(count: int) -> Capture:
    """First fragments of so many datagrams, ten a second, and nothing behind them."""
    packets = [air.pieces(air.datagram(bytes(LARGE)), tag=tag, start=tag) for tag in range(count)]
    return Capture([(1 + tag / 10, parts[0]) for tag, parts in enumerate(packets)])


def begun_beside(whole: int) -> Capture:
    """32 first fragments as in ``begun``, and so many datagrams in two fragments that are whole."""
    frames = list(begun(32).air)
    for tag in range(100, 100 + whole):
        frames += cut(100, tag=tag, at=1.05 + (tag - 100) / 10, every=0.01)
    return Capture(sorted(frames, key=lambda one: one[0]))


def repeats(times: int, *, apart: float = 1.0) -> Capture:
    frames = cut()
    assert isinstance(frames[1], tuple)
    again: Timed = []
    for number in range(times):
        octets = bytearray(frames[1][1])
        octets[2] = 100 + number  # a new sequence number, a second later
        again.append((frames[1][0] + apart * (1 + number), air.mended(bytes(octets))))
    return Capture(
        [frames[0], frames[1], *again, *[(9.0, f[1]) for f in frames[2:] if isinstance(f, tuple)]]
    )


def repeats_acknowledged(times: int) -> Capture:
    """The second fragment again and again, 20 ms apart; each is acknowledged 5 ms behind it, by its number."""
    acknowledged: Timed = []
    for time_s, octets in (one for one in repeats(times, apart=0.02).air if isinstance(one, tuple)):
        answer = air.mended(bytes([2, 0, octets[2], 0, 0]))
        acknowledged += [(time_s, octets), (time_s + 0.005, answer)]
    return Capture([*acknowledged])


def late_first(copies: int) -> Capture:
    """A datagram whose first fragment comes again when it is whole, a second apart and each time under a new number."""
    frames = cut()
    assert isinstance(frames[0], tuple)
    first = frames[0][1]
    for number in range(copies):
        again = air.mended(first[:2] + bytes([100 + number]) + first[3:])
        frames.append((5.0 + number, again))
    return Capture([*frames, (200.0, air.frame(air.datagram(), 99))])


def renumbered(frames: Sent, start: int = 1) -> Sent:
    """The same frames under numbers without a hole."""
    numbers = range(start, start + len(frames))
    return [
        (at, air.mended(octets[:2] + bytes([number]) + octets[3:]))
        for number, (at, octets) in zip(numbers, frames, strict=True)
    ]


def grown(*, apart: float) -> Capture:
    """Four datagrams, so many seconds apart, whose second fragments give a size that is 8 octets more.

    "all of the link fragments [...] SHALL" have one datagram_size (RFC 4944 section 5.3): 2 octets behind 9 of MAC.
    """
    frames: Sent = []
    for number in range(4):
        (at, first), *others = cut(150, tag=number, at=1 + apart * number)
        frames.append((at, first))
        for later_at, one in others:
            size = int.from_bytes(one[9:11], "big") + 8
            frames.append((later_at, air.mended(one[:9] + size.to_bytes(2, "big") + one[11:])))
    return Capture([*renumbered(frames), (900.0, air.frame(air.datagram(), 99))])


def meeting(*, apart: float, alone: int = 0, before: int = 0) -> Capture:
    """Three pairs of datagrams to the root; those of one node lose a frame that it never sends.

    So many more of its datagrams lose it while no other is sent, and so many came whole ``before`` all of them.
    """
    frames: list[tuple[float, bytes]] = []
    for number in range(before):
        frames += cut(tag=100 + number, at=1 + 200.0 * number, every=0.5, links=(OTHER, ROOT))
    start = 1 + 200.0 * before
    for number in range(3):
        at = start + 200.0 * number
        whole = cut(tag=number, at=at, every=0.5)
        torn = cut(tag=number, at=at + apart, every=0.5, links=(OTHER, ROOT))
        frames += [*whole, *renumbered(early(torn, 2))]
    for number in range(3, 3 + alone):
        torn = cut(tag=number, at=start + 200.0 * number, every=0.5, links=(OTHER, ROOT))
        frames += renumbered(early(torn, 2))
    frames.append((start + 899.0 + 200 * alone, air.frame(air.datagram())))
    return Capture(sorted(frames, key=lambda frame: frame[0]))


def meeting_in_vain(*, answered: bool) -> Capture:
    """Three pairs of datagrams to the root, all acknowledged; one node ends each with its second frame.

    That is tried four times, without an acknowledgement unless it is ``answered`` at last (IEEE 802.15.4-2006 clause
    7.2.2.3, from memory, as in ``cases_nodes.acknowledgement``).
    """
    frames: Sent = []
    for number in range(3):
        at = 1 + 200.0 * number
        first, last = renumbered(cut(tag=number, at=at + 0.1, every=0.5, links=(OTHER, ROOT))[:2])
        tries = [(last[0] + 0.005 * turn, last[1]) for turn in range(4)]
        acknowledged = [*cut(tag=number, at=at, every=0.5), first, *tries[3:] * answered]
        frames += [*cut(tag=number, at=at, every=0.5), first, *tries]
        for heard_s, octets in acknowledged:
            frames.append((heard_s + 0.001, air.mended(bytes([0x02, 0x00, octets[2], 0, 0]))))
    frames.append((899.0, air.frame(air.datagram())))
    return Capture(sorted(frames, key=lambda frame: frame[0]))


def advertised(options: int) -> Capture:
    told = [air.context_option(number, f"2001:db8:{number + 1}::/64") for number in range(options)]
    packet = air.advertisement(*told)
    links = (ROOT, BROADCAST)
    return Capture([(1.0 + n / 50, part) for n, part in enumerate(air.pieces(packet, links))])


def inner_length(more: int) -> Capture:
    """Uncompressed IPv6 (dispatch 0x41, RFC 4944 section 5.1) in IPv6, the inner payload length ``more`` too large."""
    source, to = air.address(PREFIX, NODE), air.address(PREFIX, ROOT)
    inner = bytearray(air.datagram())
    inner[4:6] = (len(inner) - 40 + more).to_bytes(2, "big")
    return Capture([air.raw(b"\x41" + air.ip(source, to, 41, bytes(inner)))])


def group(links: tuple[bytes, bytes]) -> Capture:
    return Capture([*cut(links=links)])


def dio_of(kind: int) -> bytes:
    """A DODAG configuration, whose flag says which option type there is (RFC 9008 section 4.1.3)."""
    source, to = air.address("fe80::", ROOT), IPv6Address("ff02::1a")
    base = bytes([0, 1, 1, 0, 0x88, 0, 0, 0]) + air.address(PREFIX, ROOT).packed
    # flags: |0 0 0|1|A| PCS |: the flag is bit 3
    option = bytes([4, 14, 0x10 * (kind == 0x23), 8, 3, 10]) + bytes.fromhex("07000100000000ff003c")
    packet = air.ip(source, to, 58, air.icmpv6(155, base + option, source, to, 1), 255)
    return air.frame(packet, 1, (ROOT, BROADCAST))


def announced(kind: int) -> Capture:
    """DIOs tell of type 0x23, then comes a datagram with an option."""
    return Capture([dio_of(0x23), air.frame(air.with_option(b"up", kind=kind), 2)])


def leaving(kind: int, *, lorh: bool = False, announces: int | None = None) -> Capture:
    """A datagram to a host outside, before a DIO that may announce the type."""
    far = IPv6Address("2001:db8:f00d:2::10")
    packet = air.with_option(b"out", kind=kind, to=far)
    out = air.raw(air.payload(packet, lorh=True)) if lorh else air.frame(packet)
    return Capture([out] if announces is None else [out, dio_of(announces)])


def from_prefix(prefix: str, root: IPv6Address) -> Capture:
    """A datagram to the root's usual address, with the option of type 0x63, from a node's address of this prefix."""
    packet = air.with_option(b"up", prefix, to=air.address(air.PREFIX, air.ROOT))
    return Capture([air.frame(packet)], root=root)


def from_outside(*, tunnel: bool, source: str = "2001:db8:f00d:2::10") -> Capture:
    """RFC 9008 section 7.2.2: the option of a packet from outside stands behind an outer header of the root."""
    far, root, node = (
        IPv6Address(source),
        *(air.address(air.PREFIX, link) for link in (air.ROOT, air.NODE)),
    )
    segment = air.udp(b"in", far, node)
    option = bytes([41 if tunnel else 17, 0, 0x63, 4, 0x80, 0, 2, 0])  # O: down
    whole = air.ip(far, node, 0, option + segment)
    if tunnel:
        whole = air.ip(root, node, 0, option + air.ip(far, node, 17, segment))
    return Capture([air.frame(whole, 1, (air.ROOT, air.NODE))])


def marked_down(*, root: bool) -> Capture:
    """A datagram that the relay passes on from a node of the network to one outside, marked as going down."""
    far, node = IPv6Address("2001:db8:f00d:2::10"), air.address(air.PREFIX, air.NODE)
    option = bytes([17, 0, 0x63, 4, 0x80, 0, 3, 0])  # O: down
    segment = option + air.udp(b"out", node, far)
    hops = ((air.NODE, ROUTED[1]), (ROUTED[1], air.ROOT))[root:]
    frames = [
        air.frame(air.ip(node, far, 0, segment, 64 - at), at, hop) for at, hop in enumerate(hops)
    ]
    return Capture([*frames], root=air.address(air.PREFIX, air.ROOT) if root else None)


ROUTED = (ROOT, b"\x00\x09")


def routed_packet() -> bytes:
    """Two addresses behind the first router's (RFC 6554 section 3), whole: 8 + 2 x 16 octets; 144 of data."""
    source, first, second, final = (
        air.address(air.PREFIX, link) for link in (*ROUTED, b"\x00\x0a", air.NODE)
    )
    route = bytes([17, 4, 3, 2, 0, 0, 0, 0]) + second.packed + final.packed
    return air.ip(source, first, 43, route + air.udp(bytes(144), source, final))


def route_counted(less: int, *, tag: int = 7, last: int = 96) -> Capture:
    """The packet in fragments, its route counted as ``less``; a third one brings what ``last`` leaves of 96."""
    packet = routed_packet()
    sent = air.payload(packet, ROUTED, lorh=True)
    size, cut = len(packet) - less, len(sent) - 96  # the first brings 48 of the data
    head, offset = size.to_bytes(2, "big") + tag.to_bytes(2, "big"), (40 + 40 + 8 + 48 - less) // 8
    parts = [bytes([0xC0 | head[0]]) + head[1:] + sent[:cut]]  # RFC 4944 section 5.3
    for start in range(0, 96, last):
        place = bytes([offset + start // 8])
        parts.append(bytes([0xE0 | head[0]]) + head[1:] + place + sent[cut + start :][:last])
    return Capture([air.raw(part, number, ROUTED) for number, part in enumerate(parts, 1)])


def route_out_of_order() -> Capture:
    """The second fragment, the first, which reaches 24 octets into it, and the second again.

    The overlap ends the datagram, and the first begins another (RFC 4944 section 5.3).
    """
    first, second = (part for part in route_counted(24).air if isinstance(part, bytes))
    again = air.mended(second[:2] + b"\x07" + second[3:])
    return Capture([second, first, again])


def routes_counted(less: int) -> Capture:
    """Four such datagrams in three fragments, 5 s apart, and the capture goes on."""
    frames: Sent = [
        (5.0 * tag + index / 50, part)
        for tag in range(4)
        for index, part in enumerate(route_counted(less, tag=tag, last=48).air)
        if isinstance(part, bytes)
    ]
    return Capture([*frames, (400.0, air.frame(air.datagram(), 200))])


def options(count: int, *, lorh: bool = False) -> Capture:
    return Capture(
        [
            air.raw(air.payload(air.with_option(bytes([n])), lorh=lorh), n)
            for n in range(1, count + 1)
        ]
    )


def recoverable(*numbers: int, again_s: float | None = None) -> Capture:
    """RFC 8931 section 5.1: two fragments of a compressed datagram, three times; an hour later another frame.

    The last of them may be sent ``again`` so long after it.

    |1110100|E| tag |X|sequence 5|size 10|offset 16|; sequence 0 has the whole size as its offset.
    """
    whole = air.payload(air.datagram(bytes(100)))
    parts = (whole[:80], whole[80:])
    frames: Timed = []
    for turn in range(3):
        for number in numbers:
            fields = number << 26 | len(parts[number]) << 16 | (len(whole) if number == 0 else 80)
            octets = bytes([0xE8, turn]) + fields.to_bytes(4, "big") + parts[number]
            frames.append((100.0 * turn + number + 1, air.raw(octets, 10 * turn + number)))
        if again_s is not None:
            frames.append((frames[-1][0] + again_s, air.raw(octets, 10 * turn + 9)))
    return Capture([*frames, (3600.0, air.raw(bytes([0xE8, 99]) + frames_of_one(whole), 99))])


def headers_cut(brings: int, *, recoverable: bool, data: int = 40) -> Capture:
    """Three datagrams whose first fragment brings so many octets of their compressed form; an hour later another frame.

    2 of LOWPAN_IPHC and 4 of UDP are headers, as above. FRAGN goes on behind the 48 octets that they stand for; RFRAG
    where the first ended.
    """
    packet = air.datagram(bytes(data))
    whole = air.payload(packet)
    frames: Timed = []
    for turn in range(3):
        at = 1 + 100.0 * turn
        if recoverable:
            first = (brings << 16 | len(whole)).to_bytes(4, "big") + whole[:brings]
            fields = 1 << 31 | 1 << 26 | len(whole[brings:]) << 16 | brings
            parts = [
                bytes([0xE8, turn]) + one
                for one in (first, fields.to_bytes(4, "big") + whole[brings:])
            ]
        else:
            head = len(packet).to_bytes(2, "big") + bytes([0, turn])
            parts = [
                bytes([dispatch << 3 | head[0]]) + head[1:] + rest
                for dispatch, rest in ((0b11000, whole[:brings]), (0b11100, b"\x06" + packet[48:]))
            ]
        frames += [(at + n / 50, air.raw(one, 2 * turn + n)) for n, one in enumerate(parts)]
    return Capture([*frames, (3600.0, air.frame(air.datagram(), 99))])


def acknowledged(*bitmaps: int, again: int | None = None) -> Capture:
    """Three recoverable fragments under tag 7, and acknowledgements of them (section 5.2: bit 0 is sequence 0).

    One fragment may be sent ``again`` behind those; more than a minute later comes another frame.
    """
    whole = air.payload(air.datagram(bytes(100)))
    cuts = (0, 40, 80, len(whole))
    parts = []
    for number in range(3):
        piece = whole[cuts[number] : cuts[number + 1]]
        fields = number << 26 | len(piece) << 16 | (cuts[number] or len(whole))
        parts.append(b"\xe8\x07" + fields.to_bytes(4, "big") + piece)
    back = [
        air.raw(b"\xea\x07" + bitmap.to_bytes(4, "big"), n, (ROOT, NODE))
        for n, bitmap in enumerate(bitmaps)
    ]
    frames = [air.raw(part, n) for n, part in enumerate(parts)]
    resent = [] if again is None else [air.raw(parts[again], 50)]
    return Capture([*frames, *back, *resent, (90.0, air.frame(air.datagram(), 99))])


def recovered(data: int, cut: int) -> Capture:
    """A datagram in recoverable fragments (RFC 8931 section 5.1) of ``cut`` octets of the compressed form."""
    whole = air.payload(air.datagram(bytes(data)))
    frames = []
    for number, start in enumerate(range(0, len(whole), cut)):
        piece = whole[start : start + cut]
        fields = number << 26 | len(piece) << 16 | (start or len(whole))
        frames.append(air.raw(b"\xe8\x07" + fields.to_bytes(4, "big") + piece, number + 1))
    return Capture(list(frames))


def recoverable_interleaved(second: int) -> Capture:
    """Two datagrams of one hop at once: the first fragment of the second behind that of the first, then both others."""
    parts = []
    for tag, data in ((7, bytes(100)), (second, b"\xa5" * 100)):
        whole = air.payload(air.datagram(data))
        head = tag.to_bytes(1, "big")
        parts.append(b"\xe8" + head + frames_of_one(whole))
        fields = 1 << 26 | len(whole[80:]) << 16 | 80
        parts.append(b"\xe8" + head + fields.to_bytes(4, "big") + whole[80:])
    order = (parts[0], parts[2], parts[1], parts[3])
    frames: Timed = [(1 + n / 50, air.raw(part, n)) for n, part in enumerate(order)]
    return Capture([*frames, (100.0, air.raw(parts[0], 99))])


def frames_of_one(whole: bytes) -> bytes:
    return (len(whole[:80]) << 16 | len(whole)).to_bytes(4, "big") + whole[:80]


WHOLE = "datagram of 348 octets, tag 0x0007"

FRAGMENT_CASES = {
    # RFC 8931 section 3: "any header that cannot fit within the first fragment MUST NOT be compressed". 9 octets of MAC
    # header, 6 of RFRAG, 2 of IPHC, then NHC and ports: at octet 19 the checksum; 6 + 40 octets in all
    "headers-beyond-first-fragment": Case(
        lambda: headers_cut(5, recoverable=True),
        lambda: headers_cut(6, recoverable=True),
        Told(
            "failure",
            "0x0017",
            "the first fragment ends within its compressed headers: "
            "checksum needs 2 octets, 1 octet left",
            (
                "octet 19, UDP NHC",
                "the first fragment brings 5 octets of a datagram of 46 octets",
            ),
            (1, 3, 5),
            3,
            cite="RFC 8931 §3",
        ),
    ),
    # the first of two fragments, 80 octets, three times; the one that the capture ends with is not counted
    "recoverable-fragments-failed": Case(
        lambda: recoverable(0),
        lambda: recoverable(0, 1),
        Told(
            "risk",
            "0x0017 to 0x0001",
            "datagrams in recoverable fragments were given up",
            (
                "tag 0x00: the time ran out, 80 octets had come",
                "tag 0x01: the time ran out, 80 octets had come",
                "tag 0x02: the time ran out, 80 octets had come",
            ),
            (1, 2, 3),
            3,
        ),
    ),
    # 11000 and 30 in 11 bits
    "datagram-size-impossible": Case(
        lambda: sized(30),
        lambda: sized(88),
        Told(
            "failure",
            "0x0017",
            "datagram_size 30 cannot hold the 40 octets of an IPv6 header",
            ("payload starts c0 1e 00 07 7e",),
            (1,),
        ),
    ),
    # 6 octets of headers and 88 of data are 94, which units of 8 count as 88
    "datagram-size-too-small": Case(
        compressed_offset,
        lambda: edited({}),
        Told(
            "failure",
            "0x0017",
            "the second starts at 88, by the 94 octets that the first took on the air; "
            "the first stands for 136",
            (WHOLE,),
            (1, 2),
        ),
    ),
    # 136 is 0x88 and 136 units of 8 are 1088 octets; 348 is 0x15c
    "fragment-offset-wrong": Case(
        lambda: second_offset(_end_of_first()),
        lambda: edited({}),
        Told(
            "failure",
            "0x0017",
            "datagram_offset 1088 lies beyond datagram_size 348",
            (
                "payload starts e1 5c 00 07 88",
                "the fragment before ended at octet 136: the offset counts octets",
            ),
            (1, 2),
        ),
    ),
    # of 348 octets, 0x15c, and of 8 more in the third of four fragments
    "fragments-disagree": Case(
        lambda: edited({2: (0, b"\xe1\x64")}),
        lambda: edited({}),
        Told(
            "failure",
            "0x0017 to 0x0001",
            "fragments of one datagram have different sizes",
            (
                "datagram of 348 octets, tag 0x0007: octets 0-135, 136-231, 328-347",
                "datagram of 356 octets, tag 0x0007: octets 232-327",
            ),
            (1, 2, 3, 4),
        ),
    ),
    # in a room of 90 the fragments end at 128 and 208; 80 and 4 more are 292; the frame of 80 has 9 + 5 + 80 + 2
    "last-fragment-needless": Case(
        lambda: last_of(4),
        as_cut,
        Told(
            "waste",
            "0x0017 to 0x0001",
            "the last fragment brings 4 octets, the frame before it had 31 to spare",
            ("datagram of 292 octets, tag 0x0007",),
            (1, 2, 3, 4),
        ),
    ),
    # 9 of MAC header, 6 of compressed headers, 60 of data, 2 of check sequence
    "fragmented-without-need": Case(
        lambda: Capture([*cut(60, room=60)]),
        lambda: Capture([*cut(LARGE)]),
        Told(
            "waste",
            "0x0017 to 0x0001",
            "2 fragments make a frame of 77 octets, 50 to spare",
            ("datagram of 108 octets, tag 0x0007",),
            (1, 2),
        ),
    ),
    # the third is the first that comes too late, the fourth comes after 105 s
    "fragments-too-slow": Case(
        lambda: Capture([*cut(every=35.0)]),
        lambda: Capture([*cut(every=15.0)]),
        Told(
            "failure",
            "0x0017 to 0x0001",
            "a fragment comes 70.0 s after the first, receivers wait 60 s",
            (WHOLE,),
            (1, 2, 3, 4),
            2,
        ),
    ),
    # the first frames of three times three that came
    "fragments-unfinished": Case(
        lambda: unfinished(3),
        lambda: unfinished(0),
        Told(
            "risk",
            "0x0017 to 0x0001",
            "3 of 4 datagrams in fragments were not completed",
            tuple(
                f"datagram of 348 octets, tag {tag:#06x}: octets 328-347 did not come"
                for tag in range(3)
            ),
            (1, 4, 7),
            3,
        ),
    ),
    # ten a second; each is open for 60 s
    "fragments-flood": Case(
        lambda: begun(40),
        lambda: begun(31),
        Told(
            "failure",
            "0x0001",
            "40 of 40 datagrams to 0x0001 were begun and never went on, up to 40 at once",
            ("from 0x0017 in 3.9 s",),
            tuple(range(1, 13)),
            40,
        ),
    ),
    "fragment-repeated": Case(
        lambda: repeats(3),
        lambda: repeats(2),
        Told(
            "remark",
            "0x0017 to 0x0001",
            "fragments are repeated octet range by octet range",
            ("datagram of 348 octets, tag 0x0007, octets 136 to 231",),
            (3, 4, 5),
            3,
        ),
    ),
    # one unit before the end of the first
    "fragments-overlap": Case(
        lambda: second_offset(_end_of_first() // 8 - 1),
        lambda: edited({}),
        Told(
            "failure",
            "0x0017 to 0x0001",
            "octet ranges of one datagram overlap",
            ("datagram of 348 octets, tag 0x0007: 0-135, 128-223",),
            (1, 2),
        ),
    ),
    # two addresses of 2 octets, filled up: 8 + 8; the datagram has 40 of IPv6, 8 of UDP and 144 of data
    "offsets-count-otherwise": Case(
        lambda: route_counted(24),
        lambda: route_counted(0),
        Told(
            "remark",
            "0x0001 to 0x0009",
            "fragments follow each other where the source route counts as 16 octets, not 40",
            ("datagram of 208 octets, tag 0x0007: 0-135, 112-207",),
            (1, 2),
        ),
    ),
    # three of four came of the first
    "tag-used-again": Case(
        lambda: one_tag(7),
        lambda: one_tag(8),
        Told(
            "failure",
            "0x0017 to 0x0001",
            "a tag is used for another datagram while one under it is not whole",
            (WHOLE,),
            (1, 2, 3),
        ),
    ),
    # the fifth of 4 frames each begins with the 17th
    "tag-never-changes": Case(
        lambda: tagged(7, 7, 7, 7, 7),
        lambda: tagged(7, 7, 7, 7, 8, 7),
        Told(
            "risk",
            "0x0017 to 0x0001",
            "datagrams in fragments follow each other under one tag, 0x0007",
            ("since frame 1",),
            (1, 17),
        ),
    ),
    # 4 and 3 frames in turn: the torn one begins at the second of seven
    "fragments-meet": Case(
        lambda: meeting(apart=0.1),
        lambda: meeting(apart=90.0),
        Told(
            "risk",
            "0x0001",
            "3 datagrams to 0x0001 were not completed while others were open, up to 2 at once",
            (),
            (2, 9, 16),
        ),
        also=frozenset({"fragments-unfinished"}),
    ),
    "group-datagram-fragmented": Case(
        lambda: group((NODE, BROADCAST)),
        lambda: group((NODE, ROOT)),
        Told(
            "risk",
            "0x0017",
            "a datagram of 348 octets goes to all neighbours in fragments",
            ("tag 0x0007",),
            (1,),
        ),
    ),
    # 40 + 16 + 6 x 16 (RFC 4861 section 4.2, RFC 6775 section 4.2 for prefixes up to 64)
    "advertisement-fragmented": Case(
        lambda: advertised(6),
        lambda: advertised(2),
        Told(
            "risk",
            "0x0001",
            "a router advertisement of 152 octets took 2 frames",
            ("options: " + ", ".join(["ContextOption"] * 6),),
            (1, 2),
        ),
        also=frozenset({"fragmented-without-need", "group-datagram-fragmented"}),
    ),
    # a UDP segment of 8 + 7 octets, under a length 8 too large: 0x17
    "lengths-disagree": Case(
        lambda: inner_length(8),
        lambda: inner_length(0),
        Told(
            "failure",
            "0x0017",
            "the inner IPv6 header says 23 octets follow, 15 do",
            ("60 00 00 00 00 17 11 40",),
            (1,),
        ),
    ),
    "rpl-option-not-as-announced": Case(
        lambda: announced(0x63),
        lambda: announced(0x23),
        Told(
            "risk",
            "0x0017",
            "type 0x63 is sent, the network announced 0x23",
            ("63 04 00 00 02 00",),
            (1, 2),
        ),
    ),
    "rpl-option-leaves-network": Case(
        lambda: leaving(0x63),
        lambda: leaving(0x23),
        Told(
            "remark",
            "0x0017",
            "a datagram to 2001:db8:f00d:2::10 carries an option that others must discard",
            ("63 04 00 00 02 00",),
            (1,),
        ),
    ),
    "artefacts-inserted": Case(
        lambda: from_outside(tunnel=False),
        lambda: from_outside(tunnel=True),
        Told(
            "risk",
            "from 2001:db8:f00d:2::10",
            "a datagram from 2001:db8:f00d:2::10 carries RPL information without an outer header",
            ("63 04 80 00 02 00",),
            (1,),
        ),
    ),
    # instance 0 is left out and the lower octet of rank 512 is zero: 3 octets (RFC 8138 section 6), and f1
    "rpl-information-as-option": Case(
        lambda: options(5),
        lambda: options(5, lorh=True),
        Told(
            "remark",
            "0x0017",
            "the RPL option takes 8 octets of the datagram, 4 would do with 6LoRH and its page switch",
            ("63 04 00 00 02 00",),
            (1, 2, 3, 4, 5),
            5,
        ),
    ),
}

# captures in which nothing of weight may be told
FRAGMENT_NEAR: dict[str, tuple[str, Callable[[], Capture]]] = (
    {
        # who sent it is in the network: by the prefix of the root, or as the node that it came from first
        "an option that leads down on its way out": (
            "artefacts-inserted",
            lambda: marked_down(root=True),
        ),
        "an overlap of fragments out of order, the later one of which comes again": (
            "offsets-count-otherwise",
            route_out_of_order,
        ),
        "an option that leads down, from a node that was heard to send it": (
            "artefacts-inserted",
            lambda: marked_down(root=False),
        ),
        # RFC 4291 section 2.5.2: :: "must never be assigned to any node", and is no address of another /64
        "an option that leads down, from no address": (
            "artefacts-inserted",
            lambda: from_outside(tunnel=False, source="::"),
        ),
        "fragments that somebody replays": (
            "fragments-unfinished",
            replayed_pieces,
        ),
        # 48 and 41 octets of three fragments would go in one frame, all of them would not
        "two of three fragments that would go in one frame": (
            "fragmented-without-need",
            lambda: Capture([*early(cut(130, room=60), 2), (200.0, air.frame(air.datagram(), 99))]),
        ),
        # most of what comes goes on: 32 of 65 are less than half
        "as many first fragments beside more that is whole": (
            "fragments-flood",
            lambda: begun_beside(33),
        ),
        # it stays in the network: the prefix of its source alone is another
        "an RPL option to the root from an address of another prefix": (
            "rpl-option-leaves-network",
            lambda: from_prefix("2001:db8:7:ff::", air.address(air.PREFIX, air.ROOT)),
        ),
        # RFC 8138 section 6: RPI-6LoRH carries no type
        "an RPL option in 6LoRH before a DIO tells its type": (
            "rpl-option-leaves-network",
            lambda: leaving(0x63, lorh=True, announces=0x23),
        ),
        "an RPL option in 6LoRH of a type that nobody tells": (
            "rpl-option-leaves-network",
            lambda: leaving(0x63, lorh=True),
        ),
        # the first frame of its sender that is heard: what it sent before nobody knows
        "a last fragment that the capture begins with": (
            "fragments-unfinished",
            lambda: passed_by(0, 1, 2, times=1),
        ),
        "a last fragment that the capture missed, of a node that beacons": (
            "fragments-unfinished",
            lambda: with_beacons(passed_by(3)),
        ),
        # behind its last frame no number tells whether the capture missed the rest, as it did before
        "a last datagram whose rest was not heard, of a sender of which frames were missed": (
            "fragments-unfinished",
            lambda: Capture(passed_by(3).air[:-1]),
        ),
        "the same that has had its time": (
            "fragments-unfinished",
            lambda: Capture(
                [
                    *passed_by(3).air[:-1],
                    (900.0, air.frame(air.datagram(links=(OTHER, ROOT)), 1, (OTHER, ROOT))),
                ]
            ),
        ),
        "a first fragment that the capture missed, in turn with those of another datagram": (
            "fragments-unfinished",
            lambda: in_turns(0),
        ),
        "all fragments but one that the capture missed, in turn with those of another datagram": (
            "fragments-meet",
            lambda: in_turns(0, 2, 3),
        ),
        "source routes that are not counted": (
            "fragments-meet",
            lambda: routes_counted(40),
        ),
        "source routes that leave out what they share": (
            "fragments-unfinished",
            lambda: routes_counted(24),
        ),
        "fragments that cannot be placed": (
            "fragments-unfinished",
            lambda: Capture(
                [*second_offset(_end_of_first()).air, (900.0, air.frame(air.datagram()))]
            ),
        ),
    }
    | {
        f"frames {missed} of each datagram, missing in the capture and its sender's numbers": (
            "fragments-unfinished",
            partial(passed_by, *missed),
        )
        for missed in ((0,), (1,), (3,), (1, 2), (0, 3))
    }
    | {
        f"two datagrams at once under two tags: {name}": (name, lambda: interleaved(8))
        for name in (
            "tag-used-again",
            "checksum-wrong",
            "fragments-unfinished",
            "fragment-repeated",
        )
    }
    | {
        "a datagram that is sent again and again": (
            "tag-never-changes",
            lambda: tagged(7, 7, 7, 7, 7, 7, changes=False),
        ),
        "fragments that are sent again at once as new frames": (
            "fragment-repeated",
            lambda: repeats(3, apart=0.01),
        ),
        "two fragments that are sent again behind their acknowledgement": (
            "fragment-repeated",
            lambda: repeats_acknowledged(2),
        ),
        "a first fragment that comes again when its datagram is whole": (
            "fragments-unfinished",
            lambda: late_first(1),
        ),
        "one that still is open when the capture ends": (
            "fragments-unfinished",
            lambda: Capture([*late_first(1).air[:5]]),
        ),
        # 40 + 8 + 1232
        "the largest datagram in one frame": (
            "datagram-size-impossible",
            lambda: in_one_long_frame(1232),
        ),
        "a datagram over 1280 octets where the design says that nodes take it": (
            "datagram-size-impossible",
            lambda: in_one_long_frame(1452, mtu=1500),
        ),
        # 9 + 6 + 110 + 2 are the 127 octets that a frame may have, 111 one too many
        "recoverable fragments of what is one octet too long for a frame": (
            "fragmented-without-need",
            lambda: recovered(111, 60),
        ),
        # one that fits in a frame would have been sent whole: that is no more to tell
        **{
            f"headers cut in two, beside what else {name} tells": (
                name,
                partial(headers_cut, 5, recoverable=kind),
            )
            for name, kind in (
                ("fragments-unfinished", False),
                ("fragmented-without-need", False),
                ("frame-cut-short", False),
            )
        },
        "first fragments that end where their headers do": (
            "headers-beyond-first-fragment",
            lambda: headers_cut(6, recoverable=False),
        ),
        "an uncompressed header that goes on in the next fragment": (
            "headers-beyond-first-fragment",
            lambda: Capture([air.raw(b"\xc0\x58\0\x07\x41" + air.datagram(bytes(40))[:32])]),
        ),
        # its size is that of the fragment: nothing follows
        "a recoverable fragment that is all of a datagram without an end": (
            "headers-beyond-first-fragment",
            lambda: Capture(
                [air.raw(b"\xe8\x07" + bytes([0, 5, 0, 5]) + air.payload(air.datagram())[:5])]
            ),
        ),
        "recoverable fragments of two datagrams under one tag": (
            "checksum-wrong",
            lambda: recoverable_interleaved(7),
        ),
        "a recoverable fragment that is sent again": (
            "recoverable-fragments-failed",
            lambda: acknowledged(0xA0000000, again=1),
        ),
        # "if the RFRAG-ACK was lost on the path back, and the source retried the last fragment" (RFC 8931 6.1.2)
        "a last recoverable fragment that is sent again behind a whole datagram": (
            "recoverable-fragments-failed",
            lambda: recoverable(0, 1, again_s=4.0),
        ),
        # what follows the highest that was received may still be on its way; all ones name no fragment
        "an acknowledgement before the last fragment has come, and the last one": (
            "recoverable-fragments-failed",
            lambda: acknowledged(0xC0000000, 0xFFFFFFFF),
        ),
        # "continue to be received after the timer expires" (RFC 8931 section 6)
        "an abort of what was received before": (
            "recoverable-fragments-failed",
            lambda: acknowledged(0xFFFFFFFF, 0),
        ),
        "recoverable fragments of two datagrams under two tags": (
            "recoverable-fragments-failed",
            lambda: recoverable_interleaved(8),
        ),
        "two datagrams under two tags whose rest would make up one": (
            "fragments-disagree",
            rests_of_two,
        ),
        # of each all four fragments were sent: fragments-too-slow tells of them
        "a datagram that goes on after the time of its receiver": (
            "fragments-unfinished",
            lambda: pausing(0, 1, 70, 70.1),
        ),
        "fragments of one datagram that have different sizes": (
            "fragments-meet",
            lambda: grown(apart=1.0),
        ),
        "what is told as different sizes": ("fragments-unfinished", lambda: grown(apart=1.0)),
        "a sender that loses as much while no other sends": (
            "fragments-meet",
            lambda: meeting(apart=0.1, alone=3),
        ),
        "a sender that leaves out the last frame from some time on, whoever else sends": (
            "fragments-meet",
            lambda: meeting(apart=0.1, alone=3, before=10),
        ),
        # the link lost them, whoever else sent
        "datagrams that meet, whose last frame was never acknowledged": (
            "fragments-meet",
            lambda: meeting_in_vain(answered=False),
        ),
        "datagrams that only wait beside each other": ("fragments-meet", lambda: torn(20.0)),
        "datagrams that meet, whose last frame the capture missed": (
            "fragments-meet",
            lambda: two_passed_by(3),
        ),
    }
)


def _end_of_first() -> int:
    """How many octets of the datagram the first fragment stands for, by its second's offset in units of 8."""
    second = air.pieces(air.datagram(bytes(LARGE)))[1]
    return second[9 + 4] * 8
