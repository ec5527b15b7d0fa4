"""The package held against the second reader (``tests/second``, ``tests/second_decoder.py``), both ways.

    nice -n 15 env PYTHONPATH=tests python -m trust.second_decoder --packets 200000

Random payloads along the RFCs' formats, a quarter of them damaged, are read by both: the same datagram, or refused by
both. Random datagrams of a general library are compressed, cut and sent by the package, and restored by the other.
"""

import argparse
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from ipaddress import IPv6Address
from random import Random

from second import payload
from second.payload import Around, Piece
from second.tape import Refused
from trust import datagrams, packets
from trust.report import Report, Row, write

from lowpanbudget import (
    Complete,
    Decoder,
    DoesNotFit,
    Env,
    Fragment,
    Frame,
    Mac,
    Reassembler,
    RequestError,
    Rfrag,
    RfragAck,
    WireError,
    compress,
    decompress,
    encode_frame,
    split,
)
from lowpanbudget.stack.outgoing import Outgoing
from lowpanbudget.stack.recoverable import recoverable

DAMAGED = 0.25
LARGEST = 2047  # RFC 4944 section 5.3: 11 bits


@dataclass
class Tried:
    """How often both agreed, on a datagram or that there is none, and what they did not agree on."""

    equal: int = 0
    refused: int = 0
    differ: list[str] = field(default_factory=list)

    def count(self, first: object, second: object, parts: Iterable[bytes], around: Around) -> None:
        if first != second:
            sent = " | ".join(part.hex() for part in parts)
            self.differ.append(f"{sent} with {around}: {first!r} and {second!r}")
        elif first is None:
            self.refused += 1
        else:
            self.equal += 1

    @property
    def tried(self) -> int:
        return self.equal + self.refused + len(self.differ)


def env_of(around: Around) -> Env:
    root = None if around.root is None else IPv6Address(around.root)
    return Env(
        around.source, around.destination, pan_id=around.pan_id, contexts=around.prefixes, root=root,
        rpi_type=around.rpi_type,
    )  # fmt: skip


def on_a_link(rng: Random, made: packets.Made) -> packets.Made:
    """Return the payload between link addresses that a frame can have, in its PAN."""
    octets, around = made
    ends = [link or packets.link(rng) for link in (around.source, around.destination)]
    pan_id = 0xABCD if around.pan_id is None else around.pan_id
    return octets, replace(around, source=ends[0], destination=ends[1], pan_id=pan_id)


def framed(decoder: Decoder, octets: bytes, around: Around) -> Frame:
    mac = Mac(
        destination_pan=around.pan_id, destination=around.destination, source=around.source, pan_id_compression=True
    )  # fmt: skip
    return decoder.frame(encode_frame(mac, octets, fcs=0).octets, fcs=False)


def decoder_of(around: Around) -> Decoder:
    env = env_of(around)
    return Decoder(contexts=env.contexts, root=env.root, rpi_type=env.rpi_type)


def read_by_the_package(octets: bytes, around: Around) -> bytes | None:
    try:
        return decompress(octets, env_of(around)).octets
    except WireError:
        return None


def read_in_a_frame(octets: bytes, around: Around) -> bytes | None:
    frame = framed(decoder_of(around), octets, around)
    return None if frame.datagram is None else frame.datagram.octets


def read_by_the_other(octets: bytes, around: Around) -> bytes | None:
    try:
        return payload.datagram(octets, around)
    except Refused:
        return None


def payloads(maker: packets.Maker, rng: Random, count: int) -> Tried:
    """Return what both made of ``count`` payloads, half of them in a frame of the link layer."""
    tried = Tried()
    for _ in range(count):
        octets, around = maker(rng)
        if rng.random() < DAMAGED:
            octets, around = packets.damaged(rng, (octets, around))
        if rng.random() < 0.5:
            octets, around = on_a_link(rng, (octets, around))
            first = read_in_a_frame(octets, around)
        else:
            first = read_by_the_package(octets, around)
        second = read_by_the_other(octets, around)
        tried.count(first, second, [octets], around)
    return tried


# --- fragments ------------------------------------------------------------------------------------

CUT = [packets.alone, packets.with_udp, packets.with_extensions, packets.tunnelled, packets.with_rpi, packets.with_srh,
       packets.with_ip_in_ip, packets.uncompressed, packets.old]  # fmt: skip
