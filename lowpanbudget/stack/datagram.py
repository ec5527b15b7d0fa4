"""6LoWPAN headers to an IPv6 datagram and back: what chains IPHC and NHC together.

Expanding is done in two steps, since lengths are elided: first every header becomes a ``Piece`` without length, then,
once the end is known, lengths and elided checksums are filled in from the last piece to the first.
"""

from dataclasses import dataclass, field
from ipaddress import IPv6Address
from typing import NamedTuple

from lowpanbudget.bits import Reader
from lowpanbudget.cites import Cite, rfc
from lowpanbudget.env import Env
from lowpanbudget.errors import Malformed, Reserved, WireError
from lowpanbudget.layers.internet import ipv6, udp
from lowpanbudget.layers.internet.chain import (
    final_destination,
    find,
    hides_destination,
    is_cut,
)
from lowpanbudget.layers.lowpan import ghc, ghc_headers, iphc, nhc
from lowpanbudget.stack.upper import PART, read_application, read_upper


@dataclass(slots=True)
class Piece:
    """A header without its length: ``kind`` is its next-header number, ``octets`` are patched in ``fill``."""

    kind: int
    octets: bytearray
    checksum_elided: bool = False


class Remark(NamedTuple):
    """What reading a chain noticed: the name, the words, the section and the place of a notice."""

    name: str
    text: str
    cite: Cite
    offset: int


@dataclass(slots=True)
class Chain:
    """The headers of a datagram as pieces, then the payload octets that are there."""

    pieces: list[Piece] = field(default_factory=list)
    layers: list[object] = field(default_factory=list)
    payload: bytes = b""
    last: int = ipv6.NO_NEXT_HEADER  # the next-header number of the payload when it is no piece
    whole: bool = True  # False: a fragment, whose payload is only a part
    upper_fault: WireError | None = None
    remarks: list[Remark] = field(default_factory=list)

    @property
    def header_octets(self) -> int:
        """Return the size of all headers uncompressed."""
        return sum(len(piece.octets) for piece in self.pieces)

    @property
    def checksum_elided(self) -> bool:
        """Return whether a checksum must be computed once the datagram is whole."""
        return any(piece.checksum_elided for piece in self.pieces)


def read_chain(reader: Reader, env: Env, chain: Chain, *, tunnel: iphc.Sides | None = None) -> None:
    """Read into ``chain`` what starts at an IPHC header; the payload is all that is left.

    ``tunnel``: identifiers of an outer header compressed with RFC 8138, as ``iphc.decode`` takes them. Raises
    ``WireError``; what has been read until then stays in the chain and in the reader's spans.
    """
    compressed = _read_iphc(reader, env, chain, tunnel=tunnel)
    while compressed:
        if len(chain.pieces) >= ipv6.DEEPEST:
            raise Malformed(
                f"more than {ipv6.DEEPEST} chained headers", offset=reader.pos, layer=reader.layer,
                cite=nhc.KINDS.cite,
            )  # fmt: skip
        compressed = _read_next(reader, env, chain)
    if not chain.payload:  # byte code has brought it already
        read_payload(reader, chain)


def read_payload(reader: Reader, chain: Chain) -> None:
    """Take all that is left as the chain's payload, and explain it as far as it can be read."""
    chain.payload = reader.data[reader.pos : reader.end]
    cut = any(p.kind == ipv6.FRAGMENT and is_cut(bytes(p.octets)) for p in chain.pieces)
    if not chain.whole or cut:
        reader.layer = "payload"
        reader.rest("payload", PART)
        return
    last = chain.pieces[-1]
    if last.kind == ipv6.UDP:
        ports = (int.from_bytes(last.octets[:2], "big"), int.from_bytes(last.octets[2:4], "big"))
        upper = read_application(reader, ports)
    else:
        upper = read_upper(reader, chain.last, *endpoints(chain.pieces))
    chain.layers += upper.layers
    chain.upper_fault = upper.fault


