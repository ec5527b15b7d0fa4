"""Whether what a receiver read of a message is what was sent."""

from collections.abc import Iterator
from typing import Any

from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.flags import Flags
from lowpanbudget.payload.kinds.interfaces import ValuePath
from lowpanbudget.payload.search.tree import walk
from lowpanbudget.payload.words import joined, text_of

# values without parts that have no text of their own
_EMPTY: dict[Any, str] = {"": "an empty text", (): "no flag", b"": "no octets"}


def told(value: Any, other: Any = None) -> str:
    """Return a value as a person reads it, a text in quotes where the other value looks like it."""
    text = text_of(value)
    if not text:
        return _EMPTY.get(value, "nothing") if value.__hash__ else "nothing"
    return f'"{text}"' if isinstance(value, str) and text == text_of(other) else text


class Judge:
    """Compares what was read with what was sent."""

    def __init__(self, fields: tuple[Field, ...], renamed: dict[str, str]) -> None:
        self._fields, self._renamed = fields, renamed
        self._flags: dict[tuple[str, ...], set[str]] = {}
        for path, field in walk(fields):
            if isinstance(field, Flags):
                names = self._flags.setdefault(_names_of(self._sent_as(path)), set())
                names.update(field.names)

    def misread(self, sent: dict[str, Any], got: dict[str, Any]) -> str:
        """Return the first value that is not as it was sent, in words, or nothing."""
        if not self._renamed and repr(got) == repr(sent):
            return ""  # as nearly all are read: what looks the same is the same
        there = {self._sent_as(path): value for path, value in _flat(got)}
        given = dict(_flat(sent))
        for path, value in there.items():
            if path not in given:
                return f"{joined(list(path))} = {told(value)}, which was not sent"
            if not self._is_read_as(path, given[path], value):
                return f"{joined(list(path))} = {told(value)} where {told(given[path], value)} was sent"
        return self._lost(self._fields, sent, got, ())

    def _lost(
        self, fields: tuple[Field, ...], sent: dict[str, Any], got: dict[str, Any], above: ValuePath
    ) -> str:
        """Return the first optional field that was sent and is read as absent, in words, or nothing."""
        for field in fields:
            (name,) = self._sent_as((field.name,))
            if name not in sent:
                continue
            path = (*above, str(name))
            if field.name not in got:
                if field.optional and field.needs_value:
                    value = sent[name]
                    was = "it" if isinstance(value, dict | list) else told(value)
                    return f"no {joined(list(path))} where {was} was sent"
                continue
            lost = self._lost_inside(field, sent[name], got[field.name], path)
            if lost:
                return lost
        return ""

    def _lost_inside(self, field: Field, sent: Any, got: Any, path: ValuePath) -> str:
        if isinstance(sent, list) and isinstance(got, list):
            inside = (
                self._lost_inside(one, *pair, (*path, index))
                for body in field.bodies()
                for one in body.fields
                for index, pair in enumerate(zip(sent, got, strict=False))
            )
        elif isinstance(sent, dict) and isinstance(got, dict):
            inside = (self._lost(body.fields, sent, got, path) for body in field.bodies())
        else:
            return ""
        return next(filter(None, inside), "")

    def _is_read_as(self, path: tuple[str | int, ...], meant: Any, value: Any) -> bool:
        """Return whether a value is what was meant; of flags those that a receiver has names for, in any order."""
        if isinstance(meant, tuple) and isinstance(value, tuple):
            return self._flags.get(_names_of(path), set()).intersection(meant) == set(value)
        return repr(meant) == repr(value) or bool(meant == value)

    def _sent_as(self, path: tuple[str | int, ...]) -> tuple[str | int, ...]:
        return tuple(
            self._renamed.get(part, part) if isinstance(part, str) else part for part in path
        )


def _flat(
    values: Any, path: tuple[str | int, ...] = ()
) -> Iterator[tuple[tuple[str | int, ...], Any]]:
    if isinstance(values, dict):
        for name, value in values.items():
            yield from _flat(value, (*path, name))
    elif isinstance(values, list):
        yield (*path, "count"), len(values)
        for index, value in enumerate(values):
            yield from _flat(value, (*path, index))
    else:
        yield path, values


def _names_of(path: tuple[str | int, ...]) -> tuple[str, ...]:
    """Return the names on a path: neither elements nor options."""
    return tuple(part for part in path if isinstance(part, str) and part[0] not in "[(")
