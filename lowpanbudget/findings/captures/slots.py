"""Time slots: the absolute slot numbers that beacons tell, slotframes, and their links."""

from collections import Counter, defaultdict
from functools import partial
from typing import NamedTuple

from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.errors import plural
from lowpanbudget.findings import concerns
from lowpanbudget.findings.beacon_cells import BeaconCells
from lowpanbudget.findings.captures.check_sequences import HEARD
from lowpanbudget.findings.finding import Hit
from lowpanbudget.findings.memory import FirstNamed, Frames
from lowpanbudget.findings.near_slots import FAR_S, NearSlots
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.senders import Station
from lowpanbudget.findings.surroundings import Surroundings
from lowpanbudget.findings.told_slots import ToldSlots, TwoNumbers
from lowpanbudget.findings.wording import seconds_text
from lowpanbudget.layers.link.elements import nested_values
from lowpanbudget.layers.link.mac import Mac
from lowpanbudget.values import dataclass, field

SLOTS = Subject("slots", across=True)

_STILL_S = FAR_S  # a hundred slots of the usual 10 ms: no beacon waits so long behind its number
_NEAR_S = 60.0  # between beacons that are held together: no clock drifts far; our choice
_FEWEST = 3  # beacons with one slotframe; our choice
_ALIKE = 0.05  # of lengths: how near two that were measured by beacons must be; our choice


class _ToldNumber(NamedTuple):
    """The absolute slot number that a beacon tells, when it came, and in which frame."""

    slot: int
    time_s: float
    frame: int


def _number(scene: Scene, mac: Mac) -> _ToldNumber | None:
    """Return what a beacon tells; None where it tells none, or somebody forged it."""
    slot = next(nested_values(mac.payload_ies, "asn"), None)
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
        self.near = NearSlots()
        self.nodes = FirstNamed[Station, _SlotCount]()
        self.last = FirstNamed[int | None, tuple[str, _SlotCount]]()


@SLOTS.rule("slot-numbers-disagree", Mac, least=3, memory=_Clocks, concerns=concerns.beacon)
def slot_numbers_disagree(memory: _Clocks, scene: Scene, mac: Mac) -> Hits | None:
    """Compare with the slot that the capture has for the frame, or that opened it; else with another beacon before.

    The other is the last of its PAN, and the length of a slot is the one that both show alike.
    """
    told, station = _number(scene, mac), (mac.pan_id, mac.source or b"")
    if told is None:
        return None
    slot = scene.slot or scene.sighting.reckoned
    if slot:
        numbers = TwoNumbers(told.slot, slot, told.frame)
        memory.told.take(scene.sighting.record.receiver, station, scene.sender, numbers)
        if scene.slot or told.slot != slot:
            return None
    own = memory.nodes.entry(station, lambda: _SlotCount(told))
    if own is None:
        return None
    if own.last is not told:
        own.take(told)
    memory.near.take(scene.sighting.record.receiver, station, scene.sender, *told, own.slot_s)
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
    """Tell who is off by the slots that the capture has, or by those that are due."""
    yield from memory.told.hits()
    yield from memory.near.hits()


@SLOTS.rule("timeslot-outside-slotframe", Mac)
def timeslot_outside_slotframe(scene: Scene, mac: Mac) -> Hits:
    """Compare the links of each slotframe with its size."""
    for slotframes in nested_values(mac.payload_ies, "slotframes"):
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


@dataclass(slots=True)
class _ToldSlotframe:
    """A slotframe as the last beacons of a node tell it, in a row."""

    name: str
    size: int
    frames: Frames = field(default_factory=Frames)
    last: int = 0
    times: int = 0

    def is_beside(self, other: "_ToldSlotframe") -> bool:
        """Return whether both were told at one time."""
        return self.frames[0] < other.last and other.frames[0] < self.last


# by PAN, node, and the handle of the slotframe
ToldSlotframes = FirstNamed[tuple[int | None, bytes, int], _ToldSlotframe]


