"""Names of values that another format has for the same codes: no octet shows whether they mean the same."""

import dataclasses
from difflib import SequenceMatcher
from typing import Any

from lowpanbudget.payload.codec.compiler import MAX_DEPTH, references
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.interfaces import FieldPath
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.search.edits import bare
from lowpanbudget.payload.search.tree import replaced, walk

_ALIKE, _LEAST = 0.7, 3  # our choice


def called_alike(receiver: Message, sender: Message) -> tuple[Message, list[str]]:
    """Return the sender's format with the receiver's names of values, and what is so supposed, in words.

    A name that went and one that came in its place are the same where they are spelled much alike: a code that is
    given away anew has another name altogether. Tags keep theirs.
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
    """Return whether two names are spelled much alike, or one is a part of the other."""
    shorter, longer = sorted((one, other), key=len)
    contains = len(shorter) >= _LEAST and shorter in longer
    return contains or SequenceMatcher(None, one, other).ratio() >= _ALIKE
