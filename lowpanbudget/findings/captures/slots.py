"""Time slots: the absolute slot numbers that beacons tell, and the links of slotframes."""

from collections.abc import Iterator
from typing import Any, NamedTuple

from lowpanbudget.findings import concerns
from lowpanbudget.findings.finding import Hit
from lowpanbudget.findings.memory import FirstNamed
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene, Surroundings
from lowpanbudget.findings.senders import Station
from lowpanbudget.findings.told_slots import ToldSlots, TwoNumbers
from lowpanbudget.findings.wording import seconds_text
from lowpanbudget.layers.link.mac import Mac
from lowpanbudget.values import dataclass

SLOTS = Subject("slots")

_STILL_S = 1.0  # a hundred slots of the usual 10 ms: no beacon waits so long behind its number
_NEAR_S = 60.0  # between beacons that are held together: no clock drifts far; our choice
_ALIKE = 0.05  # of lengths: how near two that were measured by beacons must be; our choice


def _told(mac: Mac, field: str) -> Iterator[Any]:
    """Yield what the nested elements of a beacon tell in a field of this name."""
    for element in mac.payload_ies:
        for nested in element.nested:
            if field in nested.fields:
                yield nested.fields[field]


class _ToldNumber(NamedTuple):
    """The absolute slot number that a beacon tells, when it came, and in which frame."""

    slot: int
    time_s: float
    frame: int


def _number(scene: Scene, mac: Mac) -> _ToldNumber | None:
    """Return what a beacon tells; None where it tells none, or somebody forged it."""
    slot = next(_told(mac, "asn"), None)
    if slot is None or mac.source is None or scene.is_forged:
        return None
    return _ToldNumber(slot, scene.time_s, scene.number)


# of each node; where the number stands still the first beacon with it
SlotNumbers = FirstNamed[Station, _ToldNumber]


@SLOTS.rule("slot-number-stands-still", Mac, memory=FirstNamed, concerns=concerns.beacon)
def slot_number_stands_still(memory: SlotNumbers, scene: Scene, mac: Mac) -> Hits | None:
    """Compare with the absolute slot number in the node's beacons before."""
    told = _number(scene, mac)
    if told is None:
        return None
    sender = mac.pan_id, mac.source or b""
    before = memory.entry(sender, lambda: told)
    if before is None or before.slot != told.slot:
        if before is not None:
            memory[sender] = told
        return None
    if not told.time_s - before.time_s >= _STILL_S:
        return None
    cause = "beacons tell the same absolute slot number (ASN) again and again"
    evidence, frames = f"ASN {told.slot} since frame {before.frame}", (before.frame, told.frame)
    return (Hit(cause, (evidence,), scene.sender, frames),)


@SLOTS.rule("slot-number-went-back", Mac, memory=FirstNamed, concerns=concerns.beacon)
def slot_number_went_back(memory: SlotNumbers, scene: Scene, mac: Mac) -> Hits | None:
    """Compare with the beacon of the node before, where the times tell which came first."""
    told = _number(scene, mac)
    if told is None:
        return None
    sender = mac.pan_id, mac.source or b""
    before = memory.entry(sender, lambda: told)
    if before is None:
        return None
    memory[sender] = told
    if told.slot >= before.slot or not told.time_s > before.time_s:
        return None
    cause = "the absolute slot number (ASN) in beacons falls"
    evidence = f"frame {before.frame}: ASN {before.slot}; frame {told.frame}: ASN {told.slot}"
    return (Hit(cause, (evidence,), scene.sender, (before.frame, told.frame)),)


@dataclass(slots=True)
class _SlotCount:
    """The last beacon of a node, and how long a slot is by that and the one before; None where nothing tells that."""

    last: _ToldNumber
    slot_s: float | None = None

    def take(self, told: _ToldNumber) -> None:
        """Take its next beacon."""
        slots, seconds = told.slot - self.last.slot, told.time_s - self.last.time_s
        self.slot_s = seconds / slots if slots > 0 and seconds > 0 else None
        self.last = told


class _Clocks:
    """How the nodes of each PAN count, and who of it was heard last; and beside the count of the capture."""

    def __init__(self) -> None:
        self.told = ToldSlots()
        self.nodes = FirstNamed[Station, _SlotCount]()
        self.last = FirstNamed[int | None, tuple[str, _SlotCount]]()


@SLOTS.rule("slot-numbers-disagree", Mac, least=3, memory=_Clocks, concerns=concerns.beacon)
def slot_numbers_disagree(memory: _Clocks, scene: Scene, mac: Mac) -> Hits | None:
    """Compare with the slot that the capture has for the frame; where it has none with the beacon of another before.

    The other is the last of its PAN, and the length of a slot is the one that both show alike.
    """
    told = _number(scene, mac)
    if told is None:
        return None
    if scene.slot:
        station = mac.pan_id, mac.source or b""
        numbers = TwoNumbers(told.slot, scene.slot, told.frame)
        memory.told.take(scene.receiver, station, scene.sender, numbers)
        return None
    own = memory.nodes.entry((mac.pan_id, mac.source or b""), lambda: _SlotCount(told))
    if own is None:
        return None
    if own.last is not told:
        own.take(told)
    before = memory.last.entry(mac.pan_id, lambda: (scene.sender, own))
    if before is None:
        return None
    memory.last[mac.pan_id] = scene.sender, own
    name, other = before
    slot_s, passed_s = own.slot_s, told.time_s - other.last.time_s
    if other is own or slot_s is None or other.slot_s is None or not 0 <= passed_s < _NEAR_S:
        return None
    if abs(slot_s - other.slot_s) > _ALIKE * slot_s:
        return None
    due = other.last.slot + round(passed_s / slot_s)
    if abs(told.slot - due) * slot_s <= _STILL_S + _ALIKE * passed_s:
        return None
    cause = "beacons of two nodes tell absolute slot numbers (ASN) that are not of one time"
    evidence = (
        f"frame {other.last.frame}: ASN {other.last.slot}; frame {told.frame}, {seconds_text(passed_s)} later: "
        f"ASN {told.slot}, where {due} is due"
    )
    both = " and ".join(sorted((name, scene.sender)))
    return (Hit(cause, (evidence,), both, (other.last.frame, told.frame)),)


@SLOTS.at_end("slot-numbers-disagree")
def slot_numbers_off(memory: _Clocks, _known: Surroundings) -> Hits:
    """Tell who is off by the slots that the capture has."""
    return memory.told.hits()


@SLOTS.rule("timeslot-outside-slotframe", Mac)
def timeslot_outside_slotframe(scene: Scene, mac: Mac) -> Hits:
    """Compare the links of each slotframe with its size."""
    for slotframes in _told(mac, "slotframes"):
        for slotframe in slotframes:
            size = slotframe["slotframe_size"]
            for link in slotframe["links"]:
                slot = link["timeslot"]
                if slot >= size:
                    cause = (
                        f"a link has timeslot {slot}, and its slotframe the slots 0 to {size - 1}"
                    )
                    evidence = (f"slotframe {slotframe['slotframe_handle']}",)
                    yield Hit(cause, evidence, scene.sender)
