"""Headers of a frame beside those that the design plans, field by field."""

from collections.abc import Collection, Iterable, Iterator
from ipaddress import IPv6Network
from typing import NamedTuple

from lowpanbudget.cites import Cite
from lowpanbudget.design.flow import Flow
from lowpanbudget.design.path import FlowPath
from lowpanbudget.env import IID_MASK, SHORT_IID, old_interface_identifier
from lowpanbudget.errors import plural
from lowpanbudget.findings.captures.lowpan import longer_ports
from lowpanbudget.findings.datagrams import HeardDatagram
from lowpanbudget.findings.finding import Hit, Severity
from lowpanbudget.findings.flows import FieldBits, FlowMatch, field_bits, planned_bits
from lowpanbudget.findings.rule import Hits
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.sealed_flows import ComparedHeaders, compared
from lowpanbudget.findings.wording import octets_text
from lowpanbudget.layers.internet import chain, ipv6
from lowpanbudget.layers.lowpan import lorh
from lowpanbudget.layers.lowpan.iphc import HEADER as IPHC
from lowpanbudget.layers.lowpan.lorh import SrhLorh
from lowpanbudget.layers.lowpan.nhc import UdpNhc

_IDENTIFIER = 8  # octets of an address in line, of which the prefix is left out
_LEAST = 64  # bits of a prefix for which 8 octets of an address can go
_MOST_TOLD, _MOST_NAMED = 4, 6  # fields, with their sizes and by name
WHOLE = 16  # octets of an address in line, of which nothing is left out


def compared_headers(
    scene: Scene, path: FlowPath, datagram: HeardDatagram, match: FlowMatch
) -> ComparedHeaders | None:
    """Return what is compared with the plan of a path; None where ports alone make it one of a sealed flow."""
    if not match.flow.application.is_sealed:
        return whole_headers(scene, planned_bits(path))
    return compared(scene, path, datagram) if match.between else None


def whole_headers(scene: Scene, planned: FieldBits) -> ComparedHeaders:
    """Return all headers of a frame beside what is planned."""
    return ComparedHeaders(field_bits(scene.spans, len(scene.example) - scene.fcs), planned)


def longer_hits(both: ComparedHeaders, scene: Scene, subject: str, where: str) -> Hits:
    """Yield a hit when the frame's headers are longer than planned, with the fields that are."""
    seen, planned = both
    over = sum(seen.values()) - sum(planned.values())
    if over < 8:
        return
    more = {field: bits - planned.get(field, 0) for field, bits in seen.items()}
    longer = [field for field in seen if more[field] > 0]
    cause = f"headers take {_bits_text(over)} more than budgeted for {where}"
    forms = filter(
        None, (longer_ports(one) for one in scene.frame.layers if isinstance(one, UdpNhc))
    )
    cause = ": ".join((cause, *forms))
    evidence = (  # what matters most first
        f"{' '.join(one)}: {_bits_text(seen[one])}, planned {_bits_text(planned.get(one, 0))}"
        for one in sorted(longer, key=lambda one: -more[one])[:_MOST_TOLD]
    )
    names = f"{subject}: {', '.join(map(' '.join, longer[:_MOST_NAMED]))}"
    yield Hit(cause, tuple(evidence), names, cite=_cite_of(scene, longer))


def _cite_of(scene: Scene, longer: Collection[tuple[str, str]]) -> Cite | None:
    """Return where the first of these fields is stated; None where one of them is of compressed headers."""
    cites = [span.cite for span in scene.spans if (span.layer, span.name) in longer]
    if any(cite is not None and cite.document == IPHC.cite.document for cite in cites):
        return None
    return next(filter(None, cites), None)


OTHER_PREFIX = (
    "Give the node an address of the network's own prefix, and let it send from that: no context compresses the other "
    "one, and what answers it leaves the network. Or plan the flow with that prefix, as a context."
)


def foreign_source(scene: Scene, datagram: HeardDatagram, flow: Flow) -> str:
    """Return in words that a source address goes in line whole, as it is of another /64 than is planned, or nothing."""
    iphc, design, outside = datagram.iphc, scene.known.design, flow.source.role == "outside"
    if iphc is None or design is None or outside or iphc.rows["source"].inline < WHOLE:
        return ""
    seen, planned = iphc.header.source, flow.source.ip(design.link.addresses)
    if int(seen) >> 64 == int(planned) >> 64:
        return ""
    seen_prefix, prefix = (IPv6Network((int(one) >> 64 << 64, 64)) for one in (seen, planned))
    return f"the source is of {seen_prefix}, the design has {prefix}"


UNUSED = (
    "Look which contexts the node has: it may have lost this one, as its time was over before it was announced again, "
    "or have another prefix under its number (RFC 6775 sections 4.2 and 7.2). What others send it with this context it "
    "may not understand either."
)


