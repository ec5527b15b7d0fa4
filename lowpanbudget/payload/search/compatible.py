"""Changing a format without breaking its receivers: what an old receiver reads from new octets, and a new one from old.

Every change is made alone in the old format as well, and read with it (``receiver`` tells how that is judged).
"""

import dataclasses
from collections.abc import Iterator, Sequence
from typing import Any, NamedTuple

from lowpanbudget.payload.flaws import FlawedMessage
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.search.advice import advice
from lowpanbudget.payload.search.edits import Edit, bare, edits
from lowpanbudget.payload.search.meanings import one_sided_meanings
from lowpanbudget.payload.search.measured import measured_alike
from lowpanbudget.payload.search.names import called_alike
from lowpanbudget.payload.search.receiver import ALL_RIGHT, SAFE, Outcome, Reading, Sides, reading
from lowpanbudget.payload.search.tree import with_members
from lowpanbudget.payload.words import joined
from lowpanbudget.values import dataclass


class Change(NamedTuple):
    """One change of a format, made alone.

    ``path``: the place of the field in the format, empty for the message itself. ``what``: what is changed, in words.
    ``safe``: whether every receiver of the old format reads all its fields right. ``reads``: what an old
    receiver makes of the new octets, in words. ``bits``: by how many the greatest message grows, or shrinks where it is
    below 0. ``outcome``: read right, right in another unit, right as a prefix, refused, may be misread, misread, or not
    judged, where the change alone makes no format.
    """

    path: str
    what: str
    safe: bool
    reads: str
    bits: int
    outcome: Outcome


@dataclass(frozen=True, slots=True)
class FormatComparison:
    """An old and a new format of one name, compared; all changes together.

    ``message``: the name of both. ``safe``: whether all is read right by every receiver of the old format. ``reads``:
    what an old receiver makes of new messages, in words. ``changes``: each change alone, as a Change. ``old_octets``:
    the least and the greatest size before, in octets, or None where there was no such format. ``new_octets``: the least
    and the greatest size now, or None where it is gone. ``outcome``: what becomes of new messages at an old receiver:
    read right, right in another unit, right as a prefix, refused, may be misread, or misread.
    ``new_receiver_outcome``: the same of old messages at a new receiver. ``new_receiver_reads``: what that makes of
    them, in words. ``advice``: what to do about what is not read right, each a text.
    """

    message: str
    safe: bool
    reads: str
    changes: tuple[Change, ...]
    old_octets: tuple[int, int] | None
    new_octets: tuple[int, int] | None
    outcome: Outcome
    new_receiver_outcome: Outcome
    new_receiver_reads: str
    advice: tuple[str, ...] = ()


_IN_VAIN = Reading(Outcome.REFUSED, "waits for it in vain")
_NOT_KNOWN = Reading(
    Outcome.RIGHT,
    "does not know it, and is not disturbed as long as it can tell it apart (by port, resource or first bits)",
)


def compare_all(
    old: Sequence[Message], new: Sequence[Message], *, ignore_tail: bool = False
) -> tuple[FormatComparison, ...]:
    """Return the comparison of every message of two design files, by name."""
    after = {message.name: message for message in new}
    judged = [
        compare(message, after[message.name], ignore_tail=ignore_tail)
        if message.name in after
        else _compared(message, None, (), _IN_VAIN, _NOT_KNOWN)
        for message in old
    ]
    before = {message.name for message in old}
    added = [
        _compared(None, message, (), _NOT_KNOWN, _IN_VAIN)
        for message in new
        if message.name not in before
    ]
    return (*judged, *added)


