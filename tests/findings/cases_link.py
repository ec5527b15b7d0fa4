"""A capture that fires each finding about the link, and a near miss: link, protection, sequence and size."""

from collections.abc import Callable
from typing import NamedTuple

from findings import air
from findings.air import FAR_NODE, FAR_ROOT, NODE, PAN, ROOT, Capture


class Case(NamedTuple):
    fires: Callable[[], Capture]
    stays: Callable[[], Capture]


FAR = (FAR_NODE, FAR_ROOT)


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
    return Capture(
        [bytes(f[:-2]) + bytes([f[-2] ^ wrong, f[-1]]) for f in plain(20) if isinstance(f, bytes)]
    )


def reversed_source(link: bytes) -> Capture:
    links = (link, FAR_ROOT)
    return Capture([air.frame(air.datagram(links=links), links=links)], known_devices=FAR)


def sized(octets: int) -> Capture:
    """A frame of this many octets: 9 of MAC header, 2 of check sequence, the rest of another protocol."""
    return Capture([air.raw(bytes([8]) * (octets - 11))])


def short_source(source: bytes) -> Capture:
    links = (source, ROOT)
    return Capture([air.frame(air.datagram(links=links), links=links)])


def pan_rule(version: int) -> Capture:
    """Frames by the 2006 rule; the last says that it follows the 2015 rule, by which no PAN ID is there."""
    known = [air.frame(air.datagram(bytes([n]), links=FAR), n, FAR) for n in range(1, 5)]
    last = bytearray(air.frame(air.datagram(b"last", links=FAR), 9, FAR))
    last[1] = last[1] & 0xCF | version << 4
    return Capture([*known, air.mended(bytes(last))])


def counters(*numbers: int, level: int = 5) -> Capture:
    return Capture(
        [air.secured(bytes([n]) * 6, n, number, level) for n, number in enumerate(numbers, 1)]
    )


def opened(
    key: bytes | None, links: tuple[bytes, bytes] = FAR, devices: dict[int, bytes] | None = None
) -> Capture:
    sealed = air.secured(b"data", 1, 5, links=links)
    return Capture([sealed], keys=() if key is None else (key,), devices=devices or {})


def twice(apart_s: float) -> Capture:
    packet = air.datagram(b"the same reading")
    return Capture([(1.0, air.frame(packet, 41)), (1.0 + apart_s, air.frame(packet, 42))])


def other_frames(octets: str) -> Capture:
    return Capture([air.raw(bytes.fromhex(octets))])


IPHC_ONLY = (
    "7a333b"  # RFC 6282 section 3.1.1: TF 11, HLIM 10, both addresses elided; next header 59
)

LINK_CASES = {
    "pan-id-carried-twice": Case(lambda: both_pans(PAN), lambda: both_pans(0x1234)),
    "sequence-suppression-misused": Case(lambda: suppression_bit(1), lambda: suppression_bit(0)),
    "header-elements-unreadable": Case(
        lambda: elements(IPHC_ONLY), lambda: elements("803f" + IPHC_ONLY)
    ),
    "elements-ended-for-nothing": Case(lambda: elements("803f"), lambda: elements("")),
    "check-sequence-wrong": Case(lambda: check_sequences(True), lambda: check_sequences(False)),
    "address-octets-reversed": Case(
        lambda: reversed_source(FAR_NODE[::-1]), lambda: reversed_source(FAR_NODE)
    ),
    "frame-too-long": Case(lambda: sized(128), lambda: sized(127)),
    "short-address-unusable": Case(
        lambda: short_source(b"\xff\xfe"), lambda: short_source(b"\x7f\xff")
    ),
    "pan-id-rule-of-other-version": Case(lambda: pan_rule(2), lambda: pan_rule(1)),
    "frame-counter-used-twice": Case(lambda: counters(7, 7), lambda: counters(7, 8)),
    "frame-counter-went-back": Case(lambda: counters(900, 901, 0), lambda: counters(900, 908, 901)),
    "integrity-code-wrong": Case(lambda: opened(bytes(16)), lambda: opened(air.KEY)),
    "extended-address-unknown": Case(
        lambda: opened(air.KEY, (NODE, ROOT)),
        lambda: opened(air.KEY, (NODE, ROOT), {0x17: FAR_NODE}),
    ),
    "key-missing": Case(lambda: opened(None), lambda: opened(air.KEY)),
    "encrypted-without-integrity": Case(lambda: counters(1, level=4), lambda: counters(1, level=5)),
    "sent-again-as-new": Case(lambda: twice(0.01), lambda: twice(5.0)),
    # LOWPAN_DFF, RFC 6971: assigned, and not built here
    "not-read-further": Case(
        lambda: other_frames("43" + "00" * 8), lambda: other_frames(IPHC_ONLY)
    ),
}
