"""Frames: read with all that may be known, by functions and by the engine alike, sealed and written again."""

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from ipaddress import IPv6Address
from typing import Any
from unittest.mock import patch

from fuzz.registry import (
    CONTEXTS,
    DEVICES,
    EUI,
    KEYS,
    OTHER,
    OUTCOMES,
    ROOT,
    Choices,
    check_fault,
    check_request,
    check_secrecy,
    entry,
    refusal,
    sampled,
)

from lowpanbudget import (
    Decoder,
    Key,
    Mac,
    Message,
    RequestError,
    Security,
    decode_frame,
    encode_frame,
    parse_design,
)
from lowpanbudget.bits import tiles
from lowpanbudget.fields import Layout, compiled
from lowpanbudget.stack import frame as frames
from lowpanbudget.stack.frame import Frame

SOME_KEYS: tuple[Any, ...] = ((), KEYS, Key(KEYS[0], 1, index=1), KEYS[0].hex())
MESSAGE = """
title = "a message on two ports"
link = { pan_id = 0xabcd }
station = [{ name = "n", role = "node", short = 1, prefix = "2001:db8::/64" }]
flow = [{ name = "f", source = "n", group = "ff02::1", source_port = 0xf0b1, destination_port = 0xf0b2 }]
[[message]]
name = "m"
byte_order = "little"
bit_order = "lsb-first"
layout = "bit-packed"
field = [
  { name = "t", kind = "number", min = -40, max = 85, step = 0.5, optional = true },
  { name = "s", kind = "series", min = 0, max = 99, step = 1, deltas = "variable", min_length = 0, max_length = 9 },
]
"""


def layouts() -> dict[Any, Message]:
    message = parse_design(MESSAGE).message("m")
    flow = (IPv6Address("fe80::ff:fe00:1"), IPv6Address("fe80::ff:fe00:2"), 0xF0B3)
    return {0xF0B1: message, 0xF0B2: message, flow: message}


LAYOUTS = layouts()


@entry("decode_frame")
def any_frame(data: bytes) -> None:
    choice = int.from_bytes(data[:2].ljust(2, b"\0"), "big")
    octets = data[2:]
    fcs = (0, 2, 4, True)[choice & 3]
    options: dict[str, Any] = {
        "contexts": CONTEXTS[choice >> 2 & 3],
        "keys": SOME_KEYS[choice >> 4 & 3],
        "devices": DEVICES if choice & 1 << 6 else {},
        "asn": 5 if choice & 1 << 7 else None,
        "root": ROOT if choice & 1 << 8 else None,
        "rpi_type": 0x23 if choice & 1 << 9 else 0x63,
    }
    frame = decode_frame(octets, fcs=fcs, **options)
    assert tiles(frame.spans, len(octets) * 8)
    if frame.fault is not None:
        check_fault(frame.fault, len(octets))
        assert frame.datagram is None
        assert frame.fragment is None
    if choice & 1 << 10 or sampled(data, 16):
        tell_no_key(frame, octets)
    if choice & 1 << 11:
        with_layouts(octets, fcs, options, frame)
    if sampled(data, 8):
        with engine_alone():
            assert told(decode_frame(octets, fcs=fcs, **options)) == told(frame)
    outcome = "a datagram" if frame.datagram else "a fragment" if frame.fragment else "no datagram"
    OUTCOMES[outcome if frame.fault is None else type(frame.fault).__name__] += 1
    if frame.fault is None and frame.payload is not None:
        written_again(frame, fcs, options)


def tell_no_key(frame: Frame, octets: bytes) -> None:
    opened = frame.datagram.octets if frame.datagram else None
    text = f"{frame!r} {frame.fault} {frame.notices} {frame.restored!r}"
    check_secrecy(text, octets, frame.payload, opened)


def with_layouts(octets: bytes, fcs: int, options: dict[str, Any], plain: Frame) -> None:
    """Fields of a message stand in the place of the application's octets, and nothing else is another."""
    known = {name: value for name, value in options.items() if name != "asn"}
    frame = Decoder(layouts=LAYOUTS, **known).frame(octets, fcs, options["asn"])
    assert tiles(frame.spans, len(octets) * 8)
    assert frame.datagram == plain.datagram
    assert frame.payload == plain.payload
    OUTCOMES["with a message"] += frame.spans != plain.spans


@contextmanager
def engine_alone() -> Iterator[None]:
    """Read headers by the engine that walks their tables: by no function made of them, and nothing in one go."""
    with ExitStack() as patches:
        patches.enter_context(patch.object(compiled, "SIGHTINGS", 1 << 60))
        patches.enter_context(patch.object(frames, "shape_of", lambda *_: None))
        patches.enter_context(patch.object(frames, "read_usual", lambda *_, **_known: False))
        patches.enter_context(patch.object(Layout, "_straight", lambda *_: None))
        for kind in compiled._KINDS:
            patches.enter_context(patch.object(kind, "functions", {}))
        yield


