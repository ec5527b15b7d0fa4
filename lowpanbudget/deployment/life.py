"""How long batteries last: what a node draws for what it sends, receives, listens for in vain, and sleeps."""

from collections.abc import Sequence
from math import exp

from lowpanbudget.deployment.load import NodeLoad
from lowpanbudget.deployment.timeline import RadioState, energy
from lowpanbudget.design.access import Access, Slots
from lowpanbudget.design.estimate import Estimate
from lowpanbudget.design.meaning import Design
from lowpanbudget.design.radio import Battery, Radio
from lowpanbudget.layers.link.phy import PhyTiming
from lowpanbudget.values import dataclass

_HOURS_A_YEAR = 8766


@dataclass(frozen=True, slots=True)
class Draw:
    """What a node draws on average, in microamperes, and for how many days its battery lasts (None: none is stated).

    ``parts`` say for what: the current of each, typical. ``always_listens``: its radio never sleeps.
    """

    current_ua: Estimate
    parts: tuple[tuple[str, float], ...]
    always_listens: bool
    days: Estimate | None


def draws(
    design: Design, nodes: Sequence[NodeLoad], children: Sequence[Sequence[int]]
) -> tuple[Draw | None, ...]:
    """Return what each node draws; None for the root, and for all where the design has no ``[radio]``."""
    radio = design.radio
    if radio is None:
        return (None,) * len(nodes)
    return tuple(
        None if node.parent < 0 else _draw(design, radio, node, [nodes[child] for child in children[node.node]])
        for node in nodes
    )  # fmt: skip


def _draw(design: Design, radio: Radio, node: NodeLoad, below: Sequence[NodeLoad]) -> Draw:
    slots = None if design.access is None else design.access.slots
    sends = [node.up.sender_uw, node.near.sender_uw, *(child.down.sender_uw for child in below)]
    receives = [node.down.receiver_uw, *(child.up.receiver_uw for child in below)]
    second = energy(radio, RadioState.LISTENS, 1e6)
    sleeps = energy(radio, RadioState.ASLEEP, 1e6)
    always = slots is None and (design.sleep is None or bool(below))
    if always:
        # what it receives is part of listening all the time
        busy = node.up.air + node.near.air + sum(child.down.air for child in below)
        waits, receives, sleeps = [_times(second, max(1 - busy, 0.0))], [], _times(second, 0.0)
    elif slots is not None:
        waits = [_times(_guard(radio, slots), _idle_cells(slots, node, below))]
    else:
        waits = [_times(second, _behind_polls(design, node))]
    parts = {
        "sends": _sum(sends),
        "receives": _sum(receives),
        "listens in vain": _sum(waits),
        "sleeps": sleeps,
    }
    currents = {name: _microamperes(spent, radio) for name, spent in parts.items() if spent.most}
    current = _sum(list(currents.values()))
    days = None if design.battery is None else _days(design.battery, current)
    return Draw(current, tuple((name, one.typical) for name, one in currents.items()), always, days)


def _behind_polls(design: Design, node: NodeLoad) -> float:
    """Return the share of time in which a node listens behind its polls, and nothing comes.

    The acknowledgement of a data request has its frame pending bit clear where nothing waits, and the node sleeps at
    once. Else it listens at most for as long as it is to, and no longer than until its frame has come, whose own bit
    says whether more is pending (IEEE 802.15.4-2015 clause 6.7.3, from memory): for as long as its parent needs on a
    free channel to begin. Messages for it come at random times: of the times between two polls exp(-their mean number)
    are without any.
    """
    sleep = design.sleep
    if sleep is None or design.access is None:
        return 0.0
    most_s, polls_per_s = sleep.listen_ms / 1000, 1 / sleep.poll_s
    empty_per_s = exp(-node.down.messages_per_s * sleep.poll_s) * polls_per_s
    is_told = design.link.acknowledged and not sleep.always_pending
    until = node.down.tries_per_s * _until_begun_s(design.access, design.link.timing)
    found = min(until, (polls_per_s - empty_per_s) * most_s)
    return found if is_told else found + empty_per_s * most_s


def _until_begun_s(access: Access, timing: PhyTiming) -> float:
    """Return the mean time until a frame begins on a free channel: the first backoff, CCA and turnaround."""
    unit_us = access.unit_backoff_us or float(timing.unit_backoff)
    backoff_us = ((1 << access.min_be) - 1) / 2 * unit_us
    return (backoff_us + float(timing.cca + timing.turnaround)) / 1e6


def _idle_cells(slots: Slots, node: NodeLoad, below: Sequence[NodeLoad]) -> float:
    """Return the cells a second in which a node listens and nothing comes."""
    listens = len(below) * slots.cells + slots.cells_down + slots.shared_cells
    comes = node.down.tries_per_s + sum(child.up.tries_per_s for child in below)
    return max(listens / slots.slotframe_s - comes, 0.0)


def _guard(radio: Radio, slots: Slots) -> Estimate:
    """Return what a cell costs in which a receiver waits for a frame that does not come, in microjoules."""
    awake = energy(radio, RadioState.OFF, radio.wake_up_us.typical + slots.template.rx_offset)
    return _sum([awake, energy(radio, RadioState.LISTENS, slots.template.rx_wait)])


def _times(one: Estimate, count: float) -> Estimate:
    return Estimate(*(value * count for value in one))


def _sum(parts: Sequence[Estimate]) -> Estimate:
    return Estimate(*(sum(part[index] for part in parts) for index in range(3)))


def _microamperes(microwatts: Estimate, radio: Radio) -> Estimate:
    """Return the current of a power: least, typical and most were made with the supply of the same place."""
    pairs = zip(microwatts, radio.supply_v, strict=True)
    return Estimate(*(power / volts for power, volts in pairs))


def _days(battery: Battery, current_ua: Estimate) -> Estimate:
    """Return how long it lasts: the least capacity at the greatest current, and so on."""
    capacities = [
        mah * share for mah, share in zip(battery.capacity_mah, battery.usable, strict=True)
    ]
    lost = [mah * battery.self_discharge / _HOURS_A_YEAR for mah in battery.capacity_mah]
    drawn = [ua / 1000 for ua in reversed(current_ua)]
    return Estimate(
        *(
            capacity / (current + leak) / 24
            for capacity, current, leak in zip(capacities, drawn, lost, strict=True)
        )
    )
