"""LOWPAN_IPHC: the compressed IPv6 header (RFC 6282 section 3).

      0                                       1
      0   1   2   3   4   5   6   7   8   9   0   1   2   3   4   5
    +---+---+---+---+---+---+---+---+---+---+---+---+---+---+---+---+
    | 0 | 1 | 1 |  TF   |NH | HLIM  |CID|SAC|  SAM  | M |DAC|  DAM  |
    +---+---+---+---+---+---+---+---+---+---+---+---+---+---+---+---+
    then in line: context ids, traffic class and flow label, next header, hop limit, source, destination

SAC and SAM are adjacent, as are M, DAC and DAM: each address is one choice of 8 or 16 rows. The context octet
serves both addresses, so the pair is chosen together (``_addresses``), in code, since no table can say that.
"""

from dataclasses import dataclass, field
from functools import partial
from ipaddress import IPv6Address
from typing import NamedTuple

from lowpanbudget.bits import Reader, Writer
from lowpanbudget.cites import rfc
from lowpanbudget.env import IID_MASK, SHORT_IID, Context, Env, interface_identifier
from lowpanbudget.errors import Malformed, WireError
from lowpanbudget.fields import Bits, Choice, Chosen, Header, Row
from lowpanbudget.layers.internet.ipv6 import NO_NEXT_HEADER, Ipv6, next_header_name

BASE = rfc(6282, "3.1.1")
CONTEXT_IDS = rfc(6282, "3.1.2")
TRAFFIC = rfc(6282, "3.2.1")
IDENTIFIERS = rfc(6282, "3.2.2")
LINK_LOCAL = Context("fe80::/64")
_MULTICAST = 0xFF


class Side(NamedTuple):
    """What one address may lean on: an identifier from the encapsulating header, and a context."""

    iid: int | None
    context: Context | None
    context_id: int = 0


# --- traffic class and flow label -------------------------------------------------------------------


def _rotated(traffic_class: int) -> int:
    """Return the traffic class as IPHC carries it: "rotated right by 2 bits", ECN first."""
    return (traffic_class & 3) << 6 | traffic_class >> 2


def _fit_traffic(value: tuple[int, int], _env: object, *, dscp: bool, flow: bool) -> bytes | None:
    traffic_class, label = value
    if (traffic_class >> 2 and not dscp) or (label and not flow):
        return None
    ecn_dscp = _rotated(traffic_class)
    if dscp and flow:
        return (ecn_dscp << 24 | label).to_bytes(4, "big")
    if flow:
        return ((ecn_dscp & 0xC0) << 16 | label).to_bytes(3, "big")
    if dscp:
        return bytes([ecn_dscp])
    return None if traffic_class else b""


def _restore_traffic(octets: bytes, _env: object, *, dscp: bool, flow: bool) -> tuple[int, int]:
    ecn_dscp = octets[0] if octets else 0
    if not dscp:
        ecn_dscp &= 0xC0
    label = int.from_bytes(octets[-3:], "big") & 0xFFFFF if flow else 0
    return (ecn_dscp & 0x3F) << 2 | ecn_dscp >> 6, label


_ECN = Bits("ECN", 2, "explicit congestion notification: the first two bits here, the last in IPv6")
_DSCP = Bits("DSCP", 6, "differentiated services code point")
_LABEL = Bits("flow label", 20)
TF = Choice(
    "tf",
    "traffic class and flow label form (TF)",
    2,
    tuple(
        Row(
            code,
            inline,
            needs,
            TRAFFIC,
            partial(_fit_traffic, dscp=dscp, flow=flow),
            partial(_restore_traffic, dscp=dscp, flow=flow),
            parts,
        )
        for code, inline, dscp, flow, parts, needs in (
            (0, 4, True, True, (_ECN, _DSCP, Bits("pad", 4), _LABEL), "always possible"),
            (1, 3, False, True, (_ECN, Bits("pad", 2), _LABEL), "DSCP is zero"),
            (2, 1, True, False, (_ECN, _DSCP), "flow label is zero"),
            (3, 0, False, False, (), "traffic class and flow label are zero"),
        )
    ),
)