CODED = [packets.with_ghc_udp, packets.with_ghc_icmpv6]


def put_together(parts: Iterable[bytes], around: Around) -> bytes | None:
    """Return the only datagram that the package's reassembler completes from these payloads, in their order."""
    env, decoder = env_of(around), decoder_of(around)
    reassembler = Reassembler(env.contexts, root=env.root, rpi_type=env.rpi_type)
    whole = [
        event.datagram.octets
        for part in parts
        for event in reassembler.feed(framed(decoder, part, around), 1.0)
        if isinstance(event, Complete)
    ]  # fmt: skip
    assert len(whole) < 2
    return whole[0] if whole else None


def joined(parts: Iterable[bytes], around: Around) -> bytes | None:
    try:
        return payload.joined(payload.piece(part, around) for part in parts)
    except Refused:
        return None


def ends_plain(octets: bytes, around: Around) -> bool:
    """Return whether octets put behind these are octets of the datagram, and no code of GHC."""
    try:
        short, longer = (payload.datagram(octets + more, around) for more in (b"", b"\xff" * 9))
    except Refused:
        return False
    return len(longer) == len(short) + 9


def cut(rng: Random, octets: bytes, around: Around, *, coded: bool) -> list[bytes] | None:
    """Return FRAG1 with ``octets`` and FRAGN with plain octets behind them; None if ``octets`` are no datagram."""
    try:
        covered = len(payload.datagram(octets, around))
    except Refused:
        return None
    tail = rng.randbytes(rng.randint(1, 300))
    fill, tail = tail[: -covered % 8], tail[-covered % 8 :]
    size, tag, place = covered + len(fill) + len(tail), rng.randbytes(2), covered + len(fill)
    if not tail or size > LARGEST:
        return None
    if octets.startswith(b"\x41"):
        octets = octets[:5] + (size - 40).to_bytes(2, "big") + octets[7:]
    first = octets + (packets.literal(fill) if coded else fill)
    parts = [(0b11000 << 11 | size).to_bytes(2, "big") + tag + first]
    while tail:
        count = 8 * rng.randint(1, 12)
        head = (0b11100 << 11 | size).to_bytes(2, "big") + tag + bytes([place // 8])
        parts.append(head + tail[:count])
        tail, place = tail[count:], place + count
    return parts


def recoverable_cut(rng: Random, octets: bytes) -> list[bytes]:
    """Return RFRAG of ``octets`` and plain octets behind them, the headers in the first; sequences in any order."""
    whole = octets + rng.randbytes(rng.randint(1, 250))
    tag, place = rng.randbytes(1), 0
    parts: list[bytes] = []
    sequences = [0, *rng.sample(range(1, 32), 31)]
    while place < len(whole):
        most = len(octets) + 20 if place == 0 else 60
        end = place + rng.randint(len(octets) if place == 0 else 10, most)
        part, sequence = whole[place:end], sequences[len(parts)]
        last = end >= len(whole)
        word = (last or rng.random() < 0.1) << 15 | sequence << 10 | len(part)
        at = len(whole) if place == 0 else place
        head = (
            bytes([0xE8 | (rng.random() < 0.1)])
            + tag
            + word.to_bytes(2, "big")
            + at.to_bytes(2, "big")
        )
        parts.append(head + part)
        place = end
    return parts


def shuffled(rng: Random, parts: list[bytes]) -> list[bytes]:
    """Return the parts in any order; some come twice before the last one."""
    order = rng.sample(parts, len(parts))
    for part in rng.sample(order[:-1], rng.randint(0, len(order) - 1)):
        order.insert(rng.randint(order.index(part) + 1, len(order) - 1), part)
    return order


def fragments(rng: Random, count: int, *, recovered: bool = False) -> Tried:
    """Return what both made of datagrams in fragments, in any order, some twice; of one in ten a fragment is missing.

    RFC 8931 counts in the compressed form, whose code in GHC would go on over fragments: its text does not say how.
    """
    tried = Tried()
    while tried.tried < count:
        coded = not recovered and rng.random() < 0.2
        made, around = on_a_link(rng, rng.choice(CODED if coded else CUT)(rng))
        if recovered:
            parts = None if made[0] == 0x41 else recoverable_cut(rng, made)
        else:
            parts = cut(rng, made, around, coded=coded)
        if parts is None or not (coded or ends_plain(made, around)):
            continue
        if rng.random() < 0.2:
            mesh = packets.mesh_header(rng)
            parts = [mesh + part for part in parts]
        lost = len(parts) > 1 and rng.random() < 0.1
        there = parts[: len(parts) - lost]
        order = shuffled(rng, there)
        first, second = put_together(order, around), joined(there, around)
        tried.count(first, second, order, around)
    return tried


def recovered_fragments(rng: Random, count: int) -> Tried:
    return fragments(rng, count, recovered=True)


def header_of(part: bytes, around: Around) -> object:
    """Return the fields of a fragment's header for the other reader; None where it or its content is wrong."""
    try:
        piece = payload.piece(part, around)
        covered = payload.covered(piece) if piece.first and not piece.abort else 0
    except Refused:
        return None
    if piece.size is not None and not piece.recoverable and covered > piece.size:
        return None
    return _fields(piece)


def _fields(piece: Piece) -> tuple[object, ...]:
    if piece.recoverable:
        flags = piece.wants_answer, piece.congestion, piece.abort
        return piece.tag, piece.sequence, len(piece.octets), piece.offset, piece.size, *flags
    return piece.tag, piece.size, piece.offset, piece.first


def header_by_the_package(part: bytes, around: Around) -> object:
    frame = framed(decoder_of(around), part, around)
    header = frame.fragment if frame.fault is None else None
    if isinstance(header, Fragment):
        return header.tag, header.size, header.offset, header.first
    if isinstance(header, Rfrag):
        flags = header.ack_request, header.congestion, header.abort
        return header.tag, header.sequence, header.length, header.offset, header.size, *flags
    return None


def fragment_headers(rng: Random, count: int) -> Tried:
    """Return what both read of fragment headers, three in four damaged."""
    tried = Tried()
    while tried.tried < count:
        made, around = on_a_link(rng, packets.alone(rng))
        parts = (
            recoverable_cut(rng, made)
            if rng.random() < 0.5
            else cut(rng, made, around, coded=False)
        )
        if parts is None:
            continue
        part = rng.choice(parts)
        if rng.random() < 0.75:
            head, rest = part[:6], part[6:]
            part = packets.damaged(rng, (head, around))[0] + rest
            if part[:1] and part[0] >> 3 not in (0b11000, 0b11100) and part[0] >> 1 != 0b1110100:
                continue
        first, second = header_by_the_package(part, around), header_of(part, around)
        tried.count(first, second, [part], around)
    return tried


def acknowledgements(rng: Random, count: int) -> Tried:
    """Return what both read of RFRAG-ACK."""
    tried = Tried()
    for _ in range(count):
        _, around = on_a_link(rng, (b"", packets.around(rng)))
        part = bytes([0xEA | rng.getrandbits(1)]) + rng.randbytes(
            1 + rng.choice([4, 4, 4, 4, 3, 5])
        )
        try:
            second: object = payload.acknowledged(part, around)
        except Refused:
            second = None
        frame = framed(decoder_of(around), part, around)
        head = frame.packet.heads[-1].value if frame.fault is None else None
        first: object = None
        if isinstance(head, RfragAck):
            first = head.tag, head.congestion, {n for n in range(32) if head.bitmap >> 31 - n & 1}
        tried.count(first, second, [part], around)
    return tried


# --- the other way ----------------------------------------------------------------------------------


def compressed(rng: Random, count: int, *, ghc: bool = False, routed: bool = False) -> Tried:
    """Return how often the other reader gave back what the package compressed."""
    tried = Tried()
    for _ in range(count):
        around = packets.around(rng)
        if routed:
            around = replace(around, root=datagrams.ROOT)
        octets = (datagrams.routed if routed else datagrams.plain)(rng, around)
        elide = rng.random() < 0.3
        try:
            sent = compress(
                octets, env_of(around), ghc=ghc, lorh=routed, elide_udp_checksum=elide
            ).octets
        except RequestError:  # the library's checksum behind a routing header that is not finished
            assert elide
            sent = compress(octets, env_of(around), ghc=ghc, lorh=routed).octets
        tried.count(octets, read_by_the_other(sent, around), [octets, sent], around)
    return tried


def compressed_in_ghc(rng: Random, count: int) -> Tried:
    return compressed(rng, count, ghc=True)


def compressed_in_lorh(rng: Random, count: int) -> Tried:
    return compressed(rng, count, routed=True, ghc=rng.random() < 0.5)


def sent_in_fragments(rng: Random, count: int, *, recovered: bool = False) -> Tried:
    """Return how often the other reader put together what the package cut."""
    tried = Tried()
    while tried.tried < count:
        _, around = on_a_link(rng, (b"", replace(packets.around(rng), root=datagrams.ROOT)))
        routed = rng.random() < 0.3
        octets = (datagrams.routed if routed else datagrams.plain)(rng, around, 600)
        room, env = rng.randint(50, 110), env_of(around)
        try:
            if recovered:
                outgoing = Outgoing.read(octets)
                parts = [
                    bytes(one.data)
                    for one in recoverable(outgoing, env, room=room, tag=rng.getrandbits(8))
                ]
            else:
                parts = split(
                    octets,
                    env,
                    room=room,
                    tag=rng.getrandbits(16),
                    lorh=routed,
                    ghc=rng.random() < 0.3,
                )
        except DoesNotFit:
            continue
        if len(parts) == 1:
            found = read_by_the_other(parts[0], around)
        else:
            found = joined(rng.sample(parts, len(parts)), around)
        assert all(len(part) <= room for part in parts)
        tried.count(octets, found, [octets, *parts], around)
    return tried


def sent_in_recoverable_fragments(rng: Random, count: int) -> Tried:
    return sent_in_fragments(rng, count, recovered=True)


Run = Callable[[Random, int], Tried]


def _of(maker: packets.Maker) -> Run:
    return lambda rng, count: payloads(maker, rng, count)


RUNS: dict[str, Run] = {
    **{name: _of(maker) for name, maker in packets.KINDS.items()},
    "FRAG1 and FRAGN put together (RFC 4944 section 5.3)": fragments,
    "RFRAG put together (RFC 8931)": recovered_fragments,
    "headers of fragments (RFC 4944, RFC 8931)": fragment_headers,
    "RFRAG-ACK (RFC 8931 section 5.2)": acknowledgements,
    "datagrams compressed, and restored by the other": compressed,
    "datagrams compressed with GHC, and restored by the other": compressed_in_ghc,
    "datagrams of RPL compressed with 6LoRH, and restored by the other": compressed_in_lorh,
    "datagrams cut into FRAG1 and FRAGN, and restored by the other": sent_in_fragments,
    "datagrams cut into RFRAG, and restored by the other": sent_in_recoverable_fragments,
}
REMARKS = [
    "Left open by the texts, and read alike by choice: an IP-in-IP-6LoRH restores traffic class and flow label 0.",
    "A source route of RFC 8138 is restored with whole addresses (RFC 6554 with CmprI and CmprE 0).",
    "The reference of a source route behind an IP-in-IP-6LoRH is the source of the inner header.",
    "GHC's dictionary and the UDP checksum take the addresses of LOWPAN_IPHC, whatever 6LoRH stand before it.",
    "Not compared: GHC code that goes on over RFRAG; how many headers and octets are followed, bounds of our own.",
]


def tried_of(name: str, count: int, seed: int) -> Tried:
    return RUNS[name](Random(f"{name} {seed}"), count)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "--packets", type=int, default=200_000, help="in all, the same number of each kind"
    )
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--kind", default="", help="words of the kinds to be tried; no report is written then"
    )
    asked = parser.parse_args()
    kinds = [name for name in RUNS if asked.kind in name]
    started, rows = time.process_time(), []
    for name in kinds:
        tried = tried_of(name, asked.packets // len(kinds), asked.seed)
        figures: dict[str, int | float | str] = {
            "datagrams": tried.equal,
            "refused_by_both": tried.refused,
        }
        rows.append(Row(name, tried.tried, "packets", len(tried.differ), figures))
        print(
            f"{name}: {tried.equal} alike, {tried.refused} refused by both, {len(tried.differ)} differ",
            flush=True,
        )
        for text in sorted(tried.differ, key=len)[:3]:
            print(f"    {text}", flush=True)
    if not asked.kind:
        command = f"PYTHONPATH=tests python -m trust.second_decoder --packets {asked.packets} --seed {asked.seed}"
        write(
            Report(
                "second-decoder", command, rows, REMARKS, round(time.process_time() - started, 1)
            )
        )


if __name__ == "__main__":
    main()
