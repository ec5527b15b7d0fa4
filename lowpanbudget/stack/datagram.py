"""6LoWPAN headers to an IPv6 datagram and back: what chains IPHC and NHC together.

Expanding takes two steps, since lengths are elided: first every header becomes a ``RestoredPart`` without length, then,
once the end is known, lengths and elided checksums are filled in from the last part to the first.
"""

from typing import Any

from lowpanbudget.bits import Reader
from lowpanbudget.cites import rfc
from lowpanbudget.env import Env
from lowpanbudget.errors import Malformed, Reserved, WireError
from lowpanbudget.fields import Head, layout_of, read_head
from lowpanbudget.layers.internet import ipv6, udp
from lowpanbudget.layers.internet.chain import PseudoHeader, find, is_cut, is_later
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.internet.udp import Udp
from lowpanbudget.layers.lowpan import extension_nhc, ghc, ghc_headers, iphc, nhc
from lowpanbudget.stack.upper import (
    PART,
    ReadingRemark,
    Upper,
    WrongChecksum,
    leave_payload,
    read_application,
    read_begun,
    read_upper,
    registered,
    unused_remark,
    wrong_udp_sum,
)
from lowpanbudget.values import dataclass, field, replace


@dataclass(slots=True)
class RestoredPart:
    """A header restored without its length: ``kind`` is its next-header number.

    ``value`` is an ``Ipv6``, a ``Udp``, or the octets of an extension header; ``next_header`` takes the place of what
    an IPv6 or extension header holds as soon as the header behind it is known. ``length_carried``: a UDP length was in
    line, and comes back as it was.
    """

    kind: int
    value: Any
    next_header: int | None = None
    checksum_elided: bool = False
    length_carried: bool = False
    sent: bytes = b""

    @property
    def octets(self) -> int:
        """Return how many octets the header has."""
        return ipv6.OCTETS if self.kind == ipv6.IPV6 else len(bytes(self.value))


@dataclass(slots=True)
class Chain:
    """The headers of a datagram as parts, then the payload octets that are there; ``heads`` are those on the air."""

    parts: list[RestoredPart] = field(default_factory=list)
    heads: list[Head] = field(default_factory=list)
    payload: bytes = b""
    last: int = ipv6.NO_NEXT_HEADER  # the next-header number of the payload when it is no part
    whole: bool = field(kw_only=True)  # False: a fragment, whose payload is only a part
    upper_fault: WireError | None = None
    upper_wrong: WrongChecksum | None = None
    remarks: list[ReadingRemark] = field(default_factory=list)

    @property
    def header_octets(self) -> int:
        """Return the size of all headers uncompressed."""
        return sum(part.octets for part in self.parts)

    @property
    def checksum_elided(self) -> bool:
        """Return whether a checksum must be computed once the datagram is whole."""
        return any(part.checksum_elided for part in self.parts)

    @property
    def complete(self) -> bool:
        """Return whether all that its last header carries is there: no fragment, nor one of IPv6."""
        return self.whole and not any(
            part.kind == ipv6.FRAGMENT and is_cut(part.value) for part in self.parts
        )

    @property
    def innermost(self) -> Ipv6:
        """Return the last IPv6 header, whose addresses hold for what follows."""
        return next(part.value for part in reversed(self.parts) if isinstance(part.value, Ipv6))

    def link(self, part: RestoredPart) -> None:
        """Append a header, and its number to the header before it."""
        self.parts[-1].next_header = part.kind
        self.parts.append(part)


def read_chain(reader: Reader, env: Env, chain: Chain, *, tunnel: iphc.Sides | None = None) -> None:
    """Read into ``chain`` what starts at an IPHC header; the payload is all that is left.

    ``tunnel``: identifiers of an outer header compressed with RFC 8138, as ``iphc.decode`` takes them. Raises
    ``WireError``; what has been read until then stays in the chain and in the reader's spans.
    """
    compressed = _read_iphc(reader, env, chain, tunnel=tunnel)
    while compressed:
        if len(chain.parts) >= ipv6.DEEPEST:
            raise reader.fault(
                Malformed, f"more than {ipv6.DEEPEST} chained headers", nhc.KINDS.cite
            )
        compressed = _read_next(reader, env, chain)
    if not chain.payload:  # byte code has brought it already
        read_payload(reader, chain)


def read_payload(reader: Reader, chain: Chain) -> None:
    """Take all that is left as the chain's payload, and explain it as far as it can be read."""
    chain.payload = reader.data[reader.pos : reader.end]
    if not chain.complete:
        if chain.whole or chain.parts[-1].kind == ipv6.UDP:
            leave_payload(reader, PART)
        else:
            chain.heads += read_begun(reader, chain.last, endpoints(chain.parts))
        return
    upper = _read_contents(reader, chain)
    chain.heads += upper.heads
    chain.upper_fault, chain.upper_wrong = upper.fault, upper.wrong
    if upper.remark is not None:
        chain.remarks.append(upper.remark)


