"""A capture that fires each finding about a node beside the others of its network, and a near miss."""

import struct
from collections.abc import Callable, Collection
from dataclasses import replace
from ipaddress import IPv6Address
from random import Random

from findings import air
from findings.air import BROADCAST, FAR_NODE, FAR_ROOT, NODE, PAN, PORTS, PREFIX, ROOT, Capture
from findings.judge import Case, Told

from lowpanbudget import Env, compress, encode_frame, split
from lowpanbudget.layers.link.auxiliary import Security
from lowpanbudget.layers.link.mac import FrameType

RELAY, THIRD, FOURTH = b"\x00\x18", b"\x00\x19", b"\x00\x1a"
OTHER_PAN = 0xABCE
Timed = list[bytes | tuple[float, bytes]]


def reading(number: int, links: tuple[bytes, bytes] = (NODE, ROOT), pan: int = PAN) -> bytes:
    packet = air.datagram(b"reading %d" % number, links=links)
    return air.frame(packet, number & 0xFF, links, destination_pan=pan)


def acknowledgement(sequence: int) -> bytes:
    """IEEE 802.15.4-2006 clause 7.2.2.3, from memory: frame control 0x0002 and the number."""
    return air.mended(bytes([0x02, 0x00, sequence, 0, 0]))


def verdict(sequence: int, *, accepts: bool, micros: int = 0) -> bytes:
    """IEEE 802.15.4-2015 clause 7.4.2.7, from memory: version 2, an element 0x1e of 2 octets, nack in bit 15."""
    said = micros & 0xFFF | (0 if accepts else 1 << 15)
    element = struct.pack("<HH", 2 | 0x1E << 7, said)
    return air.mended(struct.pack("<HB", 2 | 1 << 9 | 2 << 12, sequence) + element + b"\0\0")


def judged(*verdicts: str) -> Capture:
    """Readings to the root, one each 10 s; each try is refused (n) or accepted (a)."""
    frames: Timed = []
    for number, tries in enumerate(verdicts, 1):
        for turn, said in enumerate(tries):
            at = 10 * number + turn
            frames.append((at, reading(number)))
            frames.append((at + 0.001, verdict(number, accepts=said == "a")))
    return Capture(frames)


def corrected(*waits: tuple[float, int]) -> Capture:
    """Readings to the root, each after a wait and acknowledged with a time correction.

    Its 12 bits are signed, two's complement (IEEE 802.15.4-2015 clause 7.4.2.7, from memory).
    """
    frames: Timed = []
    at = 1.0
    for number, (wait, micros) in enumerate(waits, 1):
        at += wait
        frames.append((at, reading(number)))
        frames.append((at + 0.001, verdict(number, accepts=True, micros=micros)))
    return Capture(frames)


def timed_for(*, others: int, bare: int) -> Capture:
    """Readings of two nodes to the root, acknowledged with a time correction of 0; of the second ``bare`` without."""
    other = b"\x00\x18"
    frames: Timed = []
    for number in range(1, others + 1):
        frames += [
            (10 * number, reading(number)),
            (10 * number + 0.001, verdict(number, accepts=True)),
        ]
    for turn in range(bare):
        at, number = 10 * turn + 5, 100 + turn
        # frame control: acknowledgement of version 2 and nothing else
        plain = air.mended(struct.pack("<HB", 2 | 2 << 12, number) + b"\0\0")
        frames += [(at, reading(number, (other, ROOT))), (at + 0.001, plain)]
    return Capture(sorted(frames))


def asked(
    count: int, tries: int, answered: bool, source: bytes = NODE, at: float = 1.0, ahead: int = 0
) -> Timed:
    """Readings to the root, each tried so often 5 ms apart; one try of them is acknowledged 1 ms later, or none."""
    frames: Timed = []
    for number in range(ahead, ahead + count):
        start = at + 10 * (number - ahead)
        octets = reading(number + 1, (source, ROOT))
        frames += [(start + turn * 0.005, octets) for turn in range(tries)]
        if answered:
            frames.append((start + (tries - 1) * 0.005 + 0.001, acknowledgement(number + 1)))
    return frames


def in_order(*parts: Timed) -> Capture:
    return Capture(sorted(one for part in parts for one in part if isinstance(one, tuple)))


def partly_given_up(in_vain: int) -> Capture:
    """A receiver that misses a fifth of 50 acknowledgements; of 12 frames that were tried again some had none.

    Of eight of the 12 one of four tries was missed as well.
    """
    return in_order(
        asked(40, 1, True),
        asked(10, 1, False, at=1001.0, ahead=40),
        *(
            asked(1, tries, number >= in_vain, at=2001.0 + 10 * number, ahead=50 + number)
            for number, tries in enumerate([3] * 8 + [4] * 4)
        ),
    )


def two_pans(*, root_too: bool) -> Capture:
    """24 readings in the network; five in the PAN beside it, where the root sends too or does not."""
    frames = [reading(n, (NODE, ROOT)) for n in range(12)]
    frames += [reading(n, (ROOT, NODE)) for n in range(12)]
    frames += [reading(n, (RELAY, ROOT), OTHER_PAN) for n in range(5)]
    frames += [reading(40, (ROOT, RELAY), OTHER_PAN)] * root_too
    return Capture(list(frames))


def side_by_side(count: int, *, moved: bool = False) -> Capture:
    """Six readings in the network, and some of its short address in the PAN beside it, meanwhile or behind."""
    beside = [
        frame
        for n in range(count)
        for frame in (reading(n, (NODE, ROOT), OTHER_PAN), acknowledgement(n))
    ]
    own = [reading(n, (NODE, ROOT)) for n in range(6)]
    return Capture([*own, *beside] if moved else [*own[:5], *beside, own[5]])


def to_and_fro(*stays: int) -> Capture:
    """Readings of one node, in turn so many in its network and in the PAN beside it, under numbers that go on."""
    pans = [turn % 2 for turn, count in enumerate(stays) for _ in range(count)]
    return Capture(
        [
            frame
            for n, away in enumerate(pans)
            for frame in (
                reading(n, (NODE, ROOT), *([OTHER_PAN] if away else [])),
                acknowledgement(n),
            )
        ]
    )


