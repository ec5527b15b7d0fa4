"""One reader for each dispatch of a 6LoWPAN payload: it reads its header into a ``Lowpan``."""

from collections.abc import Callable

from lowpanbudget.bits import Nature, Reader
from lowpanbudget.cites import rfc
from lowpanbudget.env import Env
from lowpanbudget.errors import Malformed, NotSupported, Reserved
from lowpanbudget.fields import read_head
from lowpanbudget.layers.internet import ipv6
from lowpanbudget.layers.internet.chain import PseudoHeader
from lowpanbudget.layers.lowpan import (
    dispatch,
    escape,
    fragment,
    legacy,
    lorh,
    mesh,
    recovery,
)
from lowpanbudget.layers.lowpan.fragment import Fragment
from lowpanbudget.layers.lowpan.recovery import Rfrag
from lowpanbudget.stack import identifiers
from lowpanbudget.stack.counting import most_added
from lowpanbudget.stack.datagram import (
    Chain,
    RestoredPart,
    endpoints,
    fill,
    read_chain,
    read_payload,
    wrong_checksum,
)
from lowpanbudget.stack.incoming import CHECKSUM, CHECKSUM_FORM, ELIDED, Datagram, Lowpan, octet_of
from lowpanbudget.stack.misplaced import note_headers
from lowpanbudget.stack.routed import Placed, read_routed
from lowpanbudget.stack.upper import read_begun
from lowpanbudget.stack.whole_datagram import note_length, read_datagram


def _nalp(reader: Reader, _env: Env, lowpan: Lowpan) -> None:
    kind = dispatch.PAGE_0[reader.data[reader.pos]]
    lowpan.note("not-lowpan", "the payload is not a LoWPAN frame", kind.cite, reader.pos)
    reader.layer = "payload"
    reader.rest("payload", kind.name, kind.cite, nature=Nature.PAYLOAD)
    lowpan.done = True


def _escape(reader: Reader, _env: Env, lowpan: Lowpan) -> None:
    start = reader.pos
    header = read_head(lowpan.heads, reader, escape.decode)
    entry = header.entry
    raise reader.fault(
        NotSupported if entry.key == "command" else Reserved,
        f"escape extension type {header.kind} is {entry.name}: not read further",
        entry.cite,
        at=start,
    )


def _mesh(reader: Reader, env: Env, lowpan: Lowpan) -> Env:
    header = read_head(lowpan.heads, reader, mesh.decode)
    lowpan.source, lowpan.destination = header.originator, header.final
    # addresses are elided against the ends of the mesh path, not against this hop (RFC 4944 section 5.2)
    return env.between(header.originator, header.final)


def _broadcast(reader: Reader, _env: Env, lowpan: Lowpan) -> None:
    read_head(lowpan.heads, reader, mesh.decode_broadcast)


def _fragment(reader: Reader, _env: Env, lowpan: Lowpan) -> None:
    start = reader.pos
    header = read_head(lowpan.heads, reader, fragment.decode)
    lowpan.fragment = header
    if header.first:
        reader.need(1, "the compressed headers of a first fragment", fragment.CITE)
        return
    reader.layer = "payload"
    octets = reader.rest(
        "fragment payload", "uncompressed octets", fragment.CITE, free=True, nature=Nature.PAYLOAD
    )
    end = header.offset + len(octets)
    if not octets or end > header.size:
        raise Malformed(
            f"{len(octets)} octets at {header.offset} do not fit datagram_size {header.size}"
            if octets
            else "the fragment brings no octets",
            offset=start,
            layer="FRAGN",
            cite=fragment.CITE,
            about=fragment.EndBeyond(header.offset, end, header.size) if octets else None,
        )
    _note_unaligned(lowpan, header, len(octets), start)
    lowpan.fragment_octets, lowpan.done = octets, True


