"""Routing metrics and constraints: the objects of a DAG Metric Container (RFC 6551).

|Routing-MC-Type|Res Flags|P|C|O|R| A   |  Prec | Length (bytes)|
|                       object body: sub-objects                |
"""

from dataclasses import dataclass
from typing import Any, NamedTuple

from lowpanbudget.bits import Reader, Writer
from lowpanbudget.cites import Cite, rfc
from lowpanbudget.errors import Malformed, RequestError
from lowpanbudget.fields import Bits
from lowpanbudget.layers.internet.parts import Part, Rest, Values
from lowpanbudget.layers.internet.records import Family, Record

CITE = rfc(6551, "2.1")
ETX_UNIT = 128  # "The ETX * 128 is encoded using 16 bits"
NODE_TYPES = {0: "mains-powered", 1: "battery-powered", 2: "powered by an energy scavenger"}
AGGREGATIONS = {0: "additive", 1: "a maximum", 2: "a minimum", 3: "multiplicative"}


@dataclass(frozen=True, slots=True)
class NodeState:
    """Whether a node can aggregate data (A), and whether it is overloaded (O)."""

    aggregator: bool = False
    overloaded: bool = False


@dataclass(frozen=True, slots=True)
class NodeEnergy:
    """A node's power source; ``energy`` in percent of what is needed, where ``estimated`` (E)."""

    node_type: int
    energy: int = 0
    estimated: bool = False
    included: bool = False


@dataclass(frozen=True, slots=True)
class HopCount:
    """How many nodes a path traverses, or may."""

    hop_count: int


@dataclass(frozen=True, slots=True)
class Throughput:
    """Octets per second."""

    throughput: int


@dataclass(frozen=True, slots=True)
class Latency:
    """Microseconds."""

    latency: int


@dataclass(frozen=True, slots=True)
class LinkQuality:
    """A link quality level, 1 the best to 7, 0 unknown, and how many links have it."""

    level: int
    counter: int


@dataclass(frozen=True, slots=True)
class Etx:
    """Expected transmissions, in units of 1/128."""

    etx: int

    @property
    def transmissions(self) -> float:
        """Return the expected number of transmissions."""
        return self.etx / ETX_UNIT


@dataclass(frozen=True, slots=True)
class LinkColor:
    """Ten flags whose meaning the operator gives, and how many links have them."""

    color: int
    counter: int


@dataclass(frozen=True, slots=True)
class LinkColorConstraint:
    """Links with these flags must be included, or excluded."""

    color: int
    included: bool


@dataclass(frozen=True, slots=True)
class Metric:
    """A metric, or with ``constraint`` (C) a limit, of this type.

    ``items`` are its sub-objects by class; ``more`` the octets that follow them (TLVs, or all of an unknown type).
    ``partial`` is P, ``optional`` O, ``recorded`` R; ``aggregation`` and ``precedence`` are the fields A and Prec.
    """

    type: int
    items: tuple[Any, ...] = ()
    more: bytes = b""
    partial: bool = False
    constraint: bool = False
    optional: bool = False
    recorded: bool = False
    aggregation: int = 0
    precedence: int = 0


class _Object(NamedTuple):
    """The body of a type: reserved octets, sub-objects of one kind, one or ``many`` of them."""

    name: str
    cite: Cite
    item: Record
    many: bool = True
    lead: int = 0
    limit: Record | None = None  # the sub-object of a constraint, where it is another


def _item(name: str, cite: Cite, value: type, *layout: Bits) -> Record:
    return Record(name, cite, value, layout)


