"""What differs between two lists of fields, as edits that can each be made alone."""

import dataclasses
from collections.abc import Iterable, Iterator
from difflib import SequenceMatcher
from typing import Any, NamedTuple

from lowpanbudget.errors import plural
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.interfaces import FieldPath
from lowpanbudget.payload.words import text_of

# What people read and the wire does not show; a change of it needs no word.
_REMARKS = ("note", "typically_present", "typical", "typical_length", "tolerance", "batch")


class Edit(NamedTuple):
    """A change as the members of one container after it; ``renamed`` says what an old name is called now.

    ``assumed`` says what makes that right, which no octet shows.
    """

    place: FieldPath
    what: str
    container: FieldPath
    members: tuple[Field, ...]
    renamed: dict[str, str]
    assumed: str = ""


def edits(old: tuple[Field, ...], new: tuple[Field, ...], place: FieldPath) -> Iterator[Edit]:
    """Yield the changes between two lists of fields, each as the old list with this change alone."""
    names = _common(old, new)
    moved = _in_order(old, _common(new, old))
    if moved != old:
        what = f"order {', '.join(names)} becomes {', '.join(_common(new, old))}"
        yield Edit(place, what, place, moved, {})
        for edit in edits(moved, new, place):
            here = edit.container == place
            yield edit._replace(members=_in_order(edit.members, names)) if here else edit
        return
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
                yield Edit(
                    (*place, new[index].name), what, place, (*old[:i1], new[index], *old[i1:]), {}
                )
        elif tag == "delete":
            for index in range(i1, i2):
                what = f"{_named(old[index : index + 1])} removed"
                yield Edit(
                    (*place, old[index].name), what, place, (*old[:index], *old[index + 1 :]), {}
                )
        else:
            verb = "renamed to" if renamed else "replaced by"
            was, now = _named(old[i1:i2]), _named(new[j1:j2])
            if was == now:
                was, now = _with_kinds(old[i1:i2]), _with_kinds(new[j1:j2])
            what = f"{was} {verb} {now}"
            members = (*old[:i1], *new[j1:j2], *old[i2:])
            assumed = " and ".join(f"{now} is what {was} is" for was, now in renamed.items())
            yield Edit((*place, old[i1].name), what, place, members, renamed, assumed=assumed)


def _common(fields: tuple[Field, ...], others: tuple[Field, ...]) -> list[str]:
    """Return the names, in the order of the first list, of the fields that both lists have."""
    there = {field.name for field in others if field.name}
    return [field.name for field in fields if field.name in there]


def _in_order(fields: tuple[Field, ...], names: list[str]) -> tuple[Field, ...]:
    """Return the fields with those of the names in another order, in the places that these had.

    A field that was put in while another of its name is still there keeps its place.
    """
    first: dict[str, int] = {}
    for place, field in enumerate(fields):
        if field.name in names:
            first.setdefault(field.name, place)
    inward = iter([fields[first[name]] for name in names if name in first])
    return tuple(
        next(inward) if first.get(field.name) == place else field
        for place, field in enumerate(fields)
    )


def _pair(old: tuple[Field, ...], index: int, after: Field, place: FieldPath) -> Iterator[Edit]:
    """Yield the changes of one field, or of what it holds."""
    before = old[index]
    if bare(before) == bare(after):
        return
    here = (*place, before.name)
    inside = _inside(before, after, here)
    if inside is not None:
        after = after.with_bodies(tuple(body.fields for body in before.bodies()))
    if bare(before) != bare(after):  # in keys of its own
        members = (*old[:index], after, *old[index + 1 :])
        yield Edit(here, _difference(before, after), place, members, {})
    yield from inside or ()


def _inside(before: Field, after: Field, here: FieldPath) -> Iterator[Edit] | None:
    """Return the changes inside two containers of the same parts, else None."""
    bodies, others = before.bodies(), after.bodies()
    if not bodies or before.kind != after.kind or len(bodies) != len(others):
        return None
    if [body.steps for body in bodies] != [other.steps for other in others]:
        return None
    if not bodies[0].named:
        (element,), (other,) = bodies[0].fields, others[0].fields
        both_groups = [body.steps for inner in (element, other) for body in inner.bodies()] == [
            (),
            (),
        ]
        return _inside(element, other, (*here, *bodies[0].steps)) if both_groups else None
    return (
        edit
        for body, other in zip(bodies, others, strict=True)
        for edit in edits(body.fields, other.fields, (*here, *body.steps))
    )


def _difference(before: Field, after: Field) -> str:
    """Return in words what differs between two fields of one name."""
    if before.kind != after.kind:
        return f"kind {before.kind} becomes {after.kind}"
    parts = []
    for item in dataclasses.fields(bare(after)):
        old, new = getattr(bare(before), item.name), getattr(bare(after), item.name)
        if isinstance(old, Field) and old != new:
            parts.append(f"{item.name}: {_difference(old, new)}")
        elif old != new:
            long = isinstance(old, tuple) or isinstance(new, tuple)
            words = _lists(old, new) if long else _values(old, new)
            parts.append(f"{item.name} {words}")
    return ", ".join(parts)


def _values(before: Any, after: Any) -> str:
    """Return what differs between two values of a key, of which one may not be stated."""
    if before is None:
        return f"{shown(after)} stated"
    return (
        f"{shown(before)} left out" if after is None else f"{shown(before)} becomes {shown(after)}"
    )


def _lists(before: Any, after: Any) -> str:
    """Return what differs between two lists: what came and went, or that only the order is another."""
    if not (isinstance(before, tuple) and isinstance(after, tuple)):
        return "changed"
    names = [
        [part[0] if isinstance(part, tuple) else str(part) for part in values]
        for values in (before, after)
    ]
    words = [
        f"{', '.join(name for name in here if name not in there)} {verb}"
        for here, there, verb in ((names[1], names[0], "added"), (names[0], names[1], "removed"))
        if set(here) - set(there)
    ]
    return " and ".join(words) or "changed"


def bare(field: Field) -> Any:
    """Return a field without what is for people only."""
    defaults = {item.name: item.default for item in dataclasses.fields(field)}
    shown: dict[str, Any] = {key: defaults[key] for key in _REMARKS if key in defaults}
    bodies = tuple(tuple(map(bare, body.fields)) for body in field.bodies())
    return dataclasses.replace(field.with_bodies(bodies), **shown)


def _key(field: Field) -> tuple[Any, ...]:
    """Return what makes two fields the same one: the name, and for reserved bits their number as well."""
    return (
        (field.name, field.kind, getattr(field, "bits", 0)) if not field.carries else (field.name,)
    )


def _renames(old: Iterable[Field], new: Iterable[Field]) -> dict[str, str]:
    """Return the new name of each field if nothing but names differs, else nothing."""
    before, after = list(old), list(new)
    if len(before) != len(after):
        return {}
    pairs = list(zip(before, after, strict=True))
    alike = all(bare(was) == bare(dataclasses.replace(now, name=was.name)) for was, now in pairs)
    return {was.name: now.name for was, now in pairs} if alike else {}


def _named(fields: Iterable[Field]) -> str:
    return ", ".join(field.name or field.kind for field in fields)


def _with_kinds(fields: Iterable[Field]) -> str:
    """Return fields by kind and name; of what carries nothing the bits are all there is to it."""
    return ", ".join(
        f"{field.kind} {field.name}".rstrip()
        + ("" if field.carries else f" of {plural(field.value_bits(), 'bit')}")
        for field in fields
    )


def shown(value: Any) -> str:
    """Return a value as a person reads it."""
    return text_of(value) or "nothing"