def _note_unaligned(lowpan: Lowpan, header: Fragment, octets: int, start: int) -> None:
    if (header.offset + octets) % fragment.UNIT and header.offset + octets != header.size:
        lowpan.note(
            "fragment-not-multiple-of-8",
            f"the fragment ends at octet {header.offset + octets}, no multiple of 8",
            fragment.CITE,
            start,
        )


def _recoverable(reader: Reader, _env: Env, lowpan: Lowpan) -> None:
    header = read_head(lowpan.heads, reader, recovery.decode)
    lowpan.fragment = header
    octets = reader.data[reader.pos : reader.end]
    if header.first and octets:
        lowpan.compressed = octets
        return  # the compressed headers follow, and can be read
    reader.layer = "payload"
    reader.rest(
        "fragment payload", "octets of the compressed form", recovery.CITE, nature=Nature.PAYLOAD
    )
    lowpan.fragment_octets, lowpan.done = octets, True


def _acknowledgement(reader: Reader, _env: Env, lowpan: Lowpan) -> None:
    read_head(lowpan.heads, reader, recovery.decode_ack)
    lowpan.done = True


def _routing(reader: Reader, _env: Env, lowpan: Lowpan) -> None:
    start = reader.pos
    lowpan.routing.append(Placed(start, read_head(lowpan.heads, reader, lorh.decode)))


def _hc1(reader: Reader, env: Env, lowpan: Lowpan) -> None:
    start = reader.pos
    layer = read_head(lowpan.heads, reader, legacy.decode, env)
    if layer.old_identifiers:
        text = "identifiers of 16-bit addresses are those of RFC 4944 section 6, with the PAN ID"
        lowpan.note("old-identifiers", text, rfc(4944, "6"), start)
    chain = Chain([RestoredPart(ipv6.IPV6, layer.header)], whole=lowpan.fragment is None)
    chain.last = layer.header.next_header
    if layer.udp is not None:
        chain.parts.append(
            RestoredPart(ipv6.UDP, layer.udp, length_carried=not layer.length_elided)
        )
    read_payload(reader, chain)
    lowpan.heads += chain.heads
    for remark in chain.remarks:
        lowpan.note(*remark)
    _finish(reader, chain, env, lowpan, start)


def _iphc(reader: Reader, env: Env, lowpan: Lowpan) -> None:
    chain = Chain(whole=lowpan.fragment is None)
    start = reader.pos
    try:
        if lowpan.routing:
            read_routed(reader, env, chain, lowpan.routing, lowpan.note)
        else:
            read_chain(reader, env, chain)
    finally:
        lowpan.heads += chain.heads
        for remark in chain.remarks:
            lowpan.note(*remark)
    _finish(reader, chain, env, lowpan, start)


def _ipv6(reader: Reader, env: Env, lowpan: Lowpan) -> None:
    start = reader.pos
    dispatch.IPV6.read(reader)
    at = reader.pos
    if lowpan.fragment is None:
        read_datagram(reader, env, lowpan, start)
    else:
        _begin_datagram(reader, lowpan, at)
    _deliver(lowpan, reader.data[at : reader.end], start)


def _begin_datagram(reader: Reader, lowpan: Lowpan, at: int) -> None:
    """Read the IPv6 header of a first fragment, and leave what it carries for when it is whole."""
    header = read_head(lowpan.heads, reader, ipv6.decode)
    ends = PseudoHeader(header.source, header.destination)
    lowpan.heads += read_begun(reader, header.next_header, ends)
    lowpan.notices += note_headers(lowpan.heads)
    if isinstance(lowpan.fragment, Fragment):
        note_length(lowpan, header, lowpan.fragment.size, at)
    elif not lowpan.compressed:
        note_length(lowpan, header, reader.end - at, at)


