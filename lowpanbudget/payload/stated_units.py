"""Units that stand beside values that are given: they are those of the message, or the values are others."""

import re
from collections.abc import Iterable

from lowpanbudget.errors import RequestError, repeated
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.search.tree import walk
from lowpanbudget.payload.units import is_same_unit
from lowpanbudget.payload.words import joined

# an element of any number, an option of any name: a table's head has neither option nor "[]"
_ANY = re.compile(r"\[\d*\]|\([^)]*\)")


def judge_units(message: Message, stated: Iterable[tuple[str, str]], where: str = "") -> None:
    """Raise ``RequestError`` for the first path whose stated unit is not that of the message.

    No value is converted: a factor may be meant, or the head is that of another table.
    """
    units: dict[str, list[str]] = {}
    for place, field in walk(message.fields):
        units.setdefault(_ANY.sub("", joined(place)), []).append(field.shown_unit())
    for path, unit in stated:
        own = units.get(_ANY.sub("", path), [])
        if not unit or not own or any(is_same_unit(unit, one) for one in own):
            continue
        named = " or ".join(dict.fromkeys(filter(None, own)))
        meant = f"in {named}" if named else "without a unit"
        raise RequestError(
            f"{where}{path:.60} is given in {repeated(unit):.20}, and message {message.name} has it {meant}",
            hint=f"Give the values {meant}; that is assumed where no unit stands beside them",
        )