@SLOTS.rule("slotframes-differ", Mac, memory=FirstNamed, concerns=concerns.beacon)
def slotframe_told(memory: ToldSlotframes, scene: Scene, mac: Mac) -> None:
    """Note the slotframes of a beacon."""
    if mac.source is None or scene.is_forged:
        return
    for slotframes in nested_values(mac.payload_ies, "slotframes"):
        for slotframe in slotframes:
            key = mac.pan_id, mac.source, slotframe["slotframe_handle"]
            fresh = partial(_ToldSlotframe, scene.sender, slotframe["slotframe_size"])
            told = memory.entry(key, fresh)
            if told is None:
                continue
            if told.size != slotframe["slotframe_size"]:
                told = memory[key] = fresh()
            told.frames.note(scene.number)
            told.last, told.times = scene.number, told.times + 1


@SLOTS.at_end("slotframes-differ")
def slotframes_differ(memory: ToldSlotframes, _known: Surroundings) -> Hits:
    """Compare the last of each node: one that is being changed everywhere differs only for a while."""
    networks = defaultdict[tuple[int | None, int], list[_ToldSlotframe]](list)
    for (pan, _, handle), told in memory.items():
        if told.times >= _FEWEST:
            networks[pan, handle].append(told)
    for (_, handle), nodes in networks.items():
        (usual, most), *others = Counter(one.size for one in nodes).most_common()
        odd = [one for one in nodes if _is_odd(one, nodes)]
        if odd and any(count == most for _, count in others):
            yield _split(nodes, handle)
            continue
        for one in odd:
            if one.size != usual:
                cause = f"slotframe {handle} has {one.size} slots, and {usual} in the beacons of most others"
                evidence = f"{plural(most, 'other node')} with {usual} slots"
                yield Hit(cause, (evidence,), one.name, tuple(one.frames), times=one.times)


def _is_odd(told: _ToldSlotframe, nodes: list[_ToldSlotframe]) -> bool:
    return any(one.size != told.size and one.is_beside(told) for one in nodes)


def _split(nodes: list[_ToldSlotframe], handle: int) -> Hit:
    """Return that no size is that of most."""
    nodes = sorted(nodes, key=lambda one: (one.size, one.name))
    sizes = sorted({one.size for one in nodes})
    cause = (
        f"slotframe {handle} has {' or '.join(map(str, sizes))} slots, as different nodes tell it"
    )
    evidence = tuple(f"{one.name}: {one.size} slots" for one in nodes)
    names = " and ".join(sorted(one.name for one in nodes)) if len(nodes) == 2 else "the network"
    frames = tuple(sorted(one.frames[0] for one in nodes))
    return Hit(cause, evidence, names, frames, times=sum(one.times for one in nodes))


@SLOTS.rule("slotframe-not-as-planned", Mac, least=_FEWEST, varies=True, concerns=concerns.beacon)
def slotframe_not_as_planned(scene: Scene, mac: Mac) -> Hits | None:
    """Compare the slotframes of a beacon with the one of the design."""
    design, told = scene.known.design, [*nested_values(mac.payload_ies, "slotframes")]
    access = None if design is None else design.access
    if access is None or access.slots is None or scene.is_beside_design or scene.is_forged:
        return None
    planned = access.slots.slotframe
    sizes = {one["slotframe_size"] for slotframes in told for one in slotframes}
    if not sizes or planned in sizes:
        return None
    text = " and ".join(map(str, sorted(sizes)))
    cause = f"beacons tell of slotframes of {text} slots, and the design has {planned} (access.slots.slotframe)"
    return (Hit(cause, (), scene.sender),)


@SLOTS.rule("beacon-off-its-channel", HEARD, memory=BeaconCells, concerns=concerns.beacon)
def beacon_heard(memory: BeaconCells, scene: Scene, sighting: Sighting) -> None:
    """Note the channel of a beacon, where the capture tells it and the slot."""
    mac = scene.mac
    if sighting.body.asn is None or mac is None or not concerns.beacon(scene):
        return
    if sighting.heard_as is not None:
        return
    if not scene.is_forged and scene.fcs_ok is not False:
        memory.take(sighting, mac, scene.sender)


@SLOTS.at_end("beacon-off-its-channel")
def beacon_off_its_channel(memory: BeaconCells, _known: Surroundings) -> Hits:
    """Tell whose beacons are on other channels."""
    return memory.hits()
