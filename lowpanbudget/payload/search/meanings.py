"""What no octet shows: the unit of a number, and what a time is counted from, of two formats."""

from collections.abc import Iterator

from lowpanbudget.payload.kinds.interfaces import ELEMENT, FieldPath
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.search.tree import walk
from lowpanbudget.payload.units import is_same_unit
from lowpanbudget.payload.words import joined

MEANINGS = ("unit", "epoch")  # keys of fields


def other_meanings(receiver: Message, sender: Message, renamed: dict[str, str]) -> Iterator[str]:
    """Yield in words what a receiver takes for something else, in fields of any kind that both have."""
    for _path, _key, ours, theirs in _pairs(receiver, sender, renamed):
        if ours and theirs:
            yield f"the same octets, but takes {theirs} for {ours}"


def one_sided_meanings(
    receiver: Message, sender: Message, renamed: dict[str, str]
) -> Iterator[str]:
    """Yield in words what only one of them states, and both must mean."""
    for path, key, ours, theirs in _pairs(receiver, sender, renamed):
        if not (ours and theirs):
            yield f"{key} {ours or theirs} of {joined(path)} is meant by both"


def _pairs(
    receiver: Message, sender: Message, renamed: dict[str, str]
) -> Iterator[tuple[FieldPath, str, str, str]]:
    """Yield the place, the key, and what a receiver and a sender mean, where it is not the same."""
    there = _meant(sender)
    for path, ours in _meant(receiver).items():
        theirs = there.get(tuple(renamed.get(part, part) for part in path))
        for place, key in enumerate(MEANINGS):
            if theirs and not _is_same(key, ours[place], theirs[place]):
                yield path, key, ours[place], theirs[place]


def _is_same(key: str, ours: str, theirs: str) -> bool:
    """Return whether both mean the same; of one unit there may be another name: degC is Cel."""
    return ours == theirs or (key == "unit" and is_same_unit(ours, theirs))


def _meant(message: Message) -> dict[FieldPath, tuple[str, ...]]:
    """Return unit and epoch of each field, also of one that has none; of a list those of its elements."""
    return {
        path[:-1] if path[-1] == ELEMENT else path: tuple(
            str(getattr(field, key, "")) for key in MEANINGS
        )
        for path, field in walk(message.fields)
    }