def _read_contents(reader: Reader, chain: Chain) -> Upper:
    """Read all that is left as what the last header carries."""
    last = chain.parts[-1]
    if last.kind == ipv6.UDP:
        ports = last.value.source_port, last.value.destination_port
        return read_application(reader, registered(ports))
    return read_upper(reader, chain.last, endpoints(chain.parts))


def wrong_checksum(chain: Chain) -> WrongChecksum | None:
    """Return the checksum that a whole datagram carries, of UDP or ICMPv6, where it is wrong; lengths are filled."""
    last = chain.parts[-1]
    if chain.upper_wrong is not None:
        return chain.upper_wrong
    if last.kind != ipv6.UDP or last.checksum_elided or not chain.complete:
        return None
    ends = endpoints(chain.parts)
    if ends.hidden:
        return None  # nobody can tell what it was computed over
    wrong = wrong_udp_sum(ends, last.sent + chain.payload)
    return None if wrong.sent == wrong.right else wrong


def _read_iphc(
    reader: Reader,
    env: Env,
    chain: Chain,
    outer: Ipv6 | None = None,
    tunnel: iphc.Sides | None = None,
) -> bool:
    layer = read_head(chain.heads, reader, iphc.decode, env, outer, tunnel)
    chain.parts.append(RestoredPart(ipv6.IPV6, layer.header))
    chain.last = layer.header.next_header
    return layer.nhc


def _read_next(reader: Reader, env: Env, chain: Chain) -> bool:
    start = reader.pos
    kind = nhc.KINDS[reader.peek("the next header's LOWPAN_NHC octet", nhc.KINDS.cite)]
    if kind.key == "udp":
        _link_udp(chain, read_head(chain.heads, reader, nhc.decode_udp), start)
        return False
    if kind.key == "extension":
        extension = read_head(chain.heads, reader, extension_nhc.decode_extension)
        _remark(chain, extension, reader.data[start], start)
        if extension.kind == ipv6.IPV6:
            outer = chain.innermost
            chain.parts[-1].next_header = ipv6.IPV6
            return _read_iphc(reader, env, chain, outer)
        return _link_extension(chain, extension, start)
    if kind.key.endswith("-ghc"):
        return _read_generic(reader, chain, kind.key)
    raise (Reserved if kind.key == "reserved" else WireError)(
        f"LOWPAN_NHC octet {reader.data[start]:#04x} ({kind.name}) cannot be read further",
        offset=start,
        layer="NHC",
        cite=kind.cite,
    )


def _remark(chain: Chain, extension: extension_nhc.ExtensionNhc, octet: int, start: int) -> None:
    """Note bits of an extension header that a sender must leave zero; they do not stop reading."""
    if extension.kind == ipv6.IPV6 and octet & 1:
        # "the NH bit of the LOWPAN_NHC encoding is unused and MUST be set to zero"
        text = "the NH bit is 1 before an IPv6 header, where it has no use and must be 0"
        chain.remarks.append(
            ReadingRemark("nhc-unused-bit-set", text, extension_nhc.EXTENSION_FORMAT, start)
        )
    if extension.kind == ipv6.FRAGMENT and extension.octets[1]:
        reserved = extension.octets[1]
        text = (
            f"the reserved octet of the fragment header is {reserved}, and senders must leave it 0"
        )
        if reserved == len(extension.octets) - 2:
            text += ": it looks like a length, the octets that follow it; this header has none"
        at = start + (1 if extension.next_header is None else 2)
        chain.remarks.append(
            ReadingRemark("fragment-reserved-not-zero", text, rfc(8200, "4.5"), at)
        )


def _link_udp(chain: Chain, layer: nhc.UdpNhc, start: int) -> None:
    cut = [p.value for p in chain.parts if p.kind == ipv6.FRAGMENT and is_cut(p.value)]
    if cut and not any(
        map(is_later, cut)
    ):  # of a later one it was said already that no header stands there
        what = "length" if layer.checksum is not None else "length and checksum"
        text = f"a compressed UDP header of one part of a fragmented packet: its {what} cannot be that of the whole"
        chain.remarks.append(ReadingRemark("udp-of-a-part", text, rfc(6282, "4.3.3"), start))
    header = Udp(layer.source_port, layer.destination_port, 0, layer.checksum or 0)
    chain.link(RestoredPart(ipv6.UDP, header, checksum_elided=layer.checksum is None))


