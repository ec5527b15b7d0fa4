"""What every field of a message has in common, and what a field of one fixed width must be able to do."""

import dataclasses
import re
from collections.abc import Callable, Iterator
from decimal import Decimal
from typing import Any, ClassVar, Literal, NamedTuple

from lowpanbudget.errors import RequestError
from lowpanbudget.payload.codec.bitpack import Order
from lowpanbudget.payload.exact import exact
from lowpanbudget.payload.flaws import Flaw, Misfit

Case = Literal["least", "typical", "greatest"]
CASES: tuple[Case, ...] = ("least", "typical", "greatest")

MAX_BITS = 64  # the widest integer that C99 promises
_NAME = re.compile(r"[A-Za-z](?:[A-Za-z0-9_-]{0,61}[A-Za-z0-9_])?\Z")
NAME_RULE = "a letter, then up to 62 letters, digits, '_' or '-' (not at the end), all ASCII"


class Codec(NamedTuple):
    """One fixed width: ``encode`` gives the code of a value, ``decode`` the value of a code."""

    width: int
    encode: Callable[[Any], int]
    decode: Callable[[int], Any]


@dataclasses.dataclass(frozen=True, slots=True)
class Field:
    """A field of a message: its name, a note for people, and whether it may be absent.

    ``at`` states the bit, counted from the start of the message or group, where the field must
    begin; bits left free before it are zero. ``typically_present`` tells whether an optional field
    counts in the typical message.
    """

    name: str
    _: dataclasses.KW_ONLY
    note: str = ""
    optional: bool = False
    typically_present: bool = True
    at: int | None = None

    kind: ClassVar[str] = ""
    # Attributes that are exact decimals; whole numbers, floats and text are converted when a field is made.
    decimals: ClassVar[tuple[str, ...]] = ()
    # False where the message itself knows the value and nobody needs to give it.
    given: ClassVar[bool] = True

    def __post_init__(self) -> None:
        """Make exact decimals of other numbers."""
        for key in self.decimals:
            value = getattr(self, key)
            if value is None or isinstance(value, Decimal):
                continue
            try:
                made = tuple(map(exact, value)) if isinstance(value, tuple) else exact(value)
            except Misfit as fault:
                raise RequestError(f"field {self.name!r:.40}: {key} {fault.text}") from None
            object.__setattr__(self, key, made)

    def flaws(self, order: Order) -> Iterator[Flaw]:
        """Yield what is wrong with this field by itself; paths are keys of the declaration."""
        del order
        yield from ()


@dataclasses.dataclass(frozen=True, slots=True)
class Leaf(Field):
    """A field of one fixed width."""

    # A string of bits or octets has no byte order; a number has.
    ordered: ClassVar[bool] = True

    def needed(self) -> int:
        """Return the bits that the field's values (or its author) ask for."""
        raise NotImplementedError

    def codec(self, width: int, order: Order) -> Codec:
        """Return the codec for a place of ``width`` bits, at least ``needed()``."""
        raise NotImplementedError

    def example(self, case: Case) -> Any:
        """Return a value of the least, typical or greatest message."""
        raise NotImplementedError


def name_flaw(name: object, *keys: str | int) -> Flaw | None:
    """Return the flaw of a name that is no name, else None."""
    if isinstance(name, str) and _NAME.match(name):
        return None
    if name == "":
        return Flaw(keys, "no name", f"Use {NAME_RULE}")
    return Flaw(keys, f"{str(name)[:40]!r} is no name", f"Use {NAME_RULE}")


def names_flaws(names: tuple[str, ...], key: str, *, what: str) -> Iterator[Flaw]:
    """Yield the flaws of a list of names: not names, or one of them twice."""
    for index, name in enumerate(names):
        flaw = name_flaw(name, key, index)
        if flaw:
            yield flaw
        elif name in names[:index]:
            yield Flaw((key, index), f"{what} {name!r} stands here twice", "Rename one of them")