# --- next header and hop limit ----------------------------------------------------------------------


def _fit_next_header(value: int | None, _env: object) -> bytes | None:
    return None if value is None else bytes([value])


def _restore_octet(octets: bytes, _env: object) -> int:
    return octets[0]


NH = Choice(
    "nh",
    "next header form (NH)",
    1,
    (
        Row(
            0,
            1,
            "the next header goes uncompressed, its number in line",
            BASE,
            _fit_next_header,
            _restore_octet,
            (Bits("next header", 8, next_header_name),),
        ),
        Row(
            1,
            0,
            "the next header is compressed with LOWPAN_NHC",
            BASE,
            lambda value, _env: b"" if value is None else None,
            lambda _octets, _env: None,
        ),
    ),
)


def _fit_hop_limit(value: int, _env: object, *, known: int) -> bytes | None:
    if known:
        return b"" if value == known else None
    return bytes([value])


def _restore_hop_limit(octets: bytes, _env: object, *, known: int) -> int:
    return known or octets[0]


HLIM = Choice(
    "hlim",
    "hop limit form (HLIM)",
    2,
    tuple(
        Row(
            code,
            0 if known else 1,
            f"the hop limit is {known}" if known else "any hop limit, in line",
            BASE,
            partial(_fit_hop_limit, known=known),
            partial(_restore_hop_limit, known=known),
            () if known else (Bits("hop limit", 8),),
        )
        for code, known in enumerate((0, 1, 64, 255))
    ),
)

# --- context identifiers ----------------------------------------------------------------------------


def _fit_contexts(value: tuple[int, int], _env: object, *, inline: bool) -> bytes | None:
    if inline:
        return bytes([value[0] << 4 | value[1]])
    return b"" if value == (0, 0) else None


def _restore_contexts(octets: bytes, _env: object) -> tuple[int, int]:
    return (octets[0] >> 4, octets[0] & 15) if octets else (0, 0)


CID = Choice(
    "cid",
    "context octet (CID)",
    1,
    (
        Row(
            0,
            0,
            "no context but context 0 is used",
            CONTEXT_IDS,
            partial(_fit_contexts, inline=False),
            _restore_contexts,
        ),
        Row(
            1,
            1,
            "an octet names the contexts",
            CONTEXT_IDS,
            partial(_fit_contexts, inline=True),
            _restore_contexts,
            (
                Bits("source context (SCI)", 4, "context of the source address"),
                Bits("destination context (DCI)", 4, "context of the destination address"),
            ),
        ),
    ),
)

# --- addresses --------------------------------------------------------------------------------------


def _prefix(side: Side, *, stateful: bool) -> Context:
    if not stateful:
        return LINK_LOCAL
    if side.context is None:
        raise WireError(
            f"context {side.context_id} is not known",
            hint=f"Give it with contexts={{{side.context_id}: '2001:db8::/64'}} or --context",
        )
    return side.context


def _join(prefix: Context, iid: int) -> int:
    """Return prefix and identifier as one address: covered bits win, bits covered by nothing are zero."""
    return prefix.value | (iid & IID_MASK & ~prefix.mask)


def _restore_unicast(octets: bytes, side: Side, *, stateful: bool, width: int) -> IPv6Address:
    prefix = _prefix(side, stateful=stateful)
    if width == 8:
        iid = int.from_bytes(octets, "big")
    elif width == 2:
        iid = SHORT_IID | int.from_bytes(octets, "big")
    elif side.iid is not None:
        iid = side.iid
    elif not IID_MASK & ~prefix.mask:
        iid = 0  # a context of 128 bits leaves nothing to the link address
    else:
        raise WireError(
            "the address is elided and the link address it comes from is not known",
            cite=IDENTIFIERS,
            hint="Give the link address as source= or destination= (--source, --destination)",
        )
    return IPv6Address(_join(prefix, iid))


