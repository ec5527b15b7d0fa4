"""What can be wrong with a message format, and with a value or a code while it is packed or read.

A ``Flaw`` is a fault of meaning in a declaration: its path is made of the keys of the design file
(``("field", 2, "element", "step")``), so that a loader can point at line and column. All flaws of a
message are found at once. A ``Misfit`` never leaves this package: ``message`` turns it into the
public error that names the field.
"""

from typing import Any, NamedTuple

from lowpanbudget.errors import RequestError, shortened

Path = tuple[str | int, ...]


class Flaw(NamedTuple):
    """One fault of meaning: where (keys of the declaration), what, and the way out."""

    path: Path
    message: str
    hint: str = ""

    def under(self, *head: str | int) -> "Flaw":
        """Return the same flaw seen from further up."""
        return self._replace(path=head + self.path)


class FlawedMessage(RequestError):
    """A message format that cannot be; ``flaws`` has every fault, ``str`` one line for each."""

    def __init__(self, name: str, flaws: tuple[Flaw, ...]) -> None:
        super().__init__(f"message {name!r} has {len(flaws)} fault{'s' * (len(flaws) > 1)}")
        self.name = name
        self.flaws = flaws

    def __str__(self) -> str:
        """Return one line a flaw, with its path."""
        lines = []
        for flaw in self.flaws:
            where = shortened(".".join(str(part) for part in (self.name, *flaw.path)))
            hint = f". {shortened(flaw.hint)}" if flaw.hint else ""
            lines.append(f"message {where}: {shortened(flaw.message)}{hint}")
        return "\n".join(lines)


NO_VALUE = "Give one; only fields with optional = true may be left out"


_KINDS = {
    "bool": "true or false",
    "bytes": "octets",
    "Decimal": "a number",
    "dict": "a table of values",
    "float": "a number",
    "int": "a number",
    "list": "a list",
    "NoneType": "nothing",
    "str": "a text",
    "tuple": "a list",
}


def kind_of(value: object) -> str:
    """Return what a value is, in words that suit a file as well as a program."""
    name = type(value).__name__
    return _KINDS.get(name, f"a {name}")


def held_by(value: Any) -> object:
    """Return what a scalar of an array holds as Python has it, such as numpy's truths; None for anything else."""
    try:
        return value.item()
    except (AttributeError, TypeError, ValueError):
        return None


class Misfit(Exception):
    """A value that has no code, or a code that has no value."""

    def __init__(self, message: str, *, hint: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.hint = hint