def wrong_checksum(chain: Chain) -> tuple[int, int] | None:
    """Return the UDP checksum that a whole datagram carries and the right one, when they differ."""
    last = chain.pieces[-1]
    if last.kind != ipv6.UDP or last.checksum_elided or not chain.whole:
        return None
    carried = int.from_bytes(last.octets[6:8], "big")
    segment = bytes(last.octets) + chain.payload
    if carried and len(chain.pieces) == 2:
        # the common case, without a detour over addresses: with its checksum in it, all sums up to ones (RFC 1071)
        addresses = bytes(chain.pieces[0].octets[8:40])
        pseudo = addresses + len(segment).to_bytes(4, "big") + ipv6.UDP.to_bytes(4, "big")
        if ipv6.ones_complement_sum(pseudo + segment) == 0xFFFF:
            return None
    if is_destination_hidden(chain.pieces):
        return None  # nobody can tell what it was computed over
    right = udp.checksum(*endpoints(chain.pieces[:-1]), segment)
    return None if carried == right else (carried, right)


def _read_iphc(
    reader: Reader,
    env: Env,
    chain: Chain,
    outer: ipv6.Ipv6 | None = None,
    tunnel: iphc.Sides | None = None,
) -> bool:
    layer = iphc.decode(reader, env, outer, tunnel)
    chain.layers.append(layer)
    header = layer.header
    chain.pieces.append(Piece(ipv6.IPV6, bytearray(bytes(header))))
    chain.last = header.next_header
    return layer.nhc


def _read_next(reader: Reader, env: Env, chain: Chain) -> bool:
    start = reader.pos
    kind = nhc.KINDS[reader.peek("the next header's LOWPAN_NHC octet", nhc.KINDS.cite)]
    if kind.key == "udp":
        layer = nhc.decode_udp(reader)
        chain.layers.append(layer)
        header = udp.Udp(layer.source_port, layer.destination_port, 0, layer.checksum or 0)
        _link(chain, Piece(ipv6.UDP, bytearray(bytes(header)), layer.checksum is None))
        return False
    if kind.key == "extension":
        extension = nhc.decode_extension(reader)
        chain.layers.append(extension)
        _remark(chain, extension, reader.data[start], start)
        if extension.kind == ipv6.IPV6:
            last = next(p for p in reversed(chain.pieces) if p.kind == ipv6.IPV6)
            outer = ipv6.decode(Reader(bytes(last.octets)))
            _link_kind(chain, ipv6.IPV6)
            return _read_iphc(reader, env, chain, outer)
        _link(chain, Piece(extension.kind, bytearray(extension.octets)))
        chain.last = extension.octets[0]
        return extension.next_header is None
    if kind.key.endswith("-ghc"):
        return _read_generic(reader, chain, kind.key)
    raise (Reserved if kind.key == "reserved" else WireError)(
        f"LOWPAN_NHC octet {reader.data[start]:#04x} ({kind.name}) cannot be read further",
        offset=start,
        layer="NHC",
        cite=kind.cite,
    )


def _remark(chain: Chain, extension: nhc.ExtensionNhc, octet: int, start: int) -> None:
    """Note what a sender must leave zero in an extension header, and a reader can do without."""
    if extension.kind == ipv6.IPV6 and octet & 1:
        # "the NH bit of the LOWPAN_NHC encoding is unused and MUST be set to zero"
        text = "the NH bit is 1 before an IPv6 header, where it has no use and must be 0"
        chain.remarks.append(Remark("nhc-unused-bit-set", text, nhc.EXTENSION_FORMAT, start))
    if extension.kind == ipv6.FRAGMENT and extension.octets[1]:
        reserved = extension.octets[1]
        text = (
            f"the reserved octet of the fragment header is {reserved}, and senders must leave it 0"
        )
        if reserved == len(extension.octets) - 2:
            text += ": it looks like a length, the octets that follow it; this header has none"
        at = start + (1 if extension.next_header is None else 2)
        chain.remarks.append(Remark("fragment-reserved-not-zero", text, rfc(8200, "4.5"), at))


