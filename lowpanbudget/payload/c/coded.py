"""In C: truth, names, flags, constants, reserved bits, entries of a table."""

from decimal import Decimal
from typing import Any

from lowpanbudget.payload.c.names import Spot
from lowpanbudget.payload.c.parts import FieldPart, Known, Scope, Single, SourceUnit
from lowpanbudget.payload.c.scaled import ratio
from lowpanbudget.payload.c.text import SHORT, WIDE, Lines, integer, literal, unsigned, word_of
from lowpanbudget.payload.codec.grid import nearest_entry
from lowpanbudget.payload.codec.nodes import Codec
from lowpanbudget.payload.exact import EXACT, digits


class Truth(Single):
    """A boolean."""

    head = "bool"

    def initialiser(self, value: Any, known: Known) -> str:
        """Return ``true`` or ``false``."""
        return "true" if value else "false"

    def pack(self, out: Lines, at: str, scope: Scope) -> None:
        """Append what writes one bit."""
        self.put(out, self.bits, f"{at} ? 1u : 0u")

    def unpack(self, out: Lines, at: str, scope: Scope) -> None:
        """Append what reads one bit."""
        self.take(out, self.bits, "value")
        if self.bits > 1:
            out.fail("value > 1", self.maker.error(self.spot))
        out.add(f"{at} = value != 0;")


class Code(Single):
    """A field whose member holds the code itself, in an unsigned type.

    A wide place may hold small codes: the member is as small as the ``last`` of them allows.
    """

    def __init__(self, maker: SourceUnit, spot: Spot, bits: int, last: int | None = None) -> None:
        super().__init__(maker, spot, bits)
        self.kind = unsigned(bits if last is None else last.bit_length())
        self.head = self.kind.name
        self.word = word_of(bits)

    def pack(self, out: Lines, at: str, scope: Scope) -> None:
        """Append what refuses codes without meaning and writes the others."""
        out.add(f"{out.use(self.word.variable)} = {at};")
        self.check(out, self.kind.bits)
        self.put(out, self.bits, self.word.variable)

    def unpack(self, out: Lines, at: str, scope: Scope) -> None:
        """Append what reads a code that has a meaning."""
        self.take(out, self.bits, self.word.variable)
        self.check(out, self.bits)
        out.add(f"{at} = ({self.kind.name}){self.word.variable};")

    def check(self, out: Lines, bits: int) -> None:
        """Append what refuses those of the codes of ``bits`` bits that mean nothing."""
        raise NotImplementedError

    def check_last(self, out: Lines, bits: int, last: int) -> None:
        """Append what refuses codes above the last, if there are any."""
        if last + 1 < 1 << bits:
            call = self.maker.call("within" + self.word.suffix)
            test = f"!{call}({self.word.variable}, 0, {self.word.constant(last)})"
            out.fail(test, self.maker.error(self.spot))


