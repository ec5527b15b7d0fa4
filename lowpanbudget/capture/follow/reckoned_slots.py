"""Absolute slot numbers of frames in a capture that does not tell them: reckoned from beacons and times.

A beacon tells its own number in clear (TSCH synchronization IE, IEEE 802.15.4-2015 7.4.4.2, from memory); from there on
slots follow each other. How long one is shows when two beacons are far enough apart; until then the beacon tells it, or
it is 10 ms, as in the default template (table 8-83, from memory). An integrity code that is right proves the number.
"""

from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.capture.recent import Recent
from lowpanbudget.layers.link.elements import nested_values
from lowpanbudget.layers.link.mac import FrameType, Mac
from lowpanbudget.layers.link.timeslots import TEMPLATES
from lowpanbudget.values import dataclass

_USUAL_NS = 1000 * TEMPLATES["10ms"].length
_LEAST_NS, _MOST_NS = 1_000_000, 1_000_000_000  # of a slot: as a design may have it
_APART_NS = 1_000_000_000  # beacons that show how long a slot is: a hundred usual ones
_MOST_SLOTS = 1 << 40
_NEAR = 2  # slots between what a beacon tells and what is due
_FEW = 3  # beacons that make a count as good as one of more
_MOST_COUNTS = 3  # of one network: a node may be off, and the clock of the capture may be set
_MOST_MISSED = 64  # frames in a row that none of the slots opens
_MOST_NETWORKS = 32


def told_slot(mac: Mac) -> int | None:
    """Return the absolute slot number that a beacon tells, None of any other frame."""
    if mac.frame_type != FrameType.BEACON:
        return None
    return next(nested_values(mac.payload_ies, "asn"), None)


@dataclass(slots=True)
class _Count:
    """How slots are counted, by the first beacon and the last of those that fit together: slot number and time."""

    first: tuple[int, int]
    last: tuple[int, int]
    is_sure: bool
    slot_ns: float = _USUAL_NS
    beacons: int = 1

    def at(self, time_ns: int) -> int:
        """Return the slot of a time."""
        return self.last[0] + round((time_ns - self.last[1]) / self.slot_ns)

    def takes(self, slot: int, time_ns: int) -> bool:
        """Take a beacon where it fits, or where it is the second, which shows how long a slot is."""
        slots, passed_ns = slot - self.first[0], time_ns - self.first[1]
        tells = slots > 0 and passed_ns >= _APART_NS and _is_length(passed_ns / slots)
        if abs(self.at(time_ns) - slot) > _NEAR and not (tells and self.beacons == 1):
            return False
        if tells:
            self.slot_ns = passed_ns / slots
        self.last, self.beacons = (slot, time_ns), self.beacons + 1
        return True


def _is_length(slot_ns: float) -> bool:
    return _LEAST_NS <= slot_ns <= _MOST_NS


class ReckonedSlots:
    """Counts the slots of each network as each receiver hears it, by its beacons; where they differ in several ways."""

    def __init__(self) -> None:
        self._counts = Recent[tuple[str | None, int | None], list[_Count]](_MOST_NETWORKS)
        self._missed = 0

    def take(self, sighting: Sighting, mac: Mac, slot: int, *, is_sure: bool) -> None:
        """Take a beacon that tells this number; one that nothing proves counts while none is proved."""
        time_ns = sighting.record.time_ns
        if time_ns is None:
            return
        network = sighting.record.receiver, mac.pan_id
        counts = self._counts.get(network, [])
        if is_sure:
            counts = [one for one in counts if one.is_sure]
        elif any(one.is_sure for one in counts):
            return
        if not any(one.takes(slot, time_ns) for one in counts):
            told_us = next(nested_values(mac.payload_ies, "timeslot_length"), 0)
            slot_ns = told_us * 1000 if _is_length(told_us * 1000) else _USUAL_NS
            now = slot, time_ns
            counts = [*counts[: _MOST_COUNTS - 1], _Count(now, now, is_sure, slot_ns)]
        counts.sort(key=lambda one: (-min(one.beacons, _FEW), -one.last[1]))
        self._counts.renew(network, counts)

    def tried(self, *, opened: bool) -> None:
        """Note whether one of the slots opened a frame: where none ever does, as under a wrong key, fewer are tried."""
        self._missed = 0 if opened else self._missed + 1

    def of(self, sighting: Sighting, mac: Mac, own: int | None = None) -> tuple[int | None, ...]:
        """Return the slot numbers to open a frame with: that of the capture, or those that may be it.

        The likelier comes first: its ``own``, where it is a beacon; one may tell another than that of its nonce.
        Beacon and frame stand where a sender begins, an acknowledgement later in the slot; a capture may have the times
        of their ends. None: it is not known, as before the first beacon, or no integrity code proves it.
        """
        told, security, time_ns = sighting.body.asn, mac.security, sighting.record.time_ns
        if told is not None or security is None or not security.is_by_slot or time_ns is None:
            return (own if told is None else told,)
        counts = self._counts.get((sighting.record.receiver, mac.pan_id))
        if counts is None and mac.pan_id is None:  # an acknowledgement need not name its PAN
            counts = next(reversed(self._counts.values()), None)
        if counts is None or not security.protection.mic:
            return (own,)
        near = [one.at(time_ns) + step for one in counts for step in (0, -1, 1)]
        near = near if own is None else [own, *near]
        slots = tuple(dict.fromkeys(one for one in near if 0 <= one < _MOST_SLOTS))
        return slots if self._missed < _MOST_MISSED else slots[:1]
