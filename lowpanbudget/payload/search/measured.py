"""Numbers of one quantity that two formats have in different units: no octet shows the unit."""

from lowpanbudget.payload.flaws import FlawedMessage
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.interfaces import FieldPath
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.search.tree import replaced, walk
from lowpanbudget.payload.units import in_one_unit, is_same_unit
from lowpanbudget.payload.words import joined

Measured = tuple[str, str]  # a path, and in words in which unit it is read and was sent
Both = tuple[Message, Message, list[Measured]]


def measured_alike(receiver: Message, sender: Message, renamed: dict[str, str]) -> Both:
    """Return the formats of a receiver and a sender with numbers of one quantity in one unit, and which have another.

    Codes stay as they are: 30 % and 0.3 of "/" are one.
    """
    there = dict(walk(sender.fields))
    ours: dict[FieldPath, Field | None] = {}
    theirs: dict[FieldPath, Field | None] = {}
    said = []
    for path, field in walk(receiver.fields):
        place = tuple(renamed.get(part, part) for part in path)
        other = there.get(place)
        units = getattr(field, "unit", ""), getattr(other, "unit", "")
        if other is None or not all(units) or is_same_unit(*units):
            continue
        pair = in_one_unit(field, other)
        if pair:
            ours[path], theirs[place] = pair
            said.append((joined(path), f"in {units[0]} where {units[1]} was sent"))
    try:
        return replaced(receiver, ours), replaced(sender, theirs), said
    except FlawedMessage:  # a number that no field can have
        return receiver, sender, []
