"""What is declared of a value, held against what was given: whether it fits, and in words what is wrong.

Small numbers and words that were given for such are shown; anything longer may be a key.
"""

from collections.abc import Hashable, Iterable, Mapping, Sequence, Sized
from dataclasses import Field
from functools import cache
from ipaddress import IPv6Address
from numbers import Integral, Number
from operator import index
from types import NoneType, UnionType
from typing import Any, Literal, Union, cast, get_args, get_origin

from lowpanbudget.errors import RequestError, repeated

# what will do for what is declared
_ALSO: dict[Any, Any] = {bytes: (bytes, bytearray, memoryview), float: (float, int)}
_WORDS = {
    bytes: "octets",
    int: "a whole number",
    str: "text",
    bool: "True or False",
    NoneType: "None",
}
# as somebody writes it
_EXAMPLES: dict[Any, str] = {
    bytes: 'bytes.fromhex("0001")',
    IPv6Address: 'IPv6Address("fe80::1")',
}


def as_whole(value: object) -> int | None:
    """Return a whole number of any library, such as numpy's, as Python's; None for what is none, a truth too."""
    if isinstance(value, int):
        return None if isinstance(value, bool) else value
    try:
        return index(value)  # type: ignore[arg-type]  # what has none is told so
    except TypeError:
        return None


def is_flag(value: object) -> bool:
    """Return whether a value is True, False, or a whole number that is 0 or 1, of numpy as well."""
    if isinstance(value, Number) and not isinstance(value, Integral):
        return False  # 1.0 is a quantity
    return isinstance(value, Hashable) and value in (0, 1)


def as_python(value: Any) -> Any:
    """Return a value with octets, numbers and truths of other kinds as Python's, also those in a tuple or a list."""
    if type(value) in (list, tuple):
        items = [as_python(one) for one in value]
        is_same = all(one is other for one, other in zip(items, value, strict=True))
        return value if is_same else type(value)(items)
    if isinstance(value, int):
        return value
    if isinstance(value, bytearray | memoryview):
        return bytes(value)
    whole = as_whole(value)
    return bool(value) if whole is None and is_flag(value) else value if whole is None else whole


def hint_for_octets(given: object) -> str:
    """Return how what was given becomes octets."""
    if isinstance(given, str):
        try:
            bytes.fromhex(given.removeprefix("0x"))
        except ValueError:
            return "Text becomes octets with its encode(), hex text with bytes.fromhex"
        return "Hex text becomes octets with bytes.fromhex"
    if isinstance(given, IPv6Address):
        return "Its octets are address.packed"
    if isinstance(given, Iterable):
        return "bytes(...) makes octets of a list or an array"
    of_ours = type(given).__module__.startswith("lowpanbudget.layers")
    return "write_header makes octets of a header, write_icmpv6 of a message" if of_ours else ""


def unlike(value: Any, hint: Any, name: str) -> RequestError:
    """Return what says how a value is not as declared; of several values the first that is not."""
    inner = _of_each(value, hint)
    for number, one in enumerate(value if inner is not None else ()):
        if not fits(one, inner):
            return unlike(one, inner, f"{name}[{number}]")
    is_plain = all(one in _WORDS for one in _arms(hint))
    said = shown(value) if is_plain else _kind(value)
    return RequestError(f"{name} is {text_of(hint)}, not {said}", hint=_instead(value, hint))


def _arms(hint: Any) -> tuple[Any, ...]:
    """Return all that may be given."""
    return get_args(hint) if get_origin(hint) in (Union, UnionType) else (hint,)


def tells_class(part: Field[Any]) -> bool:
    """Return whether a value tells its class where it is shown: it, or each in a tuple, may be of several."""
    return "kind" in part.metadata or _is_open(cast("Any", part.type))


@cache
def _is_open(hint: Any) -> bool:
    each = get_args(hint)[0] if get_origin(hint) is tuple else hint
    return each in (Any, object) or sum(map(_is_ours, _arms(each))) > 1


def _is_ours(hint: Any) -> bool:
    return isinstance(hint, type) and hint.__module__.startswith("lowpanbudget")


def _of_each(value: Any, hint: Any) -> Any:
    """Return what is declared of each item of a value; None where that is no matter of items."""
    if type(value) not in (list, tuple):
        return None
    for one in _arms(hint):
        origin, inner = get_origin(one), get_args(one)
        if isinstance(origin, type) and len(inner) in (1, 2) and inner[1:] in ((), (...,)):
            return inner[0] if isinstance(value, origin) else None
    return None


def fits(value: Any, hint: Any) -> bool:
    """Return whether a value is as declared."""
    origin, inner = get_origin(hint), get_args(hint)
    if origin in (Union, UnionType):
        return any(fits(value, one) for one in inner)
    if origin is Literal:
        return isinstance(value, str) and value in inner
    if isinstance(value, str | bytes | bytearray | Mapping) and origin in (Iterable, Sequence):
        return False
    if hint is bool:
        return is_flag(value)
    if hint is int:
        return as_whole(value) is not None
    item = _of_each(value, hint)
    # which of several classes a header holds: whoever writes it tells, with its clause
    if origin is tuple and _is_open(item):
        item = None
    if item is not None and not all(fits(one, item) for one in value):
        return False
    kind = _ALSO.get(hint, origin or hint)
    return kind is Any or not isinstance(kind, type | tuple) or isinstance(value, kind)


def text_of(hint: Any) -> str:
    """Return in words what is declared."""
    origin, inner = get_origin(hint), get_args(hint)
    if origin in (Union, UnionType):
        return " or ".join(map(text_of, inner))
    if origin is Literal:
        return " or ".join(map(repr, inner))
    if origin in (tuple, Iterable, Sequence):
        each = "" if inner[0] is Any else f", each {text_of(inner[0])}"
        return f"a {'tuple' if origin is tuple else 'list'}{each}"
    if hint in _WORDS:
        return _WORDS[hint]
    name = "mapping" if origin is Mapping else getattr(hint, "__name__", str(hint))
    return f"{'an' if name[0] in 'AEIO' else 'a'} {name}"


_SHOWN = 12  # characters: no key is as short


def shown(value: object) -> str:
    """Return what was given: its kind, and itself where it is too short for a key."""
    if value is None or isinstance(value, bool):
        return repr(value)
    if isinstance(value, int | float | str) and len(said := repeated(value)) <= _SHOWN:
        return f"{_kind(value)} {said}"
    return _kind(value)


def _kind(value: object) -> str:
    """Return the class of what was given, as who gave it knows it, and of how many it is."""
    if type(value) in (list, tuple):
        return f"{type(value).__name__} of {len(cast('Sized', value))}"
    return "None" if value is None else "dict" if isinstance(value, dict) else type(value).__name__


def _instead(value: object, hint: Any) -> str:
    """Return what to give instead of a value that is not as declared, as somebody would write it; else nothing."""
    arms = _arms(hint)
    of_tuples = [get_args(one)[0] for one in arms if get_origin(one) is tuple]
    if any(one is not Any and fits(value, one) for one in of_tuples):
        return "Give a tuple, even of one: (value,)"
    if bytes in arms and (said := hint_for_octets(value)):
        return said
    example = next(filter(None, map(_example, arms)), "")
    return example and f"Give {example}"


def _example(hint: Any) -> str:
    origin, inner = get_origin(hint), get_args(hint)
    if origin is tuple:
        one = _example(inner[0])
        return one and f"({one},)"
    if origin is Mapping:
        return '{"name": value}'
    if hint in _EXAMPLES:
        return _EXAMPLES[hint]
    return f"{hint.__name__}(...)" if _is_ours(hint) else ""
