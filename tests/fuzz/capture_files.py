"""Captures made of octets: every format and link type, frames alike, repeated, cut, sealed, in fragments."""

import gzip
import struct
from typing import Any

from fuzz.registry import DEVICES, EUI, KEYS, OTHER, Choices

from lowpanbudget import Mac, RequestError, Security, encode_frame
from lowpanbudget.layers.link.fcs import fcs

PAUSES_NS = (0, 10**5, 10**7, 10**9, 3 * 10**9, 61 * 10**9, -(5 * 10**9), 10**15)
LINK_TYPES = (195, 230, 283, 1, 229, 101, 0, 147)
# MAC headers of who speaks to whom; sequence number behind the first two octets
HEADERS = (
    "4188 {0:02x} cdab 0200 0100",
    "4188 {0:02x} cdab 0100 0200",
    "4188 {0:02x} cdab ffff 0100",
    "41cc {0:02x} cdab 02000010ef5e0002 01000010ef5e0002",
    "4198 {0:02x} cdab 0200 0100",
    "6188 {0:02x} cdab 0200 0300",
    "0200 {0:02x}",
    "",
)
MOST_FRAMES = 24


class Sent:
    """A frame in the making: its octets without FCS, its time, and what is wrong with its record."""

    def __init__(self, octets: bytes, time_ns: int, flaw: int) -> None:
        self.octets, self.time_ns, self.flaw = octets, time_ns, flaw


def frames(choices: Choices) -> list[Sent]:
    """Return the frames of an input: of each a lead for pause and header, one for how it is made, and its payload."""
    found: list[Sent] = []
    now, number = 10**9, 0
    while choices and len(found) < MOST_FRAMES:
        lead, how = choices.octet(), choices.octet()
        now = max(0, now + PAUSES_NS[lead >> 3 & 7])
        if how & 3 == 3 and found:  # the one before once more: as a retry, or under a later number
            again = bytearray(found[-1].octets)
            if how & 4 and len(again) > 2:
                again[2] = again[2] + 1 & 0xFF
            if how & 8 and again:
                again[choices.octet() % len(again)] ^= 1 << (how >> 4 & 7)
            found.append(Sent(bytes(again), now, 0))
            continue
        number += how & 3 < 2
        payload = choices.sized(110)
        if how >> 2 & 3 == 3:
            octets = sealed(payload, lead, how, number)
        else:
            octets = bytes.fromhex(HEADERS[lead & 7].format(number & 0xFF)) + payload
        found.append(Sent(octets, now, how >> 4))
    return found


def sealed(payload: bytes, lead: int, how: int, number: int) -> bytes:
    """Return a frame sealed with one of the keys, its counter its number."""
    by_short = bool(lead & 1)
    mac = Mac(
        1, 1, number & 0xFF, 0xABCD, bytes.fromhex(OTHER), None, b"\0\1" if by_short else bytes.fromhex(EUI),
        pan_id_compression=True, security=Security(5 + (lead >> 1 & 1), 1, number, None, 1),
    )  # fmt: skip
    key = KEYS[how >> 6 & 1]
    try:
        return encode_frame(mac, payload, key=key, fcs=0, devices=DEVICES).octets
    except RequestError:
        return payload


def wrapped(sent: Sent, link_type: int, number: int) -> bytes:
    """Return a frame in what a link type wraps around it; some with a wrong FCS, some without any."""
    octets = sent.octets
    if link_type in (229, 101, 0, 147):
        return octets
    check = b"\x2a\x9d" if sent.flaw & 3 == 3 else fcs(octets)
    if link_type == 195:
        return octets + check
    if link_type == 230:
        return octets
    if link_type == 1:
        kind = (0x809A, 0x809A, 0xA0ED, 0x86DD)[sent.flaw & 3]
        return bytes(11) + b"\1" + kind.to_bytes(2, "big") + octets
    elements = [
        (0, b"\1"),
        (7, struct.pack("<Q", number)),
        (1, struct.pack("<f", -60.0)),
        (10, b"\x50"),
    ]
    told = b"".join(
        struct.pack("<HH", kind, len(value)) + value + bytes(-len(value) % 4)
        for kind, value in elements[: 1 + (sent.flaw & 3)]
    )
    return struct.pack("<BBH", 0, 0, 4 + len(told)) + told + octets + check


