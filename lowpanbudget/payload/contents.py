"""Text and octets, of a fixed length or with a length in front."""

import dataclasses
from collections.abc import Iterator
from typing import Any, ClassVar

from lowpanbudget.errors import plural
from lowpanbudget.payload.bitpack import Order
from lowpanbudget.payload.field import Case, Codec, Field, Leaf
from lowpanbudget.payload.flaws import Flaw, Misfit

MAX_LENGTH = 65535  # of octets, and of the elements of an array

ENCODINGS = ("utf-8", "ascii")


@dataclasses.dataclass(frozen=True, slots=True)
class Octets(Field):
    """Octets as they are: ``length`` of them, or ``min_length`` to ``max_length`` with the length in front.

    The length is sent as ``length - min_length`` in the fewest bits, as ASN.1 PER does for a bounded
    OCTET STRING, or in ``length_bits``. Hexadecimal text is accepted as a value as well.
    """

    _: dataclasses.KW_ONLY
    length: int | None = None
    min_length: int = 0
    max_length: int | None = None
    length_bits: int | None = None
    typical_length: int | None = None

    kind: ClassVar[str] = "octets"

    @property
    def least(self) -> int:
        """Return the smallest length in octets."""
        return self.min_length if self.length is None else self.length

    @property
    def most(self) -> int:
        """Return the greatest length in octets."""
        if self.length is not None:
            return self.length
        return self.min_length if self.max_length is None else self.max_length

    def to_octets(self, value: Any) -> bytes:
        """Return the octets of a value of a right length."""
        if isinstance(value, str):
            try:
                value = bytes.fromhex(value)
            except ValueError:
                raise Misfit(
                    f"is the text {value[:40]!r}", hint="Give octets, or hexadecimal text"
                ) from None
        if not isinstance(value, bytes | bytearray | memoryview):
            raise Misfit(f"is a {type(value).__name__}", hint="Give octets, or hexadecimal text")
        return self.sized(bytes(value))

    def from_octets(self, octets: bytes) -> Any:
        """Return the value of octets from the wire."""
        return octets

    def sized(self, octets: bytes) -> bytes:
        """Return the octets if their number is right."""
        if not self.least <= len(octets) <= self.most:
            allowed = str(self.least) if self.least == self.most else f"{self.least} .. {self.most}"
            raise Misfit(f"has {plural(len(octets), 'octet')}, and {allowed} are allowed")
        return octets

    def example(self, case: Case) -> Any:
        """Return octets of the least, usual or greatest length."""
        return self.from_octets(bytes(0x41 + i % 26 for i in range(self.example_length(case))))

    def example_length(self, case: Case) -> int:
        """Return the least, usual (half-way unless stated) or greatest length."""
        if case == "typical":
            return (
                (self.least + self.most + 1) // 2
                if self.typical_length is None
                else self.typical_length
            )
        return self.least if case == "least" else self.most

    def flaws(self, order: Order) -> Iterator[Flaw]:
        """Yield what is wrong with the lengths."""
        yield from length_flaws(
            self, order, bits_key="length_bits", bits=self.length_bits, what="octets"
        )


@dataclasses.dataclass(frozen=True, slots=True)
class Text(Octets):
    """Text in UTF-8 or ASCII; lengths count octets, not characters."""

    _: dataclasses.KW_ONLY
    encoding: str = "utf-8"

    kind: ClassVar[str] = "text"

    def to_octets(self, value: Any) -> bytes:
        """Return the octets of a text of a right length."""
        if not isinstance(value, str):
            raise Misfit(f"is a {type(value).__name__}, not text", hint="Give text")
        try:
            return self.sized(value.encode(self.encoding))
        except UnicodeEncodeError:
            raise Misfit(f"is {value[:40]!r}, which {self.encoding} cannot write") from None

    def from_octets(self, octets: bytes) -> str:
        """Return the text of octets from the wire."""
        try:
            return octets.decode(self.encoding)
        except UnicodeDecodeError as fault:
            raise Misfit(f"is no {self.encoding} from its octet {fault.start} on") from None

    def flaws(self, order: Order) -> Iterator[Flaw]:
        """Yield what is wrong with lengths and encoding."""
        if self.encoding not in ENCODINGS:
            yield Flaw(
                ("encoding",),
                f"{self.encoding!r} is no encoding here",
                f"Use {' or '.join(ENCODINGS)}",
            )
        yield from length_flaws(
            self, order, bits_key="length_bits", bits=self.length_bits, what="octets"
        )


@dataclasses.dataclass(frozen=True, slots=True)
class FixedContents(Leaf):
    """Octets or text of one fixed length seen as a field of fixed width; made while a message is compiled."""

    _: dataclasses.KW_ONLY
    of: Octets

    ordered: ClassVar[bool] = False

    def needed(self) -> int:
        """Return the bits of the octets."""
        return 8 * self.of.most

    def codec(self, width: int, order: Order) -> Codec:
        """Return the codec; the first octet is the first on the wire."""
        stream, of, count = "big" if order.msb_first else "little", self.of, width // 8

        def encode(value: Any) -> int:
            return int.from_bytes(of.to_octets(value), stream)  # type: ignore[arg-type]

        def decode(code: int) -> Any:
            return of.from_octets(code.to_bytes(count, stream))  # type: ignore[arg-type]

        return Codec(width, encode, decode)

    def example(self, case: Case) -> Any:
        """Return an example of the field behind."""
        return self.of.example(case)


def count_width(least: int, most: int, bits: int | None) -> int:
    """Return the bits of a length or count field: 0 where there is only one."""
    if least == most:
        return 0
    return (most - least).bit_length() if bits is None else bits


def length_flaws(
    of: Any, order: Order, *, bits_key: str, bits: int | None, what: str
) -> Iterator[Flaw]:
    """Yield what is wrong with ``length`` or ``min_length`` and ``max_length`` of a field."""
    del order
    if of.length is not None and (of.max_length is not None or of.min_length):
        yield Flaw(
            ("length",),
            "a fixed length and a range of lengths",
            "State length alone, or max_length",
        )
        return
    if of.length is None and of.max_length is None:
        yield Flaw((), "no length", f"State length (a fixed number of {what}) or max_length")
        return
    key = "max_length" if of.length is None else "length"
    if not 1 <= of.most <= MAX_LENGTH:
        yield Flaw((key,), f"{of.most} {what}", f"Use 1 to {MAX_LENGTH}")
        return
    if not 0 <= of.least <= of.most:
        yield Flaw(
            ("min_length",),
            f"{of.least} is not within 0 .. {of.most}",
            f"Use 0 to {of.most}, or a greater max_length",
        )
        return
    fewest = (of.most - of.least).bit_length()
    if bits is not None and of.least == of.most:
        yield Flaw((bits_key,), "a length that never changes is not sent", f"Leave {bits_key} out")
    elif bits is not None and not fewest <= bits <= 32:
        counts = of.most - of.least + 1
        yield Flaw(
            (bits_key,),
            f"{of.least} .. {of.most} are {counts} lengths, which take {plural(fewest, 'bit')}, not {bits}",
            f"Use {bits_key} = {fewest} or more (at most 32), or a smaller max_length",
        )
    if of.typical_length is not None and not of.least <= of.typical_length <= of.most:
        yield Flaw(
            ("typical_length",),
            f"{of.typical_length} is not within {of.least} .. {of.most}",
            f"Use {of.least} to {of.most}",
        )