def bare(count: int) -> Capture:
    """12 secured frames each of two nodes, and some of a third without."""
    return unsealed(count, bytes.fromhex("025e100000000019"))


def at_levels(*levels: int) -> Capture:
    """12 frames of level 5 each of two nodes, and some of a third with these levels."""
    frames = []
    third = bytes.fromhex("025e100000000019")
    for n in range(12):
        frames.append(air.secured(b"%d" % n, n, n + 1))
        frames.append(air.secured(b"%d" % n, n, n + 1, links=(FAR_ROOT, FAR_NODE)))
    for n, level in enumerate(levels):
        frames.append(air.secured(b"%d" % n, n, n + 1, links=(third, FAR_ROOT), level=level))
    return Capture(list(frames), keys=(air.KEY,))


def joined(*later: tuple[int, int], key_index: int = 2) -> Capture:
    """12 frames of level 5 each of five nodes; six of level 1 between the root and another; what that sends later.

    That is by level and key index; key index 1 is that of the five.
    """
    joiner, *others = [bytes.fromhex("025e1000000000") + bytes([n]) for n in range(0x21, 0x26)]
    up, down = (joiner, FAR_ROOT), (FAR_ROOT, joiner)
    usual = [*[down] * 12, *[(one, FAR_ROOT) for one in others] * 12]
    joining = [up, down] * 6
    frames = [air.secured(b"%d" % n, n, n, links=links) for n, links in enumerate(usual)]
    frames += [
        air.secured(b"%d" % n, n, n, 1, links, key_index=key_index)
        for n, links in enumerate(joining, 100)
    ]
    frames += [
        air.secured(b"%d" % n, n, n, level, up, key_index=index)
        for n, (level, index) in enumerate(later, 200)
    ]
    return Capture(list(frames), keys=(air.KEY,))


def unsealed(count: int, link: bytes = FAR_NODE) -> Capture:
    """The same of any node, also of one of those two."""
    frames = []
    for n in range(12):
        frames.append(air.secured(b"%d" % n, n, n + 1))
        frames.append(air.secured(b"%d" % n, n, n + 1, links=(FAR_ROOT, FAR_NODE)))
    frames += [reading(n, (link, FAR_ROOT)) for n in range(count)]
    return Capture(list(frames), keys=(air.KEY,))


def numbered(*sequences: int) -> Capture:
    packets = [air.datagram(b"reading %d" % n) for n in range(len(sequences))]
    return Capture([air.frame(p, s) for p, s in zip(packets, sequences, strict=True)])


def heard(until: int, *, of: int = 20, acks: bool = False) -> Capture:
    """A reading of each of two nodes every 30 s, of the second no more after so many; ``of`` those of the first.

    Those of the first go to the second, which may acknowledge them.
    """
    frames: Timed = []
    for n in range(of):
        frames.append((1 + 30.0 * n, reading(n, (NODE, RELAY))))
        if acks:
            frames.append((1.001 + 30.0 * n, acknowledgement(n)))
        if n < until:
            frames.append((11 + 30.0 * n, reading(n, (RELAY, ROOT))))
    return Capture(frames)


def heard_in_part(of: int, until: int = 25, missed: Collection[int] = (5, 6, 7, 12)) -> Capture:
    """The same, of the second node all readings ``until`` one, of which the capture missed some."""
    frames: Timed = []
    for n in range(of):
        frames.append((1 + 30.0 * n, reading(n, (NODE, RELAY))))
        if n < until and n not in missed:
            frames.append((11 + 30.0 * n, reading(n, (RELAY, ROOT))))
    return Capture(frames)


def begun_alone(*, rest: bool) -> Capture:
    """Eleven readings of the second node in fragments (RFC 4944 section 5.3), of which the first was heard alone.

    ``rest``: of nine more the last one.
    """
    frames: Timed = []
    for n in range(20):
        frames.append((1 + 30.0 * n, reading(n, (NODE, RELAY))))
        packet = air.datagram(bytes([n]) * 200, links=(RELAY, ROOT))
        first, _, last = air.pieces(packet, (RELAY, ROOT), tag=n, start=3 * n)
        if n < 11:
            frames.append((11 + 30.0 * n, first))
        elif rest:
            frames.append((11 + 30.0 * n, last))
    return Capture(frames)


def relayed_for(
    near: Collection[int],
    *,
    of: int = 40,
    own: int = 0,
    until: int = 99,
    ends: tuple[bytes, bytes] = (NODE, ROOT),
) -> Capture:
    """A reading of a node every 30 s up to ``until``, all heard as its relay sends them on, the ``near`` ones before.

    RFC 8200 section 3: a router lowers the hop limit by one and leaves the source address. ``own``: so many of the
    relay's own between them. ``ends``: what the addresses in the node's are made of.
    """
    frames: Timed = []
    number = 100  # of the relay's frames
    for n in range(of):
        at, data = 1 + 30.0 * n, b"reading %d" % n
        if n in near:
            first = air.datagram(data, links=ends)
            frames.append((at, air.frame(first, n & 0xFF, (NODE, RELAY))))
        if n < until:
            on = air.frame(air.datagram(data, links=ends, hop_limit=63), number, (RELAY, ROOT))
            frames.append((at + 0.01, on))
            number += 1
        if n < own:
            frames.append((at + 11, reading(number, (RELAY, ROOT))))
            number += 1
        # it acknowledges what a third sends it
        frames += [(at + 20, reading(n, (THIRD, RELAY))), (at + 20.001, acknowledgement(n))]
    return Capture(frames)


