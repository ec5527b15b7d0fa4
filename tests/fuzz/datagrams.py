"""Datagrams: what is expanded, is sent again in no more octets; what is compressed, comes back as it was."""

from collections.abc import Iterable

from fuzz.registry import (
    OUTCOMES,
    check_fault,
    check_request,
    entry,
    refusal,
    surroundings,
)

from lowpanbudget import Env, RequestError, WireError, compress, decompress
from lowpanbudget.bits import tiles
from lowpanbudget.layers.lowpan.extension_nhc import ExtensionNhc
from lowpanbudget.layers.lowpan.legacy import Legacy
from lowpanbudget.layers.lowpan.lorh import IpInIp
from lowpanbudget.stack.datagram import complete_checksum

MOST_FOR_CODE = (
    512  # octets; the shortest byte code of more takes so long that a run would stay there
)


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
        check_request(error)
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
    """Whether a compressor may use the forms that were read: HC1 and some contexts are for reading alone.

    So is an encapsulator's address of a length that figure 7 of RFC 8138 does not have.
    """
    return all(context.may_compress for context in env.contexts.values()) and not any(
        isinstance(layer, Legacy)
        or (isinstance(layer, IpInIp) and len(layer.encapsulator) not in {0, 1, 2, 4, 8, 16})
        # RFC 8200 section 4.5: behind a later fragment stands no header that could be compressed
        or (isinstance(layer, ExtensionNhc) and layer.next_header is None and is_later(layer))
        for layer in layers
    )


def is_later(layer: ExtensionNhc) -> bool:
    """Whether it is a fragment header with an offset."""
    return layer.kind == 44 and int.from_bytes(layer.octets[2:4], "big") >> 3 > 0


@entry("compress", longest=400)
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
        check_request(error)
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
