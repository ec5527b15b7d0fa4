"""What a receiver of one format makes of messages of another.

Values at all edges and many between them are packed with the format of the sender, and that of the receiver reads the
octets. Among them are the values that the sender's format reads where the receiver's one sent its own edges: what was a
special code or an escape may be a plain value now. That others are not misread, they do not show: a proof has to
(``alignment``, ``certain_bits``, ``course``), else messages that both read are searched for (``ambiguity``), and where
none of them is misread it is left open. Only what the wire cannot show (another unit, another epoch, a flag that the
sender does not have) is judged by comparing the declarations, unless it is proven that all messages are refused.
"""

import re
from collections.abc import Iterator, Sequence
from enum import Enum
from itertools import chain
from typing import Any, NamedTuple

from lowpanbudget.errors import WireError, plural
from lowpanbudget.payload.kinds.interfaces import FieldPath
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.search.alignment import is_in_step
from lowpanbudget.payload.search.ambiguity import read_by_both
from lowpanbudget.payload.search.certain_bits import is_never_read
from lowpanbudget.payload.search.course import are_read_right, refused_layout
from lowpanbudget.payload.search.judge import Judge
from lowpanbudget.payload.search.meanings import other_meanings
from lowpanbudget.payload.search.names import unsent_flags
from lowpanbudget.payload.search.sampler import edges, every_message, samples
from lowpanbudget.payload.search.sizes_apart import are_refused_by_size
from lowpanbudget.payload.search.tree import walk

_NOT_PROVEN = "no message was found that is misread, and nothing proves that there is none"
_SOME, _ALL = "refuses some messages", "refuses all messages"
_TRIED = f"{_ALL} that were tried"
_FEW_OCTETS = 2  # of a message, whose every value can be tried
# messages that are drawn where nothing proves how all are read, fewer of long ones
_LEAST_MORE, _MOST_MORE, _OCTETS_MORE = 24, 400, 20_000
_INDEX = re.compile(r"\[\d*\]")  # of a path into a list: "[]" stands for any
_SHOWN = 40  # octets of a message that is misread, for people to try


class Outcome(Enum):
    """What becomes of messages at a receiver of another format, from the best to the worst, which nobody notices.

    ``SCALED``: the same octets and the same quantity, whose number is another one in the receiver's unit. ``PREFIX``:
    read right by a receiver that ignores octets after its last field, refused by any other. ``OPEN``: no
    message was found that is misread, and nothing proves that there is none.
    """

    RIGHT = "read right"
    SCALED = "right in another unit"
    PREFIX = "right as a prefix"
    REFUSED = "refused"
    OPEN = "may be misread"
    MISREAD = "misread"
    UNKNOWN = "not judged"


_READ = {Outcome.RIGHT, Outcome.PREFIX}
SAFE = {Outcome.RIGHT, Outcome.SCALED}
Values = dict[str, Any]


class Reading(NamedTuple):
    """What a receiver makes of messages of another format, and what it reads, in words."""

    outcome: Outcome
    text: str


ALL_RIGHT = Reading(Outcome.RIGHT, "all its fields right")


class Sides(NamedTuple):
    """The formats of a receiver and of a sender; ``renamed`` says what the sender calls the receiver's fields.

    ``assumed`` says what has to be so for what is right, ``measured`` which numbers the receiver has in another unit;
    here they are in one. A receiver that ignores the tail reads what it knows and
    leaves the octets after it, as ``Message.unpack`` does where that is asked for.
    """

    receiver: Message
    sender: Message
    renamed: dict[str, str]
    assumed: Sequence[str]
    ignore_tail: bool
    measured: Sequence[tuple[str, str]] = ()


def reading(sides: Sides, *, everywhere: bool = False) -> Reading:
    """Return what a receiver makes of messages; ``everywhere``: edges of all fields, not only where they differ."""
    read = _reading(sides, everywhere=everywhere)
    said = [f"{path} {words}" for path, words in sides.measured if _is_about(read, path)]
    if not said:
        return read
    outcome = Outcome.SCALED if read.outcome is Outcome.RIGHT else read.outcome
    return Reading(outcome, f"{read.text}; {' and '.join(said)}")


def _is_about(read: Reading, path: str) -> bool:
    """Return whether the unit of a field matters: where its number is read, of one that is misread where it is that."""
    if read.outcome is Outcome.MISREAD:
        return _INDEX.sub("", read.text).startswith(f"{_INDEX.sub('', path)} = ")
    return read.outcome in _READ