def in_part(whole: int, *, parts: int = 1) -> Capture:
    """40 reports in four fragments, one each 30 s; of those behind ``whole`` the receiver hears so many ``parts``.

    The root acknowledges each frame; the numbers of the others are missing. What a third sends the node acknowledges.
    """
    frames: Timed = []
    for n in range(46):
        cut = air.pieces(air.datagram(bytes(300)), tag=n, start=4 * n & 0xFF)
        for place, part in enumerate(cut[: len(cut) if n < whole else parts]):
            at = 1 + 30.0 * n + 0.02 * place
            frames += [(at, part), (at + 0.001, acknowledgement(part[2]))]
        frames += [
            (21 + 30.0 * n, reading(n, (THIRD, NODE))),
            (21.001 + 30.0 * n, acknowledgement(n)),
        ]
    return Capture(frames)


def renamed(*, goes_on: bool) -> Capture:
    """A node that registers its short address, and after eleven readings another one, and then sends under that or not.

    RFC 6775 section 4.1: the owner of an address is the EUI-64 in its registration, here that of ``registration``.
    """
    eui = bytes.fromhex("025e1000000000fe")
    frames: Timed = [(0.5, registration(eui, 90))]
    for n in range(40):
        if n < 11:
            frames.append((1 + 30.0 * n, reading(n)))
        elif goes_on:
            frames.append((1 + 30.0 * n, reading(n, (FOURTH, ROOT))))
        frames.append((11 + 30.0 * n, reading(n, (RELAY, ROOT))))
    frames.append((325.5, registration(eui, 9, links=(FOURTH, ROOT))))
    return in_order(frames)


def renamed_in_part() -> Capture:
    """The readings of ``heard_in_part`` of the first node, which registers another address, and one under that."""
    eui = bytes.fromhex("025e1000000000fe")
    frames: Timed = [(0.5, registration(eui, 90))]
    for n in range(50):
        if n < 25 and n not in {5, 6, 7, 12}:
            frames.append((1 + 30.0 * n, reading(n)))
        frames.append((11 + 30.0 * n, reading(n, (RELAY, ROOT))))
    frames.append((735.5, registration(eui, 9, links=(FOURTH, ROOT))))
    frames.append((901.0, reading(25, (FOURTH, ROOT))))
    return in_order(frames)


def elsewhere(until: int, *, since: int, of: int = 46, acks: bool = True) -> Capture:
    """The same, and a node of the second's short address that sends its readings in another PAN since one of them."""
    more: Timed = [
        (12 + 30.0 * n, reading(100 + n, (RELAY, ROOT), OTHER_PAN)) for n in range(since, of)
    ]
    whole = heard(until, of=of, acks=acks)
    return replace(whole, air=sorted([*whole.timed(), *more]))


def back(
    *,
    behind: int = 30,
    every: int = 1,
    alone: bool = False,
    lost: int = 0,
    acks: bool = False,
    of: int = 60,
) -> Capture:
    """A reading of each of two nodes every 30 s, of the second none for 30 times of those; then ``every`` so many.

    ``alone``: nobody is heard meanwhile; ``lost``: so many of its frames were not; ``acks``: it answers the first one.
    """
    frames: Timed = []
    own = 0
    for n in range(of):
        is_silent = 11 <= n < 11 + behind
        if not (alone and is_silent):
            frames.append((1 + 30.0 * n, reading(n, (NODE, RELAY))))
            if acks:
                frames.append((1.001 + 30.0 * n, acknowledgement(n)))
        if not is_silent and (n < 11 or (n - 11 - behind) % every == 0):
            own += 1 + lost * (n == 11 + behind)
            frames.append((11 + 30.0 * n, reading(own, (RELAY, ROOT))))
    return Capture(frames)


def parent_back() -> Capture:
    """A reading every 30 s of a node and of its parent, which is gone for 30 of them: each is tried four times then.

    When it is back it acknowledges a reading before it sends one itself.
    """
    frames: Timed = []
    for n in range(71):
        is_gone = 11 <= n < 41
        frames += [
            (1 + 30.0 * n + 0.01 * t, reading(n, (NODE, RELAY))) for t in range(4 if is_gone else 1)
        ]
        if not is_gone:
            frames.append((1.001 + 30.0 * n, acknowledgement(n)))
            frames.append((11 + 30.0 * n, reading(n - 30 * (n > 11), (RELAY, ROOT))))
    return Capture(frames)


def by_chance() -> Capture:
    """3000 readings of 12 nodes at any moment, 12 s apart on average: one is silent for 102 s behind 25 at most."""
    chance = Random(38)
    nodes = [bytes([0, 0x20 + number]) for number in range(12)]
    times = sorted(chance.uniform(1, 3000) for _ in range(3000))
    sent = dict.fromkeys(nodes, 0)
    frames: Timed = []
    for at in times:
        node = chance.choice(nodes)
        sent[node] += 1
        frames.append((at, reading(sent[node], (node, ROOT))))
    return Capture(frames)


def beside_each_other(*, tries: int) -> Capture:
    """20 readings of each of two nodes, and five of each of two in the PAN beside it, which are tried so often."""
    frames = asked(20, 1, True, at=1.0) + asked(20, 1, True, RELAY, at=5.0)
    for number in range(5):
        for at, source in ((2, THIRD), (3, FOURTH)):
            octets = reading(50 + number, (source, ROOT), OTHER_PAN)
            frames += [(at + 10.0 * number + turn * 0.005, octets) for turn in range(tries)]
    return in_order(frames)


def seeking() -> Capture:
    """Six solicitations of an EUI-64, 10 s apart (RFC 4861 section 4.1); then it has a short address."""
    source, to = air.address("fe80::", FAR_NODE), IPv6Address("ff02::2")
    links = (FAR_NODE, air.BROADCAST)
    packet = air.nd_message(133, bytes(4), source, to)
    frames: Timed = [(1 + 10.0 * n, air.frame(packet, n, links)) for n in range(7)]
    return in_order(frames, [(70 + 30.0 * n, reading(n)) for n in range(20)])


