"""What the fuzzer calls: one function an entry, which takes any octets and asserts what must hold for them.

To add an entry, write a function here under ``@entry("name")`` and its first inputs in ``seeds.py``. The first octet
or two choose the options; the rest is what comes from the air. ``OUTCOMES`` counts how the calls ended.
"""

import re
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import Any

from lowpanbudget import (
    Context,
    Env,
    Key,
    Mac,
    Reassembler,
    RequestError,
    WireError,
    compress,
    decode_frame,
    decompress,
    encode_frame,
)
from lowpanbudget.bits import tiles
from lowpanbudget.layers.lowpan.extension_nhc import ExtensionNhc
from lowpanbudget.layers.lowpan.legacy import Legacy
from lowpanbudget.stack.datagram import complete_checksum
from lowpanbudget.stack.events import Complete, Discarded, Ignored, TimedOut
from lowpanbudget.stack.frame import Frame

Entry = Callable[[bytes], None]
ENTRIES: dict[str, Entry] = {}
OUTCOMES: Counter[str] = Counter()

EUI, OTHER = "02005eef10000001", "02005eef10000002"  # RFC 7042's range for documentation
ROOT = "2001:db8::ff:fe00:1"
CONTEXTS: tuple[dict[int, Any], ...] = (
    {},
    {0: "2001:db8::/64"},
    {0: "2001:db8::/64", 1: "2001:db8:1::/48", 3: "2001:db8:3::5eef:0:0/97", 15: "fe80::/10"},
    {0: "2001:db8::ff:fe00:0/112", 2: Context("2001:db8:2::/64", may_compress=False)},
)
LINKS: tuple[tuple[str | None, str | None], ...] = (
    ("0001", "0002"),
    (EUI, OTHER),
    (EUI, "0002"),
    (None, None),
)
KEYS = (bytes(range(0xC0, 0xD0)), bytes.fromhex("5a" * 7 + "a5" * 9))
DEVICES = {0x0A0B: EUI, (0xABCD, 1): OTHER, 1: EUI}


def entry(name: str) -> Callable[[Entry], Entry]:
    """Return what adds a function to the entries under ``name``."""

    def add(function: Entry) -> Entry:
        ENTRIES[name] = function
        return function

    return add


def refusal(error: RequestError) -> str:
    """What was refused, its figures left out."""
    return re.sub("0x[0-9a-f]+|[0-9]+", "N", error.message)[:60]


def check_fault(fault: WireError, octets: int) -> None:
    assert isinstance(fault, WireError)
    assert 0 <= fault.offset <= octets
    assert fault.layer
    assert str(fault)


def check_secrecy(text: str, *seen: bytes | None) -> None:
    """A key stands in no text, but for octets that came from the air."""
    for key in KEYS:
        if not any(key in octets for octets in seen if octets):
            assert key.hex() not in text.lower().replace(" ", "")
            assert repr(key)[2:-1] not in text


