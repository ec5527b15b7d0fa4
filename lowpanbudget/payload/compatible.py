"""Changing a format without breaking its receivers: what an old receiver reads from new octets.

Nothing is judged by rule: every change is made alone in the old format, many values are packed with
it, and the old format reads the octets. Only what the wire cannot show (another unit, another epoch)
is judged by comparing the declarations.
"""

import dataclasses
from collections.abc import Iterable, Iterator, Sequence
from difflib import SequenceMatcher
from typing import Any, NamedTuple

from lowpanbudget.errors import WireError
from lowpanbudget.payload.bitmap import joined
from lowpanbudget.payload.codes import Flags
from lowpanbudget.payload.containers import Array, Group, Union
from lowpanbudget.payload.field import Field, plural
from lowpanbudget.payload.flaws import FlawedMessage
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.sampler import samples
from lowpanbudget.payload.tree import ELEMENT, Place, place_text, walk, with_members

# What people read and the wire does not show; a change of it needs no word.
_REMARKS = {"note": "", "typically_present": True}
_HINTS = ("typical", "typical_length", "tolerance", "batch")
# What the wire does not show either, but what changes the meaning of every value.
_MEANINGS = ("unit", "epoch")


class Change(NamedTuple):
    """One change: where, what, whether an old receiver survives it, what it reads, and how the greatest size moves."""

    path: str
    what: str
    safe: bool
    reads: str
    bits: int


@dataclasses.dataclass(frozen=True, slots=True)
class Comparison:
    """An old and a new format of one name; sizes in octets, least and greatest; None where there is no such format.

    ``safe`` and ``reads`` are about all changes together. A receiver is assumed to ignore octets
    after its last field.
    """

    message: str
    safe: bool
    reads: str
    changes: tuple[Change, ...]
    old_octets: tuple[int, int] | None
    new_octets: tuple[int, int] | None


class _Edit(NamedTuple):
    """A change as the members of one container after it; ``renamed`` says what an old name is called now."""

    place: Place
    what: str
    container: Place
    members: tuple[Field, ...]
    renamed: dict[str, str]
    meaning: str = ""


def compare_all(old: Sequence[Message], new: Sequence[Message]) -> tuple[Comparison, ...]:
    """Return the comparison of every message of two design files, by name."""
    after = {message.name: message for message in new}
    found = [
        compare(message, after[message.name]) if message.name in after else _gone(message)
        for message in old
    ]
    before = {message.name for message in old}
    return (*found, *(_added(message) for message in new if message.name not in before))


def compare(old: Message, new: Message) -> Comparison:
    """Return what changes between two formats, which of it is safe, and what an old receiver reads."""
    changes = [_order_change(old, new, key) for key in ("byte_order", "bit_order", "layout")]
    found = [change for change in changes if change is not None]
    renamed: dict[str, str] = {}
    meanings = []
    for edit in _edits(old.fields, new.fields, ()):
        found.append(_judged(old, edit))
        renamed |= edit.renamed
        meanings += [edit.meaning] if edit.meaning else []
    reads = _reads(old, new, renamed)
    safe = not reads and not meanings
    if not reads:
        reads = meanings[0] if meanings else _right(old, new)
    return Comparison(old.name, safe, reads, tuple(found), _octets(old), _octets(new))


def _octets(message: Message) -> tuple[int, int]:
    return message.min_octets, message.max_octets


def _gone(message: Message) -> Comparison:
    return Comparison(message.name, False, "waits for it in vain", (), _octets(message), None)


def _added(message: Message) -> Comparison:
    reads = "does not know it, and is not disturbed as long as it can tell it apart (by port, resource or first bits)"
    return Comparison(message.name, True, reads, (), None, _octets(message))


def _order_change(old: Message, new: Message, key: str) -> Change | None:
    before, after = getattr(old, key), getattr(new, key)
    if before == after:
        return None
    what = f"{key.replace('_', ' ')} {before} becomes {after}"
    try:
        changed = dataclasses.replace(old, **{key: after})
    except FlawedMessage:
        return Change("", what, False, "cannot be judged alone", 0)
    reads = _reads(old, changed, {})
    return Change(
        "", what, not reads, reads or _right(old, changed), changed.max_bits - old.max_bits
    )


def _judged(old: Message, edit: _Edit) -> Change:
    """Return a change with what the old format reads when it is the only one."""
    path = place_text(edit.place)
    try:
        changed = dataclasses.replace(
            old, fields=with_members(old.fields, edit.container, edit.members)
        )
    except FlawedMessage:
        return Change(
            path, edit.what, False, "cannot be judged alone: other fields depend on it", 0
        )
    reads = _reads(old, changed, edit.renamed)
    bits = changed.max_bits - old.max_bits
    if not reads and edit.meaning:
        return Change(path, edit.what, False, edit.meaning, bits)
    return Change(path, edit.what, not reads, reads or _right(old, changed), bits)


def _right(old: Message, new: Message) -> str:
    more = new.max_octets - old.max_octets
    tail = f", and must ignore up to {plural(more, 'octet')} after them" if more > 0 else ""
    return f"all its fields right{tail}"


def _reads(old: Message, new: Message, renamed: dict[str, str]) -> str:
    """Return the first thing that an old receiver gets wrong, or an empty text."""
    flags = {
        name for _, field in walk(old.fields) if isinstance(field, Flags) for name in field.names
    }
    for sent in samples(new):
        try:
            got = old.unpack(new.pack(sent), ignore_tail=True)
        except WireError as fault:
            return f"refuses some messages: {fault.message}"
        there = {_renamed(path, renamed): value for path, value in _flat(got)}
        given = dict(_flat(sent))
        for path, value in there.items():
            if path not in given:
                return f"{joined(list(path))} = {_shown(value)}, which was not sent"
            if repr(given[path]) != repr(value) and given[path] != value:
                return (
                    f"{joined(list(path))} = {_shown(value)} where {_shown(given[path])} was sent"
                )
    return ""


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