def polled_for(until: int) -> Capture:
    """A node asks another for so many readings, each half a second before one comes; two others send their own."""
    ours: Timed = [(15 + 30.0 * n, reading(n, (THIRD, ROOT))) for n in range(20)]
    for n in range(until):
        ours.append((11 + 30.0 * n, reading(n, (THIRD, RELAY))))
        ours.append((11.5 + 30.0 * n, reading(n, (RELAY, THIRD))))
    return in_order(heard(0).air, ours)


def polled(until: int) -> Capture:
    """The same with 20 readings of the first and ``until`` of the second, which asks the root for data all the time.

    A data request is MAC command 4 (IEEE 802.15.4-2006 clause 7.3.4, from memory).
    """
    polls: Timed = [
        (21 + 30.0 * n, air.raw(b"\x04", 100 + n, (RELAY, ROOT), frame_type=FrameType.COMMAND))
        for n in range(20)
    ]
    return in_order(heard(until).air, polls)


def acknowledging(*, both: bool) -> Capture:
    """The root sends nothing: it acknowledges 24 readings in the network, and five in the PAN beside it or not."""
    frames = asked(12, 1, True, at=1.0) + asked(12, 1, True, RELAY, at=5.0)
    for number in range(5):
        frames.append((3 + 10.0 * number, reading(number, (THIRD, ROOT), OTHER_PAN)))
        if both:
            frames.append((3.001 + 10 * number, acknowledgement(number)))
    return in_order(frames)


def begun_beside() -> Capture:
    """The same, and four first fragments in that PAN, whose sender waits for acknowledgements and stops."""
    frames = [*acknowledging(both=False).timed(), *asked(24, 1, True, at=400.0)]
    packet = air.datagram(bytes(300), links=(THIRD, ROOT))
    for tag in range(4):
        (first, *_) = split(packet, Env(THIRD, ROOT, contexts=air.CONTEXTS), room=80, tag=tag)
        header = air.mac(5 + tag, (THIRD, ROOT), destination_pan=OTHER_PAN)
        frames.append((200.0 + 10 * tag, air.encoded(header, first)))
    return in_order(frames)


def registration(
    eui: bytes,
    number: int,
    status: int = 0,
    *,
    answers: bool = False,
    links: tuple[bytes, bytes] = (NODE, ROOT),
) -> bytes:
    """RFC 6775 section 4.1: type 33 of two units, status, three octets reserved, 60 units of a minute, EUI-64."""
    option = bytes([33, 2, status, 0, 0, 0, 0, 60]) + eui
    if status or answers:
        source, to = air.address("fe80::", ROOT), air.address(PREFIX, NODE)
        body = bytes([0x40, 0, 0, 0]) + source.packed + option
        return air.frame(air.nd_message(136, body, source, to), number, (ROOT, NODE))
    source, to = air.address(PREFIX, links[0]), air.address("fe80::", ROOT)
    body = bytes(4) + to.packed + air.sllao(links[0]) + option
    return air.frame(air.nd_message(135, body, source, to), number, links)


def relayed(
    *kept: int,
    gap: bool = False,
    cut: Collection[int] = (),
    mended: Collection[int] = (),
    strange: Collection[int] = (),
    asks: bool = False,
    twice: Collection[int] = (),
    late: Collection[int] = (),
) -> Capture:
    """Ten readings over a relay, one a second, each acknowledged; it keeps some, with a gap in its numbers or none.

    Some come ``twice``, under another number, and are acknowledged twice. What is ``late`` goes on behind all others.

    Some it compresses against context 5, which nobody else has (RFC 6282 section 3.1.2), or ``asks`` all nodes
    something under that with each that it keeps.

    They go to port 50003; of some it sends the last 4 bits on, behind 0xf0b (RFC 6282 section 4.3.3), as they are
    restored: under the checksum that they came with. Others come so, and it sends them on as they were.
    """
    ends = air.address(PREFIX, NODE), air.address(PREFIX, ROOT)

    def to_port(number: int, whole: bytes, cut: Collection[int], hop_limit: int) -> bytes:
        port = (0xF0B0 | 50003 & 0xF if number in cut else 50003).to_bytes(2, "big")
        return air.ip(*ends, 17, whole[:2] + port + whole[4:], hop_limit)

    frames: Timed = []
    own = 100
    for number in range(10):
        at, data = 1.0 + number, b"reading %d" % number
        whole = air.udp(data, *ends, (PORTS[0], 50003))
        there = air.frame(to_port(number, whole, mended, 64), number, (NODE, RELAY))
        frames += [(at, there), (at + 0.001, acknowledgement(number))]
        if number in twice:
            anew = air.frame(air.ip(*ends, 17, whole), 50 + number, (NODE, RELAY))
            frames += [(at + 0.003, anew), (at + 0.004, acknowledgement(50 + number))]
        own += number not in kept or gap
        if number not in kept:
            packet = to_port(number, whole, cut, 63)
            on = air.frame(packet, own, (RELAY, ROOT))
            if number in strange:
                on = by_context_5(packet, own, (RELAY, ROOT))
            frames += [(at + 0.01, on), (at + 0.011, acknowledgement(own))]
        elif asks:
            own += 1
            all_nodes = air.ip(air.address(PREFIX, RELAY), IPv6Address("ff02::1"), 17, whole)
            frames.append((at + 0.01, by_context_5(all_nodes, own, (RELAY, BROADCAST))))
    for number in late:
        own += 1
        segment = air.udp(b"reading %d" % number, *ends, (PORTS[0], 50003))
        on = air.frame(air.ip(*ends, 17, segment, 63), own, (RELAY, ROOT))
        frames.append((12.0 + number, on))
    return Capture(frames)


