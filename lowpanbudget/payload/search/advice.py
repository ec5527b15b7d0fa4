"""What to do about changes that old or new receivers do not read right."""

from collections.abc import Iterator, Sequence
from typing import Any

from lowpanbudget.payload.kinds.version import Version
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.search.receiver import Outcome

_READ = {Outcome.RIGHT, Outcome.PREFIX}
_MISREAD = {Outcome.MISREAD, Outcome.OPEN}

_APPENDED = (
    "An optional field that is appended moves all others by its presence bit. In a group of its own that is appended, "
    "it does not: its presence bit comes with the group."
)
_GROWN = (
    "What an element of a list has more or less moves all elements behind it, whether it is optional or in a group. A "
    "second list that is appended behind all else moves nothing."
)
_FLAG = "A flag in bits that were reserved can say whether what is appended was sent."
_TOLD_APART = (
    "Nothing in such a message tells which of the two formats it has. A version in front that counts up with the "
    "format would: a receiver refuses the other one, and can read it with the format of its version. "
    f"{_FLAG}"
)
_BEHIND_PRESENCE = (
    "The version does not stand in front: the presence bits of optional fields do, and with another number of them it "
    "moves. Where optional fields stand in a group behind it, it stays, and tells the formats apart."
)
_COUNTS_UP = (
    "The version is the same in both formats. Where it counts up with the format, a receiver refuses the other one, "
    f"and can read it with the format of its version. {_FLAG}"
)


def advice(
    old: Message,
    new: Message,
    changes: Sequence[tuple[str, str, Outcome]],
    outcomes: Sequence[Outcome],
) -> Iterator[str]:
    """Yield advice on changes, each with its path, in words and its outcome, and on what becomes of all together."""
    bad = [(path, what) for path, what, outcome in changes if outcome not in _READ]
    if any("[]" in path for path, _ in bad):
        yield _GROWN
    if any(what.endswith(" appended") and "[]" not in path for path, what in bad):
        yield _APPENDED
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


def _version(message: Message) -> object:
    """Return the value of the version that is the first field; None where another field is."""
    first: Any = message.fields[0]
    return first.value if first.kind == Version.kind else None