def _read_generic(reader: Reader, chain: Chain, key: str) -> bool:
    """Read a header with generic compression; its dictionary holds the addresses of the IPv6 header before it."""
    last = next(p for p in reversed(chain.pieces) if p.kind == ipv6.IPV6)
    dictionary = ghc.dictionary(bytes(last.octets[8:24]), bytes(last.octets[24:40]))
    if key == "extension-ghc":
        extension = ghc_headers.decode_extension(reader, dictionary)
        chain.layers.append(extension)
        _link(chain, Piece(extension.kind, bytearray(extension.octets)))
        chain.last = extension.octets[0]
        return extension.next_header is None
    if key == "udp-ghc":
        layer = ghc_headers.decode_udp(reader)
        chain.layers.append(layer)
        header = udp.Udp(layer.source_port, layer.destination_port, 0, layer.checksum or 0)
        _link(chain, Piece(ipv6.UDP, bytearray(bytes(header)), layer.checksum is None))
    else:
        ghc_headers.ICMPV6.read(reader)
        _link_kind(chain, ipv6.ICMPV6)
        chain.last = ipv6.ICMPV6
    chain.payload = ghc_headers.read_code(reader, dictionary, until_stop=False)
    return False


def _link_kind(chain: Chain, kind: int) -> None:
    """Write ``kind`` as the next header of the last piece."""
    last = chain.pieces[-1]
    last.octets[6 if last.kind == ipv6.IPV6 else 0] = kind


def _link(chain: Chain, piece: Piece) -> None:
    _link_kind(chain, piece.kind)
    chain.pieces.append(piece)


def fill(chain: Chain, missing: int = 0) -> bytes:
    """Return the datagram's octets that are there; ``missing`` more follow in other fragments.

    Lengths count the missing octets; elided checksums are computed only when nothing is missing.
    """
    after = len(chain.payload) + missing
    tail = chain.payload
    for index in range(len(chain.pieces) - 1, -1, -1):
        piece = chain.pieces[index]
        if after + (len(piece.octets) if piece.kind == ipv6.UDP else 0) > 0xFFFF:
            raise Malformed(
                f"{after} octets are too long for {ipv6.next_header_name(piece.kind)}",
                layer=ipv6.HEADER.name,
                cite=ipv6.HEADER.cite,
            )
        if piece.kind == ipv6.IPV6:
            piece.octets[4:6] = after.to_bytes(2, "big")
        elif piece.kind == ipv6.UDP:
            piece.octets[4:6] = (len(piece.octets) + after).to_bytes(2, "big")
            if piece.checksum_elided and not missing:
                source, destination = endpoints(chain.pieces[:index])
                segment = bytes(piece.octets) + tail
                checksum = udp.checksum(source, destination, segment)
                piece.octets[6:8] = checksum.to_bytes(2, "big")
        after += len(piece.octets)
        tail = bytes(piece.octets) + tail
    return tail


def endpoints(pieces: list[Piece]) -> tuple[IPv6Address, IPv6Address]:
    """Return the addresses of the pseudo-header for what follows these pieces.

    With a routing header whose Segments Left is not zero the destination is its last address (RFC 8200 section 8.1).
    """
    at = max(index for index, piece in enumerate(pieces) if piece.kind == ipv6.IPV6)
    head = bytes(pieces[at].octets)
    source, destination = IPv6Address(head[8:24]), IPv6Address(head[24:40])
    for piece in pieces[at + 1 :]:
        if piece.kind == ipv6.ROUTING:
            destination = final_destination(bytes(piece.octets), destination)
    return source, destination


def is_destination_hidden(pieces: list[Piece]) -> bool:
    """Return whether a routing header behind the last IPv6 header keeps the final destination to itself."""
    at = max(index for index, piece in enumerate(pieces) if piece.kind == ipv6.IPV6)
    return any(
        piece.kind == ipv6.ROUTING and hides_destination(bytes(piece.octets))
        for piece in pieces[at + 1 :]
    )


def complete_checksum(datagram: bytes) -> bytes:
    """Return the datagram with its UDP checksum computed, as a decompressor owes for C=1 once it is whole.

    "A decompressor ... MUST compute the UDP Checksum on behalf of the source node" (RFC 6282 section 4.3.2). A datagram
    without UDP, or cut short, comes back as it was.
    """
    octets = bytearray(datagram)
    found = find(datagram, ipv6.UDP)
    if found is None or len(octets) < found.offset + udp.OCTETS:
        return datagram
    segment = bytes(octets[found.offset :])
    checksum = udp.checksum(found.source, found.destination, segment)
    octets[found.offset + 6 : found.offset + 8] = checksum.to_bytes(2, "big")
    return bytes(octets)