def relayed_in_pieces(
    *kept: int,
    missed: Collection[int] = (),
    unanswered: Collection[int] = (),
    tag: int | None = None,
) -> Capture:
    """Ten readings in three fragments over a relay, one a second, each fragment acknowledged; it keeps some.

    They come under a ``tag`` each, or all under this one.

    A router has a datagram only when it has all its fragments (RFC 4944 section 5.3). Of some that the relay sends on
    the receiver ``missed`` the last fragment; of some the relay did not acknowledge the second one.
    """
    frames: Timed = []
    own = 100
    for n in range(10):
        at, data = 1.0 + n, bytes([n]) * 200
        whole = air.datagram(data)
        there = air.pieces(whole, (NODE, RELAY), tag=n if tag is None else tag, start=3 * n)
        for place, part in enumerate(there):
            frames.append((at + 0.01 * place, part))
            if n not in unanswered or place != 1:
                frames.append((at + 0.01 * place + 0.001, acknowledgement(3 * n + place)))
        if n in kept:
            continue
        packet = air.datagram(data, hop_limit=63)
        parts = air.pieces(packet, (RELAY, ROOT), tag=60 + n, start=own)
        own += len(parts)
        for place, part in enumerate(parts[:-1] if n in missed else parts):
            frames.append((at + 0.1 + 0.01 * place, part))
    return Capture(frames)


def kept_in_pieces(*sends: int, to: bytes = ROOT) -> Capture:
    """Twenty readings in three fragments to a relay, one a second; it ``sends`` few on, and six of its own after each.

    Its frames go to the root, the readings ``to`` a node behind it. Of every third six the receiver misses the last,
    and of what is sent on the last fragment. The root, which has nobody to send things on to, answers first.
    """
    frames: Timed = [
        (0.1, reading(1)),
        (0.101, acknowledgement(1)),
        (0.5, air.frame(air.datagram(links=(ROOT, RELAY)), 1, (ROOT, RELAY))),
    ]
    own = 0
    for n in range(20):
        at, data, ends = 1.0 + n, bytes([n]) * 200, (NODE, to)
        there = air.pieces(air.datagram(data, links=ends), (NODE, RELAY), tag=n, start=3 * n)
        for place, part in enumerate(there):
            frames += [(at + 0.01 * place, part)]
            frames += [(at + 0.01 * place + 0.001, acknowledgement(3 * n + place))]
        if n in sends:
            packet = air.datagram(data, links=ends, hop_limit=63)
            parts = air.pieces(packet, (RELAY, ROOT), tag=n, start=own + 1)
            frames += [(at + 0.1 + 0.01 * place, part) for place, part in enumerate(parts[:-1])]
            own += len(parts)
        for turn in range(6 if n % 3 < 2 else 5):
            mine = air.datagram(b"mine %d" % turn, links=(RELAY, ROOT))
            frames.append((at + 0.5 + 0.05 * turn, air.frame(mine, own + turn + 1, (RELAY, ROOT))))
        own += 6
    return Capture(frames)


def by_context_5(packet: bytes, number: int, links: tuple[bytes, bytes]) -> bytes:
    """A frame with a datagram that is compressed against context 5, the prefix of the network."""
    env = Env(*links, contexts={5: f"{PREFIX}/64"})
    return encode_frame(air.mac(number, links), compress(packet, env).octets).octets


def strange_to(own: int) -> Capture:
    """A relay that goes over to context 5 with the fourth reading, beside so many readings of the root's own."""
    whole = relayed(strange=range(3, 10))
    answers = [
        (20.0 + number, air.frame(air.datagram(links=(ROOT, NODE)), number, (ROOT, NODE)))
        for number in range(own)
    ]
    return replace(whole, air=[*whole.air, *answers])


def swallowed(
    *, step: int = 1, refused: bool = False, in_pieces: bool = False, to: bytes = ROOT
) -> Capture:
    """Twelve readings in three minutes that a relay acknowledges; it sends none on, and one of its own after each.

    Its numbers go up by ``step``. It may have ``refused`` them (RFC 4443 section 3.1: no route), or sent them on
    ``in_pieces``; ``to`` is the node that they are for.
    """
    frames: Timed = [(0.5, air.frame(air.datagram(links=(ROOT, RELAY)), 1, (ROOT, RELAY)))]
    links, relay = (NODE, to), air.address(PREFIX, RELAY)
    own = 0
    for number in range(12):
        at, data = 1.0 + 15 * number, b"reading %d" % number + bytes(60)
        there = air.frame(air.datagram(data, links=links), number, (NODE, RELAY))
        frames += [(at, there), (at + 0.001, acknowledgement(number))]
        if in_pieces:
            packet = air.datagram(data, links=links, hop_limit=63)
            parts = air.pieces(packet, (RELAY, ROOT), tag=number, room=64, start=own + 1)[:-1]
            frames += [(at + 0.01 * (1 + n), part) for n, part in enumerate(parts)]
            own += len(parts)
        own += step
        mine = air.datagram(b"mine %d" % number, links=(RELAY, ROOT))
        if refused:
            node = air.address(PREFIX, NODE)
            body = bytes(4) + air.datagram(data[:20], links=links)
            mine = air.ip(relay, node, 58, air.icmpv6(1, body, relay, node))
        frames.append((at + 3, air.frame(mine, own & 0xFF, (RELAY, NODE if refused else ROOT))))
    return Capture(frames)


def relayed_again(*again: int, anew: bool = True) -> Capture:
    """Six readings over a relay; some acknowledgements are lost, and it gets those again, under a new number or not."""
    frames: Timed = []
    own = there = 0
    for number in range(6):
        at, data = 1.0 + number, b"reading %d" % number
        for turn in range(1 + (number in again)):
            if anew or not turn:
                there += 1
                own += 1
            first = air.frame(air.datagram(data), there, (NODE, RELAY))
            frames.append((at + turn * 0.03, first))
            if number not in again or turn:
                frames.append((at + turn * 0.03 + 0.001, acknowledgement(there)))
            if anew or not turn:
                on = air.frame(air.datagram(data, hop_limit=63), 100 + own, (RELAY, ROOT))
                frames.append((at + turn * 0.03 + 0.005, on))
    return Capture(frames)


