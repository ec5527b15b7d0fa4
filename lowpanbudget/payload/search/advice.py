"""What to do about changes that old or new receivers do not read right."""

import re
from collections.abc import Iterator, Sequence
from typing import Any

from lowpanbudget.payload.kinds.version import Version
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.search.receiver import SAFE, Outcome
from lowpanbudget.payload.search.tree import walk
from lowpanbudget.payload.words import joined

_READ = {*SAFE, Outcome.PREFIX}
_INSIDE = re.compile(r"[.\[]")  # of a path into a group or a list
_MISREAD = {Outcome.MISREAD, Outcome.OPEN}

_APPENDED = (
    "An optional field that is appended moves all others by its presence bit. In a group that is appended for it, and "
    "is not optional itself, it does not: its presence bit comes with the group."
)
_GROWN = (
    "What an element of a list, or a group, has more or less moves all that stands behind it, whether it is optional "
    "or in a group of its own. As an optional field of a group that is appended behind all else, it moves nothing."
)
_CODES = (
    "A name that is put among others gives its code, and those of all behind it, another meaning. Appended at the end, "
    "or with codes in a table (names = { ... }), all keep theirs."
)
_WIDER = (
    "{fields}: the old width is full, and a wider one moves all that stands behind. Bits for names that come later "
    "(bits of the field) keep the places, if they are stated before nodes are built."
)
_TOLD_APART = (
    "Nothing in such a message tells which of the two formats it has. A version in front that counts up with the "
    "format would: a receiver refuses the other one, and can read it with the format of its version."
)
_BEHIND_PRESENCE = (
    "The version does not stand in front: the presence bits of optional fields do, and with another number of them it "
    "moves. Where optional fields stand in a group behind it, it stays, and tells the formats apart."
)
_COUNTS_UP = (
    "The version is the same in both formats. Where it counts up with the format, a receiver refuses the other one, "
    "and can read it with the format of its version."
)
_SCALED = (
    "Octets and quantity are the same, but a receiver of the other format has another number for it. Who shows, keeps "
    "or compares numbers of both needs the unit beside each."
)


def advice(
    old: Message,
    new: Message,
    changes: Sequence[tuple[str, str, Outcome]],
    outcomes: Sequence[Outcome],
) -> Iterator[str]:
    """Yield advice on changes, each with its path, in words and its outcome, and on what becomes of all together."""
    bad = [(path, what) for path, what, outcome in changes if outcome not in _READ]
    came = [path for path, what in bad if what.endswith((" appended", " inserted", " removed"))]
    if Outcome.SCALED in {*outcomes, *(outcome for _, _, outcome in changes)}:
        yield _SCALED
    if any(_INSIDE.search(path) for path in came):
        yield _GROWN
    optional = {field.name for field in new.fields if field.optional}
    if any(what == f"{path} appended" and path in optional for path, what in bad):
        yield _APPENDED
    wrong = [
        path
        for path, what, outcome in changes
        if outcome is Outcome.MISREAD and what.startswith("names ") and " added" in what
    ]
    wider = [path for path in wrong if _is_wider_alone(path, old, new)]
    if len(wider) < len(wrong):
        yield _CODES
    if wider:
        yield _WIDER.format(fields=", ".join(wider))
    if _MISREAD.isdisjoint(outcomes):
        return
    versions = [_version(one) for one in (old, new)]
    presence = [sum(field.optional for field in one.fields) for one in (old, new)]
    if None in versions:
        yield _TOLD_APART
    elif old.order.rounded(presence[0]) != new.order.rounded(presence[1]):
        yield _BEHIND_PRESENCE
    elif versions[0] == versions[1]:
        yield _COUNTS_UP
    else:
        yield _TOLD_APART


def _is_wider_alone(path: str, old: Message, new: Message) -> bool:
    """Return whether all names of a field keep their codes in the new format, and only its width grows."""
    fields = [{joined(place): field for place, field in walk(one.fields)} for one in (old, new)]
    before, after = (found.get(path) for found in fields)
    if before is None or after is None or before.value_bits() >= after.value_bits():
        return False
    return before.coded_names().items() <= after.coded_names().items()


def _version(message: Message) -> object:
    """Return the value of the version that is the first field; None where another field is."""
    first: Any = message.fields[0]
    return first.value if first.kind == Version.kind else None
