"""What the rows of a compressed header say about the fields that they restore, header by header."""

from lowpanbudget.bits import Reader
from lowpanbudget.cites import rfc
from lowpanbudget.env import Context
from lowpanbudget.fields import Row
from lowpanbudget.layers.internet import chain, ipv6, udp
from lowpanbudget.layers.lowpan import legacy, nhc
from lowpanbudget.layers.lowpan.addresses import LINK_LOCAL
from lowpanbudget.layers.lowpan.iphc import Iphc
from lowpanbudget.layers.lowpan.legacy import Legacy
from lowpanbudget.layers.lowpan.nhc import ExtensionNhc, UdpNhc
from lowpanbudget.stack.restoring import ABOVE, IN_LINE, RULE, Group, Restored, State, field_of

EXTENSIONS = {ipv6.next_header_name(kind) for kind in ipv6.EXTENSIONS}
_IPV6, _UDP_LENGTH = rfc(6282, "3.2"), rfc(6282, "4.3.3")

# --- IPv6 -------------------------------------------------------------------------------------------


def iphc_fields(
    state: State, group: Group, layer: Iphc | None, *, tunnelled: bool
) -> list[Restored]:
    """Return the fields of the IPv6 header that an IPHC header carries."""
    if layer is None:
        return []
    rows = layer.rows
    depth = state.depth(ipv6.HEADER.name)
    header = state.header(depth, layer.header)
    key = (ipv6.HEADER.name, depth)
    tf, hlim = rows["tf"], rows["hlim"]
    next_source = IN_LINE if not layer.nhc else "the next header's own compressed form follows"
    limit_source = IN_LINE if not hlim.code else "a value that the two bits of HLIM stand for"
    traffic = {0: IN_LINE, 1: f"ECN in line; DSCP zero {RULE}", 2: IN_LINE, 3: f"zero {RULE}"}
    label = IN_LINE if tf.code < 2 else f"zero {RULE}"
    outer = state.inside or tunnelled
    found = [
        field_of(key, "version", 6, 4, [], f"6 {RULE}", _IPV6),
        field_of(
            key, "traffic class", header.traffic_class, 8, group.of("ECN", "DSCP"),
            traffic[tf.code], tf.cite,
        ),
        field_of(key, "flow label", header.flow_label, 20, group.of("flow label"), label, tf.cite),
        field_of(
            key, "payload length", header.payload_length, 16, [], state.length_from, _IPV6
        ),
        field_of(
            key, "next header", header.next_header, 8, group.of("next header"), next_source,
            rows["nh"].cite,
        ),
        field_of(
            key, "hop limit", header.hop_limit, 8, group.of("hop limit"), limit_source, hlim.cite
        ),
    ]  # fmt: skip
    ends = (layer.header.source, layer.header.destination)
    for which, context, value in zip(("source", "destination"), layer.contexts, ends, strict=True):
        row = rows[which]
        whence = _whence(state, which, outer=outer and (state.inside or context is not None))
        source = _address_source(row, context, state.contexts, whence)
        name = f"{which} address"
        found.append(field_of(key, name, value, 128, group.of(name), source, row.cite))
    state.inside = True
    return found


def _whence(state: State, which: str, *, outer: bool) -> str:
    """Return in words what an elided identifier follows from."""
    if outer:
        return "the outer IPv6 header"
    frame = state.frame
    link = frame.link_source if which == "source" else frame.link_destination
    mac = None if frame.mac is None else getattr(frame.mac, which)
    what = "link address" if frame.mac is None or mac == link else "mesh header's address"
    return f"the {what} {'' if link is None else link.hex(':')}".rstrip()


def _address_source(
    row: Row, context: int | None, contexts: dict[int, Context], whence: str
) -> str:
    """Return in words what an address was restored from."""
    line = f"{row.inline * 8} bits {IN_LINE}" if row.inline else ""
    known = None if context is None else contexts.get(context)
    prefix = "" if context is None else f"context {context}{f' ({known.prefix})' if known else ''}"
    if row.inline == 16:
        return line
    if row.family == "unspecified":
        return f":: {RULE}"
    if row.family == "multicast":
        begin = f"prefix from {prefix}" if prefix else f"its form {RULE}"
        return f"{begin}; {line}"
    length = 64 if known is None else known.prefix.prefixlen
    begin = prefix or f"{LINK_LOCAL.prefix} {RULE}"
    if length >= 128:
        return begin
    if row.inline == 2:
        return f"{begin}; identifier 0000:00ff:fe00:XXXX {RULE}, {line}"
    return f"{begin}; {line or f'identifier from {whence}'}"


# --- what follows -----------------------------------------------------------------------------------


