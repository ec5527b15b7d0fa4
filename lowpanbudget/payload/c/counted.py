"""In C: octets and text, and arrays; with a count beside them where it can change."""

from typing import Any, Protocol

from lowpanbudget.payload.c.extent import SCALARS, Extent
from lowpanbudget.payload.c.names import Spot
from lowpanbudget.payload.c.parts import FieldPart, Known, Member, Scope, Single, SourceUnit, Struct
from lowpanbudget.payload.c.text import SHORT, Lines, literal, unsigned
from lowpanbudget.payload.codec.counted import Lengths


class OctetLengths(Lengths, Protocol):
    """Octets or text."""

    def to_octets(self, value: Any) -> bytes:
        """Return the octets of a value."""

    def from_octets(self, octets: bytes) -> Any:
        """Return the value of octets."""


class CountedArray(Single):
    """Elements side by side, and how many there are if that can change."""

    what = "count"  # what the number of elements is called
    empty = False  # where no member holds anything of an element

    def __init__(self, maker: SourceUnit, spot: Spot, field: Lengths) -> None:
        super().__init__(maker, spot)
        self.fewest, self.most = field.least, field.most
        self.fixed = field.least == field.most
        self.single = self.fixed
        self.width = maker.order.rounded(field.number_bits())
        self.kind = unsigned(field.most.bit_length())
        maker.headed(f"{spot.path}: how many")
        if not self.fixed:
            self.fewest_name = maker.constant(spot, f"least_{self.what}", literal(field.least))
        self.limit = maker.constant(spot, f"most_{self.what}", literal(field.most))

    def members(self, name: str) -> list[Member]:
        """Return the count, if it can change, and the elements."""
        made = [] if self.empty else super().members(name)
        if self.fixed:
            return made
        count = f"{name}_{self.what}"
        extent, remark = SCALARS[self.kind.name], f"{self.fewest} .. {self.most}"
        return [Member(f"{self.kind.name} {count}", count, extent, remark), *made]

    def initial(self, name: str, value: Any, known: Known) -> list[str]:
        """Return count and elements."""
        made = [] if self.empty else super().initial(name, value, known)
        if self.fixed:
            return made
        return [f".{name}_{self.what} = {literal(self.count_of(value))}", *made]

    def count_of(self, value: Any) -> int:
        """Return the number of elements of a value."""
        return len(value)

    def number_at(self, at: str) -> str:
        """Return the number of elements as C text."""
        return self.limit if self.fixed else f"{at}_{self.what}"

    def check_count(self, out: Lines, at: str) -> None:
        """Append what refuses too few or too many."""
        if not self.fixed and (self.fewest, self.most) != (0, self.kind.high):
            call = self.maker.call("within")
            limits = f"{self.fewest_name}, {self.limit}"
            out.fail(f"!{call}({self.number_at(at)}, {limits})", self.maker.error(self.spot))

    def put_count(self, out: Lines, at: str) -> None:
        """Append what writes the number of elements, less the fewest."""
        if self.fixed:
            return
        value = f"(uint32_t){self.number_at(at)}"
        self.put(out, self.width, f"{value} - {self.fewest_name}" if self.fewest else value)

    def take_count(self, out: Lines, at: str) -> None:
        """Append what reads the number of elements and refuses too many."""
        if self.fixed:
            return
        self.take(out, self.width, "value")
        if self.most - self.fewest + 1 < 1 << self.width:
            test = (
                f"!{self.maker.call('within')}(value, 0, {SHORT.constant(self.most - self.fewest)})"
            )
            out.fail(test, self.maker.error(self.spot))
        more = f"value + {self.fewest_name}" if self.fewest else "value"
        out.add(f"{self.number_at(at)} = ({self.kind.name})({more});")


