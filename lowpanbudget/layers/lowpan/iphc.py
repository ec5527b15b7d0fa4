"""LOWPAN_IPHC: the compressed IPv6 header (RFC 6282 section 3).

      0                                       1
      0   1   2   3   4   5   6   7   8   9   0   1   2   3   4   5
    +---+---+---+---+---+---+---+---+---+---+---+---+---+---+---+---+
    | 0 | 1 | 1 |  TF   |NH | HLIM  |CID|SAC|  SAM  | M |DAC|  DAM  |
    +---+---+---+---+---+---+---+---+---+---+---+---+---+---+---+---+
    then in line: context ids, traffic class and flow label, next header, hop limit, source, destination

The address modes are in ``addresses``, the other forms in ``forms``; ``shortest`` chooses among them.
"""

from collections.abc import Callable
from functools import partial
from typing import Any, NamedTuple

from lowpanbudget.bits import Reader, Span
from lowpanbudget.cites import Cite, rfc
from lowpanbudget.env import IID_MASK, Contexts, Env, interface_identifier
from lowpanbudget.fields import (
    BY_RULE,
    CONTEXT,
    LINK,
    Bits,
    Choice,
    Header,
    Row,
    SelectedRows,
    Sent,
    Use,
    restored_fields,
    ruled,
    stated_by,
)
from lowpanbudget.fields.compiled import Compiled
from lowpanbudget.fields.source import Function, FunctionSource
from lowpanbudget.layers.internet.ipv6 import HEADER as IPV6
from lowpanbudget.layers.internet.ipv6 import NO_NEXT_HEADER, Ipv6
from lowpanbudget.layers.lowpan.addresses import (
    BASE,
    DESTINATION,
    SOURCE,
    Side,
    side_of,
)
from lowpanbudget.layers.lowpan.forms import CID, HLIM, NH, TF
from lowpanbudget.values import FrozenDict, dataclass, field

DISPATCH = 0b011
HEADER = Header(
    "IPHC",
    BASE,
    (
        Bits("dispatch", 3, "LOWPAN_IPHC", fixed=DISPATCH, cite=rfc(6282, "5")),
        TF,
        NH,
        HLIM,
        CID,
        SOURCE,
        DESTINATION,
    ),
)

# --- the whole header -------------------------------------------------------------------------------


IN_LINE_ORDER = (CID, TF, NH, HLIM, SOURCE, DESTINATION)
RESTORED = rfc(6282, "3.2")
OUTER_HEADER = "the outer IPv6 header"


class Origin(NamedTuple):
    """What restored headers come from besides octets in line, in words: lengths, and the link address of each side.

    ``contexts`` are those that are known. ``tunnelled``: behind an outer header compressed with RFC 8138, whose
    addresses stand for the link's where a context is used. ``next_header``: what else restores the number of the header
    behind IPv6, and its clause.
    """

    length: str
    links: tuple[str, str]
    contexts: Contexts
    tunnelled: bool = False
    next_header: tuple[str, Cite] | None = None


