"""One reader for each dispatch of a 6LoWPAN payload: it reads its header into what was found."""

from collections.abc import Callable

from lowpanbudget.bits import Reader
from lowpanbudget.cites import rfc
from lowpanbudget.env import Env
from lowpanbudget.errors import Malformed, NotSupported, Reserved
from lowpanbudget.layers.internet import ipv6
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
from lowpanbudget.stack.datagram import (
    Chain,
    RestoredPart,
    fill,
    is_destination_hidden,
    read_chain,
    read_payload,
    wrong_checksum,
)
from lowpanbudget.stack.found import Datagram, Lowpan
from lowpanbudget.stack.routed import Placed, read_routed
from lowpanbudget.stack.upper import PART, read_upper


def _nalp(reader: Reader, _env: Env, found: Lowpan) -> None:
    kind = dispatch.PAGE_0[reader.data[reader.pos]]
    found.note("not-lowpan", "the payload is not a LoWPAN frame", kind.cite, reader.pos)
    reader.layer = "payload"
    reader.rest("payload", kind.name, kind.cite)
    found.done = True


def _escape(reader: Reader, _env: Env, found: Lowpan) -> None:
    start = reader.pos
    header = escape.decode(reader)
    found.add(header, start, reader.pos)
    entry = header.entry
    raise (NotSupported if entry.key == "command" else Reserved)(
        f"escape extension type {header.kind} is {entry.name}: not read further",
        offset=start,
        layer="ESC",
        cite=entry.cite,
    )


def _mesh(reader: Reader, env: Env, found: Lowpan) -> Env:
    start = reader.pos
    header = mesh.decode(reader)
    found.add(header, start, reader.pos)
    found.source, found.destination = header.originator, header.final
    # addresses are elided against the ends of the mesh path, not against this hop (RFC 4944 section 5.2)
    return env.between(header.originator, header.final)


def _broadcast(reader: Reader, _env: Env, found: Lowpan) -> None:
    start = reader.pos
    found.add(mesh.decode_broadcast(reader), start, reader.pos)


def _fragment(reader: Reader, _env: Env, found: Lowpan) -> None:
    start = reader.pos
    header = fragment.decode(reader)
    found.add(header, start, reader.pos)
    found.fragment = header
    if header.first:
        reader.need(1, "the compressed headers of a first fragment", fragment.CITE)
        return
    reader.layer = "payload"
    octets = reader.rest("fragment payload", "uncompressed octets", fragment.CITE, free=True)
    if not octets or header.offset + len(octets) > header.size:
        raise Malformed(
            f"{len(octets)} octets at {header.offset} do not fit datagram_size {header.size}"
            if octets
            else "the fragment brings no octets",
            offset=start,
            layer="FRAGN",
            cite=fragment.CITE,
        )
    _note_unaligned(found, header, len(octets), start)
    found.fragment_octets, found.done = octets, True


def _note_unaligned(found: Lowpan, header: Fragment, octets: int, start: int) -> None:
    if (header.offset + octets) % fragment.UNIT and header.offset + octets != header.size:
        found.note(
            "fragment-not-multiple-of-8",
            f"the fragment ends at octet {header.offset + octets}, no multiple of 8",
            fragment.CITE,
            start,
        )


def _recoverable(reader: Reader, _env: Env, found: Lowpan) -> None:
    start = reader.pos
    header = recovery.decode(reader)
    found.add(header, start, reader.pos)
    found.fragment = header
    octets = reader.data[reader.pos : reader.end]
    if header.first and octets:
        found.compressed = octets
        return  # the compressed headers follow, and can be read
    reader.layer = "payload"
    reader.rest("fragment payload", "octets of the compressed form", recovery.CITE)
    found.fragment_octets, found.done = octets, True


def _acknowledgement(reader: Reader, _env: Env, found: Lowpan) -> None:
    start = reader.pos
    found.add(recovery.decode_ack(reader), start, reader.pos)
    found.done = True


def _routing(reader: Reader, _env: Env, found: Lowpan) -> None:
    start = reader.pos
    header = lorh.decode(reader)
    found.add(header, start, reader.pos)
    found.routing.append(Placed(start, header))


def _hc1(reader: Reader, env: Env, found: Lowpan) -> None:
    start = reader.pos
    layer = legacy.decode(reader, env)
    found.add(layer, start, reader.pos)
    if layer.old_identifiers:
        text = "identifiers of 16-bit addresses are those of RFC 4944 section 6, with the PAN ID"
        found.note("old-identifiers", text, rfc(4944, "6"), start)
    chain = Chain([RestoredPart(ipv6.IPV6, layer.header)], whole=found.fragment is None)
    chain.last = layer.header.next_header
    if layer.udp is not None:
        chain.parts.append(
            RestoredPart(ipv6.UDP, layer.udp, length_carried=not layer.length_elided)
        )
    read_payload(reader, chain)
    found.heads += chain.heads
    _finish(chain, env, found, start)


