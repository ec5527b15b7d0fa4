"""Absolute slot numbers of frames in a capture that does not tell them: reckoned from beacons and times.

A beacon tells its own number in clear (TSCH synchronization IE, IEEE 802.15.4-2015 7.4.4.2, from memory); from there on
slots follow each other. How long one is shows when two beacons are far enough apart; until then the beacon tells it, or
it is 10 ms, as in the default template (table 8-83, from memory). An integrity code that is right proves the number.
"""

from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.capture.recent import Recent
from lowpanbudget.layers.link.elements import nested_values
from lowpanbudget.layers.link.mac import FrameType, Mac
from lowpanbudget.values import dataclass

_USUAL_NS = 10_000_000
_LEAST_NS, _MOST_NS = 1_000_000, 1_000_000_000  # of a slot: as a design may have it
_APART_NS = 1_000_000_000  # beacons that show how long a slot is: a hundred usual ones
_MOST_SLOTS = 1 << 40
_MOST_NETWORKS = 32


def told_slot(mac: Mac) -> int | None:
    """Return the absolute slot number that a beacon tells, None of any other frame."""
    if mac.frame_type != FrameType.BEACON:
        return None
    return next(nested_values(mac.payload_ies, "asn"), None)


@dataclass(slots=True)
class _Count:
    """How a network counts: by its first beacon and its last, and whether their integrity codes are right."""

    first: tuple[int, int]  # slot number and time
    last: tuple[int, int]
    is_sure: bool
    slot_ns: float = _USUAL_NS


class ReckonedSlots:
    """Counts the slots of each network as each receiver hears it, by its beacons."""

    def __init__(self) -> None:
        self._counts = Recent[tuple[str | None, int | None], _Count](_MOST_NETWORKS)

    def take(self, sighting: Sighting, mac: Mac, slot: int, *, is_sure: bool) -> None:
        """Take a beacon that tells this number; one that nothing proves counts while none is proved."""
        time_ns = sighting.record.time_ns
        if time_ns is None:
            return
        network, now = (sighting.record.receiver, mac.pan_id), (slot, time_ns)
        count = self._counts.get(network)
        if count is not None and count.is_sure and not is_sure:
            return
        if count is None or count.is_sure != is_sure or slot <= count.last[0]:
            count = _Count(now, now, is_sure)
        count.last = now
        told_us = next(nested_values(mac.payload_ies, "timeslot_length"), None)
        if told_us is not None and _LEAST_NS <= told_us * 1000 <= _MOST_NS:
            count.slot_ns = told_us * 1000
        slots, passed_ns = slot - count.first[0], time_ns - count.first[1]
        if slots and passed_ns >= _APART_NS:
            if _LEAST_NS <= passed_ns / slots <= _MOST_NS:
                count.slot_ns = passed_ns / slots
            else:
                count.first = (
                    now  # the network was started anew, or the clock of the capture was set
                )
        self._counts.renew(network, count)

    def of(self, sighting: Sighting, mac: Mac) -> tuple[int | None, ...]:
        """Return the slot numbers to open a frame with: that of the capture, or those that may be it.

        The likelier comes first.
        Beacon and frame stand where a sender begins, an acknowledgement later in the slot; a capture may have the times
        of their ends. None: it is not known, as before the first beacon, or no integrity code proves it.
        """
        told, security, time_ns = sighting.body.asn, mac.security, sighting.record.time_ns
        if told is not None or security is None or not security.is_by_slot or time_ns is None:
            return (told,)
        count = self._counts.get((sighting.record.receiver, mac.pan_id))
        if count is None and mac.pan_id is None:  # an acknowledgement need not name its PAN
            count = next(reversed(self._counts.values()), None)
        if count is None or not security.protection.mic:
            return (told,)
        slot = count.last[0] + round((time_ns - count.last[1]) / count.slot_ns)
        return tuple(one for one in (slot, slot - 1, slot + 1) if 0 <= one < _MOST_SLOTS)
