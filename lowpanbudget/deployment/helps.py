"""What may help a network that does not carry its messages: changes of one number each, with what they would send."""

from collections.abc import Iterator, Sequence
from contextlib import suppress
from math import ceil

from lowpanbudget.deployment.airtime import MessageAirtime, airtime, airtime_of, answered
from lowpanbudget.deployment.burst_plan import BurstPlan
from lowpanbudget.deployment.carried import CarriedNetwork, LimitCheck
from lowpanbudget.deployment.change import PossibleChange
from lowpanbudget.deployment.fewest import WORDS
from lowpanbudget.deployment.slot_helps import slot_changes
from lowpanbudget.design.access import Access
from lowpanbudget.design.allowed import is_allowed
from lowpanbudget.design.collecting import unspanned
from lowpanbudget.design.knobs import turned
from lowpanbudget.design.meaning import Design
from lowpanbudget.design.waiting import SendQueue
from lowpanbudget.errors import LowpanError, plural
from lowpanbudget.layers.link.phy import PHYS
from lowpanbudget.layers.link.pib import BACKOFFS, RETRIES
from lowpanbudget.room.fit import Fit, fit
from lowpanbudget.room.sets import smallest_sets
from lowpanbudget.values import replace

_RARE = 1e-6  # a queue that is full less often needs no place more


def possible_changes(
    design: Design, access: Access, network: CarriedNetwork
) -> Iterator[PossibleChange]:
    """Yield the changes that may ease what decides in the network, each alone; none that no file may state."""
    messages = airtime(design)
    for change in _numbers(design, access, network, messages):
        if is_allowed(change.design, change.key):
            yield change
    yield from _of_messages(design, messages)


def further_change(
    design: Design, access: Access, network: CarriedNetwork, key: str
) -> PossibleChange | None:
    """Return the change of one number that goes on in the way of a change that was made; None where nothing does."""
    numbers = _numbers(design, access, network, airtime(design))
    return next((one for one in numbers if one.key == key and is_allowed(one.design, key)), None)


def burst_changes(design: Design, access: Access, plan: BurstPlan) -> Iterator[PossibleChange]:
    """Yield the changes that may bring more of a burst in, each alone; none that no file may state."""
    for change in _of_burst(design, access, plan):
        if is_allowed(change.design, change.key):
            yield change


def _of_burst(design: Design, access: Access, plan: BurstPlan) -> Iterator[PossibleChange]:
    slots = access.slots
    if slots is None:
        if plan.lost_access and access.backoffs < BACKOFFS.most:
            yield _more_backoffs(design, access, ())
    else:
        # so many that what comes in a slotframe goes on in one
        needed = min(ceil(plan.frames * slots.slotframe_s / plan.every_s), slots.slotframe)
        for change in slot_changes(design, access, slots, (), needed, 0):
            if not change.key.endswith(("shared_cells", "cells_down")):
                yield change
    if (
        design.link.acknowledged
        and access.retries < RETRIES.most
        and plan.lost_link > plan.lost_access
    ):
        yield _more_retries(design, access, ())
    if design.queue is not None and plan.lost_queue:
        yield _longer_queue(design, design.queue, ())


def _numbers(
    design: Design, access: Access, network: CarriedNetwork, messages: Sequence[MessageAirtime]
) -> Iterator[PossibleChange]:
    """Yield changes of one number, or of one word, under one key."""
    slots = access.slots
    if slots is not None:
        up = max(node.cells_needed or 0 for node in network.nodes)
        down = max(node.cells_needed_down or 0 for node in network.nodes)
        yield from slot_changes(design, access, slots, messages, up, down)
    elif access.backoffs < BACKOFFS.most:
        yield _more_backoffs(design, access, messages)
    if not design.link.acknowledged:
        answering = replace(design, link=replace(design.link, acknowledged=True))
        text, answers = _acknowledged(access), airtime(answering)
        takes = "each frame has an answer on the air"
        yield PossibleChange("link.acknowledged", text, answering, answers, takes)
    elif access.retries < RETRIES.most:
        yield _more_retries(design, access, messages)
    if design.queue is not None and _fills(network):
        yield _longer_queue(design, design.queue, messages)
        if any(one.direction == "down" for one in network.services):
            yield _longer_queue_of_root(design, design.queue, messages)
    if network.decides is not None:
        yield from _of_waiting(design, messages, network, network.decides)
        if slots is not None and network.decides.matter in ("frame", "acknowledgement"):
            yield from _of_rates(design)
    yield from _of_upkeep(design)
    yield from _of_flows(design, messages)