def sent_on_again(
    *again: int, answered: bool = True, back: bool = False, wait: float = 0.02
) -> Capture:
    """Six readings over a relay, some of which it sends on a second time, a ``wait`` later, under a new number.

    ``answered``: the root acknowledged the first; ``back``: the reading came to the relay a second time in between.
    """
    frames: Timed = []
    own = there = 0
    for number in range(6):
        at, data = 1.0 + number, b"reading %d" % number
        for turn in range(1 + (number in again)):
            if back or not turn:
                there += 1
                first = air.frame(air.datagram(data), there, (NODE, RELAY))
                frames += [
                    (at + turn * wait, first),
                    (at + turn * wait + 0.001, acknowledgement(there)),
                ]
            own += 1
            on = air.frame(air.datagram(data, hop_limit=63), 100 + own, (RELAY, ROOT))
            frames.append((at + turn * wait + 0.005, on))
            if answered or turn or number not in again:
                frames.append((at + turn * wait + 0.006, acknowledgement(100 + own)))
    return Capture(frames)


COPY = bytes.fromhex("025e1000000000ff")
REGISTERED = "2001:db8:1::ff:fe00:17"
REPLACED = (
    "See that the node was replaced on purpose. Its EUI-64 is another: where keys are known to others by it, and where "
    "devices are listed, put the new one in the place of the old."
)


def counted_by(eui: bytes, number: int, counter: int) -> bytes:
    """A reading under the node's short address, sealed with a nonce of this EUI-64."""
    header = air.mac(number, (NODE, ROOT), security=Security(5, 1, counter, key_index=1))
    packed = air.payload(air.datagram(b"reading"))
    return encode_frame(header, packed, key=air.KEY, devices={0x17: eui}).octets


def replaced() -> Capture:
    """A node, and another two hours later that registers the same address and counts its frames anew."""
    old: Timed = [(0, registration(FAR_NODE, 1)), (1, counted_by(FAR_NODE, 2, 900))]
    new: Timed = [(7200, registration(COPY, 3)), (7201, counted_by(COPY, 4, 1))]
    return Capture([*old, *new], keys=(air.KEY,))


NODES_CASES: dict[str, Case] = {
    # four frames of the root's other child are acknowledged; three tries after the first make four
    "frames-not-acknowledged": Case(
        lambda: in_order(asked(6, 4, False), asked(4, 1, True, RELAY, at=6.0)),
        lambda: in_order(asked(6, 4, True), asked(4, 1, True, RELAY, at=6.0)),
        Told(
            "failure",
            "0x0017 to 0x0001",
            "none of 6 frames was acknowledged, tried up to 4 times",
            ("0x0001 acknowledges frames of others",),
            (1, 7, 13, 19, 25, 29),
            6,
        ),
    ),
    # five of seven tries are refused; frames 2 and 5 are accepted in the end
    "frames-refused": Case(
        lambda: judged("n", "na", "n", "n", "a", "n"),
        lambda: judged("a", "a", "a", "a", "a", "a"),
        Told(
            "risk",
            "0x0017 to 0x0001",
            "0x0001 received 4 of 6 frames and never accepted them",
            ("5 acknowledgements with nack = 1: not accepted",),
            (2, 4, 8, 10, 14),
            5,
        ),
    ),
    # 60 us each second, of which two clocks explain 80 and 100 are taken for an error: from the fourth on, 240, it is
    # more; the 17th is the first over 1000
    "time-corrections-grow": Case(
        lambda: corrected(*((1.0, 60 * n) for n in range(1, 21))),
        # it sets its clock at the tenth, and at the eighteenth
        lambda: corrected(*((1.0, 60 * (n % 9 + 1)) for n in range(20))),
        Told(
            "risk",
            "0x0017",
            "0x0001 corrects the clock of this node further and further, and it does not follow",
            ("from 60 to 1200 µs in frames 2 to 40",),
            (2, 40),
            20,
        ),
    ),
    "acknowledgements-without-time": Case(
        lambda: timed_for(others=6, bare=5),
        lambda: timed_for(others=5, bare=4),
        Told(
            "risk",
            "0x0018 to 0x0001",
            "none of 5 acknowledgements of 0x0001 has a time correction",
            ("6 acknowledgements between others of the network have one",),
            # the first stands before any other: then they alternate, two frames each
            (2, 6, 10, 14, 18),
            5,
        ),
    ),
    "pan-beside-the-network": Case(
        lambda: two_pans(root_too=False),
        lambda: two_pans(root_too=True),
        Told(
            "failure",
            "0x0018",
            "frames go to 0x0001 in PAN 0xabce; 0x0001 and 24 frames of the network are in PAN 0xabcd",
            (),
            (25, 26, 27, 28, 29),
            5,
        ),
    ),
    "short-addresses-in-two-pans": Case(
        lambda: side_by_side(5),
        lambda: side_by_side(4),
        Told(
            "remark",
            "PAN 0xabcd and 0xabce",
            "nodes of PAN 0xabcd and 0xabce have the same short addresses",
            ("0x0017",),
            (1, 6),
        ),
    ),
    "unsecured-among-secured": Case(
        lambda: bare(5),
        lambda: bare(4),
        Told(
            "risk",
            "02:5e:10:00:00:00:00:19",
            "no frame of this node has link security; 24 frames of 2 others have",
            (),
            (25, 26, 27, 28, 29),
            5,
        ),
    ),
    # table 9-6: 5 is ENC-MIC-32, 6 ENC-MIC-64, 1 MIC-32
    "secured-less-than-others": Case(
        lambda: at_levels(1, 1, 1, 1, 1, 1),
        lambda: at_levels(6, 6, 6, 6, 6, 6),
        Told(
            "risk",
            "02:5e:10:00:00:00:00:19",
            "6 data frames of this node have level 1 (MIC-32)",
            ("24 frames of 2 nodes have level 5 (ENC-MIC-32)",),
            (25,),
            6,
        ),
    ),
    "sequence-number-stuck": Case(
        lambda: numbered(65, 66, 66, 66, 66, 66),
        lambda: numbered(65, 66, 66, 66, 66, 67),
        Told(
            "failure",
            "0x0017",
            "frames of different contents follow each other under one sequence number, 66",
            ("since frame 2",),
            (2, 6),
        ),
    ),
    # the last reading of 11 comes at 11 + 300 s, the last of the other node at 1 + 570 s
    "node-fell-silent": Case(
        lambda: heard(11),
        lambda: heard(16),
        Told(
            "risk",
            "0x0018",
            "0x0018 was never silent for more than 30 s, and is for the last 260 s",
            ("10 silences about as long as the longest",),
            (22,),
        ),
    ),
    # the eleventh reading comes at 11 + 300 s, the next at 11 + 30 x 41 s, behind 30 of the other node
    "node-was-silent": Case(
        back,
        lambda: back(alone=True),
        Told(
            "risk",
            "0x0018",
            "0x0018 was never silent for more than 30 s, then was for 930 s, and goes on as before",
            ("its sequence number went on by one: it sent nothing meanwhile",),
            (22, 54),
        ),
    ),
    # the last reading of 22 comes at 11 + 630 s, the last acknowledgement at 1.001 + 1350 s, the last frame there
    "node-reports-no-more": Case(
        lambda: heard(22, of=46, acks=True),
        lambda: heard(20, of=46, acks=True),
        Told(
            "remark",
            "0x0018",
            "0x0018 sent a datagram of its own at least every 30 s, and none for the last 710 s",
            ("it still acknowledges, polls or forwards, 0 s before the end",),
            (66,),
        ),
    ),
    # each reading makes four frames, one that is kept two: the fourth begins with frame 13
    "datagrams-not-sent-on": Case(
        lambda: relayed(3, 4, 5),
        lambda: relayed(3, 4, 5, gap=True),
        Told(
            "risk",
            "0x0018",
            "0x0018 acknowledged 10 datagrams and never sent 3 of them on: its frame numbers leave no place for them",
            ("2001:db8:1::ff:fe00:17 to 2001:db8:1::ff:fe00:1: 3 of 10",),
            (13, 15, 17),
            3,
        ),
    ),
    # a reading that comes again makes five frames, another three: the second goes on in frames 5 and 8
    "datagrams-sent-on-twice": Case(
        lambda: relayed_again(1, 2, 3),
        lambda: relayed_again(1, 2, 3, anew=False),
        Told(
            "waste",
            "0x0018: 2001:db8:1::ff:fe00:17 to 2001:db8:1::ff:fe00:1",
            "0x0018 sent 3 datagrams on twice, which came to it under two frame numbers",
            (),
            (5, 8, 10, 13, 15, 18),
            3,
        ),
        also=frozenset({"sent-again-as-new"}),
    ),
    # four frames a reading, and two more of one that is sent on again: the second reading's begin with frame 7
    "datagrams-sent-on-again": Case(
        lambda: sent_on_again(1, 2, 3),
        lambda: sent_on_again(1, 2, 3, answered=False),
        Told(
            "waste",
            "0x0018",
            "0x0018 sent 3 datagrams on again under a new number, which were acknowledged",
            (),
            (7, 9, 13, 15, 19, 21),
            3,
        ),
    ),
    "address-of-two-devices": Case(
        lambda: Capture(
            [registration(FAR_NODE, 1), registration(COPY, 2), registration(COPY, 3, 1)]
        ),
        lambda: Capture([registration(FAR_NODE, 1), registration(FAR_NODE, 2)]),
        Told(
            "failure",
            "short address 0x0017",
            "two devices register one address",
            (
                f"{REGISTERED}: 02:5e:10:00:00:00:00:17 in frame 1, 02:5e:10:00:00:00:00:ff in frame 2",
                "short address 0x0017 is 02:5e:10:00:00:00:00:ff now, and was 02:5e:10:00:00:00:00:17",
                f"frame 3: {REGISTERED} has status 1, duplicate address",
            ),
            (1, 2, 3),
            3,
        ),
    ),
}

