"""Vectors by name, read and written through the public names of the package alone."""

import functools
from ipaddress import IPv6Address
from pathlib import Path
from typing import Any, NamedTuple

from vector_files import document

from lowpanbudget import (
    Context,
    Env,
    Mac,
    Reassembler,
    Span,
    WireError,
    compress,
    decode_frame,
    decompress,
    encode_frame,
    split,
)

VECTORS = Path(__file__).parents[1] / "vectors"
Record = dict[str, Any]

EXACT = "reproduced in both directions"
AS_LONG = "read; another form of the same length is sent"
SHORTER = "read; a shorter form is sent"
READ = "read only"

ICMPV6 = 58
UDP = 17
PORTS = bytes.fromhex("12345678")
# the dictionary of the corner cases in rfc7400/section-2
CORNERS = bytes([*range(0x10, 0x20), *range(0x20, 0x30)])


def vector(name: str) -> Record:
    """Return a case with what its file says for all of them; ``name`` is folder/file:id."""
    file, _, key = name.partition(":")
    whole = document(VECTORS / f"{file}.toml")
    cases = [case for case in whole["case"] if case["id"] == key]
    assert len(cases) == 1, f"{name}: {len(cases)} cases"
    return {**{k: v for k, v in whole.items() if k != "case"}, **cases[0], "file": file}


def octets(case: Record, key: str) -> bytes:
    return bytes.fromhex(case[key])


def env_of(case: Record) -> Env:
    stated = case.get("contexts", {})
    contexts: dict[int, Any] = {
        int(number): Context(**context) if isinstance(context, dict) else context
        for number, context in (stated if isinstance(stated, dict) else {}).items()
    }
    return Env(
        case.get("link_source"), case.get("link_destination"), contexts=contexts,
        root=case.get("root"), rpi_type=case.get("rpi_type", 0x63), pan_id=case.get("pan_id"),
    )  # fmt: skip


def byte_code(case: Record) -> tuple[bytes, bytes]:
    """Return payload and datagram of a byte code behind IPHC with whole addresses.

    It is ICMPv6 where the case has a datagram, else the data of UDP.
    """
    ends = CORNERS
    if "source_address" in case:
        ends = octets(case, "source_address") + octets(case, "destination_address")
    data = octets(case, "octets") if "octets" in case else b""
    if "ipv6" in case:
        packet = octets(case, "ipv6")
        packet = packet[:7] + b"\x40" + packet[8:]
        return b"\x7e\x00" + ends + b"\xdf" + octets(case, "code"), packet
    size = (8 + len(data)).to_bytes(2, "big")
    packet = b"\x60\0\0\0" + size + bytes([UDP, 64]) + ends + PORTS + size + b"\x12\x34" + data
    return b"\x7e\x00" + ends + b"\xd0" + PORTS + b"\x12\x34" + octets(case, "code"), packet


def payloads(case: Record) -> list[bytes]:
    """Return the 6LoWPAN payloads of a case; a message of ICMPv6 gets an uncompressed IPv6 header."""
    if "lowpan" in case:
        return [octets(case, "lowpan")]
    if "fragments" in case:
        return [bytes.fromhex(fragment) for fragment in case["fragments"]]
    if "code" in case:
        return [byte_code(case)[0]]
    if "message" not in case:
        return [octets(case, "header")]
    data = octets(case, "message")
    size = len(data).to_bytes(2, "big")
    ends = [IPv6Address(case[f"{end}_address"]).packed for end in ("source", "destination")]
    return [b"\x41\x60\0\0\0" + size + bytes([ICMPV6, 255]) + b"".join(ends) + data]


class Read(NamedTuple):
    """A frame of a vector: its bits, its spans behind the MAC header, what is wrong with it."""

    bits: str
    spans: tuple[Span, ...]
    fault: WireError | None


@functools.cache
def frames(name: str) -> tuple[Read, ...]:
    case = vector(name)
    env, found = env_of(case), []
    mac = Mac(
        destination_pan=0xABCD, destination=env.destination or b"\0\2", source=env.source or b"\0\1",
        pan_id_compression=True,
    )  # fmt: skip
    for payload in payloads(case):
        frame = decode_frame(
            encode_frame(mac, payload).octets, contexts=env.contexts, root=env.root, rpi_type=env.rpi_type
        )  # fmt: skip
        bits = "".join(f"{octet:08b}" for octet in frame.octets)
        found.append(Read(bits, tuple(s for s in frame.spans if s.layer != "MAC"), frame.fault))
    return tuple(found)


def spans_of(name: str) -> list[tuple[Span, str]]:
    """Return the spans of a vector's frames, each with its bits and those behind it."""
    return [(span, read.bits[span.offset_bits :]) for read in frames(name) for span in read.spans]


class Kept(NamedTuple):
    """How far a vector is kept, and the octets that are sent in place of the printed ones."""

    verdict: str
    printed: bytes = b""
    sent: bytes = b""


def directions(name: str) -> str:
    return kept(name).verdict


@functools.cache
def kept(name: str) -> Kept:
    """Return what comes of a vector: read to its datagram, and the datagram written to its octets."""
    case = vector(name)
    if "fragments" in case:
        return Kept(_fragments(case))
    env = env_of(case)
    wire, packet = (
        byte_code(case) if "code" in case else (octets(case, "lowpan"), octets(case, "ipv6"))
    )
    assert decompress(wire, env).octets.hex(" ") == packet.hex(" ")
    if any(span.layer == "HC1" for span, _ in spans_of(name)):
        return Kept(READ)
    packed = compress(packet, env, lorh="8138" in case["file"], ghc="7400" in case["file"])
    printed, sent = wire, packed.octets
    if "code" in case:  # no figure prints what stands before its byte code
        coded = [span for span in packed.spans if span.layer == "GHC"]
        first, last = coded[0].offset_bits // 8, coded[-1].offset_bits + coded[-1].bits
        printed, sent = octets(case, "code"), packed.octets[first : last // 8]
    assert len(sent) <= len(printed), f"{len(sent)} octets are sent, {len(printed)} are printed"
    if sent == printed:
        return Kept(EXACT)
    return Kept(SHORTER if len(sent) < len(printed) else AS_LONG, printed, sent)


def _fragments(case: Record) -> str:
    env, reassembler = env_of(case), Reassembler()
    mac = Mac(
        destination_pan=1, destination=env.destination, source=env.source, pan_id_compression=True
    )
    wire = [encode_frame(mac, payload).octets for payload in payloads(case)]
    events: list[Any] = [
        event
        for frame in wire
        for event in reassembler.feed(decode_frame(frame, contexts=env.contexts, root=env.root))
    ]
    assert [event.datagram.octets for event in events] == [octets(case, "ipv6")]
    if "room" not in case:
        return READ
    parts = split(
        octets(case, "ipv6"), env, room=case["room"], tag=case["tag"], lorh="8138" in case["file"]
    )
    assert parts == payloads(case)
    return EXACT


def difference(name: str) -> str:
    """Return in which octets what is sent differs from what is printed; empty where nothing does."""
    _, printed, sent = kept(name)
    if not printed:
        return ""
    size = min(len(printed), len(sent))
    first = next(at for at in range(size) if printed[at] != sent[at])
    tail = next(at for at in range(1, size) if printed[-at] != sent[-at]) - 1
    return (
        f"from octet {first} of {len(printed)} `{printed[first : len(printed) - tail].hex(' ')}` is printed, "
        f"`{sent[first : len(sent) - tail].hex(' ')}` is sent"
    )