def unused_context(scene: Scene, datagram: HeardDatagram, both: ComparedHeaders) -> tuple[str, ...]:
    """Return in words that addresses go in line whole which a context would compress, and who uses that, or nothing.

    With one no more than 8 octets go in line (RFC 6282 section 3.1.1).
    """
    iphc = datagram.iphc
    if iphc is None or scene.tunnelled:
        return ()
    whole: dict[int, list[str]] = {}
    for side, address in (("source", iphc.header.source), ("destination", iphc.header.destination)):
        name = ("IPHC", f"{side} address")
        if iphc.rows[side].inline < WHOLE or both.seen.get(name, 0) <= both.planned.get(name, 0):
            continue
        for number, context in scene.contexts.items():
            if (
                context.may_compress
                and context.prefix.prefixlen >= _LEAST
                and context.covers(address)
            ):
                whole.setdefault(number, []).append(side)
    for number, sides in whole.items():
        which = f"context {number}, {scene.contexts[number].prefix},"
        why = f"{which} would compress the {' and the '.join(sides)}"
        return (why, *scene.known.compressors.told(number, scene.sender))
    return ()


OLD_RULE = (
    "Make the identifier of a short address by RFC 6282 section 3.2.2, 0000:00ff:fe00:XXXX, without the PAN ID: it "
    "then follows from the link address, and is not carried."
)


def old_source(scene: Scene, datagram: HeardDatagram) -> str:
    """Return in words that a source goes in line as its identifier is made by RFC 4944 section 6, or nothing."""
    iphc, identifier = datagram.iphc, int(datagram.header.source) & IID_MASK
    if iphc is None or scene.tunnelled or iphc.rows["source"].inline < _IDENTIFIER:
        return ""
    pan, short = datagram.pan_id, (identifier & 0xFFFF).to_bytes(2, "big")
    if pan is None or not identifier >> 48:
        return ""
    as_it_is = pan << 48 | SHORT_IID | identifier & 0xFFFF  # its universal/local bit is to be zero
    if identifier not in {old_interface_identifier(pan, short), as_it_is}:
        return ""
    of = f"of 0x{short.hex()} by RFC 4944 section 6, with the PAN ID"
    return f"the source has the identifier {of}, which goes in line"


def _bits_text(bits: int) -> str:
    if bits % 8:
        return plural(bits, "bit")
    return octets_text(bits // 8) if bits else "none"


_ROUTE = lorh.SRH.name  # the layer of its spans


class LegalReason(NamedTuple):
    """What makes headers longer that is no fault of the frame, or no matter of room: how that is said."""

    where: str
    cause: str
    advice: str


def legal_reasons(scene: Scene, datagram: HeardDatagram, flow: Flow) -> Iterator[LegalReason]:
    """Yield what makes the headers of a datagram longer by right."""
    if tunnel_is_missing(flow, datagram):
        cause = "an outer header, as it must be (RFC 9008)"
        advice = f"Set tunnel = true in the routing of flow {flow.name}: {_WRONG}"
        yield LegalReason("in a tunnel", cause, advice)
    route = next((one for one in reversed(scene.frame.layers) if isinstance(one, SrhLorh)), None)
    if route is None:
        return
    if not flow.routing.route and flow.direction == "down" and flow.hops > 1:
        table = f"[flow.answer] of flow {flow.answers}"
        table = table if flow.answers else f"the routing of flow {flow.name}"
        advice = (
            f"Set route = {flow.hops - 1}, the routers between root and node, in {table}: {_WRONG}"
        )
        yield LegalReason("under a source route", "a source route, which the root writes", advice)
    elif datagram.destination.packed.endswith(route.hops[-1]):
        cause = "the source route names the destination as well (RFC 8138 section 5.2.2)"
        yield LegalReason("under such a source route", cause, _ENTRY)


_WRONG = "the design is wrong here, not the frame."
_ENTRY = "Let the root leave the last entry out: the destination stands in IPHC on all hops."


def tunnel_is_missing(flow: Flow, datagram: HeardDatagram) -> bool:
    """Return whether the plan leaves out an outer header that must be there, and is."""
    left_out = flow.must_tunnel and not flow.routing.tunnel
    return left_out and chain.find(datagram.octets, ipv6.IPV6) is not None


def under_route(scene: Scene, planned: FieldBits) -> FieldBits:
    """Return what is planned with the source route that the frame has."""
    seen = field_bits(scene.spans, len(scene.example) - scene.fcs)
    routes = {field: bits for field, bits in seen.items() if field[0] == _ROUTE}
    return {field: bits for field, bits in planned.items() if field[0] != _ROUTE} | routes


def rightly(hit: Hit, reasons: Iterable[LegalReason]) -> Hit:
    """Return the hit of headers that are longer by that alone."""
    cause = ", and ".join(reason.cause for reason in reasons)
    advice = " ".join(reason.advice for reason in reasons)
    return hit._replace(cause=f"{hit.cause}: {cause}", severity=Severity.REMARK, advice=advice)
