"""The largest size of a message in an encoding, whatever its values: a message that has it, or a proven limit.

Every field takes its longest value (see ``longest``), arrays their most elements, what may be absent is there; every
combination of union options is tried; in a SenML pack elements with a time each come one after the other, as they
are taken (``own_times``). Sizes add up, so that the outcome is the largest of all: its octets are shown.
Where a field's longest value is not known, what it could take more is added, and the size is a limit ("at most").
"""

from itertools import product
from math import prod
from typing import Literal, NamedTuple

from lowpanbudget.payload.forms.largest_values import (
    Coded,
    Encode,
    LargestValues,
    Leaves,
    Made,
    tags_of,
)
from lowpanbudget.payload.forms.senml_units import Units
from lowpanbudget.payload.forms.shapes import Unsayable
from lowpanbudget.payload.kinds.interfaces import ELEMENT, FieldPath
from lowpanbudget.values import dataclass, field

MOST_CHOICES = 1024  # combinations of union options; a format with more has no largest size here
_HEAD = 4  # octets by which the head of a pack with some more records is longer at the most


class Largest(NamedTuple):
    """The largest size: ``octets``, None where it cannot be told; ``cannot`` says why.

    ``wire`` are octets of a message as large as that, or nearly, where ``octets`` is only a limit.
    """

    octets: int | None
    wire: bytes | None
    cannot: str = ""

    @property
    def kind(self) -> Literal["found", "bound", ""]:
        """Return "found" where a message of this size was made, "bound" where only a limit was proved."""
        if self.octets is None or self.wire is None:
            return ""
        return "found" if len(self.wire) == self.octets else "bound"


def search(leaves: Leaves, encode: Encode, count: int | None = None) -> Largest:
    """Return the largest size, of all messages or of those with ``count`` readings; ``encode`` proves octets."""
    message, units = leaves.message, leaves.writing.units
    tags = dict(tags_of(message.fields))
    if prod(map(len, tags.values())) > MOST_CHOICES:
        return Largest(None, None, f"more than {MOST_CHOICES} combinations of union options")
    counts: dict[FieldPath, int] = {}
    if message.batch_field is not None and count is not None:
        counts[message.batch_field.name,] = count
    limits = _Limits(units, any(ELEMENT in place for place in tags))
    wire, cannot = None, ""
    for names in product(*tags.values()):
        choice = dict(zip(tags, names, strict=True))
        try:
            made = LargestValues(leaves, choice, frozenset(), counts).made()
            octets = encode(made.values)
            numbers = limits.add(octets, made)
            if numbers:
                octets = encode(LargestValues(leaves, choice, numbers, counts).made().values)
        except Unsayable as fault:
            cannot = fault.message
            continue
        if wire is None or len(octets) > len(wire):
            wire = octets
    return Largest(None, None, cannot) if wire is None else Largest(limits.octets, wire)


@dataclass(slots=True)
class _Limits:
    """The size that no combination exceeds. ``several``: each element of one message may have another combination."""

    units: Units | None
    several: bool
    octets: int = 0
    _bare: int = 0
    _shared: dict[str, int] = field(default_factory=dict)

    def add(self, octets: bytes, made: Made) -> frozenset[FieldPath]:
        """Take the octets of a combination; return where a number with its unit is longer than a special code alone.

        A special code is longer than the number by an octet at least, and a second number makes its unit no more than
        an octet longer: so one number is enough for each unit.
        """
        size = len(octets) + made.slack
        if self.units is None:
            self.octets = max(self.octets, size)
            return frozenset()
        size += self.units.shorter_times(octets, made.times)
        taken = self.units.taken(octets)
        least: dict[str, Coded] = {}
        for coded in made.coded:
            if coded.unit not in taken:
                known = least.setdefault(coded.unit, coded)
                least[coded.unit] = min(known, coded, key=lambda one: one.loss)
        gains = {unit: self.units.alone(unit) - coded.loss for unit, coded in least.items()}
        if self.several:
            self._bare = max(self._bare, size - sum(taken.values()))
            for unit in (*taken, *gains):
                self._shared[unit] = self.units.shared(unit)
            self.octets = self._bare + sum(self._shared.values()) + _HEAD
        else:
            self.octets = max(self.octets, size + sum(gain for gain in gains.values() if gain > 0))
        return frozenset(least[unit].place for unit, gain in gains.items() if gain > 0)