class NamedCode(Code):
    """An enumeration: the member holds the code, a constant names each."""

    def __init__(self, maker: SourceUnit, spot: Spot, codes: dict[str, int], bits: int) -> None:
        super().__init__(maker, spot, bits, max(codes.values()))
        self.codes = codes
        maker.headed(f"{spot.path}: one of {len(self.codes)} names")
        self.constants = {
            name: maker.constant(spot, name, literal(code)) for name, code in self.codes.items()
        }
        self.remark = f"one of {next(iter(self.constants.values()))} ..."

    def initialiser(self, value: Any, known: Known) -> str:
        """Return the constant of a name."""
        return self.constants[value]

    def check(self, out: Lines, bits: int) -> None:
        """Append what refuses codes without name."""
        codes = sorted(self.codes.values())
        if codes[-1] == len(codes) - 1:
            self.check_last(out, bits, codes[-1])
            return
        with out.block(f"switch ({self.word.variable})"):
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
        name, mask = out.use(self.word.variable), (1 << self.kind.bits) - 1
        out.add(f"{name} = {at};")
        if self.all != mask:
            unknown = self.word.constant(mask & ~self.all)
            out.fail(f"({name} & {unknown}) != 0", self.maker.error(self.spot))
        for shift, bits in runs(self.bits, msb_first=self.maker.order.msb_first):
            piece = f"{name} >> {shift}" if shift else name
            if self.word is WIDE:
                piece = f"(uint32_t)(({piece}) & 0xff)"
            out.add(f"{self.maker.call('put8')}(&out, {piece}, {bits});")

    def unpack(self, out: Lines, at: str, scope: Scope) -> None:
        """Append what reads the bits and leaves out those without a name."""
        name, piece = out.use(self.word.variable), out.use("piece")
        out.add(f"{name} = 0;")
        for shift, bits in runs(self.bits, msb_first=self.maker.order.msb_first):
            out.fail(f"!{self.maker.call('take8')}(&in, {bits}, &{piece})", self.maker.short)
            moved = f"(uint64_t){piece}" if self.word is WIDE else piece
            out.add(f"{name} |= {moved} << {shift};" if shift else f"{name} |= {piece};")
        out.add(f"{at} = ({self.kind.name})({name} & {self.word.constant(self.all)});")


class FixedCode(FieldPart):
    """A constant: no member, only a number that is always sent."""

    def __init__(self, maker: SourceUnit, spot: Spot, value: int, bits: int) -> None:
        super().__init__(maker, spot, bits)
        self.value = value
        maker.headed(f"{spot.path}: a number that every message carries")
        self.name = maker.constant(spot, "value", literal(value))

    def pack(self, out: Lines, at: str, scope: Scope) -> None:
        """Append what writes the constant."""
        self.put(out, self.bits, self.name)

    def unpack(self, out: Lines, at: str, scope: Scope) -> None:
        """Append what refuses any other number."""
        word = word_of(self.bits)
        self.take(out, self.bits, word.variable)
        out.fail(f"{word.variable} != {word.constant(self.value)}", self.maker.error(self.spot))


class Gap(FieldPart):
    """Reserved bits, or bits left free before a field that states where it begins."""

    def pack(self, out: Lines, at: str, scope: Scope) -> None:
        """Append what writes zeros."""
        out.add(f"{self.maker.call('put_zeros')}(&out, {SHORT.constant(self.bits)});")

    def unpack(self, out: Lines, at: str, scope: Scope) -> None:
        """Append what passes over the bits."""
        call = self.maker.call("skip")
        out.fail(f"!{call}(&in, {SHORT.constant(self.bits)})", self.maker.short)


class EntryIndex(Code):
    """An entry of a table or of a logarithmic scale: the member holds its index."""

    def __init__(
        self, maker: SourceUnit, spot: Spot, entries: tuple[Decimal, ...], unit: str, bits: int
    ) -> None:
        self.last = len(entries) - 1
        super().__init__(maker, spot, bits, self.last)
        self.entries = entries
        unit = f" {unit}".rstrip()
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
                "word": word_of(kind.bits).bits,
                "index_kind": self.kind.name if self.last + 1 <= self.kind.high else "uint16_t",
                "last": self.last,
                "entries": [literal(number) for number in scaled],
            }
        )

    def initialiser(self, value: Any, known: Known) -> str:
        """Return the index of a value."""
        return literal(nearest_entry(self.entries, value))

    def check(self, out: Lines, bits: int) -> None:
        """Append what refuses indices beyond the table."""
        self.check_last(out, bits, self.last)


def runs(bits: int, *, msb_first: bool) -> list[tuple[int, int]]:
    """Return a string of bits in groups of eight, first on the wire first: how far up each stands, its bits."""
    groups = [(start, min(8, bits - start)) for start in range(0, bits, 8)]
    return [(bits - start - size if msb_first else start, size) for start, size in groups]
