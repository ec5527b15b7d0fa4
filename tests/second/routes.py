"""6LoWPAN Routing Headers, read once more from RFC 8138, and the IPv6 headers that they stand for.

What the text leaves open is taken so: an expanded source route (RFC 6554) has whole addresses (CmprI = CmprE = 0); an
encapsulating header has traffic class and flow label 0; the hop-by-hop options header comes before the routing header
(RFC 8200 section 4.1).
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from ipaddress import IPv6Network

from second.tape import Refused, Tape, bits_of
from second_decoder import Ends, header, link_bits

HOP_BY_HOP, ROUTING, IPV6 = 0, 43, 41
SRH_OCTETS = (1, 2, 4, 8, 16)  # figure 7
RPI, IP_IN_IP = 5, 6


@dataclass
class Part:
    """The headers of one IPv6 header: those before an IP-in-IP-6LoRH, or those behind the last."""

    entries: list[bytes] = field(default_factory=list)
    information: bytes | None = None
    hop_limit: int | None = None
    encapsulator: bytes = b""


@dataclass
class Routes:
    """What a row of 6LoRH headers says, collected in its order."""

    parts: list[Part] = field(default_factory=lambda: [Part()])
    any_of_them: bool = False

    def take(self, tape: Tape) -> None:
        """Read one header, which starts with 10 (section 3.1)."""
        self.any_of_them = True
        form, low, kind = tape.take(3), tape.take(5), tape.number(8)
        part = self.parts[-1]
        if form == "101":
            body = tape.octets(int(low, 2))
            if kind == IP_IN_IP:
                if not 1 <= len(body) <= 17:
                    raise Refused("section 7: a hop limit and an address of 16 octets at most")
                part.hop_limit, part.encapsulator = body[0], body[1:]
                self.parts.append(Part())
        elif kind < len(SRH_OCTETS):
            part.entries += [tape.octets(SRH_OCTETS[kind]) for _ in range(int(low, 2) + 1)]
        elif kind == RPI:
            if part.information is not None:
                raise Refused("one RPL option a header")
            instance = b"\0" if low[3] == "1" else tape.octets(1)
            rank = tape.octets(1) + b"\0" if low[4] == "1" else tape.octets(2)
            part.information = bytes([int(low[:3] + "00000", 2)]) + instance + rank
        else:
            raise Refused("section 4.2: a critical header that is not known")


def coalesced(reference: bytes | None, entry: bytes) -> bytes:
    """Return section 4.3.1's address: the last octets of the reference overridden."""
    if len(entry) == 16:
        return entry
    if reference is None:
        raise Refused("no reference")
    return reference[: 16 - len(entry)] + entry


def path(reference: bytes | None, entries: list[bytes]) -> list[bytes]:
    """Return the hops (section 5.4): the reference of each is its predecessor."""
    hops: list[bytes] = []
    for entry in entries:
        reference = coalesced(reference, entry)
        hops.append(reference)
    return hops


def restored(
    tape: Tape,
    routes: Routes,
    link: tuple[bytes | None, bytes | None],
    prefixes: Mapping[int, IPv6Network],
    root: bytes | None,
    rpi_type: int,
) -> bytes:
    """Return the datagram of these headers and the LOWPAN_IPHC that the tape stands at."""
    *outer, inner = routes.parts
    sources = [coalesced(root, part.encapsulator) for part in outer]
    hops = [path(source, part.entries) for source, part in zip(sources, outer, strict=True)]
    link_source, link_destination = link_bits(link[0]), link_bits(link[1])
    ends = Ends(link_source, link_destination, link_source, link_destination)
    upwards = [
        source != root and not _down(part) for part, source in zip(outer, sources, strict=True)
    ]
    if outer:
        # section 5.2.3, "only if stateful (context-based) compression is used"
        last = hops[-1][-1] if hops[-1] else root if upwards[-1] else None
        far = None if last is None else bits_of(last)[64:]
        ends = Ends(link_source, link_destination, bits_of(sources[-1])[64:], far)
    datagram = header(tape, ends, prefixes)
    final = datagram[24:40]
    # section 5.4: configured, else "the source of the IPv6 packet"; a root is no reference for what others encapsulate
    reference = root if root is not None and not outer else datagram[8:24]
    way = path(reference, inner.entries)
    if way and way[-1] != final:
        way.append(final)
    chain, number = _chain(way[1:], inner.information, datagram[6], rpi_type)
    datagram = _header(datagram[:4], number, datagram[7], datagram[8:24], way[0] if way else final,
                       chain + datagram[40:])  # fmt: skip
    for part, source, steps, up in reversed(list(zip(outer, sources, hops, upwards, strict=True))):
        assert part.hop_limit is not None
        end = steps[0] if steps else root if up else final
        if end is None:
            raise Refused("the end is the root, which is not known")
        chain, number = _chain(steps[1:], part.information, IPV6, rpi_type)
        datagram = _header(b"\x60\0\0\0", number, part.hop_limit, source, end, chain + datagram)
    return datagram


def _down(part: Part) -> bool:
    """Return what the O flag says (RFC 6550 section 11.2): "the packet is expected to progress Down"."""
    return part.information is not None and part.information[0] >> 7 == 1


def _header(
    first: bytes, number: int, hop_limit: int, source: bytes, end: bytes, payload: bytes
) -> bytes:
    if len(payload) > 0xFFFF:
        raise Refused("too long")
    length = len(payload).to_bytes(2, "big")
    return first + length + bytes([number, hop_limit]) + source + end + payload


def _chain(
    left: list[bytes], information: bytes | None, number: int, rpi_type: int
) -> tuple[bytes, int]:
    """Return options and routing header (RFC 6553, RFC 6554) and the number of the first; ``number`` follows them."""
    chain = b""
    if left:
        if len(left) > 127:
            raise Refused("255 units of 8 octets")
        head = bytes([number, 2 * len(left), 3, len(left), 0, 0, 0, 0])
        chain, number = head + b"".join(left), ROUTING
    if information is not None:
        chain, number = bytes([number, 0, rpi_type, 4]) + information + chain, HOP_BY_HOP
    return chain, number
