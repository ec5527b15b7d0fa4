"""Pieces of C text: integer types and their constants, comments that cannot end early, indented lines."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import NamedTuple

_WIDTH = 100  # of a line, where it can be broken


class Integer(NamedTuple):
    """An integer type of C: its name, its bits, and whether it has a sign."""

    name: str
    bits: int
    signed: bool

    @property
    def low(self) -> int:
        """Return the least value."""
        return -(1 << self.bits - 1) if self.signed else 0

    @property
    def high(self) -> int:
        """Return the greatest value."""
        return (1 << self.bits - self.signed) - 1


_TYPES = tuple(
    Integer(f"{'' if signed else 'u'}int{bits}_t", bits, signed)
    for bits in (8, 16, 32, 64)
    for signed in (False, True)
)


def integer(low: int, high: int) -> Integer | None:
    """Return the smallest type that holds a range, unsigned where it can be; None if there is none."""
    return next((kind for kind in _TYPES if kind.low <= low and high <= kind.high), None)


def unsigned(bits: int) -> Integer:
    """Return the smallest unsigned type of at least so many bits."""
    return next(kind for kind in _TYPES if not kind.signed and kind.bits >= bits)


def literal(value: int) -> str:
    """Return a constant of any integer up to 64 bits, also for compilers whose int has 16 bits."""
    if -(1 << 15) < value < 1 << 15:
        return f"({value})" if value < 0 else str(value)
    if -(1 << 31) < value < 1 << 31:
        return f"(-INT32_C({-value}))" if value < 0 else f"INT32_C({value})"
    if value == -(1 << 63):  # C has no negative constants, only constants with a minus before them
        return f"(-INT64_C({-value - 1}) - 1)"
    if value < 0:
        return f"(-INT64_C({-value}))"
    if value < 1 << 32:
        return f"UINT32_C({value})"
    return f"INT64_C({value})" if value < 1 << 63 else f"UINT64_C({value})"


class Word(NamedTuple):
    """What a number is worked on in: an unsigned variable of 32 or 64 bits."""

    bits: int

    @property
    def variable(self) -> str:
        """Return the name of the variable."""
        return "value" if self.bits == 32 else "wide"

    @property
    def suffix(self) -> str:
        """Return what the names of functions for it end with."""
        return "" if self.bits == 32 else "_wide"

    @property
    def cast(self) -> str:
        """Return the cast to its type."""
        return f"(uint{self.bits}_t)"

    def constant(self, value: int) -> str:
        """Return a constant; negative ones wrap, as unsigned arithmetic does."""
        return f"UINT{self.bits}_C({value % (1 << self.bits)})"


SHORT, WIDE = Word(32), Word(64)


def word_of(bits: int) -> Word:
    """Return the word for numbers of so many bits."""
    return SHORT if bits <= 32 else WIDE


def comment(text: str) -> str:
    """Return text that can stand in a comment: one line, nothing that ends it, nothing that compilers warn of."""
    line = " ".join(text.split())
    shown = "".join(char if char.isprintable() else "?" for char in line)
    for risky, safe in (("\\", "/"), ("*/", "* /"), ("/*", "/ *"), ("??", "? ?"), ("??", "? ?")):
        shown = shown.replace(risky, safe)
    return shown


# Variables of the functions, each declared where it is used.
VARIABLES = {
    "piece": "uint32_t",
    "value": "uint32_t",
    "wide": "uint64_t",
    "delta": "uint32_t",
    "last": "uint32_t",
    "last_wide": "uint64_t",
}


class Lines:
    """Lines of a function's body, with the indentation that they need and the variables that they use."""

    def __init__(self) -> None:
        self.lines: list[str] = []
        self._depth = 1
        self._loops = 0
        self._used: set[str] = set()

    def use(self, variable: str) -> str:
        """Return a variable's name, noting that it is used."""
        self._used.add(variable)
        return variable

    def declarations(self) -> list[str]:
        """Return the declarations of the variables that are used."""
        return [f"{kind} {name} = 0;" for name, kind in VARIABLES.items() if name in self._used]

    def add(self, text: str) -> None:
        """Append a line."""
        self.lines.append(f"{'    ' * self._depth}{text}")

    def fail(self, condition: str, result: str) -> None:
        """Append a test that ends the function with a result; a long one is broken before ``&&``."""
        head = f"if ({condition})"
        if len(head) + 4 * self._depth > _WIDTH:
            head = head.replace(" && ", f"\n{'    ' * (self._depth + 1)}&& ")
        with self.block(head):
            self.add(f"return {result};")

    @contextmanager
    def block(self, head: str) -> Iterator[None]:
        """Append ``head {``, what is added inside, and ``}``."""
        self.add(f"{head} {{")
        with self.deeper():
            yield
        self.add("}")

    @contextmanager
    def otherwise(self, head: str = "else") -> Iterator[None]:
        """Go on behind the last ``}`` with ``else {``, what is added inside, and ``}``."""
        self.lines[-1] += f" {head} {{"
        with self.deeper():
            yield
        self.add("}")

    @contextmanager
    def deeper(self) -> Iterator[None]:
        """Indent what is added inside."""
        self._depth += 1
        yield
        self._depth -= 1

    @contextmanager
    def loop(self, count: str) -> Iterator[str]:
        """Append a loop; gives the name of its index."""
        index = f"i{self._loops}"
        self._loops += 1
        with self.block(f"for (size_t {index} = 0; {index} < {count}; {index}++)"):
            yield index
        self._loops -= 1