def _more_backoffs(
    design: Design, access: Access, messages: Sequence[MessageAirtime]
) -> PossibleChange:
    more = replace(access, backoffs=min(access.backoffs + 2, BACKOFFS.most))
    text = plural(more.backoffs, "backoff")
    return PossibleChange("access.backoffs", text, replace(design, access=more), messages)


def _more_retries(
    design: Design, access: Access, messages: Sequence[MessageAirtime]
) -> PossibleChange:
    more = replace(design, access=replace(access, retries=RETRIES.most))
    return PossibleChange("access.retries", f"{RETRIES.most} retries", more, messages)


def _longer_queue(
    design: Design, queue: SendQueue, messages: Sequence[MessageAirtime]
) -> PossibleChange:
    longer = replace(design, queue=replace(queue, frames=queue.frames * 2))
    text = WORDS["queue.frames"](queue.frames * 2)
    takes = "it takes memory of every node"
    return PossibleChange("queue.frames", text, longer, messages, takes)


def _longer_queue_of_root(
    design: Design, queue: SendQueue, messages: Sequence[MessageAirtime]
) -> PossibleChange:
    places = queue.of(0) * 2
    longer = replace(design, queue=replace(queue, root_frames=places))
    text = f"{places} places in the root's queue"
    return PossibleChange(
        "queue.root_frames", text, longer, messages, "it takes memory of the root"
    )


def _acknowledged(access: Access) -> str:
    if not access.retries:
        return "acknowledged frames"
    return f"acknowledged frames, sent again up to {plural(access.retries, 'time')}"


def _fills(network: CarriedNetwork) -> bool:
    """Return whether a queue is full now and then."""
    if network.played is not None:
        return network.played.lost["queue"] > 0
    full = [node.queue_full for node in network.nodes if node.queue_full is not None]
    full += [1 - one.queued for one in network.services if one.queued is not None]
    return any(chance > _RARE for chance in full)


def _of_waiting(
    design: Design, messages: Sequence[MessageAirtime], network: CarriedNetwork, decides: LimitCheck
) -> Iterator[PossibleChange]:
    sleep, limits = design.sleep, design.limits
    if sleep is None:
        return
    held = (service.held_full for service in network.services)
    is_held = decides.matter == "held" or (decides.matter == "delivery" and any(held))
    allowed_s = sleep.poll_s if is_held else None
    if decides.matter == "latency" and limits is not None:
        allowed_s = limits.latency_s
    elif decides.matter == "poll":
        allowed_s = sleep.timeout_s
    if allowed_s is not None and sleep.poll_s > allowed_s / 2:
        often = replace(design, sleep=replace(sleep, poll_s=allowed_s / 2))
        text = f"a poll each {allowed_s / 2:g} s"
        yield PossibleChange("sleep.poll_s", text, often, airtime(often), "each poll costs")
    if is_held:
        takes = 1 if network.sleep is None else network.sleep.held_takes
        held_frames = max(sleep.held_frames, takes) * 2
        more = replace(design, sleep=replace(sleep, held_frames=held_frames))
        text = f"{held_frames} frames held for a child"
        yield PossibleChange(
            "sleep.held_frames", text, more, messages, "it takes memory of every parent"
        )


def _of_rates(design: Design) -> Iterator[PossibleChange]:
    """Yield the faster rates of the PHY, with which frames and acknowledgements are sooner over."""
    link = design.link
    rates = tuple(PHYS[link.phy].rates)
    for rate in rates:
        if rate > (link.data_rate or rates[0]):
            faster = replace(design, link=replace(link, data_rate=rate))
            takes = "it reaches less far: losses are others, and radio rules may be"
            text = f"a data rate of {rate} kb/s"
            yield PossibleChange("link.data_rate", text, faster, airtime(faster), takes)