def udp_fields(state: State, group: Group, layer: UdpNhc | None) -> list[Restored]:
    """Return the fields of the UDP header that a LOWPAN_NHC header carries."""
    if layer is None:
        return []
    key = (udp.HEADER.name, state.depth(udp.HEADER.name))
    length, checksum = _transport(state)
    found = []
    for name, value in (
        ("source port", layer.source_port),
        ("destination port", layer.destination_port),
    ):
        spans = group.of(name)
        missing = 16 - sum(span.bits for span in spans)
        source = (
            IN_LINE if not missing else f"{value >> (16 - missing):#x} {RULE}, the rest {IN_LINE}"
        )
        found.append(field_of(key, name, value, 16, spans, source, layer.rows["ports"].cite))
    row = layer.rows["checksum"]
    told = IN_LINE if layer.checksum is not None else "computed over the restored datagram"
    if layer.checksum is not None:
        checksum = layer.checksum
    found.append(field_of(key, "length", length, 16, [], state.length_from, _UDP_LENGTH))
    found.append(field_of(key, "checksum", checksum, 16, group.of("checksum"), told, row.cite))
    return found


def _transport(state: State) -> tuple[int | None, int | None]:
    """Return length and checksum of the datagram's UDP header, as far as it is there."""
    found = chain.find(state.datagram, ipv6.UDP)
    if found is None or len(state.datagram) < found.offset + udp.OCTETS:
        return None, None
    header = udp.decode(Reader(state.datagram, found.offset))
    return header.length, header.checksum


def extension_fields(state: State, group: Group, layer: ExtensionNhc | None) -> list[Restored]:
    """Return a compressed extension header as one field; none for an inner IPv6 header."""
    if layer is None or layer.kind == ipv6.IPV6:
        return []  # IPHC follows, whose fields are told one by one
    name = ipv6.next_header_name(layer.kind)
    spans = [span for span in group.spans if span.name not in {"NHC id", "NH", "length"}]
    spans = [span for span in spans if span.bits >= 8]
    told = f"{IN_LINE}; its length in octets, a trailing pad added {RULE}"
    header = (name, state.depth(name))
    bits = len(layer.octets) * 8
    return [field_of(header, name, layer.octets, bits, spans, told, nhc.EXTENSION_FORMAT)]


def plain_fields(state: State, group: Group) -> list[Restored]:
    """Return the fields of a header that goes as it is."""
    key = (group.layer, state.depth(group.layer))
    state.inside = True
    return [
        field_of(key, span.name, span.value, span.bits, [span], IN_LINE, span.cite)
        for span in group.spans
    ]


def whole_header(state: State, group: Group) -> Restored:
    """Return a header as one field: a routing header, or an extension header as it is."""
    key = (group.layer, state.depth(group.layer))
    cite = group.spans[0].cite
    spans = group.spans
    if group.layer not in EXTENSIONS:
        return field_of(key, group.layer, None, 0, spans, "a routing header in short form", cite)
    return field_of(key, group.layer, None, group.bits, spans, IN_LINE, cite)


# --- RFC 4944's own compression ---------------------------------------------------------------------


def legacy_fields(state: State, group: Group, layer: Legacy | None) -> list[Restored]:
    """Return the fields of the IPv6 header that HC1 carries."""
    if layer is None:
        return []
    key = (ipv6.HEADER.name, state.depth(ipv6.HEADER.name))
    header = state.header(key[1], layer.header)
    prefixes, identifiers = group.of("prefix"), group.of("interface identifier")
    found = [field_of(key, "version", 6, 4, [], f"6 {RULE}", legacy.CITE)]
    for name, value, bits in (
        ("traffic class", header.traffic_class, 8),
        ("flow label", header.flow_label, 20),
        ("payload length", header.payload_length, 16),
        ("next header", header.next_header, 8),
        ("hop limit", header.hop_limit, 8),
    ):
        spans = group.of(name)
        rule = state.length_from if name == "payload length" else RULE
        found.append(
            field_of(key, name, value, bits, spans, IN_LINE if spans else rule, legacy.IN_LINE)
        )
    for which, address in (("source", header.source), ("destination", header.destination)):
        row = layer.rows[which]
        spans = [prefixes.pop(0)] if row.code in (0, 1) else []
        spans += [identifiers.pop(0)] if row.code in (0, 2) else []
        found.append(field_of(key, f"{which} address", address, 128, spans, row.needs, row.cite))
    return found


def legacy_udp_fields(state: State, group: Group) -> list[Restored]:
    """Return the fields of the UDP header that HC_UDP carries."""
    found = chain.find(state.datagram, ipv6.UDP)
    if found is None or len(state.datagram) < found.offset + udp.OCTETS:
        return []
    key = (udp.HEADER.name, state.depth(udp.HEADER.name))
    header = udp.decode(Reader(state.datagram, found.offset))
    told = (
        ("source port", header.source_port), ("destination port", header.destination_port),
        ("length", header.length), ("checksum", header.checksum),
    )  # fmt: skip
    rows = []
    for name, value in told:
        spans = group.of(name)
        whole = sum(span.bits for span in spans) == 16
        source = IN_LINE if whole else f"0xf0b {RULE}, the rest {IN_LINE}" if spans else ABOVE
        rows.append(field_of(key, name, value, 16, spans, source, legacy.UDP_CITE))
    return rows