# captures in which a finding must not be told, beside the near misses of the cases
NODES_NEAR: dict[str, tuple[str, Callable[[], Capture]]] = {
    "frames tried again that are missed as often as others": (
        "frames-not-acknowledged",
        lambda: partly_given_up(5),
    ),
    "a number that comes back four times": (
        "sequence-number-stuck",
        lambda: numbered(65, 66, 65, 66, 65, 66),
    ),
    "a relay that sends other frames while it keeps some": (
        "datagrams-not-sent-on",
        lambda: swallowed(step=2),
    ),
    "a relay that says that it has no route": (
        "datagrams-not-sent-on",
        lambda: swallowed(refused=True),
    ),
    "a relay that sends in fragments what came in one frame": (
        "datagrams-not-sent-on",
        lambda: swallowed(in_pieces=True),
    ),
    "a relay that is the end itself": ("datagrams-not-sent-on", lambda: swallowed(to=RELAY)),
    "a relay with another network behind it": (
        "datagrams-not-sent-on",
        lambda: swallowed(to=b"\0\x77"),
    ),
    "a relay that cuts the ports of some": (
        "datagrams-not-sent-on",
        lambda: relayed(cut=(3, 4, 5)),
    ),
    "a relay that mends the ports of some": (
        "datagrams-not-sent-on",
        lambda: relayed(mended=(3, 4, 5)),
    ),
    "a relay whose frames are not read here": (
        "datagrams-not-sent-on",
        lambda: relayed(strange=(3, 4, 5)),
    ),
    "a relay with another network behind what comes in fragments": (
        "datagrams-not-sent-on",
        lambda: kept_in_pieces(to=b"\0\x77"),
    ),
    "a relay that sends on fragments of which one is not heard": (
        "datagrams-not-sent-on",
        lambda: relayed_in_pieces(missed=(3, 4, 5)),
    ),
    "a relay that never got the second fragments": (
        "datagrams-not-sent-on",
        lambda: relayed_in_pieces(3, 4, 5, unanswered=(3, 4, 5)),
    ),
    "a relay that never got the second fragments of what comes under one tag": (
        "datagrams-not-sent-on",
        lambda: relayed_in_pieces(3, 4, 5, unanswered=(3, 4, 5), tag=7),
    ),
    "a relay that keeps two, and one for a while": (
        "datagrams-not-sent-on",
        lambda: relayed(3, 4, 5, late=(4,)),
    ),
    # longer after that than any MAC goes on
    "a relay that says the same again after 0.2 s": (
        "datagrams-sent-on-again",
        lambda: sent_on_again(1, 2, 3, wait=0.2),
    ),
    "a relay that keeps the last, or two": ("datagrams-not-sent-on", lambda: relayed(3, 4, 8, 9)),
    "a node that was replaced": ("frame-counter-went-back", replaced),
    "a number that is late once": (
        "sequence-number-stuck",
        lambda: numbered(65, 66, 65, 67, 66, 68, 67, 69),
    ),
    # 50 us in a second, 2 to 40 s of them: the longer it waits the further it is off, though it is set each time
    "a node that sets its clock, and sends less and less often": (
        "time-corrections-grow",
        lambda: corrected(*((2.0 * n, -100 * n) for n in range(1, 21))),
    ),
    # 1499 us each second: what a receiver of slots of 15 ms still hears, to one that the node does not go by
    "a node that is off by less than the guard, and stays so": (
        "time-corrections-grow",
        lambda: corrected(*((1.0, 1499) for _ in range(20))),
    ),
    # two clocks of 40 ppm run apart by 80 us in a second: 1600 in 20 s
    "a node that sends so rarely that it is always far off": (
        "time-corrections-grow",
        lambda: corrected(*((20.0, 1600) for _ in range(20))),
    ),
    "a network where hardly anybody gets a time correction": (
        "acknowledgements-without-time",
        lambda: timed_for(others=4, bare=6),
    ),
    "four frames of a lower level": ("secured-less-than-others", lambda: at_levels(1, 5, 1, 1, 1)),
    # IEEE 802.15.4-2015 table 9-7: the key index tells one key of a source from another
    "a node that joins under another key, and who lets it in": (
        "secured-less-than-others",
        lambda: joined((5, 1)),
    ),
    "frames that the one node that seals did not": (
        "unsecured-among-secured",
        lambda: Capture(
            [*unsealed(5).air[:24:2], *unsealed(5).air[24:]],
            keys=(air.KEY,),
        ),
    ),
    "four frames that a node did not seal": ("unsecured-among-secured", lambda: unsealed(4)),
    # rules about PANs tell of it
    "a node that goes on in another PAN": (
        "node-reports-no-more",
        lambda: elsewhere(22, since=22),
    ),
    "a node that is heard in another PAN alone since then": (
        "node-fell-silent",
        lambda: elsewhere(11, since=11, of=20, acks=False),
    ),
    "a node whose reports came by in part since some time": (
        "node-reports-no-more",
        lambda: in_part(22),
    ),
    "a node that registered another short address and goes on under that": (
        "node-fell-silent",
        lambda: renamed(goes_on=True),
    ),
    # out of the receiver's reach, and its readings come to the root
    "a node whose readings are heard on the next hop alone": (
        "node-fell-silent",
        lambda: relayed_for(range(11)),
    ),
    # RFC 4291 appendix A: the identifier is made of its EUI-64, which is no link address here
    "a node with a short address and another identifier, whose readings are heard on the next hop alone": (
        "node-fell-silent",
        lambda: relayed_for(range(11), ends=(FAR_NODE, ROOT)),
    ),
    "a node whose readings were heard on the next hop alone for a while": (
        "node-was-silent",
        lambda: relayed_for({*range(11), *range(41, 60)}, of=60),
    ),
    # what it sends on while it has nothing of its own never was its own
    "a relay that sends on nothing any more, and never sent of its own": (
        "node-reports-no-more",
        lambda: relayed_for((), until=22, of=46),
    ),
    "a node that only acknowledges at the end": ("node-fell-silent", lambda: heard(11, acks=True)),
    "a node that looked for a router before it had an address": ("node-fell-silent", seeking),
    "a node that only answers, and is asked no more": (
        "node-fell-silent",
        lambda: polled_for(11),
    ),
    "readings that came to the relay twice": (
        "datagrams-sent-on-again",
        lambda: sent_on_again(1, 2, 3, back=True),
    ),
    # at 1441 s, 710 s behind its last reading: 19.7 of its mean silences
    "a node of which the capture missed some, for less than chance makes a silence": (
        "node-fell-silent",
        lambda: heard_in_part(49),
    ),
    # at 1651 s, 830 s behind its last reading: 3.95 of its longest silences
    "a node of which the capture missed some, for less than four of its longest silences": (
        "node-fell-silent",
        lambda: heard_in_part(56, 28, range(5, 11)),
    ),
    # 580 s before the end: more than four of its longest silences, less than 20 of its mean ones
    "a node of which the capture missed some, heard once under another address": (
        "node-fell-silent",
        renamed_in_part,
    ),
    "a node whose readings end in fragments that are heard alone": (
        "node-fell-silent",
        lambda: begun_alone(rest=True),
    ),
    "a node that only polls at the end": ("node-fell-silent", lambda: polled(11)),
    "a node that sends more rarely from then on": (
        "node-was-silent",
        lambda: back(every=3, of=120),
    ),
    "a node that acknowledges while it says nothing": ("node-was-silent", lambda: back(acks=True)),
    "a silence of twenty times the mean": ("node-was-silent", lambda: back(behind=19)),
    "nodes that send at random": ("node-was-silent", by_chance),
    "a node that was silent just before the end": ("node-was-silent", lambda: back(of=45)),
    "a node beside the network whose fragments nobody takes": (
        "fragments-unfinished",
        begun_beside,
    ),
    "a node that moved to another PAN": (
        "short-addresses-in-two-pans",
        lambda: side_by_side(6, moved=True),
    ),
    "a node that moves to another PAN and back": (
        "short-addresses-in-two-pans",
        lambda: to_and_fro(6, 3, 6, 3, 6),
    ),
    "a root that acknowledges in both PANs": (
        "pan-beside-the-network",
        lambda: acknowledging(both=True),
    ),
}