def _fit_unicast(value: IPv6Address, side: Side, *, stateful: bool, width: int) -> bytes | None:
    if stateful and (side.context is None or not side.context.may_compress):
        return None
    prefix = _prefix(side, stateful=stateful)
    whole = int(value)
    if whole >> 120 == _MULTICAST:
        return None
    if width == 0:
        iid = side.iid if side.iid is not None else 0
        if side.iid is None and IID_MASK & ~prefix.mask:
            return None
        return b"" if _join(prefix, iid) == whole else None
    tail = whole & ((1 << width * 8) - 1)
    iid = tail if width == 8 else SHORT_IID | tail
    return tail.to_bytes(width, "big") if _join(prefix, iid) == whole else None


def _fit_full(value: IPv6Address, _side: Side, *, multicast: bool | None) -> bytes | None:
    if multicast is not None and (int(value) >> 120 == _MULTICAST) != multicast:
        return None
    return value.packed


def _restore_full(octets: bytes, _side: Side) -> IPv6Address:
    return IPv6Address(octets)


def _fit_unspecified(value: IPv6Address, _side: Side) -> bytes | None:
    return None if int(value) else b""


def _restore_unspecified(_octets: bytes, _side: Side) -> IPv6Address:
    return IPv6Address(0)


def _restore_multicast(octets: bytes, _side: Side, *, width: int) -> IPv6Address:
    if width == 1:
        return IPv6Address(0xFF02 << 112 | octets[0])
    return IPv6Address(0xFF << 120 | octets[0] << 112 | int.from_bytes(octets[1:], "big"))


def _fit_multicast(value: IPv6Address, side: Side, *, width: int) -> bytes | None:
    packed = value.packed
    octets = packed[15:] if width == 1 else packed[1:2] + packed[17 - width :]
    return octets if _restore_multicast(octets, side, width=width) == value else None


def _restore_prefix_multicast(octets: bytes, side: Side) -> IPv6Address:
    prefix = _prefix(side, stateful=True)
    if prefix.prefix.prefixlen > 64:
        raise Malformed(
            f"context {side.context_id} has {prefix.prefix.prefixlen} bits; a multicast address "
            "holds at most 64 of a prefix",
            cite=rfc(3306, "4"),
        )
    head = 0xFF << 24 | octets[0] << 16 | octets[1] << 8 | prefix.prefix.prefixlen
    return IPv6Address(head << 96 | (prefix.value >> 64) << 32 | int.from_bytes(octets[2:], "big"))


def _fit_prefix_multicast(value: IPv6Address, side: Side) -> bytes | None:
    context = side.context
    if context is None or not context.may_compress or context.prefix.prefixlen > 64:
        return None
    packed = value.packed
    octets = packed[1:3] + packed[12:]
    return octets if _restore_prefix_multicast(octets, side) == value else None


def _unicast_rows(first: int, *, stateful: bool) -> tuple[Row, ...]:
    under = "a context" if stateful else "fe80::/64"
    return tuple(
        Row(
            first + code,
            width,
            needs.format(under=under),
            BASE if width else IDENTIFIERS,
            partial(_fit_unicast, stateful=stateful, width=width),
            partial(_restore_unicast, stateful=stateful, width=width),
        )
        for code, width, needs in (
            (1, 8, "the prefix is {under}; 64 bits in line"),
            (
                2,
                2,
                "the prefix is {under} and the identifier 0000:00ff:fe00:XXXX",
            ),
            (3, 0, "the prefix is {under} and the rest follows from the encapsulating header"),
        )
    )


def _reserved(*codes: int) -> tuple[Row, ...]:
    return tuple(Row(code, 0, "reserved", BASE) for code in codes)