@entry("decode_frame")
def any_frame(data: bytes) -> None:
    choice = int.from_bytes(data[:2].ljust(2, b"\0"), "big")
    octets = data[2:]
    fcs = (0, 2, 4, True)[choice & 3]
    options: dict[str, Any] = {
        "contexts": CONTEXTS[choice >> 2 & 3],
        "keys": ((), KEYS, Key(KEYS[0], 1, index=1), KEYS[0].hex())[choice >> 4 & 3],
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
    if choice & 1 << 10:
        text = f"{frame!r} {frame.fault} {frame.notices}"
        opened = frame.datagram.octets if frame.datagram else None
        check_secrecy(text, octets, frame.payload, opened)
    outcome = "a datagram" if frame.datagram else "a fragment" if frame.fragment else "no datagram"
    OUTCOMES[outcome if frame.fault is None else type(frame.fault).__name__] += 1
    if frame.fault is None and frame.payload is not None:
        written_again(frame, fcs, options)


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


MOST_FOR_CODE = (
    512  # octets; the shortest byte code of more takes so long that a run would stay there
)


def surroundings(choice: int) -> Env:
    source, destination = LINKS[choice & 3]
    root = ROOT if choice & 16 else None
    return Env(source, destination, 0xABCD, CONTEXTS[choice >> 2 & 3], root)


@entry("decompress")
def any_payload(data: bytes) -> None:
    env = surroundings(data[0] if data else 0)
    octets = data[1:]
    try:
        expanded = decompress(octets, env)
    except WireError as error:
        check_fault(error, len(octets))
        OUTCOMES[type(error).__name__] += 1
        return
    assert tiles(expanded.spans, len(octets) * 8)
    notices = {notice.name for notice in expanded.notices}
    ghc = any("GHC" in span.layer for span in expanded.spans)
    if ghc and len(expanded.octets) > MOST_FOR_CODE:
        OUTCOMES["a datagram whose code is not sought"] += 1
        return
    lorh = any("6LoRH" in span.layer for span in expanded.spans)
    elide = "udp-checksum-elided" in notices
    try:
        packed = compress(expanded.octets, env, elide_udp_checksum=elide, ghc=ghc, lorh=lorh)
    except RequestError as error:
        OUTCOMES[f"not sent again: {refusal(error)}"] += 1
        return
    OUTCOMES["a datagram"] += 1
    back = decompress(packed.octets, env)
    assert back.spans == packed.spans
    if lorh:  # a source route may come back in an equivalent form; that form is stable
        first, packed = back.octets, compress(
            back.octets, env, elide_udp_checksum=elide, ghc=ghc, lorh=lorh
        )  # fmt: skip
        assert decompress(packed.octets, env).octets == first
    else:
        assert back.octets == expanded.octets
    if "source-route-multicast" not in notices and may_be_sent(expanded.layers, env):
        layers = sorted({span.layer for span in expanded.spans})
        assert len(packed.octets) <= len(octets), f"longer than {', '.join(layers)}"


def may_be_sent(layers: Iterable[object], env: Env) -> bool:
    """Whether a compressor may use the forms that were read: HC1 and some contexts are for reading alone."""
    return all(context.may_compress for context in env.contexts.values()) and not any(
        isinstance(layer, Legacy)
        # RFC 8200 section 4.5: behind a later fragment stands no header that could be compressed
        or (isinstance(layer, ExtensionNhc) and layer.next_header is None and is_later(layer))
        for layer in layers
    )


def is_later(layer: ExtensionNhc) -> bool:
    """Whether it is a fragment header with an offset."""
    return layer.kind == 44 and int.from_bytes(layer.octets[2:4], "big") >> 3 > 0


@entry("compress")
def any_datagram(data: bytes) -> None:
    choice = int.from_bytes(data[:2].ljust(2, b"\0"), "big")
    env = surroundings(choice)
    packet = data[2:]
    if choice & 1 << 8 and len(packet) >= 40:  # most mutations change the length
        packet = packet[:4] + (len(packet) - 40).to_bytes(2, "big") + packet[6:]
    if choice & 1 << 9:
        packet = complete_checksum(packet)
    elide, ghc, lorh = (bool(choice & 1 << bit) for bit in (5, 6, 7))
    try:
        packed = compress(packet, env, elide_udp_checksum=elide, ghc=ghc, lorh=lorh)
    except RequestError as error:
        OUTCOMES[f"refused: {refusal(error)}"] += 1
        return
    OUTCOMES["compressed"] += 1
    assert tiles(packed.spans, len(packed.octets) * 8)
    assert len(packed.octets) <= len(packet) + 1  # the dispatch octet of uncompressed IPv6
    back = decompress(packed.octets, env)
    assert back.spans == packed.spans
    if lorh:
        first = back.octets
        back = decompress(compress(first, env, ghc=ghc, lorh=True).octets, env)
        assert back.octets == first
    else:
        assert back.octets == packet


# Between the frames of a sequence: a network's pauses, the time-out, and clocks that jump
PAUSES = (0.0, 0.01, 1.0, 3.0, 30.0, 61.0, -5.0, 1e9)
# Behind one of these MAC headers, or the octets as a whole frame
HEADERS = (
    b"",
    bytes.fromhex("4188 01 cdab 0200 0100"),
    bytes.fromhex("4188 01 cdab 0100 0200"),
    bytes.fromhex("41cc 01 cdab 02000010ef5e0002 01000010ef5e0002"),
)
MOST_FRAMES = 48


def records(data: bytes) -> list[tuple[float, bytes]]:
    """A sequence of frames, each led by an octet for pause and header and by its length."""
    found: list[tuple[float, bytes]] = []
    at, now = 0, 0.0
    while at + 2 <= len(data) and len(found) < MOST_FRAMES:
        lead, size = data[at], data[at + 1]
        now += PAUSES[lead >> 2 & 7]
        found.append((now, HEADERS[lead & 3] + data[at + 2 : at + 2 + size]))
        at += 2 + size
    return found


@entry("Reassembler")
def any_sequence(data: bytes) -> None:
    choice = data[0] if data else 0
    contexts = CONTEXTS[choice & 3]
    most, octets = ((256, 1 << 20), (2, 1 << 20), (256, 200), (1, 1))[choice >> 2 & 3]
    root = ROOT if choice & 16 else None
    reassembler = Reassembler(contexts, 60, most, octets, root)
    brought = 0
    for now, frame_octets in records(data[1:]):
        frame = decode_frame(frame_octets, fcs=False, contexts=contexts, root=root)
        brought += len(frame.fragment_octets)
        for event in reassembler.feed(frame, now):
            OUTCOMES[type(event).__name__] += 1
            if isinstance(event, Complete):
                assert event.fragments >= 1
                if event.key is not None and event.key[2] is not None:
                    assert len(event.datagram.octets) == event.key[2]
            elif isinstance(event, TimedOut):
                assert event.missing
                assert event.received <= brought
            elif isinstance(event, Discarded):
                assert event.reason
                assert event.received <= brought
            else:
                assert isinstance(event, Ignored)
                assert event.reason
        assert 0 <= reassembler.held <= octets
    for event in reassembler.close():
        assert isinstance(event, Discarded)
    assert not reassembler.close()