def _link_extension(chain: Chain, layer: extension_nhc.ExtensionNhc, start: int) -> bool:
    if layer.kind == ipv6.FRAGMENT and layer.next_header is None and is_later(layer.octets):
        text = "the fragment header is that of a later fragment: no header stands behind it, and a compressed one does"
        chain.remarks.append(
            ReadingRemark("header-behind-later-fragment", text, rfc(8200, "4.5"), start)
        )
    chain.link(RestoredPart(layer.kind, layer.octets))
    chain.last = layer.next_header or 0
    return layer.next_header is None


def _read_generic(reader: Reader, chain: Chain, key: str) -> bool:
    """Read a header with generic compression; its dictionary holds the addresses of the IPv6 header before it."""
    start = reader.pos
    dictionary = ghc.dictionary(chain.innermost.source.packed, chain.innermost.destination.packed)
    if key == "extension-ghc":
        layer = read_head(chain.heads, reader, ghc_headers.decode_extension, dictionary)
        return _link_extension(chain, layer, start)
    if key == "udp-ghc":
        _link_udp(chain, read_head(chain.heads, reader, nhc.decode_udp, ghc_headers.UDP), start)
    else:
        read_head(chain.heads, reader, layout_of(ghc_headers.Icmpv6Nhc).read)
        chain.parts[-1].next_header = chain.last = ipv6.ICMPV6
    at = reader.pos
    chain.payload = ghc_headers.read_code(reader, dictionary, until_stop=False)
    if chain.complete:
        # what the code stands for has no octets of its own in the frame: its heads and its fault stand at the code
        inside = Reader(chain.payload)
        upper = _read_contents(inside, chain)
        chain.remarks += [unused_remark(span)._replace(offset=at) for span in inside.unused]
        chain.heads += [Head(head.value, at, reader.pos) for head in upper.heads]
        chain.upper_fault, chain.upper_wrong = upper.fault, upper.wrong
        if upper.fault is not None:
            chain.upper_fault = upper.fault.but(offset=at)
        if upper.remark is not None:
            chain.remarks.append(upper.remark._replace(offset=at))
    return False


def fill(chain: Chain, missing: int = 0) -> bytes:
    """Return the octets of the datagram as far as they are here; ``missing`` more follow in other fragments.

    Lengths count the missing octets; elided checksums are computed only when nothing is missing. The parts hold their
    final values then.
    """
    after = len(chain.payload) + missing
    tail = chain.payload
    for index in range(len(chain.parts) - 1, -1, -1):
        part = chain.parts[index]
        if after + (udp.OCTETS if part.kind == ipv6.UDP else 0) > 0xFFFF:
            raise Malformed(
                f"{after} octets are too long for {ipv6.next_header_name(part.kind)}",
                layer=ipv6.HEADER.name,
                cite=ipv6.HEADER.cite,
            )
        if part.kind == ipv6.IPV6:
            header = part.value
            part.value = Ipv6(
                header.traffic_class, header.flow_label, after,
                header.next_header if part.next_header is None else part.next_header,
                header.hop_limit, header.source, header.destination,
            )  # fmt: skip
        elif part.kind == ipv6.UDP:
            sent = part.value
            length = sent.length if part.length_carried else udp.OCTETS + after
            part.value = Udp(sent.source_port, sent.destination_port, length, sent.checksum)
            if part.checksum_elided and not missing:
                segment = bytes(part.value) + tail
                ends = endpoints(chain.parts[:index])
                checksum = udp.checksum(ends.source, ends.destination, segment)
                part.value = replace(part.value, checksum=checksum)
        elif part.next_header is not None:
            part.value = bytes((part.next_header,)) + part.value[1:]
        part.sent = bytes(part.value)
        after += len(part.sent)
        tail = part.sent + tail
    return tail


def endpoints(parts: list[RestoredPart]) -> PseudoHeader:
    """Return the pseudo-header for what follows these parts."""
    at = max(index for index, part in enumerate(parts) if part.kind == ipv6.IPV6)
    ends = PseudoHeader(parts[at].value.source, parts[at].value.destination)
    for part in parts[at + 1 :]:
        if part.kind == ipv6.ROUTING:
            ends = ends.behind(part.value)
    return ends


def complete_checksum(datagram: bytes) -> bytes:
    """Return the datagram with its UDP checksum computed, as a decompressor owes for C=1 once it is whole.

    "A decompressor ... MUST compute the UDP Checksum on behalf of the source node" (RFC 6282 section 4.3.2). A datagram
    without UDP, or cut short, comes back as it was.
    """
    place = find(datagram, ipv6.UDP)
    if place is None or len(datagram) < place.offset + udp.OCTETS:
        return datagram
    segment = datagram[place.offset :]
    header = udp.decode(Reader(segment))
    header = replace(header, checksum=udp.checksum(place.source, place.destination, segment))
    return datagram[: place.offset] + bytes(header) + segment[udp.OCTETS :]