SOURCE = Choice(
    "source",
    "source address mode (SAC SAM)",
    3,
    (
        Row(
            0b000, 16, "any address, 128 bits in line", BASE,
            partial(_fit_full, multicast=None), _restore_full,
        ),
        *_unicast_rows(0b000, stateful=False),
        Row(
            0b100, 0, "the address is unspecified (::)", BASE,
            _fit_unspecified, _restore_unspecified, family="unspecified",
        ),
        *_unicast_rows(0b100, stateful=True),
    ),
    "source address",
)  # fmt: skip

DESTINATION = Choice(
    "destination",
    "destination address mode (M DAC DAM)",
    4,
    (
        Row(
            0b0000, 16, "any unicast address, 128 bits in line", BASE,
            partial(_fit_full, multicast=False), _restore_full,
        ),
        *_unicast_rows(0b0000, stateful=False),
        *_reserved(0b0100),
        *_unicast_rows(0b0100, stateful=True),
        Row(
            0b1000, 16, "any multicast address, 128 bits in line", BASE,
            partial(_fit_full, multicast=True), _restore_full, family="multicast",
        ),
        *(
            Row(
                0b1000 + code, width, f"the multicast address has the form {form}", rfc(6282, "3.2.3"),
                partial(_fit_multicast, width=width), partial(_restore_multicast, width=width),
                family="multicast",
            )
            for code, width, form in (
                (1, 6, "ffXX::00XX:XXXX:XXXX"), (2, 4, "ffXX::00XX:XXXX"), (3, 1, "ff02::00XX"),
            )
        ),
        Row(
            0b1100, 6, "the multicast address holds a context's prefix (ffXX:XXLL:P:P:P:P:XXXX:XXXX)",
            rfc(6282, "3.2.4"), _fit_prefix_multicast, _restore_prefix_multicast,
            family="multicast",
        ),
        *_reserved(0b1101, 0b1110, 0b1111),
    ),
    "destination address",
)  # fmt: skip

HEADER = Header(
    "IPHC",
    BASE,
    (
        Bits("dispatch", 3, "LOWPAN_IPHC", fixed=0b011, cite=rfc(6282, "5")),
        TF,
        NH,
        HLIM,
        CID,
        SOURCE,
        DESTINATION,
    ),
)

# --- the whole header -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Iphc:
    """A compressed header read: the IPv6 header it stands for and the rows that carried it.

    ``header.next_header`` is 59 (none) while the next header is compressed (``nhc`` True) and comes from LOWPAN_NHC;
    ``header.payload_length`` is 0 until the datagram's length is known.
    """

    header: Ipv6
    nhc: bool
    rows: dict[str, Row] = field(repr=False)
    contexts: tuple[int | None, int | None]


Sides = tuple[int | None, int | None]  # identifiers of a source and a destination


def outer_sides(env: Env, outer: Ipv6 | None) -> Sides:
    """Return the identifiers of the encapsulating header: the outer IPv6 header's, else the link's."""
    if outer is not None:
        return int(outer.source) & IID_MASK, int(outer.destination) & IID_MASK
    return interface_identifier(env.source), interface_identifier(env.destination)


