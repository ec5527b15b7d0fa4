"""Changing a format without breaking its receivers: what an old receiver reads from new octets.

Nothing is judged by rule: every change is made alone in the old format, values at all edges and many
between them are packed with it, and the old format reads the octets. Among them are the values that the
new format reads where the old one sent its own edges: what was a special code or an escape may be a
plain value now. Only what the wire cannot show (another unit, another epoch) is judged by comparing the
declarations.
"""

import dataclasses
from collections.abc import Iterator, Sequence
from enum import Enum
from itertools import chain
from typing import Any, NamedTuple

from lowpanbudget.errors import WireError, plural
from lowpanbudget.payload.flaws import FlawedMessage
from lowpanbudget.payload.kinds.flags import Flags
from lowpanbudget.payload.kinds.interfaces import FieldPath
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.search.edits import Edit, edits, shown
from lowpanbudget.payload.search.sampler import edges, samples
from lowpanbudget.payload.search.tree import walk, with_members
from lowpanbudget.payload.words import joined
from lowpanbudget.values import dataclass


class Outcome(Enum):
    """What becomes of new messages at an old receiver, from the best to the worst, which nobody notices.

    ``PREFIX``: read right by a receiver that ignores octets after its last field, refused by any other.
    """

    RIGHT = "read right"
    PREFIX = "right as a prefix"
    REFUSED = "refused"
    MISREAD = "misread"
    UNKNOWN = "not judged"


class Reading(NamedTuple):
    """What an old receiver makes of new messages, and what it reads, in words."""

    outcome: Outcome
    text: str


class Change(NamedTuple):
    """One change of a format, made alone.

    ``path`` says where and ``what`` what, in words; ``safe`` whether every receiver of the old format survives it,
    ``reads`` what that reads from the new octets. ``bits`` is how the size of the greatest message moves.
    """

    path: str
    what: str
    safe: bool
    reads: str
    bits: int
    outcome: Outcome


@dataclass(frozen=True, slots=True)
class FormatComparison:
    """An old and a new format of one name; sizes in octets, least and greatest; None where there is no such format.

    ``safe`` (all is read right by every receiver), ``outcome`` and ``reads`` are about all changes together.
    """

    message: str
    safe: bool
    reads: str
    changes: tuple[Change, ...]
    old_octets: tuple[int, int] | None
    new_octets: tuple[int, int] | None
    outcome: Outcome


def compare_all(old: Sequence[Message], new: Sequence[Message]) -> tuple[FormatComparison, ...]:
    """Return the comparison of every message of two design files, by name."""
    after = {message.name: message for message in new}
    judged = [
        compare(message, after[message.name]) if message.name in after else _gone(message)
        for message in old
    ]
    before = {message.name for message in old}
    return (*judged, *(_added(message) for message in new if message.name not in before))


def compare(old: Message, new: Message) -> FormatComparison:
    """Return what changes between two formats, which of it is safe, and what an old receiver reads."""
    judged = list(_order_changes(old, new))
    reordered = bool(judged)
    renamed: dict[str, str] = {}
    meanings = []
    for edit in edits(old.fields, new.fields, ()):
        judged.append(_field_change(old, edit))
        renamed |= edit.renamed
        meanings += [edit.meaning] if edit.meaning else []
    read = _reading(old, new, renamed, None if reordered else _changed(old, new), meanings)
    safe = read.outcome is Outcome.RIGHT
    alone = {change.outcome for change in judged}
    text = read.text
    worst = read.outcome is Outcome.MISREAD
    if worst and len(judged) > 1 and alone <= {Outcome.RIGHT, Outcome.REFUSED}:
        text += "; no change alone does that"
    return FormatComparison(
        old.name, safe, text, tuple(judged), _octets(old), _octets(new), read.outcome
    )


def _octets(message: Message) -> tuple[int, int]:
    return message.min_octets, message.max_octets


def _gone(message: Message) -> FormatComparison:
    reads = "waits for it in vain"
    return FormatComparison(message.name, False, reads, (), _octets(message), None, Outcome.REFUSED)


def _added(message: Message) -> FormatComparison:
    reads = "does not know it, and is not disturbed as long as it can tell it apart (by port, resource or first bits)"
    return FormatComparison(message.name, True, reads, (), None, _octets(message), Outcome.RIGHT)


def _order_changes(old: Message, new: Message) -> Iterator[Change]:
    for key in ("byte_order", "bit_order", "layout"):
        before, after = getattr(old, key), getattr(new, key)
        if before != after:
            what = f"{key.replace('_', ' ')} {before} becomes {after}"
            yield _judged(old, Edit((), what, (), (), {}), {key: after}, "cannot be judged alone")


