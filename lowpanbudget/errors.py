"""Every exception of the package, with the exit code that the command line gives it.

Two families: the *octets* are wrong (``WireError``: where, which layer, which section) or the *request* is wrong
(``RequestError``: which file, line, key, what is allowed, what to try).
"""

from decimal import Decimal
from typing import Any, ClassVar, Self

from lowpanbudget.cites import Cite
from lowpanbudget.values import dataclass


def plural(count: int, noun: str) -> str:
    """Return a count with its unit as every text has it, such as ``1 bit`` or ``12 bits``."""
    text = repeated(count) if isinstance(count, int) else count
    return f"{text} {noun}" if count == 1 else f"{text} {noun}s"


MOST_SAID = 1000  # characters of a text
_END = 300  # of them: what is wrong is said behind what is repeated


def shortened(text: str) -> str:
    """Return a text of an error without the middle of what it repeats at length: whoever logs it need not hold that."""
    left_out = len(text) - MOST_SAID
    if left_out <= 0:
        return text
    return f"{text[: MOST_SAID - _END]} [{left_out} characters left out] {text[-_END:]}"


def repeated(value: object) -> str:
    """Return a value as a text of an error repeats it: a decimal by its digits, else ``repr`` where there is one.

    Python writes no number of more than 4300 digits in decimal: such a one is given in hex, which it always writes.
    """
    try:
        return str(value) if isinstance(value, Decimal) else repr(value)
    except ValueError:
        return f"{value:#x}" if isinstance(value, int) else f"a {type(value).__name__}"


# what Python and those who raise an error again set of it; it says nothing of what is wrong
_OF_PYTHON = frozenset(
    ("__traceback__", "__context__", "__cause__", "__suppress_context__", "__notes__")
)
_BESIDE = ("__notes__", "_kept")


class LowpanError(Exception):
    """The base of all errors of this package; ``str`` gives one helpful sentence.

    Of a message and a hint that repeat a longer text 1000 characters are kept.
    """

    exit_code: ClassVar[int] = 70
    message: str
    cite: Cite | None
    hint: str

    def __init__(self, message: str, *, cite: Cite | None = None, hint: str = "") -> None:
        message = shortened(message)
        super().__init__(message)
        said = self.__dict__
        said["message"], said["cite"], said["hint"] = message, cite, shortened(hint)

    def __setattr__(self, name: str, value: object) -> None:
        """Set an attribute, as readers do while an error travels; of one that a result keeps only Python's own."""
        self._ask(name)
        super().__setattr__(name, value)

    def __delattr__(self, name: str) -> None:
        """Take an attribute away, of an error that no result keeps."""
        self._ask(name)
        super().__delattr__(name)

    def _ask(self, name: str) -> None:
        if "_kept" in self.__dict__ and name not in _OF_PYTHON:
            raise AttributeError(f"{type(self).__name__}.{name} cannot be set: a result keeps it")

    def _said(self) -> dict[str, Any]:
        return {name: value for name, value in vars(self).items() if name not in _BESIDE}

    def __eq__(self, other: object) -> bool:
        """Return whether another error says the same of the same place; what it was raised from does not count."""
        if type(other) is not type(self):
            return NotImplemented
        return self.args == other.args and self._said() == other._said()

    def __hash__(self) -> int:
        """Return the hash of what an error was made with, which stays when more becomes known of its place."""
        return hash((type(self), self.args))

    def __reduce__(self) -> tuple[Any, ...]:
        """Return how to make a copy, in another process too, whatever arguments the class asks for."""
        return _again, (type(self), self.args, vars(self))

    def bare(self) -> Self:
        """Return the error itself, without its traceback and what it was raised from; it refuses to be changed then.

        For results, which keep it: a traceback holds the calls that raised the error and all their variables, often
        the keeper among them, and such a circle stays in memory until the next collection of garbage.
        """
        set_part = super().__setattr__
        set_part("__traceback__", None)
        set_part("__context__", None)
        set_part("__cause__", None)
        self.__dict__["_kept"] = True
        return self

    def but(self, **known: Any) -> Self:
        """Return a copy that a result can keep, of which more is known."""
        other: Self = _again(type(self), self.args, {**vars(self), **known})
        return other.bare()

    def __str__(self) -> str:
        """Return message, cite and hint as one text."""
        text = self.message
        if self.cite is not None:
            text += f" ({self.cite})"
        if self.hint:
            text += f". {self.hint}"
        return text


