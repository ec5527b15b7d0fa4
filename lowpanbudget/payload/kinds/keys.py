"""The keys of a kind in the design file, stated beside the attributes of its class.

An attribute is a key where its dataclass field is made by ``key(...)``; type and default are the same.
"""

import dataclasses
from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple, TypeVar, dataclass_transform

from lowpanbudget.values import dataclass

T = TypeVar("T")


class DesignKey(NamedTuple):
    """A key of the design file: what it says, the words or numbers allowed, and how it is written where not plainly.

    ``form``: "names" (a list, or a table of names and codes), "fields", "element" or "options". ``name`` and
    ``default`` where they are not those of the attribute; ``last``: texts list it behind the others.
    """

    says: str
    allowed: tuple[Any, ...] = ()
    form: str = ""
    name: str = ""
    default: Any = dataclasses.MISSING
    last: bool = False


# What people call a key, by its name in any kind: a hint, never another name.
CALLED: Mapping[str, tuple[str, ...]] = {
    "name": ("id", "field_name", "identifier"),
    "note": ("description", "comment", "label", "doc", "about", "help", "title"),
    "optional": ("required", "nullable", "presence", "mandatory"),
    "at": ("position", "bit", "start", "bit_offset", "offset"),
    "min": ("minimum", "lowest", "low", "lower", "least", "from", "range"),
    "max": ("maximum", "highest", "high", "upper", "greatest", "most", "to"),
    "step": (
        "scale", "factor", "gain", "multiplier", "resolution", "precision", "lsb", "decimals", "increment",
        "quantum",
    ),
    "unit": ("uom", "unit_name", "dimension", "measure"),
    "coding": ("signed", "sign", "encoding", "format"),
    "offset": ("bias", "zero", "origin"),
    "length": ("size", "count", "number"),
    "min_length": ("min_size", "min_count", "min"),
    "max_length": ("max_size", "max_count", "capacity", "max"),
    "bits": ("width", "size", "length", "bit_length", "nbits"),
    "special": (
        "sentinel", "sentinels", "invalid", "missing", "not_available", "unavailable", "nan", "na", "null", "none",
        "special_values", "reserved",
    ),
    "tolerance": ("accuracy", "error", "max_error", "uncertainty", "rounding", "quantization", "quantisation"),
    "typical": ("default", "usual", "example", "nominal"),
    "names": ("values", "choices", "members", "symbols", "labels", "options"),
    "values": ("table", "entries", "lookup"),
    "element": ("item", "items", "elements", "of"),
    "field": ("members", "items", "content"),
    "tag": ("selector", "switch", "discriminator", "by"),
    "option": ("cases", "variants", "alternatives"),
    "base": ("reference", "since", "relative_to"),
    "epoch": ("since", "origin"),
    "deltas": ("difference", "differences"),
}  # fmt: skip


def key(
    text: str,
    *,
    default: Any = dataclasses.MISSING,
    unstated: Any = dataclasses.MISSING,
    kw_only: bool = True,
    **more: Any,
) -> Any:
    """Return an attribute that is a key; ``unstated`` is its default in design files alone."""
    metadata = {"key": DesignKey(text, default=unstated, **more)}
    return dataclasses.field(default=default, kw_only=kw_only, metadata=metadata)


@dataclass_transform(kw_only_default=True, frozen_default=True, field_specifiers=(key,))
def field_kind(cls: type[T]) -> type[T]:
    """Return the class of a kind of field: a frozen dataclass, whose attributes are given by keyword."""
    return dataclass(frozen=True, slots=True, kw_only=True)(cls)


def keys_of(kind: type) -> Iterator[tuple[dataclasses.Field[Any], DesignKey]]:
    """Yield the keys of a kind, those of all kinds first."""
    keys = [
        (attribute, attribute.metadata["key"])
        for attribute in dataclasses.fields(kind)
        if "key" in attribute.metadata
    ]
    yield from sorted(keys, key=lambda pair: pair[1].last)