def _iphc(reader: Reader, env: Env, found: Lowpan) -> None:
    chain = Chain(whole=found.fragment is None)
    start = reader.pos
    try:
        if found.routing:
            read_routed(reader, env, chain, found.routing, found.note)
        else:
            read_chain(reader, env, chain)
    finally:
        found.heads += chain.heads
        for remark in chain.remarks:
            found.note(*remark)
    _finish(chain, env, found, start)


def _ipv6(reader: Reader, _env: Env, found: Lowpan) -> None:
    start = reader.pos
    dispatch.IPV6.read(reader)
    at = reader.pos
    header = ipv6.decode(reader)
    found.add(header, at, reader.pos)
    if found.fragment is None:
        upper = read_upper(reader, header.next_header, header.source, header.destination)
        found.heads += upper.heads
        if upper.fault is not None:
            fault = upper.fault
            found.note("payload-unreadable", fault.message, fault.cite, fault.offset)
    elif reader.left:
        reader.layer = "payload"
        reader.rest("payload", PART, free=True)
    octets = reader.data[at : reader.end]
    expected = found.fragment.size if isinstance(found.fragment, Fragment) else len(octets)
    if not found.compressed and header.payload_length + ipv6.OCTETS != expected:
        found.note(
            "ipv6-length-differs",
            f"the IPv6 payload length {header.payload_length} and the {expected - ipv6.OCTETS} "
            "octets from the lower layer differ",
            ipv6.HEADER.cite,
            at,
        )
    _deliver(found, octets, start)


def _finish(chain: Chain, env: Env, found: Lowpan, start: int) -> None:
    """Fill in lengths and checksums and deliver the datagram or the first fragment's part of it."""
    missing = 0
    if isinstance(found.fragment, Fragment):
        missing = found.fragment.size - chain.header_octets - len(chain.payload)
        if missing < 0:
            raise Malformed(
                f"the first fragment expands to {found.fragment.size - missing} octets, "
                f"datagram_size says {found.fragment.size}",
                offset=start,
                layer="FRAG1",
                cite=fragment.CITE,
                hint="Some senders give the compressed size; the standard wants the uncompressed one",
            )
    found.checksum_elided = chain.checksum_elided
    if chain.checksum_elided:
        found.note(
            "udp-checksum-elided",
            "the UDP checksum was elided; it is restored by computing it",
            rfc(6282, "4.3.2"),
            start,
        )
        if is_destination_hidden(chain.parts):
            text = (
                "the final destination stands in a routing header that cannot be read: the UDP checksum restored is "
                "computed over the next one, and need not be that of the sender"
            )
            found.note("udp-checksum-unsure", text, rfc(8200, "8.1"), start)
    if chain.upper_fault is not None:
        fault = chain.upper_fault
        found.note("payload-unreadable", fault.message, fault.cite, fault.offset)
    octets = fill(chain, missing)
    found.values = tuple(part.value for part in chain.parts)
    wrong = wrong_checksum(chain) if found.fragment is None else None
    if wrong is not None:
        text = f"the UDP checksum is {wrong[0]:#06x}, computed over the restored datagram {wrong[1]:#06x}"
        found.note("udp-checksum-wrong", text, ipv6.HEADER.cite, start)
        sides = identifiers.explains_checksum(chain, env)
        if sides:
            text = f"the checksum is right when the {sides} has an identifier of RFC 4944, with the PAN ID"
            found.note("old-identifiers", text, rfc(4944, "6"), start)
    elif (
        found.fragment is None
        and (held := identifiers.carried(chain, env))
        and not any(isinstance(head.value, legacy.Legacy) for head in found.heads)
    ):
        text = f"the {' and '.join(held)} has an identifier of RFC 4944, with the PAN ID"
        found.note("old-identifiers", text, rfc(4944, "6"), start)
    # of a recoverable fragment the compressed octets are kept: it takes all of them to expand
    _deliver(found, b"" if found.compressed else octets, start)


def _deliver(found: Lowpan, octets: bytes, start: int) -> None:
    found.done = True
    if found.fragment is None:
        found.datagram = Datagram(octets, found.checksum_elided)
        return
    if isinstance(found.fragment, Rfrag):
        found.fragment_octets = found.compressed
        return
    if len(octets) > found.fragment.size:
        raise Malformed(
            f"the first fragment holds {len(octets)} octets, datagram_size says "
            f"{found.fragment.size}",
            offset=start,
            layer="FRAG1",
            cite=fragment.CITE,
        )
    _note_unaligned(found, found.fragment, len(octets), start)
    found.fragment_octets = octets


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