def told(frame: Frame) -> tuple[Any, ...]:
    """Return all that a frame says."""
    fault = frame.fault
    return (
        frame.spans, frame.mac, frame.payload, frame.link_source, frame.link_destination, frame.datagram,
        frame.fragment, frame.fragment_octets, frame.checksum_elided, frame.verified, frame.heads, frame.notices,
        fault and (type(fault), str(fault), fault.offset, fault.layer, fault.cite),
    )  # fmt: skip


def written_again(frame: Frame, fcs: int, options: dict[str, Any]) -> None:
    """What was read is written, and what is written reads the same; reserved bits are not kept."""
    mac = frame.mac
    assert mac is not None
    assert frame.payload is not None
    used = {name: options[name] for name in ("asn", "devices")}
    security = mac.security
    if security is not None and security.level and not frame.verified and security.level != 4:
        return
    key = KEYS[1] if security is not None and security.level else None
    size = int(2 if fcs is True else fcs)
    try:
        encoded = encode_frame(mac, frame.payload, key=key, fcs=size, **used)
    except RequestError as error:
        check_request(error)
        OUTCOMES[f"not written again: {refusal(error)}"] += 1
        return
    assert tiles(encoded.spans, len(encoded.octets) * 8)
    again = decode_frame(encoded.octets, **{**options, "keys": key or ()}, fcs=fcs)
    assert again.fault is None
    assert again.payload == frame.payload
    assert plainly(again.mac) == plainly(mac)


def plainly(mac: Mac | None) -> Mac:
    """A header without what the octets decide: check sequence, lengths, the ends of element lists, MIC."""
    assert mac is not None
    return replace(
        mac,
        fcs_ok=None,
        header_length=0,
        ie_present=False,
        header_ies=tuple(e for e in mac.header_ies if e.id not in {0x7E, 0x7F}),
        payload_ies=tuple(e for e in mac.payload_ies if e.id != 0xF),
        security=None if mac.security is None else replace(mac.security, mic=b""),
    )


# Who sends a sealed frame: addresses and PAN IDs, of nodes whose EUI-64 is known or stands in the frame
SENDERS = (
    (b"\0\1", 0xABCD),
    (b"\x0a\x0b", 1),
    (bytes.fromhex(EUI), 0xABCD),
    (bytes.fromhex(OTHER), 0xABCD),
)


@entry("sealed frame")
def sealed_frame(data: bytes) -> None:
    """A payload is sealed, so that mutations reach what only right keys open; what is sealed opens to the same."""
    choices = Choices(data)
    level, mode, sender = choices.octet(), choices.octet(), choices.of(SENDERS)
    flags, counter, kept = choices.octet(), choices.number(4), choices.octet()
    damage = choices.number(2)
    payload = choices.rest()
    version = 2 if flags & 1 else 1
    by_slot = flags & 3 == 3
    key = KEYS[flags >> 2 & 1]
    source = {2: bytes(4), 3: bytes(8)}.get(mode & 3, b"")
    index = None if mode & 3 == 0 else kept
    asn_in_nonce = by_slot or flags & 0x41 == 0x41
    security = Security(
        level & 7, mode & 3, None if by_slot else counter, source or None, index, asn_in_nonce
    )
    compressed = bool(flags & 1 << 5)
    mac = Mac(
        1, version, security=security, sequence=flags, source=sender[0],
        source_pan=None if compressed else sender[1], destination=b"\0\2", destination_pan=0xABCD,
        pan_id_compression=compressed,
    )  # fmt: skip
    known: dict[str, Any] = {"devices": DEVICES, "asn": counter if asn_in_nonce else None}
    try:
        encoded = encode_frame(mac, payload, key=key, fcs=2, **known)
    except RequestError as error:
        check_request(error)
        OUTCOMES[f"not sealed: {refusal(error)}"] += 1
        return
    assert tiles(encoded.spans, len(encoded.octets) * 8)
    check_secrecy(f"{encoded!r}", payload, encoded.octets)
    octets = bytearray(encoded.octets)
    if damage & 1 and len(octets) > 4:
        octets[damage % (len(octets) - 2)] ^= 1 << (damage >> 13)
    context = CONTEXTS[flags >> 3 & 3]
    keys = KEYS if security.level & 3 else key  # without integrity code any key opens to something
    frame = decode_frame(bytes(octets), contexts=context, keys=keys, root=ROOT, **known)
    assert tiles(frame.spans, len(octets) * 8)
    if frame.fault is not None:
        check_fault(frame.fault, len(octets))
    if sampled(data, 16):
        tell_no_key(frame, bytes(octets))
    if octets != encoded.octets:
        # a key opens nothing else; level 4 has no integrity check, and unsecured frames none at all
        assert not (frame.verified and frame.payload == payload and frame.mac == mac)
        OUTCOMES["damaged: " + (type(frame.fault).__name__ if frame.fault else "read")] += 1
        return
    assert frame.payload == payload
    assert frame.verified == (security.level & 3 > 0)
    OUTCOMES["opened" if frame.fault is None else type(frame.fault).__name__] += 1
