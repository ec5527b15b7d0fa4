"""Values whose length is counted outside them, within limits, in as few octets as they take; and such counts.

A value outside its limits, or a text that is no UTF-8, is kept as octets: nothing may be read from it.
"""

from collections.abc import Callable
from typing import Any, ClassVar

from lowpanbudget.bits import Reader, Writer
from lowpanbudget.cites import Cite
from lowpanbudget.declared import as_whole
from lowpanbudget.errors import RequestError, repeated
from lowpanbudget.fields.parts import Drawing, LayoutPart, Values
from lowpanbudget.shown import showing


class Limited(LayoutPart):
    """Octets up to the end, ``shortest`` to ``longest`` of them; ``format`` is what the standard calls their form."""

    __slots__ = ("longest", "says", "shortest")
    __repr__ = showing("name", "shortest", "longest")
    format: ClassVar[str] = "opaque"
    plain_meaning: ClassVar[str] = "octets"
    wants: ClassVar[str] = "octets"

    def __init__(
        self,
        name: str,
        shortest: int,
        longest: int,
        says: Callable[[int], str] | None = None,
        *,
        removed_by: str = "",
    ) -> None:
        super().__init__(name, removed_by=removed_by)
        self.shortest = shortest
        self.longest = longest
        self.says = says

    def __setattr__(self, name: str, value: object) -> None:
        """Set an attribute once: options that a design holds name these parts, which are the package's own."""
        if hasattr(self, name):
            raise AttributeError(
                f"{type(self).__name__}.{name} cannot be set: a table of the package holds it"
            )
        super().__setattr__(name, value)

    @property
    def size(self) -> str:
        """Return its octets in words."""
        return f"{self.shortest} to {self.longest}"

    def fits(self, octets: bytes) -> bool:
        """Return whether the length is one that the value may have."""
        return self.shortest <= len(octets) <= self.longest

    def value_of(self, octets: bytes) -> Any:
        """Return the value of the octets."""
        return octets

    def octets_of(self, value: Any, cite: Cite) -> bytes:
        """Return the octets of a value; octets stand for themselves. Raises ``RequestError`` for another kind."""
        if value is None:
            return b""
        if isinstance(value, bytes):
            return value
        raise self.unfit(value, cite)

    def unfit(self, value: Any, cite: Cite) -> RequestError:
        """Return the error for a value of another kind."""
        return RequestError(f"{self.name} takes {self.wants}, not {repeated(value)}", cite=cite)

    def meaning_of(self, octets: bytes) -> str:
        """Return the value in words."""
        if not self.fits(octets):
            limits = self.size if self.longest else "0"
            return f"{len(octets)} octets where {limits} are allowed"
        return self.plain_meaning

    def read(self, reader: Reader, _values: Values, layout: Drawing) -> Any:
        """Return the value of all that is left."""
        octets = reader.ahead()
        value = self.value_of(octets) if self.fits(octets) else octets
        text = self.meaning_of(octets)
        reader.octets(len(octets), self.name, text, layout.cite, self.removed_by, value)
        return value

    def write(self, writer: Writer, value: Any, _values: Values, layout: Drawing) -> None:
        """Append the value."""
        octets = self.octets_of(value, layout.cite)
        writer.octets(
            octets, self.name, self.meaning_of(octets), layout.cite, self.removed_by, value
        )


class NoValue(Limited):
    """A value of no octets."""

    __slots__ = ()
    format = "empty"
    plain_meaning = "no value"
    wants = "no value"

    def __init__(self, name: str) -> None:
        super().__init__(name, 0, 0)


class TextString(Limited):
    """A text in UTF-8."""

    __slots__ = ()
    format = "string"
    plain_meaning = "text"
    wants = "a text"

    def value_of(self, octets: bytes) -> str | bytes:
        """Return the text, or the octets where they are no UTF-8."""
        try:
            return octets.decode()
        except UnicodeDecodeError:
            return octets

    def octets_of(self, value: Any, cite: Cite) -> bytes:
        """Return the octets of a text; a text must be there."""
        if isinstance(value, str):
            try:
                return value.encode()
            except UnicodeEncodeError:  # half of a surrogate pair
                raise self.unfit(value, cite) from None
        if value is None:
            raise self.unfit(value, cite)
        return super().octets_of(value, cite)


class ShortNumber(Limited):
    """A number, most significant octet first, without leading zeros; no octets are 0."""

    __slots__ = ()
    format = "uint"
    plain_meaning = "number"
    wants = "a number"

    def value_of(self, octets: bytes) -> Any:
        """Return the number."""
        return int.from_bytes(octets, "big")

    def has_leading_zeros(self, octets: bytes) -> bool:
        """Return whether fewer octets would carry the same."""
        return self.shortest == 0 and octets.startswith(b"\0")

    def octets_of(self, value: Any, cite: Cite) -> bytes:
        """Return the fewest octets of a number."""
        number = as_whole(value)
        if number is None:
            return super().octets_of(value, cite)
        if number < 0:
            raise RequestError(f"{self.name} is {number}: below 0", cite=cite)
        return number.to_bytes((number.bit_length() + 7) // 8, "big")

    def meaning_of(self, octets: bytes) -> str:
        """Return the number in words."""
        if self.says is None or not self.fits(octets):
            return super().meaning_of(octets)
        return self.says(int.from_bytes(octets, "big"))


class Extended:
    """A number in a field of few bits, or in octets that follow it: ``steps`` maps a value of the field to both.

    Each step has the octets that follow, and what they are added to.
    """

    __slots__ = ("_least", "steps")

    def __init__(self, steps: dict[int, tuple[int, int]]) -> None:
        self.steps = steps
        self._least = min(base for _, base in steps.values())

    def read(self, reader: Reader, field: int, name: str, cite: Cite) -> int:
        """Return the number, passing the octets that follow; the caller leaves their span."""
        if field not in self.steps:
            return field
        octets, base = self.steps[field]
        return base + int.from_bytes(reader.raw(octets, name, cite), "big")

    def split(self, value: int) -> tuple[int, bytes]:
        """Return what the field holds, and the octets that follow."""
        if value < self._least:
            return value, b""
        for field, (octets, base) in reversed(self.steps.items()):
            if value >= base:
                return field, (value - base).to_bytes(octets, "big")
        return value, b""

    def saved_below(self, field: int) -> int:
        """Return below which value fewer octets follow."""
        return self.steps[field][1]