def _field_change(old: Message, edit: Edit) -> Change:
    fields = with_members(old.fields, edit.container, edit.members)
    why = "cannot be judged alone: other fields depend on it"
    return _judged(old, edit, {"fields": fields}, why)


def _judged(old: Message, edit: Edit, changes: dict[str, Any], why_not: str) -> Change:
    """Return a change with what the old format reads when it is the only one."""
    path = joined(edit.place)
    try:
        changed = dataclasses.replace(old, **changes)
    except FlawedMessage:
        return Change(path, edit.what, False, why_not, 0, Outcome.UNKNOWN)
    places = _changed(old, changed) if "fields" in changes else None
    read = _reading(old, changed, edit.renamed, places, [edit.meaning] if edit.meaning else [])
    bits = changed.max_bits - old.max_bits
    return Change(path, edit.what, read.outcome is Outcome.RIGHT, read.text, bits, read.outcome)


def _reading(
    old: Message,
    new: Message,
    renamed: dict[str, str],
    places: set[FieldPath] | None,
    meanings: Sequence[str],
) -> Reading:
    """Return what an old receiver makes of new messages; ``meanings`` are changes that no octet shows."""
    tried = _tried(old, new, renamed, places)
    if meanings and tried.outcome is not Outcome.MISREAD:
        return Reading(Outcome.MISREAD, meanings[0])
    return tried


def _right(old: Message, more: int) -> Reading:
    """Return that all is read right; ``more``: the most octets that were left after the last field."""
    right = "all its fields right"
    if not more:
        return Reading(Outcome.RIGHT, right)
    tail = f"only where it ignores up to {plural(more, 'octet')} after them"
    name = old.name
    who = f"{name}_unpack_prefix of the generated C does, {name}_unpack and unpack refuse such messages"
    return Reading(Outcome.PREFIX, f"{right}, {tail}: {who}")


def _changed(old: Message, new: Message) -> set[FieldPath]:
    """Return the places of the new format whose field differs from that of the old one there."""
    before = dict(walk(old.fields))
    return {place for place, field in walk(new.fields) if before.get(place) != field}


def _tried(
    old: Message, new: Message, renamed: dict[str, str], places: set[FieldPath] | None = None
) -> Reading:
    """Return the first thing that an old receiver misreads, else the first that it refuses, else that all is right."""
    refused: Reading | None = None
    most = 0  # octets after what it reads
    flags = {
        name for _, field in walk(old.fields) if isinstance(field, Flags) for name in field.names
    }
    optional = {
        _renamed((field.name,), renamed)
        for field in old.fields
        if field.optional and field.needs_value
    }
    for sent in chain(samples(new), edges(new, places), _read_anew(old, new, places)):
        try:
            got, more = _received(old, new.pack(sent))
        except WireError as fault:
            refused = refused or Reading(Outcome.REFUSED, f"refuses some messages: {fault.message}")
            continue
        most = max(most, more)
        if not renamed and repr(got) == repr(sent):
            continue  # as nearly all are read: what looks the same is the same
        there = {_renamed(path, renamed): value for path, value in _flat(got)}
        given = dict(_flat(sent))
        for path, value in there.items():
            if path not in given:
                return _misread(f"{joined(list(path))} = {shown(value)}, which was not sent")
            meant = given[path]
            if isinstance(
                meant, tuple
            ):  # flags: those that the old format has no name for, it ignores
                meant = tuple(name for name in meant if name in flags)
            if repr(meant) != repr(value) and meant != value:
                place = joined(list(path))
                return _misread(f"{place} = {shown(value)} where {shown(given[path])} was sent")
        for path in given.keys() - there.keys():
            if path in optional:
                return _misread(f"no {joined(list(path))} where {shown(given[path])} was sent")
    return refused or _right(old, most)


def _received(old: Message, octets: bytes) -> tuple[dict[str, Any], int]:
    """Return what is read from octets, and how many of them are left after it."""
    try:
        return old.unpack(octets), 0
    except WireError as fault:
        return old.unpack(octets, ignore_tail=True), len(octets) - fault.offset


def _read_anew(
    old: Message, new: Message, places: set[FieldPath] | None
) -> Iterator[dict[str, Any]]:
    """Yield what the new format reads where the old one sent its edges, zeros behind them."""
    before = None if places is None else _changed(new, old)
    for sent in edges(old, before):
        try:
            yield new.unpack(old.pack(sent).ljust(new.max_octets, b"\0"), ignore_tail=True)
        except WireError:
            continue  # no message of the new format begins like that


def _misread(text: str) -> Reading:
    return Reading(Outcome.MISREAD, text)


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


def _renamed(path: tuple[str | int, ...], renamed: dict[str, str]) -> tuple[str | int, ...]:
    return tuple(renamed.get(part, part) if isinstance(part, str) else part for part in path)
