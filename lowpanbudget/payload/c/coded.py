"""In C: truth, names, flags, constants, reserved bits, entries of a table."""

from decimal import Decimal
from typing import Any

from lowpanbudget.payload.c.names import Spot
from lowpanbudget.payload.c.parts import FieldPart, Known, Scope, Single, SourceUnit
from lowpanbudget.payload.c.scaled import ratio
from lowpanbudget.payload.c.text import Lines, integer, literal, unsigned, word
from lowpanbudget.payload.codec.grid import nearest_entry
from lowpanbudget.payload.codec.nodes import Codec
from lowpanbudget.payload.exact import EXACT, digits


class Truth(Single):
    """A boolean."""

    def __init__(self, maker: SourceUnit, spot: Spot, bits: int) -> None:
        super().__init__(maker, spot)
        self.least = self.greatest = bits

    def declared(self, name: str) -> str:
        """Return the declaration of the member."""
        return f"bool {name}"

    def initialiser(self, value: Any, known: Known) -> str:
        """Return ``true`` or ``false``."""
        return "true" if value else "false"

    def pack(self, out: Lines, at: str, scope: Scope) -> None:
        """Append what writes one bit."""
        self.put(out, self.least, f"{at} ? 1u : 0u")

    def unpack(self, out: Lines, at: str, scope: Scope) -> None:
        """Append what reads one bit."""
        self.take(out, self.least, "value")
        if self.least > 1:
            out.fail("value > 1", self.maker.error(self.spot))
        out.add(f"{at} = value != 0;")


class Code(Single):
    """A field whose member holds the code itself, in an unsigned type."""

    def __init__(self, maker: SourceUnit, spot: Spot, bits: int) -> None:
        super().__init__(maker, spot)
        self.least = self.greatest = bits
        self.kind = unsigned(bits)
        self.bits = 32 if bits <= 32 else 64
        self.variable = "value" if bits <= 32 else "wide"
        self.wide = "" if bits <= 32 else "_wide"

    def declared(self, name: str) -> str:
        """Return the declaration of the member."""
        return f"{self.kind.name} {name}"

    def within(self, last: int) -> str:
        """Return a test for codes above the last."""
        return (
            f"!{self.maker.call('within' + self.wide)}({self.variable}, 0, {word(last, self.bits)})"
        )


class NamedCode(Code):
    """An enumeration: the member holds the code, a constant names each."""

    def __init__(self, maker: SourceUnit, spot: Spot, codes: dict[str, int], bits: int) -> None:
        super().__init__(maker, spot, bits)
        self.codes = codes
        # A wide place may hold small codes; the member is as small as they allow.
        self.kind = unsigned(max(self.codes.values()).bit_length())
        maker.headed(f"{spot.path}: one of {len(self.codes)} names")
        self.constants = {
            name: maker.constant(spot, name, literal(code)) for name, code in self.codes.items()
        }
        self.remark = f"one of {next(iter(self.constants.values()))} ..."

    def initialiser(self, value: Any, known: Known) -> str:
        """Return the constant of a name."""
        return self.constants[value]

    def pack(self, out: Lines, at: str, scope: Scope) -> None:
        """Append what refuses codes without name and writes the others."""
        out.add(f"{out.use(self.variable)} = {at};")
        self._check(out, self.kind.bits)
        self.put(out, self.least, self.variable)

    def unpack(self, out: Lines, at: str, scope: Scope) -> None:
        """Append what reads a code that has a name."""
        self.take(out, self.least, self.variable)
        self._check(out, self.least)
        out.add(f"{at} = ({self.kind.name}){self.variable};")

    def _check(self, out: Lines, bits: int) -> None:
        codes = sorted(self.codes.values())
        if codes[-1] == len(codes) - 1:
            if codes[-1] + 1 < 1 << bits:
                out.fail(self.within(codes[-1]), self.maker.error(self.spot))
            return
        with out.block(f"switch ({self.variable})"):
            for name in self.constants.values():
                out.add(f"case {name}:")
            out.add("    break;")
            out.add("default:")
            out.add(f"    return {self.maker.error(self.spot)};")


class FlagBits(Code):
    """Flags: the member holds the bits as they are sent, a constant is the mask of each."""

    def __init__(self, maker: SourceUnit, spot: Spot, names: tuple[str, ...], codec: Codec) -> None:
        super().__init__(maker, spot, codec.width)
        self.all = codec.encode(names)
        maker.headed(f"{spot.path}: a bit for each flag")
        self.constants = {
            name: maker.constant(spot, name, literal(codec.encode((name,)))) for name in names
        }
        self.remark = f"{next(iter(self.constants.values()))} and the like, joined by |"

    def initialiser(self, value: Any, known: Known) -> str:
        """Return the masks of the flags that are set."""
        return " | ".join(self.constants[name] for name in value) or "0"

    def pack(self, out: Lines, at: str, scope: Scope) -> None:
        """Append what refuses unknown flags and writes the bits, first flag first."""
        name, mask = out.use(self.variable), (1 << self.kind.bits) - 1
        out.add(f"{name} = {at};")
        if self.all != mask:
            unknown = word(mask & ~self.all, self.bits)
            out.fail(f"({name} & {unknown}) != 0", self.maker.error(self.spot))
        for shift, bits in runs(self.least, msb_first=self.maker.order.msb_first):
            piece = f"{name} >> {shift}" if shift else name
            if self.bits == 64:
                piece = f"(uint32_t)(({piece}) & 0xff)"
            out.add(f"{self.maker.call('put8')}(&out, {piece}, {bits});")

    def unpack(self, out: Lines, at: str, scope: Scope) -> None:
        """Append what reads the bits and leaves out those without a name."""
        name, piece = out.use(self.variable), out.use("piece")
        out.add(f"{name} = 0;")
        for shift, bits in runs(self.least, msb_first=self.maker.order.msb_first):
            out.fail(f"!{self.maker.call('take8')}(&in, {bits}, &{piece})", self.maker.short)
            moved = f"(uint64_t){piece}" if self.bits == 64 else piece
            out.add(f"{name} |= {moved} << {shift};" if shift else f"{name} |= {piece};")
        out.add(f"{at} = ({self.kind.name})({name} & {word(self.all, self.bits)});")