def _shown(value: Any) -> str:
    return value.hex() if isinstance(value, bytes) else str(value)


def _edits(old: tuple[Field, ...], new: tuple[Field, ...], place: Place) -> Iterator[_Edit]:
    """Yield the changes between two lists of fields, each as the old list with this change alone."""
    keys_old, keys_new = [_key(field) for field in old], [_key(field) for field in new]
    for tag, i1, i2, j1, j2 in SequenceMatcher(
        None, keys_old, keys_new, autojunk=False
    ).get_opcodes():
        if tag == "equal":
            for offset in range(i2 - i1):
                yield from _pair(old, i1 + offset, new[j1 + offset], place)
            continue
        renamed = _renames(old[i1:i2], new[j1:j2])
        if tag == "insert":
            for index in range(j1, j2):
                where = "appended" if i1 == len(old) else "inserted"
                what = f"{_named(new[index : index + 1])} {where}"
                yield _Edit(
                    (*place, new[index].name), what, place, (*old[:i1], new[index], *old[i1:]), {}
                )
        elif tag == "delete":
            for index in range(i1, i2):
                what = f"{_named(old[index : index + 1])} removed"
                yield _Edit(
                    (*place, old[index].name), what, place, (*old[:index], *old[index + 1 :]), {}
                )
        else:
            verb = "renamed to" if renamed else "replaced by"
            what = f"{_named(old[i1:i2])} {verb} {_named(new[j1:j2])}"
            members = (*old[:i1], *new[j1:j2], *old[i2:])
            yield _Edit((*place, old[i1].name), what, place, members, renamed)


def _pair(old: tuple[Field, ...], index: int, after: Field, place: Place) -> Iterator[_Edit]:
    """Yield the changes of one field, or of what it holds."""
    before = old[index]
    if _bare(before) == _bare(after):
        return
    here = (*place, before.name)
    inside = _inside(before, after, here)
    if inside is not None:
        yield from inside
        return
    what, meaning = _difference(before, after)
    yield _Edit(here, what, place, (*old[:index], after, *old[index + 1 :]), {}, meaning)


def _inside(before: Field, after: Field, here: Place) -> Iterator[_Edit] | None:
    """Return the changes inside two containers that are alike otherwise, else None."""
    if isinstance(before, Group) and isinstance(after, Group):
        if _bare(before) == _bare(dataclasses.replace(after, fields=before.fields)):
            return _edits(before.fields, after.fields, here)
    elif isinstance(before, Array) and isinstance(after, Array):
        one, other = before.element, after.element
        alike = _bare(before) == _bare(dataclasses.replace(after, element=one))
        if alike and isinstance(one, Group) and isinstance(other, Group):
            return _inside(one, other, (*here, ELEMENT))
    elif isinstance(before, Union) and isinstance(after, Union):
        names = [option.when for option in before.options]
        alike = _bare(before) == _bare(dataclasses.replace(after, options=before.options))
        if alike and names == [option.when for option in after.options]:
            pairs = zip(before.options, after.options, strict=True)
            return (
                edit
                for one, other in pairs
                for edit in _edits(one.fields, other.fields, (*here, f"({one.when})"))
            )
    return None


def _difference(before: Field, after: Field) -> tuple[str, str]:
    """Return what differs between two fields of one name, and what of it the wire does not show."""
    if before.kind != after.kind:
        return f"kind {before.kind} becomes {after.kind}", ""
    parts, meaning = [], ""
    for item in dataclasses.fields(_bare(after)):
        one, other = getattr(_bare(before), item.name), getattr(_bare(after), item.name)
        if one != other:
            long = isinstance(one, tuple | Field) or isinstance(other, tuple | Field)
            parts.append(f"{item.name} changed" if long else f"{item.name} {one} becomes {other}")
            if item.name in _MEANINGS:
                meaning = f"the same octets, but takes {_shown(other)} for {_shown(one)}"
    return ", ".join(parts), meaning


def _bare(field: Field) -> Any:
    """Return a field without what is for people only."""
    here = {item.name for item in dataclasses.fields(field)}
    plain: dict[str, Any] = {key: value for key, value in _REMARKS.items() if key in here}
    for key in _HINTS:
        if key in here:
            plain[key] = next(
                item.default for item in dataclasses.fields(field) if item.name == key
            )
    if isinstance(field, Array):
        plain["element"] = _bare(field.element)
    elif isinstance(field, Group):
        plain["fields"] = tuple(_bare(member) for member in field.fields)
    elif isinstance(field, Union):
        plain["options"] = tuple(
            dataclasses.replace(option, fields=tuple(_bare(member) for member in option.fields))
            for option in field.options
        )
    return dataclasses.replace(field, **plain)


def _key(field: Field) -> tuple[Any, ...]:
    """Return what makes two fields the same one: the name, and for reserved bits their number as well."""
    return (
        (field.name, field.kind, getattr(field, "bits", 0))
        if field.kind == "reserved"
        else (field.name,)
    )


def _renames(old: Iterable[Field], new: Iterable[Field]) -> dict[str, str]:
    """Return the new name of each field if nothing but names differs, else nothing."""
    before, after = list(old), list(new)
    alike = len(before) == len(after) and all(
        _bare(one) == _bare(dataclasses.replace(other, name=one.name))
        for one, other in zip(before, after, strict=True)
    )
    return {one.name: other.name for one, other in zip(before, after, strict=True)} if alike else {}


def _named(fields: Iterable[Field]) -> str:
    return ", ".join(field.name or field.kind for field in fields)