_COLOR = Bits("color", 10, "flags as the operator defines them")
OBJECTS = {
    1: _Object(
        "node state and attribute", rfc(6551, "3.1"),
        _item(
            "node state and attribute", rfc(6551, "3.1"), NodeState, Bits("reserved", 14),
            Bits("aggregator", 1, "A: can aggregate data"), Bits("overloaded", 1, "O: overloaded"),
        ),
        many=False,
    ),
    2: _Object(
        "node energy", rfc(6551, "3.2"),
        _item(
            "node energy", rfc(6551, "3.2"), NodeEnergy, Bits("reserved", 4),
            Bits("included", 1, {0: "I: such nodes are excluded", 1: "I: such nodes are included"}),
            Bits("node type", 2, NODE_TYPES), Bits("estimated", 1, "E: the energy is given"),
            Bits("energy", 8, "percent"),
        ),
    ),
    3: _Object(
        "hop count", rfc(6551, "3.3"),
        _item(
            "hop count", rfc(6551, "3.3"), HopCount, Bits("reserved", 8), Bits("hop count", 8)
        ),
        many=False,
    ),
    4: _Object(
        "throughput", rfc(6551, "4.1"),
        _item("throughput", rfc(6551, "4.1"), Throughput, Bits("throughput", 32, "octets per second")),
    ),
    5: _Object(
        "latency", rfc(6551, "4.2"),
        _item("latency", rfc(6551, "4.2"), Latency, Bits("latency", 32, "microseconds")),
    ),
    6: _Object(
        "link quality level", rfc(6551, "4.3.1"),
        _item(
            "link quality level", rfc(6551, "4.3.1"), LinkQuality,
            Bits("level", 3, lambda value: "unknown" if not value else "1 is the best"),
            Bits("counter", 5, "links with that level"),
        ),
        lead=1,
    ),
    7: _Object(
        "ETX", rfc(6551, "4.3.2"),
        _item("ETX", rfc(6551, "4.3.2"), Etx, Bits("etx", 16, lambda value: f"{value / ETX_UNIT:g}")),
    ),
    8: _Object(
        "link color", rfc(6551, "4.4.1"),
        _item("link color", rfc(6551, "4.4.1"), LinkColor, _COLOR, Bits("counter", 6, "links so coloured")),
        lead=1,
        limit=_item(
            "link color", rfc(6551, "4.4.1"), LinkColorConstraint, _COLOR, Bits("reserved", 5),
            Bits("included", 1, {0: "I: such links are excluded", 1: "I: such links are included"}),
        ),
    ),
}  # fmt: skip


def _record_of(entry: _Object, values: Values) -> Record:
    return entry.limit if entry.limit is not None and values["constraint"] else entry.item


class _Items(Part):
    """The sub-objects that the type in the values before says; none of an unknown type."""

    def read(self, reader: Reader, values: Values, _cite: Cite) -> tuple[Any, ...]:
        entry = OBJECTS.get(values["type"])
        if entry is None:
            return ()
        if not reader.left:
            raise Malformed(
                f"a {entry.name} object without content", offset=reader.pos, layer=reader.layer,
                cite=entry.cite,
            )  # fmt: skip
        reader.octets(entry.lead, "reserved", "", entry.cite)
        record = _record_of(entry, values)
        found = [record.read(reader)]
        while entry.many and reader.left:
            found.append(record.read(reader))
        return tuple(found)

    def write(self, writer: Writer, value: tuple[Any, ...], values: Values, cite: Cite) -> None:
        entry = OBJECTS.get(values["type"])
        record = None if entry is None else _record_of(entry, values)
        if any(record is None or not isinstance(item, record.value) for item in value):
            raise RequestError(f"type {values['type']} does not hold {value!r}", cite=cite)
        if entry is None or record is None:
            return
        if not value or (not entry.many and len(value) > 1):
            raise RequestError(
                f"{len(value)} sub-objects in a {entry.name} object", cite=entry.cite
            )
        if entry.many and values["more"]:
            raise RequestError(f"a {entry.name} object holds no further octets", cite=entry.cite)
        writer.octets(bytes(entry.lead), "reserved", "", entry.cite)
        for item in value:
            record.write(writer, item)


def type_name(number: int) -> str:
    """Return the name of a metric type."""
    return OBJECTS[number].name if number in OBJECTS else f"metric {number}"


METRIC = Record(
    "DAG metric object",
    CITE,
    Metric,
    (
        Bits("type", 8, type_name),
        Bits("reserved", 5),
        Bits("partial", 1, "P: some node could not record it"),
        Bits("constraint", 1, {0: "C: a metric", 1: "C: a constraint"}),
        Bits("optional", 1, {0: "O: mandatory, if a constraint", 1: "O: optional"}),
        Bits("recorded", 1, {0: "R: aggregated, if a metric", 1: "R: recorded along the path"}),
        Bits("aggregation", 3, AGGREGATIONS),
        Bits("precedence", 4, "0 is the highest"),
        Bits("length", 8, "octets that follow"),
    ),
    _Items("items"),
    Rest("more", "TLVs, or the body of an unknown type"),
)
METRICS = Family("DAG metric object", CITE, {}, unknown=METRIC)
