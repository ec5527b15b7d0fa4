"""Functions that read headers, made of their layouts for words that come again, and kept in a bounded number.

Where a word is known its rows fix every offset behind it. What is left to do for other octets is little: cut them, call
the rows' own ``restore``, make the spans (``source.py``). Whatever is wrong with octets the engine finds and locates: a
function then gives None.
"""

from collections.abc import Callable
from typing import Any, Generic, TypeVar

from lowpanbudget.bits import Reader
from lowpanbudget.errors import WireError
from lowpanbudget.fields.source import Function
from lowpanbudget.fields.word import Header

SIGHTINGS = 8  # of a word at one place, before a function is made for it: that takes as long as some ten readings
MOST = 512  # functions at a time, about 15 kB each; then all are forgotten, and made again
MOST_SEEN = 4096  # words that are counted at a time: traffic of random words makes no functions
_number = int.from_bytes
Key = TypeVar("Key")
Made = TypeVar("Made")


class Functions(Generic[Key, Made]):
    """Functions by what they are made for: ``make`` gives one, or None where there can be none."""

    __slots__ = ("functions", "make", "seen")

    def __init__(self, make: Callable[[Key], Made | None]) -> None:
        self.make = make
        self.functions: dict[Key, Made | None] = {}
        self.seen: dict[Key, int] = {}
        _KINDS.append(self)

    def sighted(self, key: Key) -> Made | None:
        """Return the function for a key that has none yet: None until it was seen often."""
        sightings = self.seen.get(key, 0) + 1
        if sightings < SIGHTINGS:
            if len(self.seen) >= MOST_SEEN:
                self.seen.clear()
            self.seen[key] = sightings
            return None
        if sum(len(kind.functions) for kind in _KINDS) >= MOST:
            forget()
        made = self.functions[key] = self.make(key)
        return made


class Compiled(Functions[int, Function]):
    """Functions for the words of one kind of header, by place.

    ``make(word, at)`` gives one, or None where the word can have none.
    """

    __slots__ = ("header",)

    def __init__(self, header: Header, make: Callable[[int, int], Function | None]) -> None:
        super().__init__(lambda key: make(key & 0xFFFF, key >> 16))
        self.header = header

    def read(self, reader: Reader, env: Any = None) -> Any:
        """Return what the function for the word that comes next reads, and pass it.

        None, with nothing passed, where there is no function yet or something is wrong: the engine locates that.
        """
        at, header = reader.pos, self.header
        word = _number(reader.data[at : at + header.octets], header.order)
        try:
            function = self.functions[at << 16 | word]
        except KeyError:
            function = self.sighted(at << 16 | word)
        if function is None:
            return None
        try:
            return function(reader, env)
        except WireError:
            return None


_KINDS: list[Functions[Any, Any]] = []


def forget() -> None:
    """Drop all functions, and what was counted."""
    for kind in _KINDS:
        kind.functions.clear()
        kind.seen.clear()