def compare(old: Message, new: Message, *, ignore_tail: bool = False) -> FormatComparison:
    """Return what changes between two formats, which of it is safe, and what receivers of each read from the other."""
    judged = list(_order_changes(old, new, ignore_tail=ignore_tail))
    everywhere = bool(judged)
    judged += [
        _field_change(old, edit, ignore_tail=ignore_tail)
        for edit in edits(old.fields, new.fields, ())
    ]
    if not judged and [*map(bare, old.fields)] == [*map(bare, new.fields)]:
        return _compared(old, new, (), ALL_RIGHT, ALL_RIGHT)  # one format, as most of a design are
    if len(judged) == 1 and judged[0].outcome is not Outcome.UNKNOWN:
        read = Reading(judged[0].outcome, judged[0].reads)  # one change alone is all that differs
    else:
        read = reading(_sides(old, new, ignore_tail=ignore_tail), everywhere=everywhere)
    alone = {change.outcome for change in judged}
    worst = read.outcome is Outcome.MISREAD
    if worst and len(judged) > 1 and alone <= {*SAFE, Outcome.REFUSED}:
        read = read._replace(text=f"{read.text}; no change alone does that")
    back = (
        reading(_sides(new, old, ignore_tail=ignore_tail), everywhere=everywhere)
        if judged
        else read
    )
    return _compared(old, new, tuple(judged), read, back)


def _sides(receiver: Message, sender: Message, *, ignore_tail: bool) -> Sides:
    """Return two formats with all that differs between them."""
    differences = list(edits(receiver.fields, sender.fields, ()))
    renamed = {was: now for edit in differences for was, now in edit.renamed.items()}
    assumed = [edit.assumed for edit in differences if edit.assumed]
    return _with_assumed(Sides(receiver, sender, renamed, assumed, ignore_tail))


def _with_assumed(sides: Sides) -> Sides:
    """Return two formats in which the same codes have the same names and units, and all that is so supposed."""
    receiver, sender, measured = measured_alike(sides.receiver, sides.sender, sides.renamed)
    sender, supposed = called_alike(receiver, sender)
    meant = one_sided_meanings(receiver, sender, sides.renamed)
    return Sides(
        receiver,
        sender,
        sides.renamed,
        [*sides.assumed, *supposed, *meant],
        sides.ignore_tail,
        measured,
    )


def _compared(
    old: Message | None,
    new: Message | None,
    changes: tuple[Change, ...],
    read: Reading,
    back: Reading,
) -> FormatComparison:
    """Return a comparison with what an old receiver reads, and ``back`` what a new one does from old messages."""
    name = next(message.name for message in (old, new) if message)
    safe = read.outcome in SAFE
    todo: tuple[str, ...] = ()
    if old and new:
        alone = [(one.path, one.what, one.outcome) for one in changes]
        todo = tuple(advice(old, new, alone, (read.outcome, back.outcome)))
    return FormatComparison(
        name, safe, read.text, changes, _octets(old), _octets(new), read.outcome, *back, todo
    )


def _octets(message: Message | None) -> tuple[int, int] | None:
    return (message.min_octets, message.max_octets) if message else None


def _order_changes(old: Message, new: Message, *, ignore_tail: bool) -> Iterator[Change]:
    for key in ("byte_order", "bit_order", "layout"):
        before, after = getattr(old, key), getattr(new, key)
        if before != after:
            edit = Edit((), f"{key.replace('_', ' ')} {before} becomes {after}", (), (), {})
            yield _judged(
                old, edit, {key: after}, "cannot be judged alone", ignore_tail=ignore_tail
            )


def _field_change(old: Message, edit: Edit, *, ignore_tail: bool) -> Change:
    fields = with_members(old.fields, edit.container, edit.members)
    why = "cannot be judged alone: other fields depend on it"
    return _judged(old, edit, {"fields": fields}, why, ignore_tail=ignore_tail)


def _judged(
    old: Message, edit: Edit, changes: dict[str, Any], why_not: str, *, ignore_tail: bool
) -> Change:
    """Return a change with what the old format reads when it is the only one."""
    path = joined(edit.place)
    try:
        changed = dataclasses.replace(old, **changes)
    except FlawedMessage:
        return Change(path, edit.what, False, why_not, 0, Outcome.UNKNOWN)
    assumed = [edit.assumed] if edit.assumed else []
    sides = _with_assumed(Sides(old, changed, edit.renamed, assumed, ignore_tail))
    read = reading(sides, everywhere="fields" not in changes)
    bits = changed.max_bits - old.max_bits
    return Change(path, edit.what, read.outcome in SAFE, read.text, bits, read.outcome)
