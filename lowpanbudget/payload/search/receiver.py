"""What a receiver of one format makes of messages of another.

Values at all edges and many between them are packed with the format of the sender, and that of the receiver reads the
octets. Among them are the values that the sender's format reads where the receiver's one sent its own edges: what was a
special code or an escape may be a plain value now. That others are not misread, they do not show: a proof has to
(``alignment``, ``certain_bits``, ``course``), else messages that both read are searched for (``ambiguity``), and where
none of them is misread it is left open. Only what the wire cannot show (another unit, another epoch) is judged by
comparing the declarations.
"""

from collections.abc import Iterator, Sequence
from enum import Enum
from itertools import chain
from typing import Any, NamedTuple

from lowpanbudget.errors import WireError, plural
from lowpanbudget.payload.kinds.flags import Flags
from lowpanbudget.payload.kinds.interfaces import FieldPath
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.search.alignment import is_in_step
from lowpanbudget.payload.search.ambiguity import read_by_both
from lowpanbudget.payload.search.certain_bits import is_never_read
from lowpanbudget.payload.search.course import are_read_right, refused_layout
from lowpanbudget.payload.search.edits import shown
from lowpanbudget.payload.search.sampler import edges, samples
from lowpanbudget.payload.search.tree import walk
from lowpanbudget.payload.words import joined

_NOT_PROVEN = "no message was found that is misread, and nothing proves that there is none"
_SOME, _ALL = "refuses some messages", "refuses all messages"
_SHOWN = 40  # octets of a message that is misread, for people to try


class Outcome(Enum):
    """What becomes of messages at a receiver of another format, from the best to the worst, which nobody notices.

    ``PREFIX``: read right by a receiver that ignores octets after its last field, refused by any other. ``OPEN``: no
    message was found that is misread, and nothing proves that there is none.
    """

    RIGHT = "read right"
    PREFIX = "right as a prefix"
    REFUSED = "refused"
    OPEN = "may be misread"
    MISREAD = "misread"
    UNKNOWN = "not judged"


class Reading(NamedTuple):
    """What a receiver makes of messages of another format, and what it reads, in words."""

    outcome: Outcome
    text: str


class Sides(NamedTuple):
    """The formats of a receiver and of a sender; ``renamed`` says what the sender calls the receiver's fields.

    ``meanings`` are differences that no octet shows, ``assumed`` what has to be so for what is right. A receiver that
    ignores the tail reads what it knows and leaves the octets after it, as ``Message.unpack`` does where that is asked
    for.
    """

    receiver: Message
    sender: Message
    renamed: dict[str, str]
    meanings: Sequence[str]
    assumed: Sequence[str]
    ignore_tail: bool


def reading(sides: Sides, *, everywhere: bool = False) -> Reading:
    """Return what a receiver makes of messages; ``everywhere``: edges of all fields, not only where they differ."""
    places = None if everywhere else _differing(sides.receiver, sides.sender)
    judge = _Judge(sides)
    tried = _tried(sides, places, judge)
    if tried.outcome is Outcome.MISREAD:
        return tried
    if sides.meanings:
        return Reading(Outcome.MISREAD, sides.meanings[0])
    # what is right as a prefix is so for those who ignore the tail
    ignore_tail = sides.ignore_tail or tried.outcome is Outcome.PREFIX
    if tried.outcome in (Outcome.RIGHT, Outcome.PREFIX):
        ends = sides.receiver, sides.sender
        layout = refused_layout(*ends, sides.renamed, ignore_tail=ignore_tail)
        if layout:
            tried = Reading(Outcome.REFUSED, f"{_SOME}: such as those with {layout}")
    are_read = _are_read(sides._replace(ignore_tail=ignore_tail))
    if are_read is False and tried.outcome is Outcome.REFUSED:
        return tried._replace(text=tried.text.replace(_SOME, _ALL, 1))
    found = _searched(sides, tried, judge) if are_read is None else tried
    if not sides.assumed or found.outcome is Outcome.MISREAD:
        return found
    return found._replace(
        text=f"{found.text}; the same octets: right only if {', and '.join(sides.assumed)}"
    )


def _are_read(sides: Sides) -> bool | None:
    """Return whether any message is read, where it is proven that none at all is misread."""
    ends, ignore_tail = (sides.receiver, sides.sender), sides.ignore_tail
    if is_never_read(*ends, ignore_tail=ignore_tail):
        return False
    if is_in_step(*ends, sides.renamed):
        return True
    return are_read_right(*ends, sides.renamed, ignore_tail=ignore_tail)