def _reading(sides: Sides, *, everywhere: bool) -> Reading:
    receiver, sender, *_ = sides
    places = None if everywhere else _differing(receiver, sender)
    judge = Judge(receiver.fields, sides.renamed)

    def given() -> Iterator[Values]:
        yield from chain(samples(sender), edges(sender, places))
        yield from _read_anew(receiver, sender, places)

    tried = _tried(sides, given(), judge)
    if tried.outcome in _READ:
        tried = _tried_further(sides, tried, given(), judge)
    if tried.outcome is Outcome.MISREAD:
        return tried
    # what is right as a prefix is so for those who ignore the tail
    ignore_tail = sides.ignore_tail or tried.outcome is Outcome.PREFIX
    are_read = _are_read(sides._replace(ignore_tail=ignore_tail))
    if are_read is False and tried.outcome is Outcome.REFUSED:
        return tried._replace(text=_as_all(tried.text))
    names = receiver, sender, sides.renamed
    unseen = next(chain(other_meanings(*names), unsent_flags(*names)), "")
    if unseen:
        return Reading(Outcome.MISREAD, unseen)
    found = tried if are_read is not None else _searched(sides, tried, judge)
    if not sides.assumed or found.outcome is Outcome.MISREAD:
        return found
    return found._replace(
        text=f"{found.text}; the same octets: right only if {', and '.join(sides.assumed)}"
    )


def _tried_further(sides: Sides, tried: Reading, given: Iterator[Values], judge: Judge) -> Reading:
    """Return the same where no layout is refused, of which samples may have met none; draw more where none can tell."""
    receiver, sender, renamed, *_ = sides
    ignore_tail = sides.ignore_tail or tried.outcome is Outcome.PREFIX
    layout = refused_layout(receiver, sender, renamed, ignore_tail=ignore_tail)
    if layout:
        return Reading(Outcome.REFUSED, f"{_SOME}: such as those with {layout}")
    if layout is not None:
        return tried
    return _tried(sides, chain(given, samples(sender, _more(sender), seed=2)), judge)


def _are_read(sides: Sides) -> bool | None:
    """Return whether any message is read, where it is proven that none at all is misread."""
    ends, ignore_tail = (sides.receiver, sides.sender), sides.ignore_tail
    if is_never_read(*ends, ignore_tail=ignore_tail):
        return False
    if is_in_step(*ends, sides.renamed):
        return True
    are_refused = are_refused_by_size(*ends, ignore_tail=ignore_tail)
    if are_refused is not None:
        return not are_refused
    return are_read_right(*ends, sides.renamed, ignore_tail=ignore_tail)


def _searched(sides: Sides, tried: Reading, judge: Judge) -> Reading:
    """Return a message that is misread, where one is found; else that there may be one, unless all were tried."""
    receiver, sender, ignore_tail = sides.receiver, sides.sender, sides.ignore_tail
    if sender.max_octets <= _FEW_OCTETS:
        whole = _tried(sides, every_message(sender), judge)
        return whole._replace(text=whole.text.replace(_TRIED, _ALL, 1))
    drawn = samples(sender, _more(sender), seed=3)
    alike = read_by_both(receiver, sender, sides.renamed, ignore_tail=ignore_tail)
    for sent in chain(drawn, alike):
        octets = sender.pack(sent)
        try:
            wrong = judge.misread(sent, receiver.unpack(octets, ignore_tail=ignore_tail))
        except WireError:
            continue
        if wrong:
            shown_octets = f" (octets {octets.hex()})" if len(octets) <= _SHOWN else ""
            return Reading(Outcome.MISREAD, f"{wrong}{shown_octets}")
    return Reading(Outcome.OPEN, f"{tried.text}; {_NOT_PROVEN}")


def _more(sender: Message) -> int:
    return min(max(_OCTETS_MORE // sender.max_octets, _LEAST_MORE), _MOST_MORE)


def _as_all(text: str) -> str:
    return text.replace(_TRIED, _ALL, 1).replace(_SOME, _ALL, 1)


def _differing(before: Message, after: Message) -> set[FieldPath]:
    """Return the places of a format whose field differs from that of the other one there."""
    there = dict(walk(before.fields))
    return {place for place, field in walk(after.fields) if there.get(place) != field}


def _tried(sides: Sides, given: Iterator[Values], judge: Judge) -> Reading:
    """Return the first thing that is misread, else the first that is refused, else that all is right."""
    receiver, sender = sides.receiver, sides.sender
    refused = behind = None  # behind: what only a receiver that ignores the tail misreads
    most, is_read = 0, False  # most: octets after what it reads
    for sent in given:
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
        else:
            is_read = True
            most = max(most, len(octets) - tail.offset if tail else 0)
    found = behind or refused or _right(receiver, most)
    return found if is_read else found._replace(text=found.text.replace(_SOME, _TRIED, 1))


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
    if not more:
        return ALL_RIGHT
    tail = f"only where it ignores up to {plural(more, 'octet')} after them"
    name = receiver.name
    who = f"{name}_unpack_prefix of the generated C does, {name}_unpack and unpack refuse such messages"
    return Reading(Outcome.PREFIX, f"{ALL_RIGHT.text}, {tail}: {who}")


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