class OctetArray(CountedArray):
    """Octets or text; text has room for a zero octet behind it, which is not sent."""

    what = "length"

    def __init__(
        self, maker: SourceUnit, spot: Spot, field: OctetLengths, encoding: str = ""
    ) -> None:
        super().__init__(maker, spot, field)
        self.field = field
        self.text = encoding
        self.judge = {"utf-8": "is_utf8", "ascii": "is_ascii", "": ""}[encoding]
        self.bits = self.width + 8 * field.most
        if encoding:
            self.remark = f"{encoding}, with a zero octet behind it that is not sent"

    def declared(self, name: str) -> str:
        """Return the declaration of the octets."""
        return f"char {name}[{self.limit} + 1]" if self.text else f"uint8_t {name}[{self.limit}]"

    @property
    def extent(self) -> Extent:
        """Return the octets, and the zero octet behind a text."""
        return Extent(self.most + bool(self.text), 1)

    def initialiser(self, value: Any, known: Known) -> str:
        """Return the octets as an initialiser."""
        octets = self.field.to_octets(value)
        if self.text:
            return f"{{{', '.join(_char(octet) for octet in octets) or '0'}}}"
        return f"{{{', '.join(map(str, octets)) or '0'}}}"

    def count_of(self, value: Any) -> int:
        """Return the number of octets of a value."""
        return len(self.field.to_octets(value))

    def pack(self, out: Lines, at: str, scope: Scope) -> None:
        """Append what writes length and octets."""
        self.check_count(out, at)
        octets = f"(const uint8_t *){at}" if self.text else at
        self._judge(out, at)
        self.put_count(out, at)
        out.add(f"{self.maker.call('put_octets')}(&out, {octets}, {self.number_at(at)});")

    def unpack(self, out: Lines, at: str, scope: Scope) -> None:
        """Append what reads length and octets."""
        self.take_count(out, at)
        octets = f"(uint8_t *){at}" if self.text else at
        call = self.maker.call("take_octets")
        out.fail(f"!{call}(&in, {octets}, {self.number_at(at)})", self.maker.short)
        self._judge(out, at)

    def _judge(self, out: Lines, at: str) -> None:
        if self.judge:
            call = f"{self.maker.call(self.judge)}((const uint8_t *){at}, {self.number_at(at)})"
            out.fail(f"!{call}", self.maker.error(self.spot))


def _char(octet: int) -> str:
    if 0x20 < octet < 0x7F and octet not in b"'\\?":
        return f"'{chr(octet)}'"
    return f"'\\{octet:03o}'"  # also where char has a sign


class ElementArray(CountedArray):
    """An array."""

    def __init__(self, maker: SourceUnit, spot: Spot, field: Lengths, element: FieldPart) -> None:
        super().__init__(maker, spot, field)
        assert isinstance(element, Single)  # what has no value is no element
        self.element = element
        self.bits = self.width + field.most * element.bits
        inner = element.members("item")
        self.wrapped = bool(inner) and not element.single
        self.empty = not inner
        if self.wrapped:
            self.tag = f"struct {maker.names.of('element', spot)}"
            maker.structs.append(Struct(self.tag, tuple(inner), f"an element of {spot.path}"))
        elif inner:
            self.remark = inner[0].remark
        self.single = self.fixed and not self.empty

    def declared(self, name: str) -> str:
        """Return the declaration of the elements."""
        room = f"{name}[{self.limit}]"
        if self.wrapped:
            return f"{self.tag} {room}"
        return self.element.declared(room)

    @property
    def extent(self) -> Extent:
        """Return the octets of all elements."""
        one = self.maker.extent(self.tag) if self.wrapped else self.element.extent
        return one.times(self.most)

    def initialiser(self, value: Any, known: Known) -> str:
        """Return the elements as an initialiser."""
        if self.wrapped:
            items = [
                f"{{{', '.join(self.element.initial('item', item, known))}}}" for item in value
            ]
        else:
            items = [self.element.initialiser(item, known) for item in value]
        if not all(items):
            items = [f"[{index}] = {item}" for index, item in enumerate(items) if item]
        return f"{{{', '.join(items)}}}" if items else ""

    def pack(self, out: Lines, at: str, scope: Scope) -> None:
        """Append what writes count and elements."""
        self.check_count(out, at)
        self.put_count(out, at)
        with out.loop(self.number_at(at)) as index:
            self.element.pack(out, self._inner(at, index), scope)

    def unpack(self, out: Lines, at: str, scope: Scope) -> None:
        """Append what reads count and elements."""
        self.take_count(out, at)
        with out.loop(self.number_at(at)) as index:
            self.element.unpack(out, self._inner(at, index), scope)

    def _inner(self, at: str, index: str) -> str:
        return f"{at}[{index}].item" if self.wrapped else f"{at}[{index}]"