def decode(
    reader: Reader, env: Env, outer: Ipv6 | None = None, tunnel: Sides | None = None
) -> Iphc:
    """Return the compressed header that comes next.

    ``outer`` is the encapsulating IPv6 header when there is one; its addresses then stand for the link's. ``tunnel``
    holds the identifiers of an outer header compressed with RFC 8138: they stand for the link's "only if stateful
    (context-based) compression is used" (section 5.2.3). Raises ``WireError`` for missing octets, reserved modes,
    unknown contexts and unknown link addresses.
    """
    _, rows = HEADER.read(reader)
    source_id, destination_id = CID.read(reader, rows["cid"])
    traffic_class, flow_label = TF.read(reader, rows["tf"])
    next_header = NH.read(reader, rows["nh"])
    hop_limit = HLIM.read(reader, rows["hlim"])
    source_iid, destination_iid = outer_sides(env, outer)
    if tunnel is not None:
        source_iid = tunnel[0] if rows["source"].code > 0b100 else source_iid
        destination_iid = tunnel[1] if rows["destination"].code & 0b0100 else destination_iid
    contexts = env.contexts
    source = SOURCE.read(
        reader, rows["source"], Side(source_iid, contexts.get(source_id), source_id)
    )
    destination = DESTINATION.read(
        reader,
        rows["destination"],
        Side(destination_iid, contexts.get(destination_id), destination_id),
    )
    nhc = next_header is None
    header = Ipv6(
        traffic_class,
        flow_label,
        0,
        NO_NEXT_HEADER if nhc else next_header,
        hop_limit,
        source,
        destination,
    )
    used = (
        source_id if rows["source"].code > 0b100 else None,
        destination_id if rows["destination"].code & 0b0100 else None,
    )
    return Iphc(header, nhc, rows, used)


def encode(
    writer: Writer,
    header: Ipv6,
    env: Env,
    *,
    nhc: bool,
    outer: Ipv6 | None = None,
    tunnel: Sides | None = None,
) -> None:
    """Append the shortest legal form of ``header``; ``nhc`` says that LOWPAN_NHC follows, the rest as ``decode``."""
    traffic = (header.traffic_class, header.flow_label)
    next_header = None if nhc else header.next_header
    tf, nh, hlim = TF.best(traffic), NH.best(next_header), HLIM.best(header.hop_limit)
    cid, source, destination, ids = _addresses(header, env, outer, tunnel)
    chosen = {
        "tf": tf, "nh": nh, "hlim": hlim, "cid": cid, "source": source, "destination": destination,
    }  # fmt: skip
    HEADER.write(writer, {name: choice.row.code for name, choice in chosen.items()})
    CID.write(writer, cid, ids)
    TF.write(writer, tf, traffic)
    NH.write(writer, nh, next_header)
    HLIM.write(writer, hlim, header.hop_limit)
    SOURCE.write(writer, source, header.source)
    DESTINATION.write(writer, destination, header.destination)


def _addresses(
    header: Ipv6, env: Env, outer: Ipv6 | None, tunnel: Sides | None
) -> tuple[Chosen, Chosen, Chosen, tuple[int, int]]:
    """Return context octet, source and destination modes that are smallest *together*, and the context ids."""
    plain = outer_sides(env, outer)
    source_iids, destination_iids = zip(plain, plain if tunnel is None else tunnel, strict=True)
    sources = _per_context(SOURCE, header.source, source_iids, env)
    destinations = _per_context(DESTINATION, header.destination, destination_iids, env)
    best: tuple[tuple[int, ...], tuple[Chosen, Chosen, Chosen, tuple[int, int]]] | None = None
    for source_id, source in sources:
        for destination_id, destination in destinations:
            ids = (source_id, destination_id)
            cid = CID.best(ids)
            inline = cid.row.inline + source.row.inline + destination.row.inline
            rank = (inline, cid.row.code, source.row.code, destination.row.code, *ids)
            if best is None or rank < best[0]:
                best = (rank, (cid, source, destination, ids))
    assert best is not None  # a full address always fits
    return best[1]


def _per_context(
    choice: Choice, value: IPv6Address, iids: Sides, env: Env
) -> list[tuple[int, Chosen]]:
    """Return the best row without a context, and with each context when that is shorter.

    ``iids`` are the identifiers to elide against without and with a context.
    """
    plain = choice.best(value, Side(iids[0], None))
    found = [(0, plain)]
    for number, context in env.contexts.items():
        chosen = choice.best(value, Side(iids[1], context, number))
        if chosen.row.inline < plain.row.inline:
            found.append((number, chosen))
    return found
