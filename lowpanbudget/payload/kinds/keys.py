"""The keys of a kind in the design file, stated beside the attributes of its class.

An attribute is a key where its dataclass field carries ``says(...)`` as metadata; type and default are the same.
"""

import dataclasses
from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple


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


def says(text: str, **more: Any) -> Mapping[str, Any]:
    """Return the metadata of an attribute that is a key."""
    return {"key": DesignKey(text, **more)}


def keys_of(kind: type) -> Iterator[tuple[dataclasses.Field[Any], DesignKey]]:
    """Yield the keys of a kind, those of all kinds first."""
    keys = [
        (attribute, attribute.metadata["key"])
        for attribute in dataclasses.fields(kind)
        if "key" in attribute.metadata
    ]
    yield from sorted(keys, key=lambda pair: pair[1].last)