class FixedCode(FieldPart):
    """A constant: no member, only a number that is always sent."""

    def __init__(self, maker: SourceUnit, spot: Spot, value: int, bits: int) -> None:
        super().__init__(maker, spot)
        self.value = value
        self.least = self.greatest = bits
        maker.headed(f"{spot.path}: a number that every message carries")
        self.name = maker.constant(spot, "value", literal(value))

    def pack(self, out: Lines, at: str, scope: Scope) -> None:
        """Append what writes the constant."""
        self.put(out, self.least, self.name)

    def unpack(self, out: Lines, at: str, scope: Scope) -> None:
        """Append what refuses any other number."""
        variable = "value" if self.least <= 32 else "wide"
        self.take(out, self.least, variable)
        bits = 32 if self.least <= 32 else 64
        out.fail(f"{variable} != {word(self.value, bits)}", self.maker.error(self.spot))


class Gap(FieldPart):
    """Reserved bits, or bits left free before a field that states where it begins."""

    def __init__(self, maker: SourceUnit, spot: Spot, bits: int) -> None:
        super().__init__(maker, spot)
        self.least = self.greatest = bits

    def pack(self, out: Lines, at: str, scope: Scope) -> None:
        """Append what writes zeros."""
        out.add(f"{self.maker.call('put_zeros')}(&out, {word(self.least, 32)});")

    def unpack(self, out: Lines, at: str, scope: Scope) -> None:
        """Append what passes over the bits."""
        out.fail(f"!{self.maker.call('skip')}(&in, {word(self.least, 32)})", self.maker.short)


class EntryIndex(Code):
    """An entry of a table or of a logarithmic scale: the member holds its index."""

    def __init__(
        self, maker: SourceUnit, spot: Spot, entries: tuple[Decimal, ...], unit: str, bits: int
    ) -> None:
        super().__init__(maker, spot, bits)
        self.entries = entries
        unit = f" {unit}".rstrip()
        self.last = len(entries) - 1
        self.kind = unsigned(self.last.bit_length())
        self.remark = f"index of a value, {digits(entries[0])} .. {digits(entries[-1])}{unit}"
        maker.headed(f"{spot.path}: {self.remark}")
        maker.constant(spot, "last", literal(self.last), "the greatest index")
        self._table(unit)

    def _table(self, unit: str) -> None:
        """Add the values as integers of one scale, if there are integers for all of them."""
        maker, spot = self.maker, self.spot
        places = max(
            0, *(-int(entry.normalize(EXACT).as_tuple().exponent) for entry in self.entries)
        )
        scale = Decimal(1).scaleb(-places)
        scaled = [int(EXACT.divide(entry, scale)) for entry in self.entries]
        kind = integer(scaled[0], scaled[-1])
        if kind is None:
            maker.headed("its values have more digits than an integer of C, so there is no table")
            return
        ratio(maker, spot, "scale", scale)
        maker.tables.append(
            {
                "value": maker.names.of("value", spot),
                "index": maker.names.of("index", spot),
                "table": maker.names.of("values_", spot),
                "path": spot.path,
                "unit": f"{digits(scale)}{unit}",
                "kind": kind.name,
                "word": 32 if kind.bits <= 32 else 64,
                "index_kind": self.kind.name if self.last + 1 <= self.kind.high else "uint16_t",
                "last": self.last,
                "entries": [literal(number) for number in scaled],
            }
        )

    def initialiser(self, value: Any, known: Known) -> str:
        """Return the index of a value."""
        return literal(nearest_entry(self.entries, value))

    def pack(self, out: Lines, at: str, scope: Scope) -> None:
        """Append what refuses indices beyond the table and writes the others."""
        out.add(f"{out.use('value')} = {at};")
        if self.last < self.kind.high:
            out.fail(self.within(self.last), self.maker.error(self.spot))
        self.put(out, self.least, "value")

    def unpack(self, out: Lines, at: str, scope: Scope) -> None:
        """Append what reads an index."""
        self.take(out, self.least, "value")
        if self.last + 1 < 1 << self.least:
            out.fail(self.within(self.last), self.maker.error(self.spot))
        out.add(f"{at} = ({self.kind.name})value;")


def runs(bits: int, *, msb_first: bool) -> list[tuple[int, int]]:
    """Return a string of bits in groups of eight, first on the wire first: how far up each stands, its bits."""
    groups = [(start, min(8, bits - start)) for start in range(0, bits, 8)]
    return [(bits - start - size if msb_first else start, size) for start, size in groups]