def _of_upkeep(design: Design) -> Iterator[PossibleChange]:
    upkeep = design.upkeep
    if upkeep is not None and upkeep.beacon_s is not None:
        every = upkeep.beacon_s * 2
        seldom = replace(design, upkeep=replace(upkeep, beacon_s=every))
        yield PossibleChange(
            "upkeep.beacon_s",
            f"a beacon each {every:g} s",
            seldom,
            airtime(seldom),
            "newcomers wait longer",
        )


def _of_flows(design: Design, messages: Sequence[MessageAirtime]) -> Iterator[PossibleChange]:
    for flow in design.flows:
        if flow.every_s is None or flow.answers:
            continue
        rhythms = [(flow.every_s * 2, "half of the readings", True)]
        # as often as their times span the fewest of them
        spanned = min((one.longest_apart for _, one in unspanned(design, flow)), default=0.0)
        rhythms += [(spanned, "more readings", False)] if spanned else []
        for every_s, takes, asks_less in rhythms:
            other = design.with_flow(replace(flow, every_s=every_s))
            # how often one flow sends changes no frame of another: of many flows each is worked out by itself
            own = {(one.message, one.hop): one for one in airtime(other, flow.name)}
            sent = [own[one.message, one.hop] if one.flow == flow.name else one for one in messages]
            yield PossibleChange(
                f"flow[{flow.name}].every_s", f"readings of {flow.name} each {every_s:g} s", other,
                answered(other, sent), takes, asks_less=asks_less,
            )  # fmt: skip


def _of_messages(design: Design, messages: Sequence[MessageAirtime]) -> Iterator[PossibleChange]:
    """Yield messages collected into one frame, and sets of changes with which one frame is enough."""
    grouped: dict[tuple[str, str], list[Fit]] = {}
    for one in fit(design, advised=False):
        if one.message in design.flow(one.flow).messages and one.sends_every_s is not None:
            grouped.setdefault((one.flow, one.message), []).append(one)
    asked = {flow.answers for flow in design.flows if flow.messages}
    for (flow, message), fits in grouped.items():
        together = min(one.batch for one in fits)
        limits, every_s = design.limits, fits[0].sends_every_s
        if every_s and limits is not None and limits.latency_s is not None:
            together = min(together, 1 + int(limits.latency_s / 2 // every_s))
        # a request that something is sent back to is answered by itself, and so is each answer
        waits_for_none = flow in asked or bool(design.flow(flow).answers)
        if design.message(message).batch_field is None and together > 1 and not waits_for_none:
            yield _collected(design, messages, fits, together)
        if max(one.frames or 1 for one in fits) > 1:
            with suppress(LowpanError):
                chosen = smallest_sets(design, flow, fits[0].octets)
                if chosen:
                    then = turned(design, chosen[0].changes)
                    text = f"one frame for {flow} {message}: " + ", ".join(
                        knob.text for knob in chosen[0].changes
                    )
                    key = ", ".join(knob.key for knob in chosen[0].changes)
                    yield PossibleChange(key, text, then, airtime(then))


def _collected(
    design: Design, messages: Sequence[MessageAirtime], fits: Sequence[Fit], together: int
) -> PossibleChange:
    """Return the change that sends several messages in one frame, and so less often."""
    flow, message = fits[0].flow, fits[0].message
    grown = {
        one.hop: airtime_of(
            design,
            replace(
                one, octets=one.octets * together, readings=together,
                sends_every_s=None if one.sends_every_s is None else one.sends_every_s * together,
            ),
        )
        for one in fits
    }  # fmt: skip
    then = answered(
        design,
        [grown[one.hop] if (one.flow, one.message) == (flow, message) else one for one in messages],
    )
    waits = (fits[0].sends_every_s or 0.0) * (together - 1)
    late = f"the first waits {ceil(waits)} s for the last"
    text = f"{together} of {flow} {message} in one frame"
    if design.limits is not None and design.limits.latency_s is not None:
        # what waited may take so much less
        less = replace(design.limits, latency_s=design.limits.latency_s - waits)
        design = replace(design, limits=less)
    return PossibleChange(f"message {message}", text, design, then, late, asks_less=True)