def _searched(sides: Sides, tried: Reading, judge: "_Judge") -> Reading:
    """Return a message that is misread, where one is found; else that there may be one."""
    receiver, sender, ignore_tail = sides.receiver, sides.sender, sides.ignore_tail
    for sent in read_by_both(receiver, sender, ignore_tail=ignore_tail):
        octets = sender.pack(sent)
        wrong = judge.misread(sent, receiver.unpack(octets, ignore_tail=ignore_tail))
        if wrong:
            shown_octets = f" (octets {octets.hex()})" if len(octets) <= _SHOWN else ""
            return Reading(Outcome.MISREAD, f"{wrong}{shown_octets}")
    return Reading(Outcome.OPEN, f"{tried.text}; {_NOT_PROVEN}")


def _differing(before: Message, after: Message) -> set[FieldPath]:
    """Return the places of a format whose field differs from that of the other one there."""
    there = dict(walk(before.fields))
    return {place for place, field in walk(after.fields) if there.get(place) != field}


def _tried(sides: Sides, places: set[FieldPath] | None, judge: "_Judge") -> Reading:
    """Return the first thing that is misread, else the first that is refused, else that all is right."""
    receiver, sender = sides.receiver, sides.sender
    refused = behind = None  # behind: what only a receiver that ignores the tail misreads
    most = 0  # octets after what it reads
    for sent in chain(samples(sender), edges(sender, places), _read_anew(receiver, sender, places)):
        octets = sender.pack(sent)
        try:
            got, tail = _received(receiver, octets)
        except WireError as fault:
            refused = refused or _refused(fault)
            continue
        wrong = judge.misread(sent, got)
        if wrong and tail and not sides.ignore_tail:
            behind = behind or _misread_behind(receiver, tail, wrong)
        elif wrong:
            return Reading(Outcome.MISREAD, wrong)
        elif tail:
            most = max(most, len(octets) - tail.offset)
    return behind or refused or _right(receiver, most)


def _refused(fault: WireError) -> Reading:
    return Reading(Outcome.REFUSED, f"{_SOME}: {fault.message}")


def _misread_behind(receiver: Message, tail: WireError, wrong: str) -> Reading:
    """Return that messages are refused for the octets after them, and what else becomes of them."""
    text = (
        f"{_refused(tail).text}; {receiver.name}_unpack_prefix ignores them and misreads: {wrong}"
    )
    return Reading(Outcome.REFUSED, text)


def _right(receiver: Message, more: int) -> Reading:
    """Return that all is read right; ``more``: the most octets that were left after the last field."""
    right = "all its fields right"
    if not more:
        return Reading(Outcome.RIGHT, right)
    tail = f"only where it ignores up to {plural(more, 'octet')} after them"
    name = receiver.name
    who = f"{name}_unpack_prefix of the generated C does, {name}_unpack and unpack refuse such messages"
    return Reading(Outcome.PREFIX, f"{right}, {tail}: {who}")


def _received(receiver: Message, octets: bytes) -> tuple[dict[str, Any], WireError | None]:
    """Return what is read from octets, and why a receiver that minds octets after it refuses them."""
    try:
        return receiver.unpack(octets), None
    except WireError as fault:
        return receiver.unpack(octets, ignore_tail=True), fault


def _read_anew(
    receiver: Message, sender: Message, places: set[FieldPath] | None
) -> Iterator[dict[str, Any]]:
    """Yield what the sender's format reads where the receiver's one sent its edges, zeros behind them."""
    before = None if places is None else _differing(sender, receiver)
    for sent in edges(receiver, before):
        try:
            octets = receiver.pack(sent).ljust(sender.max_octets, b"\0")
            yield sender.unpack(octets, ignore_tail=True)
        except WireError:
            continue  # no message of the sender's format begins like that


def _names_of(path: tuple[str | int, ...]) -> tuple[str, ...]:
    """Return the names on a path: neither elements nor options."""
    return tuple(part for part in path if isinstance(part, str) and part[0] not in "[(")


class _Judge:
    """Compares what was read with what was sent."""

    def __init__(self, sides: Sides) -> None:
        fields = sides.receiver.fields
        self._renamed = sides.renamed
        self._flags: dict[tuple[str, ...], set[str]] = {}
        for path, field in walk(fields):
            if isinstance(field, Flags):
                names = self._flags.setdefault(_names_of(self._sent_as(path)), set())
                names.update(field.names)
        self._optional = {
            self._sent_as((field.name,)) for field in fields if field.optional and field.needs_value
        }

    def misread(self, sent: dict[str, Any], got: dict[str, Any]) -> str:
        """Return the first value that is not as it was sent, in words, or nothing."""
        if not self._renamed and repr(got) == repr(sent):
            return ""  # as nearly all are read: what looks the same is the same
        there = {self._sent_as(path): value for path, value in _flat(got)}
        given = dict(_flat(sent))
        for path, value in there.items():
            if path not in given:
                return f"{joined(list(path))} = {shown(value)}, which was not sent"
            if not self._is_read_as(path, given[path], value):
                return f"{joined(list(path))} = {shown(value)} where {shown(given[path])} was sent"
        for path in given.keys() - there.keys():
            if path in self._optional:
                return f"no {joined(list(path))} where {shown(given[path])} was sent"
        return ""

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