def pcap(records: list[tuple[Sent, bytes]], link_type: int, order: str, unit: int) -> bytes:
    magic = {1: 0xA1B23C4D, 1000: 0xA1B2C3D4}[unit]
    parts = [struct.pack(f"{order}I2H2I2I", magic, 2, 4, 0, 0, 1 << 18, link_type)]
    for sent, octets in records:
        seconds, fraction = divmod(sent.time_ns, 10**9)
        missing = 3 if sent.flaw & 12 == 12 else 0
        head = (seconds & 0xFFFFFFFF, fraction // unit, len(octets), len(octets) + missing)
        parts += [struct.pack(f"{order}4I", *head), octets]
    return b"".join(parts)


def pcapng(records: list[tuple[Sent, bytes]], link_type: int, order: str, interfaces: int) -> bytes:
    def block(kind: int, body: bytes) -> bytes:
        body += bytes(-len(body) % 4)
        length = struct.pack(f"{order}I", len(body) + 12)
        return struct.pack(f"{order}I", kind) + length + body + length

    parts = [block(0x0A0D0D0A, struct.pack(f"{order}I2Hq", 0x1A2B3C4D, 1, 0, -1))]
    option = struct.pack(f"{order}2HB3x2H", 9, 1, 9, 0, 0)
    described = block(1, struct.pack(f"{order}2HI", link_type, 0, 1 << 18) + option)
    parts += [described] * interfaces
    for number, (sent, octets) in enumerate(records):
        missing = 3 if sent.flaw & 12 == 12 else 0
        high, low = sent.time_ns >> 32 & 0xFFFFFFFF, sent.time_ns & 0xFFFFFFFF
        kept, on_air = len(octets), len(octets) + missing
        if sent.flaw & 12 == 8:
            parts.append(block(3, struct.pack(f"{order}I", kept) + octets))
        elif sent.flaw & 12 == 4:
            head = struct.pack(f"{order}2H4I", number % interfaces, 0, high, low, kept, on_air)
            parts.append(block(2, head + octets))
        else:
            head = struct.pack(f"{order}5I", number % interfaces, high, low, kept, on_air)
            parts.append(block(6, head + octets))
    return b"".join(parts)


def text(records: list[tuple[Sent, bytes]]) -> bytes:
    forms: Any = (
        lambda sent, octets: (
            f"{sent.time_ns // 10**9}.{sent.time_ns % 10**9:09d} {octets.hex(' ')}"
        ),
        lambda _, octets: octets.hex(),
        lambda _, octets: f"[10:20:30.123] heard: {octets.hex(':')}",
        lambda _, octets: f"2031-05-04T10:20:30Z 0x{octets.hex()} # so",
    )
    return "\n".join(forms[sent.flaw & 3](sent, octets) for sent, octets in records).encode()


def capture(data: bytes) -> bytes:
    """Return the octets of a capture file: made of the input, its first octet the form, or the input itself."""
    choices = Choices(data)
    form = choices.octet()
    if form & 15 == 15:
        return choices.rest()
    link_type = LINK_TYPES[form >> 4 & 7]
    sent = frames(choices)
    records = [(one, wrapped(one, link_type, number)) for number, one in enumerate(sent, 1)]
    kind = form & 15
    if kind < 8:
        return pcap(records, link_type, "<>"[kind & 1], (1000, 1)[kind >> 1 & 1])
    if kind < 12:
        return pcapng(records, link_type, "<>"[kind & 1], 1 + (kind >> 1 & 1))
    made = text(records)
    return gzip.compress(made, 1, mtime=0) if kind == 14 else made
