"""Routing metrics and constraints: the objects of a DAG Metric Container (RFC 6551).

|Routing-MC-Type|Res Flags|P|C|O|R| A   |  Prec | Length (bytes)|
|                       object body: sub-objects                |
"""

from typing import Any, NamedTuple

from lowpanbudget.bits import Reader, Writer
from lowpanbudget.cites import rfc
from lowpanbudget.errors import Malformed, RequestError
from lowpanbudget.fields import (
    Drawing,
    Layout,
    LayoutPart,
    OctetString,
    Tagged,
    Values,
    bits,
    layout_of,
    part,
    structure,
    unused,
)

CITE = rfc(6551, "2.1")
ETX_UNIT = 128  # "The ETX * 128 is encoded using 16 bits"
NODE_TYPES = {0: "mains-powered", 1: "battery-powered", 2: "powered by an energy scavenger"}
AGGREGATIONS = {0: "additive", 1: "a maximum", 2: "a minimum", 3: "multiplicative"}
_COLOR = "flags as the operator defines them"


@structure("node state and attribute", rfc(6551, "3.1"))
class NodeState:
    """Whether a node can aggregate data (A), and whether it is overloaded (O)."""

    reserved: int = unused(14, default=0)
    aggregator: bool = bits(1, "A: can aggregate data", default=False)
    overloaded: bool = bits(1, "O: overloaded", default=False)


@structure("node energy", rfc(6551, "3.2"))
class NodeEnergy:
    """A node's power source; ``energy`` in percent of what is needed, where ``estimated`` (E)."""

    reserved: int = unused(4, default=0)
    included: bool = bits(
        1, {0: "I: such nodes are excluded", 1: "I: such nodes are included"}, default=False
    )
    node_type: int = bits(2, NODE_TYPES)
    estimated: bool = bits(1, "E: the energy is given", default=False)
    energy: int = bits(8, "percent", default=0)


@structure("hop count", rfc(6551, "3.3"))
class HopCount:
    """How many nodes a path traverses, or may."""

    reserved: int = unused(8, default=0)
    hop_count: int = bits(8)


@structure("throughput", rfc(6551, "4.1"))
class Throughput:
    """What a link or path can carry, in octets per second."""

    throughput: int = bits(32, "octets per second")


@structure("latency", rfc(6551, "4.2"))
class Latency:
    """How long a link or path takes, in microseconds."""

    latency: int = bits(32, "microseconds")


@structure("link quality level", rfc(6551, "4.3.1"))
class LinkQuality:
    """A link quality level, 1 the best to 7, 0 unknown, and how many links have it."""

    level: int = bits(3, lambda value: "unknown" if not value else "1 is the best")
    counter: int = bits(5, "links with that level")


@structure("ETX", rfc(6551, "4.3.2"))
class Etx:
    """Expected transmissions, in units of 1/128."""

    etx: int = bits(16, lambda value: f"{value / ETX_UNIT:g}")

    @property
    def transmissions(self) -> float:
        """Return the expected number of transmissions."""
        return self.etx / ETX_UNIT


@structure("link color", rfc(6551, "4.4.1"))
class LinkColor:
    """Ten flags whose meaning the operator gives, and how many links have them."""

    color: int = bits(10, _COLOR)
    counter: int = bits(6, "links so coloured")


@structure("link color", rfc(6551, "4.4.1"))
class LinkColorConstraint:
    """Links with these flags must be included, or excluded."""

    color: int = bits(10, _COLOR)
    reserved: int = unused(5, default=0)
    included: bool = bits(1, {0: "I: such links are excluded", 1: "I: such links are included"})


class _Object(NamedTuple):
    """The body of a type: reserved octets, sub-objects of one layout, one or ``many`` of them."""

    item: Layout[Any]
    many: bool = True
    reserved: int = 0
    limit: Layout[Any] | None = None  # the sub-object of a constraint, where it is another

    def of(self, values: Values) -> Layout[Any]:
        """Return the layout of the sub-objects."""
        return self.limit if self.limit is not None and values["constraint"] else self.item


OBJECTS = {
    1: _Object(layout_of(NodeState), many=False),
    2: _Object(layout_of(NodeEnergy)),
    3: _Object(layout_of(HopCount), many=False),
    4: _Object(layout_of(Throughput)),
    5: _Object(layout_of(Latency)),
    6: _Object(layout_of(LinkQuality), reserved=1),
    7: _Object(layout_of(Etx)),
    8: _Object(layout_of(LinkColor), reserved=1, limit=layout_of(LinkColorConstraint)),
}


AnyItem = (
    NodeState | NodeEnergy | HopCount | Throughput | Latency | LinkQuality | Etx | LinkColor | LinkColorConstraint
)  # fmt: skip


class _Items(LayoutPart):
    """The sub-objects that the type in the values before says; none of an unknown type."""

    def read(self, reader: Reader, values: Values, _layout: Drawing) -> tuple[AnyItem, ...]:
        entry = OBJECTS.get(values["type"])
        if entry is None:
            return ()
        layout = entry.of(values)
        if not reader.left:
            raise reader.fault(Malformed, f"a {layout.name} object without content", layout.cite)
        reader.octets(entry.reserved, "reserved", "", layout.cite)
        items = [layout.read(reader)]
        while entry.many and reader.left:
            items.append(layout.read(reader))
        return tuple(items)

    def write(
        self, writer: Writer, value: tuple[AnyItem, ...], values: Values, drawing: Drawing
    ) -> None:
        entry = OBJECTS.get(values["type"])
        layout = None if entry is None else entry.of(values)
        if any(layout is None or not isinstance(item, layout.value) for item in value):
            raise RequestError(f"type {values['type']} does not hold {value!r}", cite=drawing.cite)
        if entry is None or layout is None:
            return
        if not value or (not entry.many and len(value) > 1):
            raise RequestError(
                f"{len(value)} sub-objects in a {layout.name} object", cite=layout.cite
            )
        if entry.many and values["more"]:
            raise RequestError(f"a {layout.name} object holds no further octets", cite=layout.cite)
        writer.octets(bytes(entry.reserved), "reserved", "", layout.cite)
        for item in value:
            layout.write(writer, item)


def type_name(number: int) -> str:
    """Return the name of a metric type."""
    return OBJECTS[number].item.name if number in OBJECTS else f"metric {number}"


@structure("DAG metric object", CITE)
class Metric:
    """A metric, or with ``constraint`` (C) a limit, of this type.

    ``items`` are its sub-objects by class; ``more`` the octets that follow them (TLVs, or all of an unknown type).
    ``partial`` is P, ``optional`` O, ``recorded`` R; ``aggregation`` and ``precedence`` are the fields A and Prec.
    """

    type: int = bits(8, type_name)
    reserved: int = unused(5, default=0)
    partial: bool = bits(1, "P: some node could not record it", default=False)
    constraint: bool = bits(1, {0: "C: a metric", 1: "C: a constraint"}, default=False)
    optional: bool = bits(1, {0: "O: mandatory, if a constraint", 1: "O: optional"}, default=False)
    recorded: bool = bits(
        1, {0: "R: aggregated, if a metric", 1: "R: recorded along the path"}, default=False
    )
    aggregation: int = bits(3, AGGREGATIONS, default=0)
    precedence: int = bits(4, "0 is the highest", default=0)
    length = bits(8, "octets that follow")
    items: tuple[AnyItem, ...] = part(_Items, default=())
    more: bytes = part(OctetString, "TLVs, or the body of an unknown type", default=b"")


METRICS = Tagged("DAG metric object", CITE, {}, unknown=layout_of(Metric))