def _again(kind: Any, said: tuple[object, ...], known: dict[str, Any]) -> Any:
    made = kind.__new__(kind, *said)
    made.__dict__.update(known)
    return made


class WireError(LowpanError):
    """The octets are wrong: ``offset`` (in octets from the start of what was given), ``layer``, ``cite``.

    ``about`` holds what is wrong as data where somebody asks: the layers say which types there are.
    """

    exit_code = 3
    offset: int
    layer: str
    about: object

    def __init__(
        self,
        message: str,
        *,
        offset: int = 0,
        layer: str = "",
        cite: Cite | None = None,
        hint: str = "",
        about: object = None,
    ) -> None:
        super().__init__(message, cite=cite, hint=hint)
        said = self.__dict__
        said["offset"], said["layer"], said["about"] = offset, layer, about

    def __str__(self) -> str:
        """Return the error as text, its place first."""
        place = f"octet {self.offset}"
        if self.layer:
            place += f", {self.layer}"
        return f"{place}: {super().__str__()}"


class Truncated(WireError):
    """The octets end before the header does."""


class Reserved(WireError):
    """A code that the standard reserves; nothing can be restored from it."""


class Malformed(WireError):
    """The octets contradict the standard or themselves."""


class BadMic(WireError):
    """The message integrity code does not match: wrong key, wrong nonce or altered octets."""


class NotSupported(WireError):
    """Legal octets that this version does not read further; says what they are."""


class RequestError(LowpanError):
    """The request is wrong; ``str`` says what is allowed and what to try."""

    exit_code = 2


class DesignError(RequestError):
    """One or more faults of a design file, each a ``Fault`` with file, line, column and key.

    ``file`` names one that cannot be read at all.
    """

    def __init__(
        self, message: str, *, faults: tuple["Fault", ...] = (), hint: str = "", file: str = ""
    ) -> None:
        super().__init__(message, hint=hint)
        self.faults = faults
        self.file = file

    def __str__(self) -> str:
        """Return the faults as text, each on a line of its own."""
        if not self.faults:
            return super().__str__()
        return "\n".join(str(fault) for fault in self.faults)


class LacksTables(RequestError):
    """A design lacks tables that an answer takes; ``lines`` are what a design file may have there, to begin with."""

    def __init__(self, message: str, *, hint: str, lines: tuple[str, ...]) -> None:
        super().__init__(message, hint=hint)
        self.lines = lines

    def __str__(self) -> str:
        """Return message and hint, then the lines to add."""
        return "\n".join([f"{super().__str__()}:", *self.lines])


class RowsError(RequestError):
    """Rows of a file that nothing can be made of, each a ``Fault``."""

    def __init__(self, message: str, *, faults: tuple["Fault", ...]) -> None:
        super().__init__(message)
        self.faults = faults


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One fault of a design file or a row of values: ``file``, ``line``, ``column``, ``key``, ``message``, ``hint``.

    Lines and columns count from 1.
    """

    file: str
    line: int
    column: int
    key: str
    message: str
    hint: str = ""

    def __str__(self) -> str:
        """Return ``file:line:column: key: message. hint``."""
        place = f"{shortened(self.file)}:{self.line}:{self.column}: {shortened(self.key)}"
        text = f"{place}: {shortened(self.message)}"
        return f"{text}. {shortened(self.hint)}" if self.hint else text


class NoDatagram(Malformed, RequestError):
    """What was given as an IPv6 datagram is none: the octets are wrong, and so is the request that holds them."""


class DoesNotFit(RequestError):
    """Something is larger than the room it was asked to fit; ``by`` octets too many."""

    def __init__(self, message: str, *, by: int, cite: Cite | None = None, hint: str = "") -> None:
        super().__init__(message, cite=cite, hint=hint)
        self.by = by
