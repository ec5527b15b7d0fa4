"""What callers give, checked: a whole number, several of something, a value of a class; or told once it has failed.

What is called for every frame, or holds much, is not looked at before: where it fails (``explains``), what was given is
compared with what is declared of it (``declared``). These errors show no more than that does: one may be a key.
"""

import struct
from collections.abc import Callable, Iterable, Sequence
from functools import cache, partial, wraps
from inspect import signature
from typing import Any, ClassVar, TypeVar, cast, get_origin, get_type_hints

from lowpanbudget.cites import Cite
from lowpanbudget.declared import as_python, as_whole, fits, is_flag, shown, text_of, unlike
from lowpanbudget.errors import RequestError, repeated
from lowpanbudget.values import replace

Kind = TypeVar("Kind")
Word = TypeVar("Word", bound=str)
Function = TypeVar("Function", bound=Callable[..., Any])
# what Python raises for a value of a wrong kind, wherever it meets it
_BARE = (ArithmeticError, AttributeError, LookupError, TypeError, ValueError, struct.error)


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


def is_quantity(value: object) -> bool:
    """Return whether a value is a number, whole or not, and no truth."""
    return isinstance(value, int | float) and not isinstance(value, bool)


def seconds(value: object, name: str) -> float:
    """Return seconds that pass between two events; ``RequestError`` that names the argument for anything else."""
    if isinstance(value, int | float) and is_quantity(value) and 1e-9 <= value <= 1e15:
        return value
    raise RequestError(
        f"{name} {repeated(value)} is no number of seconds", hint="Give 1e-9 to 1e15"
    )


def flag(value: object, name: str) -> bool:
    """Return True or False; ``RequestError`` that names the argument for anything else: every text would be True."""
    if value is True or value is False:
        return value
    if is_flag(value):
        return bool(value)
    raise RequestError(f"{name} is True or False, not {shown(value)}")


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
        raise RequestError(f"{text_of(kind)} is needed, not {type(value).__name__}", hint=hint)
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
    """Return a value whose attributes are what its class declares, its numbers those of Python.

    Raises ``RequestError`` that names an attribute which is not.
    """
    if wrong := _of_attributes(value):
        raise wrong
    held = {name: getattr(value, name, None) for name in _hints(cast("Any", type(value)))}
    plain = {name: as_python(one) for name, one in held.items()}
    others = {name: one for name, one in plain.items() if one is not held[name]}
    if not others:
        return value
    changed: Any = value
    # a named tuple replaces in its own way
    made = changed._replace if isinstance(value, tuple) else partial(replace, changed)
    return cast("Kind", made(**others))


def written(value: Kind, encode: Callable[[Kind], object]) -> None:
    """Encode a value whose attributes are what its class declares; ``RequestError`` that names its class."""
    try:
        encode(as_declared(value))
    except RequestError as error:
        raise of_class(error, value) from None


def of_class(error: RequestError, value: object) -> RequestError:
    """Return an error that says of which class the value is that cannot be written."""
    kind = type(value)
    name, is_ours = kind.__name__, kind.__module__.startswith("lowpanbudget")
    if not is_ours or error.message.startswith(name):
        return error
    return RequestError(f"{name}: {error.message}", cite=error.cite, hint=error.hint)


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
            if wrong := [misfit for misfit in misfits if misfit]:
                hint = wrong[0].hint if len(wrong) == 1 else ""
                raise RequestError("; ".join(one.message for one in wrong), hint=hint) from None
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
    if not fits(value, hint):
        return unlike(value, hint, name)
    if type(value) not in (list, tuple):
        return _of_attributes(value)
    for number, one in enumerate(value):
        if wrong := _of_attributes(one):
            return RequestError(f"{name}[{number}]: {wrong.message}", hint=wrong.hint)
    return None


def typed(value: object) -> str:
    """Return a value from Python as somebody would type it: octets in hex, a number of seconds without an exponent."""
    if isinstance(value, bytes | bytearray):
        return value.hex()
    if isinstance(value, int):
        return repeated(value)
    return f"{value:.9f}" if isinstance(value, float) else str(value)
