"""Functions that read headers, made of their layouts for words that come again, and kept in a bounded number.

Where a word is known its rows fix every offset behind it. What is left to do for other octets is little: cut them, call
the rows' own ``restore``, make the spans (``source.py``). Whatever is wrong with octets the engine finds and locates: a
function then gives None.
"""

from collections.abc import Callable
from typing import Any

from lowpanbudget.bits import Reader
from lowpanbudget.errors import WireError
from lowpanbudget.fields.source import Function
from lowpanbudget.fields.word import Header

SIGHTINGS = 8  # of a word at one place, before a function is made for it: that takes as long as some ten readings
MOST = 512  # functions at a time, about 15 kB each; then all are forgotten, and made again
MOST_SEEN = 4096  # words that are counted at a time: traffic of random words makes no functions
_number = int.from_bytes


class Compiled:
    """Functions for the words of one kind of header, by place.

    ``make(word, at)`` gives one, or None where the word can have none.
    """

    __slots__ = ("functions", "header", "make", "seen")

    def __init__(self, header: Header, make: Callable[[int, int], Function | None]) -> None:
        self.header = header
        self.make = make
        self.functions: dict[int, Function | None] = {}
        self.seen: dict[int, int] = {}
        _KINDS.append(self)

    def read(self, reader: Reader, env: Any = None) -> Any:
        """Return what the function for the word that comes next reads, and pass it.

        None, with nothing passed, where there is no function yet or something is wrong: the engine locates that.
        """
        at, header = reader.pos, self.header
        word = _number(reader.data[at : at + header.octets], header.order)
        try:
            function = self.functions[at << 16 | word]
        except KeyError:
            function = self._sighted(word, at)
        if function is None:
            return None
        try:
            return function(reader, env)
        except WireError:
            return None

    def _sighted(self, word: int, at: int) -> Function | None:
        key = at << 16 | word
        sightings = self.seen.get(key, 0) + 1
        if sightings < SIGHTINGS:
            if len(self.seen) >= MOST_SEEN:
                self.seen.clear()
            self.seen[key] = sightings
            return None
        if sum(len(kind.functions) for kind in _KINDS) >= MOST:
            forget()
        made = self.functions[key] = self.make(word, at)
        return made


_KINDS: list[Compiled] = []


def forget() -> None:
    """Drop all functions, and what was counted."""
    for kind in _KINDS:
        kind.functions.clear()
        kind.seen.clear()
