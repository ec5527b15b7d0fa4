"""What callers give, checked: a whole number, several of something, a value of a class; or told once it has failed.

What is called for every frame, or holds much, is not looked at before: where it fails (``explains``), what was given is
compared with what is declared of it. These errors name kinds alone, not values: one may be a key.
"""

import struct
from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from functools import cache, wraps
from inspect import signature
from operator import index
from types import NoneType, UnionType
from typing import (
    Any,
    ClassVar,
    Literal,
    TypeVar,
    Union,
    cast,
    get_args,
    get_origin,
    get_type_hints,
)

from lowpanbudget.cites import Cite
from lowpanbudget.errors import RequestError, repeated

Kind = TypeVar("Kind")
Word = TypeVar("Word", bound=str)
Function = TypeVar("Function", bound=Callable[..., Any])
# what Python raises for a value of a wrong kind, wherever it meets it
_BARE = (ArithmeticError, AttributeError, LookupError, TypeError, ValueError, struct.error)
# what will do for what is declared
_ALSO: dict[Any, Any] = {bytes: (bytes, bytearray, memoryview), float: (float, int)}
_WORDS = {
    bytes: "octets",
    int: "a whole number",
    str: "text",
    bool: "True or False",
    NoneType: "None",
}


def as_whole(value: object) -> int | None:
    """Return a whole number of any library, such as numpy's, as Python's; None for what is none, a truth too."""
    if isinstance(value, int):
        return None if isinstance(value, bool) else value
    try:
        return index(value)  # type: ignore[arg-type]  # what has none is told so
    except TypeError:
        return None


def whole_number(
    value: object, name: str, least: int = 0, most: int | None = None, cite: Cite | None = None
) -> int:
    """Return a whole number from ``least`` on; ``RequestError`` that names the argument for anything else."""
    number = as_whole(value)
    if number is not None and least <= number and (most is None or number <= most):
        return number
    text, hint = f"{name} {repeated(value)} is no number from {least}", f"Give {least} or more"
    if most is not None:
        text, hint = f"{text} to {most}", ""
    raise RequestError(text, cite=cite, hint=hint)


def seconds(value: object, name: str) -> float:
    """Return seconds that pass between two events; ``RequestError`` that names the argument for anything else."""
    if isinstance(value, int | float) and not isinstance(value, bool) and 1e-9 <= value <= 1e15:
        return value
    raise RequestError(
        f"{name} {repeated(value)} is no number of seconds", hint="Give 1e-9 to 1e15"
    )


def flag(value: object, name: str) -> bool:
    """Return True or False; ``RequestError`` that names the argument for anything else: every text would be True."""
    if isinstance(value, Hashable) and value in (0, 1):  # numpy's as well
        return bool(value)
    raise RequestError(f"{name} is True or False, not {type(value).__name__}")


def with_flags(called: Function) -> Function:
    """Make a function refuse for its flags, which have names, what is neither True nor False."""
    kept: dict[str, Any] = cast("Any", called).__kwdefaults__
    names = [name for name, default in kept.items() if isinstance(default, bool)]

    @wraps(called)
    def call(*given: Any, **named: Any) -> Any:
        for name in names:
            if name in named:
                named[name] = flag(named[name], name)
        return called(*given, **named)

    return cast("Function", call)


def number_within(value: object, bits: int) -> int | None:
    """Return a whole number, not a boolean, from 0 to what so many bits hold; None for anything else."""
    number = as_whole(value)
    return number if number is not None and 0 <= number < 1 << bits else None


def hint_for_octets(given: object) -> str:
    """Return how what was given becomes octets."""
    if isinstance(given, str):
        return "Hex text becomes octets with bytes.fromhex"
    return "bytes(...) makes octets of a list or an array" if isinstance(given, Iterable) else ""


def one_of(value: object, allowed: Sequence[Word], name: str) -> Word:
    """Return one of a few words; ``RequestError`` that names the argument, and what was meant, for anything else."""
    if isinstance(value, str) and value in allowed:
        return cast("Word", value)
    from difflib import get_close_matches  # noqa: PLC0415  # only where it is needed

    close = get_close_matches(value, allowed, 1) if isinstance(value, str) else []
    hint = f"Did you mean {close[0]!r}?" if close else f"Give {' or '.join(map(repr, allowed))}"
    raise RequestError(f"{name} {repeated(value)} is unknown", hint=hint)


def several(values: object, name: str) -> Iterable[Any]:
    """Return what can be iterated over; ``RequestError`` for anything else, and for a text, which is one value."""
    if isinstance(values, str | bytes) or not isinstance(values, Iterable):
        raise RequestError(
            f"{name} is a list, not {type(values).__name__}", hint="Give a list, even of one"
        )
    return values


def value_of(kind: type[Kind], value: object, hint: str = "") -> Kind:
    """Return a value of this class; ``RequestError`` for anything else."""
    if not isinstance(value, kind):
        raise RequestError(f"{_text(kind)} is needed, not {type(value).__name__}", hint=hint)
    return value


