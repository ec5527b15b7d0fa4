"""Names of values that another format has for the same codes, or does not have: no octet shows what they mean."""

import dataclasses
from collections.abc import Iterator
from typing import Any

from lowpanbudget.payload.codec.compiler import MAX_DEPTH, references
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.interfaces import FieldPath
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.search.edits import bare
from lowpanbudget.payload.search.tree import replaced, walk
from lowpanbudget.payload.words import joined

_LEAST = 5  # letters: of shorter names another one is often a letter away; our choice


def called_alike(receiver: Message, sender: Message) -> tuple[Message, list[str]]:
    """Return the sender's format with the receiver's names of values, and what is so supposed, in words.

    A name that went and one that came in its place are the same where they are spelled all but alike: a code that is
    given away anew has another name. Tags keep theirs.
    """
    there, referred = dict(walk(receiver.fields)), references(sender.fields, MAX_DEPTH)
    changes: dict[FieldPath, Field | None] = {}
    assumed = []
    for path, field in walk(sender.fields):
        other = there.get(path)
        if other is None or other.kind != field.kind or field.name in referred:
            continue
        renamed = _renamed(field, other)
        if renamed:
            other_names: Any = {
                "names": tuple(renamed.get(n, n) for n in field.coded_names().values())
            }
            changes[path] = dataclasses.replace(bare(field), **other_names)
            assumed += [f"{now} is what {was} is" for now, was in renamed.items()]
    return (replaced(sender, changes), assumed) if changes else (sender, [])


def unsent_flags(receiver: Message, sender: Message, renamed: dict[str, str]) -> Iterator[str]:
    """Yield in words each flag that a receiver reads as not set, for the sender has none of that name.

    A bit that nobody meant says no more of it than one of a boolean field does, or a number of 0.
    """
    there = dict(walk(sender.fields))
    for path, field in walk(receiver.fields):
        other = there.get(tuple(renamed.get(part, part) for part in path))
        if not (other and field.has_flags and other.has_flags):
            continue
        for name in field.coded_names().values():
            if name not in other.coded_names().values():
                yield f"{name} of {joined(path)} as not set, which was not sent"


def _renamed(sent: Field, received: Field) -> dict[str, str]:
    """Return what the receiver calls names of the sender that it does not know, while it has others for their codes."""
    ours, theirs = received.coded_names(), sent.coded_names()
    return {
        name: ours[code]
        for code, name in theirs.items()
        if code in ours
        and name not in ours.values()
        and ours[code] not in theirs.values()
        and _are_alike(name.lower(), ours[code].lower())
    }


def _are_alike(one: str, other: str) -> bool:
    """Return whether two names are one spelled in two ways, but for case and dividers, or a slip of the pen.

    A slip is a letter too many or two that changed places, neither at the beginning: "unlocked" is not "locked",
    "door2" not "door1", "warn" not "warm".
    """
    shorter, longer = sorted((_letters(one), _letters(other)), key=len)
    if shorter == longer or len(shorter) < _LEAST or _digits(one) != _digits(other):
        return shorter == longer
    inner = range(1, len(longer))
    if len(longer) > len(shorter):
        return any(longer[:at] + longer[at + 1 :] == shorter for at in inner)
    return any(
        longer[:at] + longer[at : at + 2][::-1] + longer[at + 2 :] == shorter for at in inner
    )


def _letters(name: str) -> str:
    return name.lower().replace("_", "").replace("-", "")


def _digits(name: str) -> str:
    return "".join(filter(str.isdigit, name))
