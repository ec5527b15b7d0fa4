"""Parts of a layout: what a word of bits cannot say. Here numbers of octets, octets, padding.

A part knows its name, reads its value with the values read before it at hand, and writes it back; one that is not there
has the value None. A part reads to the end that its reader shows: an option is bounded before its parts are read. What
a part refers to (a count, a flag, a length) is named by its key; a layout refuses a key that no field before it has.
"""

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import Any, Literal, Protocol

from lowpanbudget.bits import Reader, Writer
from lowpanbudget.cites import Cite
from lowpanbudget.fields.choice import Meaning

Values = dict[str, Any]
Order = Literal["big", "little"]


@contextmanager
def within(reader: Reader, stop: int) -> Iterator[None]:
    """Let ``reader`` see no octet from ``stop`` on."""
    end, reader.end = reader.end, stop
    try:
        yield
    finally:
        reader.end = end


def key_of(name: str) -> str:
    """Return the key of a field: its name with underscores."""
    return name.replace(" ", "_").replace("-", "_")


class Drawing(Protocol):
    """What a part must know of the layout that it stands in."""

    @property
    def cite(self) -> Cite: ...  # noqa: D102  # a protocol's member

    @property
    def order(self) -> Order: ...  # noqa: D102  # a protocol's member

    def octets_from(self, key: str, part: "LayoutPart") -> int: ...  # noqa: D102  # a protocol's member


class LayoutPart:
    """What follows a word in a layout; ``name`` is the span's, ``key`` that of its value.

    ``when`` is the key of a field before it that is not zero where the part is there; ``removed_by`` says what would
    save its octets.
    """

    __slots__ = ("key", "meaning", "name", "removed_by", "when")

    def __init__(
        self, name: str, meaning: Meaning = "", *, when: str = "", removed_by: str = ""
    ) -> None:
        self.key = key_of(name)
        self.name = name.replace("_", " ")
        self.meaning = meaning
        self.when = when
        self.removed_by = removed_by

    @property
    def text(self) -> str:
        """Return the meaning where it is the same for every value."""
        return self.meaning if isinstance(self.meaning, str) else ""

    @property
    def refers(self) -> tuple[str, ...]:
        """Return the keys of the fields before it that decide about the part."""
        return (self.when,) if self.when else ()

    @property
    def hides(self) -> str:
        """Return the key of a field before it that the value makes superfluous."""
        return ""

    @property
    def least(self) -> int:
        """Return the fewest octets that it has."""
        return 0

    @property
    def more(self) -> bool:
        """Return whether it may have more octets than the fewest."""
        return True

    @property
    def needed(self) -> bool:
        """Return whether there is no layout without it."""
        return not self.when

    @property
    def plain(self) -> Callable[[Any], bytes] | None:
        """Return what makes its octets of its value alone; None where they are not always there, or as told before."""
        return None

    @property
    def size(self) -> str:
        """Return its octets in words."""
        return "all that is left"

    @property
    def straight(self) -> bool:
        """Return whether it is always there, in a number of octets of its own that alone give the value."""
        return False

    @property
    def takes_rest(self) -> bool:
        """Return whether its value is all the octets that are left, whatever they are."""
        return False

    @property
    def reads_alone(self) -> bool:
        """Return whether it is always there and reads what is left without the values before it."""
        return False

    def expression(self, octets: str, order: Order) -> str:
        """Return in Python the value of a ``straight`` part whose ``octets`` an expression gives."""
        raise NotImplementedError

    def in_words(self, _value: Any) -> str:
        """Return what a value means in words."""
        return self.text

    def order(self, order: Order) -> Order:
        """Return the order of its octets in a layout of this order."""
        return order

    def implied(self, value: Any) -> Mapping[str, int]:
        """Return what fields before it hold for this value."""
        return {self.when: int(value is not None)} if self.when else {}

    def expected(self, values: Values) -> bool:
        """Return whether the part must be there, after the values before it."""
        return not self.when or bool(values[self.when])

    def there(self, _reader: Reader, values: Values) -> bool:
        """Return whether the part comes next."""
        return self.expected(values)

    def read(self, reader: Reader, values: Values, layout: Drawing) -> Any:
        """Return the value that comes next; ``values`` are those read before it."""
        raise NotImplementedError

    def write(self, writer: Writer, value: Any, values: Values, layout: Drawing) -> None:
        """Append the value."""
        raise NotImplementedError