@stated_by(HEADER)
@dataclass(frozen=True, slots=True)
class Iphc(SelectedRows):
    """A compressed header read: the IPv6 header it stands for and the rows that carried it.

    ``header.next_header`` is 59 (none) while the next header is compressed (``nhc`` True) and comes from LOWPAN_NHC;
    ``header.payload_length`` is 0 until the datagram's length is known. ``around`` are the identifiers of the header
    around it in a tunnel, without a context and with one; None: those of the link addresses hold. ``sent`` are the
    octets that it was read from, and ``header`` as it was read.
    """

    header: Ipv6
    nhc: bool
    rows: dict[str, Row] = field(repr=False)
    contexts: tuple[int | None, int | None]
    around: "tuple[Sides, Sides] | None" = field(repr=False, default=None)
    sent: Sent | None = field(repr=False, compare=False, default=None)

    def restored(self, header: Ipv6, at: int, origin: "Origin") -> tuple[Span, ...]:
        """Return the fields of ``header``, the IPv6 header as it was restored from this one at octet ``at``.

        The spans are in the order of the IPv6 header; each says what it came from.
        """
        where, layer = at + HEADER.octets, IPV6.name
        places = {}
        for choice in IN_LINE_ORDER:
            places[choice.name] = where
            where += self.rows[choice.name].inline

        def fields(
            choice: Choice, *values: Any, say: Callable[[Use], str] | None = None
        ) -> list[Span]:
            row = self.rows[choice.name]
            return restored_fields(layer, choice, row, places[choice.name], values, say)

        return (
            ruled(layer, "version", 6, at, f"6 {BY_RULE}", RESTORED),
            *fields(TF, header.traffic_class, header.flow_label),
            ruled(layer, "payload length", header.payload_length, at, origin.length, RESTORED),
            *(
                fields(NH, header.next_header)
                if origin.next_header is None
                else [ruled(layer, "next header", header.next_header, at, *origin.next_header)]
            ),
            *fields(HLIM, header.hop_limit),
            *fields(SOURCE, self.header.source, say=partial(self._say, 0, origin)),
            *fields(DESTINATION, self.header.destination, say=partial(self._say, 1, origin)),
        )

    def _say(self, side: int, origin: "Origin", use: Use) -> str:
        """Return in words what an address was restored from."""
        number = self.contexts[side]
        if number is None:
            return use.says.format(link=origin.links[side])
        known = origin.contexts.get(number)
        context = f"context {number}{f' ({known.prefix})' if known else ''}"
        if known is not None and known.prefix.prefixlen == 128:
            return context  # it leaves nothing to say
        link = OUTER_HEADER if origin.tunnelled else origin.links[side]
        return use.says.format(context=context, link=link)


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
    if outer is None and tunnel is None:
        compiled: Iphc | None = _COMPILED.read(reader, env)
        if compiled is not None:
            return compiled
    start = reader.pos
    _, rows = HEADER.read(reader)
    source_id, destination_id = CID.read(reader, rows["cid"])
    traffic_class, flow_label = TF.read(reader, rows["tf"])
    next_header = NH.read(reader, rows["nh"])
    hop_limit = HLIM.read(reader, rows["hlim"])
    plain = outer_sides(env, outer)
    sides = plain, plain if tunnel is None else tunnel
    source_iid = sides[rows["source"].takes(CONTEXT)][0]
    destination_iid = sides[rows["destination"].takes(CONTEXT)][1]
    contexts = env.contexts
    source = SOURCE.read(reader, rows["source"], side_of(source_iid, contexts, source_id))
    to = side_of(destination_iid, contexts, destination_id)
    destination = DESTINATION.read(reader, rows["destination"], to)
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
        source_id if rows["source"].takes(CONTEXT) else None,
        destination_id if rows["destination"].takes(CONTEXT) else None,
    )
    around = None if outer is None and tunnel is None else sides
    return Iphc(header, nhc, rows, used, around, Sent(reader.passed(start), header))


def _compile(word: int, at: int) -> Function | None:
    """Return a function that reads a header with this word at this octet, not in a tunnel, as ``decode`` does."""
    if rows_of(word) is None:
        return None
    source = FunctionSource("iphc", HEADER.name, at)
    return source.function(take_up(source, word, ("env.source", "env.destination"), "env.contexts"))


def rows_of(word: int) -> FrozenDict[str, Row] | None:
    """Return the rows that a word selects; None for one that is no header, or has a reserved mode."""
    codes = HEADER.split(word)
    rows = {choice.name: choice.rows[codes[choice.name]] for choice in HEADER.choices}
    if codes["dispatch"] != DISPATCH or any(row.restore is None for row in rows.values()):
        return None
    return FrozenDict(rows)


def take_up(source: FunctionSource, word: int, links: tuple[str, str], known: str) -> str:
    """Take up a header with this word that has rows; return its value.

    The link addresses, and the contexts that are ``known``, are given as expressions.
    """
    rows = rows_of(word)
    assert rows is not None
    source.layer = HEADER.name
    start = source.octets
    source.word(HEADER, word)
    values = {choice: source.row(choice, rows[choice.name]) for choice in (CID, TF, NH, HLIM)}
    addresses, contexts = [], []
    for side, (choice, link) in enumerate(zip((SOURCE, DESTINATION), links, strict=True)):
        row = rows[choice.name]
        iid = number = context = "None"
        if row.takes(LINK):
            iid = f"{source.bind(interface_identifier)}({link})"
        if row.takes(CONTEXT):
            number = source.let(f"{values[CID]}[{side}]")
            context = source.let(f"{known}.get({number})")
            source.lines.append(f"if {context} is None: return None")
        leans = f"new({source.bind(Side)}, ({iid}, {context}, {number}))"
        addresses.append(source.row(choice, row, "None" if iid == number else leans))
        contexts.append(number)
    nhc = rows["nh"].code == 1
    traffic_class, flow_label = (f"{values[TF]}[{part}]" for part in (0, 1))
    next_header = source.bind(NO_NEXT_HEADER) if nhc else values[NH]
    header = source.value(
        Ipv6, traffic_class=traffic_class, flow_label=flow_label, payload_length=0, next_header=next_header,
        hop_limit=values[HLIM], source=addresses[0], destination=addresses[1],
    )  # fmt: skip
    used = f"({', '.join(contexts)})"
    behind = source.octets
    source.octets = start
    sent = f"new({source.bind(Sent)}, ({source.cut(behind - start)}, {header}))"
    source.octets = behind
    return source.value(
        Iphc, header=header, nhc=nhc, rows=source.bind(rows), contexts=used, sent=sent
    )


_COMPILED = Compiled(HEADER, _compile)