def _finish(reader: Reader, chain: Chain, env: Env, lowpan: Lowpan, start: int) -> None:
    """Fill in lengths and checksums and deliver the datagram or the first fragment's part of it."""
    missing = 0
    if isinstance(lowpan.fragment, Rfrag):  # the headers are all here: what is not is payload
        missing = max(0, (lowpan.fragment.size or 0) - len(lowpan.compressed))
    if isinstance(lowpan.fragment, Fragment):
        missing = lowpan.fragment.size - chain.header_octets - len(chain.payload)
        if missing < 0:
            size = lowpan.fragment.size
            if _may_count_less(lowpan, chain, -missing):
                text = f"datagram_size {size} is {-missing} less than the first fragment brings, with what RPL added"
                lowpan.note("size-counts-otherwise", text, fragment.CITE, start)
            else:
                raise _too_small("expands to", size - missing, size, start, _SIZE_HINT)
    lowpan.checksum_elided = chain.checksum_elided
    if chain.checksum_elided:
        lowpan.note(*ELIDED, octet_of(reader.spans, CHECKSUM_FORM, start))
        if endpoints(chain.parts).hidden:
            text = (
                "the final destination stands in a routing header that cannot be read: the UDP checksum restored is "
                "computed over the next one, and need not be that of the sender"
            )
            lowpan.note("udp-checksum-unsure", text, rfc(8200, "8.1"), start)
    lowpan.unreadable(chain.upper_fault)
    octets = fill(chain, missing)
    lowpan.values = tuple(part.value for part in chain.parts)
    wrong = wrong_checksum(chain) if lowpan.fragment is None else None
    is_legacy = any(isinstance(head.value, legacy.Legacy) for head in lowpan.heads)
    if wrong is not None or (lowpan.fragment is None and not is_legacy):
        checksum_at = None if wrong is None else octet_of(reader.spans, CHECKSUM, start)
        lowpan.notices += identifiers.note_addresses(
            wrong, chain.innermost, env, start, checksum_at
        )
    lowpan.notices += note_headers(lowpan.heads)
    # of a recoverable fragment the compressed octets are kept: it takes all of them to expand
    _deliver(lowpan, b"" if lowpan.compressed else octets, start)


def _deliver(lowpan: Lowpan, octets: bytes, start: int) -> None:
    lowpan.done = True
    if lowpan.fragment is None:
        lowpan.datagram = Datagram(octets, lowpan.checksum_elided)
        return
    if isinstance(lowpan.fragment, Rfrag):
        lowpan.fragment_octets = lowpan.compressed
        return
    if len(octets) > lowpan.fragment.size and not lowpan.routing:
        raise _too_small("holds", len(octets), lowpan.fragment.size, start)
    _note_unaligned(lowpan, lowpan.fragment, len(octets), start)
    lowpan.fragment_octets = octets


def _too_small(how: str, octets: int, size: int, start: int, hint: str = "") -> Malformed:
    """Return the error for a datagram_size below what the first fragment brings."""
    return Malformed(
        f"the first fragment {how} {octets} octets, datagram_size says {size}",
        offset=start, layer="FRAG1", cite=fragment.CITE, hint=hint,
        about=fragment.SizeTooSmall(octets, size),
    )  # fmt: skip


_SIZE_HINT = "Some senders give the compressed size; the standard wants the uncompressed one"


def _may_count_less(lowpan: Lowpan, chain: Chain, less: int) -> bool:
    """Return whether a sender that leaves uncounted what RPL added has more to send of such a datagram."""
    return less < min(most_added([head.value for head in lowpan.heads]), len(chain.payload) + 1)


HANDLERS: dict[str, Callable[[Reader, Env, Lowpan], Env | None]] = {
    "nalp": _nalp,
    "esc": _escape,
    "rfrag": _recoverable,
    "rfrag-ack": _acknowledgement,
    "critical-6lorh": _routing,
    "elective-6lorh": _routing,
    "hc1": _hc1,
    "mesh": _mesh,
    "bc0": _broadcast,
    "frag1": _fragment,
    "fragn": _fragment,
    "ipv6": _ipv6,
    "iphc": _iphc,
}