def open_for_octets(file: Any, method: str) -> Any:
    """Return a file that octets can be "read" from, or to which one can "write" them; ``RequestError`` for any other.

    A file of text has an encoding; it may fail to make characters of octets before it gives any.
    """
    wrong = (
        "is no file" if not hasattr(file, method)
        else "is a file of text" if hasattr(file, "encoding")
        else "is closed" if getattr(file, "closed", False)
        else ""
    )  # fmt: skip
    if wrong:
        mode, given = ("rb", "octets") if method == "read" else ("wb", "")
        raise RequestError(
            f"{type(file).__name__} {wrong}: one is wanted that is open for octets",
            hint=f'Open it with open(name, "{mode}"), or give io.BytesIO({given})',
        )
    return file


def function(value: Any, name: str) -> Any:
    """Return what can be called; ``RequestError`` that names the argument for anything else."""
    if not callable(value):
        raise RequestError(f"{name} is a function, not {type(value).__name__}")
    return value


def function_or_none(value: Any, name: str) -> Any:
    """Return what can be called, or None; raises as ``function``."""
    return None if value is None else function(value, name)


def as_declared(value: Kind) -> Kind:
    """Return a value whose attributes are what its class declares; ``RequestError`` that names another."""
    if wrong := _of_attributes(value):
        raise wrong
    return value


def _of_attributes(value: Any) -> RequestError | None:
    """Return what says which attribute is not what its class declares, of this value or of one in it."""
    kind: Any = type(value)
    hints = _hints(kind) if kind.__module__.startswith("lowpanbudget") else {}
    for name, hint in hints.items():
        if wrong := _misfit(getattr(value, name, None), hint, f"{kind.__name__}.{name}"):
            return wrong
    return None


def explains(explained: Function) -> Function:
    """Make a function that fails for a wrong kind of argument say which; not one that gets keys, which none may see.

    Of several that are not as declared all are named: which of them it failed for is not known.
    """

    @wraps(explained)
    def call(*given: Any, **named: Any) -> Any:
        try:
            return explained(*given, **named)
        except _BARE:
            hints, bound = _hints(explained), signature(explained).bind(*given, **named).arguments
            misfits = (_misfit(bound[name], hints[name], name) for name in hints if name in bound)
            if wrong := [misfit.message for misfit in misfits if misfit]:
                raise RequestError("; ".join(wrong)) from None
            raise

    return cast("Function", call)


@cache
def _hints(owner: Any) -> dict[str, Any]:
    """Return what is declared of public attributes or arguments, without what cannot be looked up here."""
    try:
        hints = get_type_hints(owner)
    except NameError:  # a name for type checkers alone
        hints = {}
    return {
        name: hint
        for name, hint in hints.items()
        if not name.startswith("_") and get_origin(hint) is not ClassVar
    }


def _misfit(value: Any, hint: Any, name: str) -> RequestError | None:
    if not _is(value, hint):
        return RequestError(f"{name} is {_text(hint)}, not {type(value).__name__}")
    for one in value if type(value) in (list, tuple) else (value,):
        if wrong := _of_attributes(one):
            return wrong
    return None


def _is(value: Any, hint: Any) -> bool:
    origin, inner = get_origin(hint), get_args(hint)
    if origin in (Union, UnionType):
        return any(_is(value, one) for one in inner)
    if origin is Literal:
        return isinstance(value, str) and value in inner
    if isinstance(value, str | bytes | bytearray | Mapping) and origin in (Iterable, Sequence):
        return False
    if hint is bool:
        return isinstance(value, int) and value in (0, 1)
    if type(value) in (list, tuple) and len(inner) in (1, 2) and inner[1:] in ((), (...,)):
        return isinstance(value, origin) and all(_is(one, inner[0]) for one in value)
    kind = _ALSO.get(hint, origin or hint)
    return kind is Any or not isinstance(kind, type | tuple) or isinstance(value, kind)


def _text(hint: Any) -> str:
    origin, inner = get_origin(hint), get_args(hint)
    if origin in (Union, UnionType):
        return " or ".join(map(_text, inner))
    if origin is Literal:
        return " or ".join(map(repr, inner))
    if origin in (tuple, Iterable, Sequence):
        return f"a {'tuple' if origin is tuple else 'list'}, each {_text(inner[0])}"
    name = getattr(hint, "__name__", str(hint))
    return _WORDS.get(hint) or f"{'an' if name[0] in 'AEIO' else 'a'} {name}"


def typed(value: object) -> str:
    """Return a value from Python as somebody would type it: octets in hex, a number of seconds without an exponent."""
    if isinstance(value, bytes | bytearray):
        return value.hex()
    if isinstance(value, int):
        return repeated(value)
    return f"{value:.9f}" if isinstance(value, float) else str(value)
