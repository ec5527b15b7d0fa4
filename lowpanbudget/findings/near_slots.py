"""Absolute slot numbers in beacons of a capture that has none: which nodes are few slots beside others that agree.

In which slot a beacon was sent is reckoned from the last one that agreed, by the times of the capture. That they are
good enough for it, the others show, who tell the number that is due each time.
"""

from collections.abc import Iterator
from typing import NamedTuple

from lowpanbudget.findings.finding import Hit
from lowpanbudget.findings.memory import FirstNamed
from lowpanbudget.findings.senders import Station
from lowpanbudget.findings.told_slots import Network, ToldSlots, TwoNumbers

# our choices
FAR_S = 1.0  # what is off by more is told by pairs
_NEAR_S = 60.0  # between beacons that are held together: clocks drift less than half a slot of 10 ms at 80 ppm
_ALIKE = 0.001  # of a slot's length, as two nodes show it


class _Agreed(NamedTuple):
    """The last beacon that told what was due: its number, when it came, and how long slots were then."""

    slot: int
    time_s: float
    slot_s: float


class NearSlots:
    """Holds what beacons tell against what is due by their times."""

    def __init__(self) -> None:
        self._told = ToldSlots()
        self._agreed = FirstNamed[Network, _Agreed]()

    def take(
        self, receiver: str | None, station: Station, name: str, slot: int, time_s: float,
        frame: int, slot_s: float | None,
    ) -> None:  # fmt: skip
        """Take a beacon, whose sender shows how long a slot is; None where it does not."""
        if slot_s is None:
            return
        network, now = (receiver, station[0]), _Agreed(slot, time_s, slot_s)
        before = self._agreed.entry(network, lambda: now)
        if before is None or before is now:
            return
        passed_s = time_s - before.time_s
        if not 0 <= passed_s < _NEAR_S:
            self._agreed[network] = now
            return
        if abs(before.slot_s - slot_s) > _ALIKE * slot_s:
            return
        numbers = TwoNumbers(slot, before.slot + round(passed_s / before.slot_s), frame)
        if abs(numbers.difference) * slot_s > FAR_S:
            return
        self._told.take(receiver, station, name, numbers)
        if not numbers.difference:
            self._agreed[network] = now

    def hits(self) -> Iterator[Hit]:
        """Yield which nodes are off."""
        return self._told.hits_beside_agreed()
