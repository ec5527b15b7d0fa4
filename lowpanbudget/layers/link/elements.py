"""Information elements: the walk over header, payload and nested IEs (IEEE 802.15.4-2015 clause 7.4, from memory).

    header IE     bit 0-6 length, 7-14 element id, 15 type 0; content
    payload IE    bit 0-10 length, 11-14 group id, 15 type 1; content
    nested short  bit 0-7 length, 8-14 sub-id, 15 type 0; content
    nested long   bit 0-10 length, 11-14 sub-id, 15 type 1; content

Header IEs end with termination 1 (payload IEs follow), termination 2 (payload follows), or with the frame; payload IEs
with their termination or with the frame. An element whose length overruns stops the walk; one whose *content* makes no
sense does not, since its length says where the next begins: it keeps its ``fault``.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Any

from lowpanbudget.arguments import flag
from lowpanbudget.bits import Reader, Writer
from lowpanbudget.cites import ieee, rfc
from lowpanbudget.errors import RequestError, Reserved, WireError, repeated
from lowpanbudget.fields import Bits, Contents, Either, Header, OctetString, Unsigned
from lowpanbudget.layers.link import mlme_contents
from lowpanbudget.layers.link.content import ELEMENTS_CITE, content, vendor_content
from lowpanbudget.layers.link.header_contents import HEADER_IES, TERMINATION_1, TERMINATION_2
from lowpanbudget.values import FrozenDict, brief, dataclass, field, frozen

CITE = ELEMENTS_CITE
MLME, PAYLOAD_TERMINATION = 0x1, 0xF

_SUBTYPES = {0: "reserved", 1: "6top protocol (RFC 8480)"} | {
    number: "experimental" if number > 200 else "unassigned in RFC 8137" for number in range(2, 256)
}
_SUBTYPE = Unsigned("subtype_id", 1, _SUBTYPES)

PAYLOAD_IES = Contents(
    "Information elements of a MAC payload.",
    "id",
    CITE,
    {
        0x0: "encapsulated service data unit IE",
        MLME: "MLME IE",
        # RFC 8137 appendix A: "incorrectly named Vendor Specific Nested IE for Payload IEs"
        0x2: vendor_content("vendor-specific payload IE", ieee(2015, "7.4.3")),
        0x5: content(
            "IETF IE", rfc(8137, "4"), (_SUBTYPE,), (_SUBTYPE, OctetString("subtype_content"))
        ),
        PAYLOAD_TERMINATION: content("payload termination IE", ieee(2015, "7.4.3")),
    },
)


@dataclass(frozen=True, slots=True)
class ElementKind:
    """One of the four kinds of elements: the head that all of them share, and what the ids mean."""

    head: Header
    id_name: str
    ids: Contents

    @property
    def most_octets(self) -> int:
        """Return how many octets of content the length of the head tells at most."""
        return (1 << self.head.fields[0].width) - 1

    @property
    def most_id(self) -> int:
        """Return the greatest id that the head can tell."""
        return (1 << self.head.fields[1].width) - 1

    def entry(self, number: int) -> tuple[str, Either | None]:
        """Return the name of an id, and its content where it has a layout."""
        return _name(self.ids, number, self.head.name), self.ids.content_of(number)


def _name(ids: Contents, number: int, kind: str) -> str:
    return ids.name_of(number) or f"unassigned {kind}"


def _kind(
    name: str,
    clause: str,
    widths: tuple[int, int],
    id_name: str,
    ids: Contents,
    type_bit: int,
) -> ElementKind:
    """Return a kind; in all four the length comes first, then the id, then the type bit."""
    said = Bits(id_name, widths[1], lambda number: _name(ids, number, name))
    length = Bits("length", widths[0], "octets of content")
    bits = (length, said, Bits("type", 1, name, fixed=type_bit))
    return ElementKind(Header(name, ieee(2015, clause), bits, "little"), id_name, ids)


HEADER = _kind("header IE", "7.4.2", (7, 8), "element id", HEADER_IES, 0)
PAYLOAD = _kind("payload IE", "7.4.3", (11, 4), "group id", PAYLOAD_IES, 1)
NESTED_SHORT = _kind("short nested IE", "7.4.4", (8, 7), "sub-id", mlme_contents.SHORT, 0)
NESTED_LONG = _kind("long nested IE", "7.4.4", (11, 4), "sub-id", mlme_contents.LONG, 1)


@dataclass(frozen=True, slots=True)
class Element:
    """One information element: its ``id`` (element, group or sub-id) and its ``content`` octets.

    ``long`` tells a nested element in long form. Read elements also have a ``name``, the ``fields`` of a content that
    is understood, ``nested`` elements of an MLME IE, and a ``fault`` where the content makes no sense.
    Source: IEEE 802.15.4-2015 §7.4.2 (header IEs) and §7.4.3 (payload IEs), from memory.
    """

    id: int
    content: bytes = b""
    name: str = field(default="", compare=False)
    long: bool = False
    fields: Mapping[str, Any] = field(default_factory=FrozenDict, compare=False)
    nested: "tuple[Element, ...]" = field(default=(), compare=False)
    fault: WireError | None = field(default=None, compare=False)
    __repr__ = brief

    def faults(self) -> "Iterator[WireError]":
        """Yield the faults of this element and of those nested in it."""
        if self.fault is not None:
            yield self.fault
        for element in self.nested:
            yield from element.faults()


# --- decode -----------------------------------------------------------------------------------


def decode_header_ies(
    reader: Reader, into: list[Element] | None = None
) -> tuple[tuple[Element, ...], bool]:
    """Return the header IEs up to termination or the end, and whether payload IEs follow.

    Terminations are among them, so that encoding gives the same octets. Raises ``Truncated`` for an element that
    overruns, and ``Reserved`` for one of another kind; those before it are appended to ``into`` all the same.
    """
    elements = [] if into is None else into
    elements += _walk(
        reader,
        lambda kind: (
            HEADER,
            "the header IEs want a termination before payload IEs" if kind else "",
        ),
        (TERMINATION_1, TERMINATION_2),
    )
    return tuple(elements), bool(elements) and elements[-1].id == TERMINATION_1


def decode_payload_ies(reader: Reader) -> tuple[Element, ...]:
    """Return the payload IEs up to their termination or the end; raises ``Truncated`` and ``Reserved``."""
    return tuple(_walk(reader, lambda _kind: (PAYLOAD, ""), (PAYLOAD_TERMINATION,)))


def _decode_nested(reader: Reader) -> tuple[Element, ...]:
    def kind(number: int) -> tuple[ElementKind, str]:
        return (NESTED_LONG if number else NESTED_SHORT), ""

    return tuple(_walk(reader, kind, ()))


def _walk(
    reader: Reader, kind_of: Callable[[int], tuple[ElementKind, str]], last: tuple[int, ...]
) -> Iterator[Element]:
    """Yield elements until one of the ids in ``last``, or the end; the type bit, the same in all, tells the kind."""
    while reader.left > 0:
        reader.need(2, "an information element", CITE)
        kind, wrong = kind_of(HEADER.head.values_at(reader.data, reader.pos)["type"])
        if wrong:
            raise Reserved(wrong, offset=reader.pos, layer=kind.head.name, cite=kind.head.cite)
        values, _ = kind.head.read(reader)
        number = values[kind.id_name]
        name, layout = kind.entry(number)
        reader.need(values["length"], f"the content of the {name}", kind.head.cite)
        yield _element(reader, kind, number, name, layout, values["length"])
        if number in last:
            return


def _element(
    reader: Reader, kind: ElementKind, number: int, name: str, layout: Either | None, length: int
) -> Element:
    """Return one element, its content read in bounds of its own."""
    start, layer = reader.pos, reader.layer
    octets = reader.ahead(length)
    fields: Mapping[str, Any] = FrozenDict()
    nested: tuple[Element, ...] = ()
    fault: WireError | None = None
    inside = Reader(reader.data, start, start + length, name)
    try:
        if kind is PAYLOAD and number == MLME:
            nested = _decode_nested(inside)
        elif layout is not None:
            fields = frozen(layout.read(inside))
    except WireError as error:
        fault = error.bare()
        last = inside.spans[-1] if inside.spans else None
        inside.pos = (last.offset_bits + last.bits) // 8 if last else start
        inside.layer = name
    inside.rest("content", fault.message if fault else "", fault.cite if fault else kind.head.cite)
    reader.spans += inside.spans
    reader.unused = (*reader.unused, *inside.unused)
    reader.pos, reader.layer = start + length, layer
    return Element(number, octets, name, kind is NESTED_LONG, fields, nested, fault)


# --- encode -----------------------------------------------------------------------------------


def encode_ies(writer: Writer, elements: tuple[Element, ...], *, payload: bool) -> None:
    """Append information elements as given, terminations included.

    Raises ``RequestError`` for an id or a content that its head cannot hold.
    """
    for element in elements:
        _encode(writer, PAYLOAD if payload else HEADER, element)


def _encode(writer: Writer, kind: ElementKind, element: Element) -> None:
    if flag(element.long, "Element.long") is not (kind is NESTED_LONG):
        raise RequestError(
            f"Element.long: a {kind.head.name} has no long form", cite=kind.head.cite,
            hint="Only an element nested in an MLME IE has one",
        )  # fmt: skip
    if not element.content and (element.fields or element.nested):
        raise RequestError(
            f"Element.{'fields' if element.fields else 'nested'} of {kind.id_name} {repeated(element.id)} would be "
            "lost: they are what was read of the content, which has no octets",
            cite=kind.head.cite,
            hint="Give its octets as Element(id, content)",
        )
    if len(element.content) > kind.most_octets:
        raise RequestError(
            f"an IE content of {len(element.content)} octets is over {kind.most_octets}",
            cite=kind.head.cite,
        )
    type_bit = kind.head.fields[2]
    assert isinstance(type_bit, Bits)
    kind.head.write(
        writer,
        {"length": len(element.content), kind.id_name: element.id, "type": type_bit.fixed or 0},
    )
    # the content explains itself by being read, so that both directions leave the same spans
    start = writer.pos
    writer.data += element.content
    name, layout = kind.entry(element.id)
    reader = Reader(bytes(writer.data), start)
    reader.layer = kind.head.name
    _element(reader, kind, element.id, name, layout, len(element.content))
    writer.spans += reader.spans


def terminated(
    header_ies: tuple[Element, ...], payload_ies: tuple[Element, ...], *, payload: bool
) -> tuple[tuple[Element, ...], tuple[Element, ...]]:
    """Return header and payload IEs of a frame that announces some, with the terminations a receiver needs.

    Termination 1 where payload IEs follow, termination 2 where only a ``payload`` follows header IEs, and the payload
    termination where a payload follows payload IEs. Raises ``RequestError`` for a termination that contradicts that.
    """
    last = header_ies[-1].id if header_ies else None
    for element in header_ies[:-1]:
        if element.id in (TERMINATION_1, TERMINATION_2):
            raise RequestError("a header termination IE comes last", cite=CITE)
    if any(element.id == PAYLOAD_TERMINATION for element in payload_ies[:-1]):
        raise RequestError("the payload termination IE comes last", cite=CITE)
    if payload_ies:
        if last == TERMINATION_2:
            raise RequestError(
                "header termination 2 says that no payload IEs follow, and there are some",
                cite=CITE,
                hint="Use termination 1, or leave terminations to the encoder",
            )
        if last != TERMINATION_1:
            header_ies = (*header_ies, Element(TERMINATION_1))
        if payload and payload_ies[-1].id != PAYLOAD_TERMINATION:
            payload_ies = (*payload_ies, Element(PAYLOAD_TERMINATION))
    elif payload and last == TERMINATION_1:
        # a list of payload IEs that holds nothing but its end
        payload_ies = (Element(PAYLOAD_TERMINATION),)
    elif payload and last != TERMINATION_2:
        header_ies = (*header_ies, Element(TERMINATION_2))
    return header_ies, payload_ies


def header_ie(number: int, **fields: Any) -> Element:
    """Return a header IE whose content holds these fields.

    Raises ``RequestError`` for an id without layout here, or fields that its content does not take.
    """
    return _filled(HEADER, number, fields)


def payload_ie(number: int, **fields: Any) -> Element:
    """Return a payload IE whose content holds these fields, as ``header_ie``."""
    return _filled(PAYLOAD, number, fields)


def nested_ie(number: int, *, long: bool = False, **fields: Any) -> Element:
    """Return an element to go into ``mlme_ie``, short or long, as ``header_ie``."""
    return _filled(NESTED_LONG if long else NESTED_SHORT, number, fields)


def mlme_ie(*nested: Element) -> Element:
    """Return the MLME payload IE that holds ``nested`` elements in this order."""
    writer = Writer()
    for element in nested:
        _encode(writer, NESTED_LONG if element.long else NESTED_SHORT, element)
    return Element(MLME, bytes(writer.data), PAYLOAD.entry(MLME)[0], nested=nested)


def _filled(kind: ElementKind, number: int, fields: Mapping[str, Any]) -> Element:
    name, layout = kind.entry(number)
    if layout is None:
        raise RequestError(
            f"the content of {kind.head.name} {number:#x} ({name}) has no layout here",
            cite=kind.head.cite,
            hint="Give its octets as Element(id, content)",
        )
    return Element(number, layout.write(fields), name, kind is NESTED_LONG, frozen(dict(fields)))


def nested_values(elements: Iterable[Element], field_name: str) -> Iterator[Any]:
    """Yield what the nested elements of payload IEs tell in a field of this name."""
    for element in elements:
        for nested in element.nested:
            if field_name in nested.fields:
                yield nested.fields[field_name]
