"""What may help a network that does not carry its messages: changes of one number each, with what they would send."""

from collections.abc import Iterator, Sequence
from contextlib import suppress
from math import ceil

from lowpanbudget.deployment.airtime import MessageAirtime, airtime, airtime_of, answered
from lowpanbudget.deployment.carried import CarriedNetwork, LimitCheck
from lowpanbudget.deployment.change import PossibleChange
from lowpanbudget.deployment.fewest import with_value
from lowpanbudget.deployment.ladder import Ladder, alone, doubled, rounded_down, turned_by
from lowpanbudget.deployment.slot_helps import slot_ladders
from lowpanbudget.design.access import Access, Slots
from lowpanbudget.design.allowed import is_allowed
from lowpanbudget.design.collecting import unspanned
from lowpanbudget.design.flow import Flow
from lowpanbudget.design.knobs import turned
from lowpanbudget.design.meaning import Design
from lowpanbudget.design.waiting import SendQueue
from lowpanbudget.errors import LowpanError, plural
from lowpanbudget.layers.link.phy import PHYS
from lowpanbudget.layers.link.pib import BACKOFFS, RETRIES
from lowpanbudget.room.fit import Fit, fit
from lowpanbudget.room.sets import smallest_sets
from lowpanbudget.values import replace

_DOUBLINGS = 3  # of what costs more the more there is
_SELDOM = 6  # doublings of how seldom the network sends for itself
_HARDLY = 0.01  # of the frames are hit by others
_RARE = 1e-6  # a queue that is full less often needs no place more


def possible_ladders(design: Design, access: Access, network: CarriedNetwork) -> Iterator[Ladder]:
    """Yield what may ease what decides in the network, each alone, with values that a file may state."""
    messages = airtime(design)
    yield from _numbers(design, access, network, messages)
    yield from map(alone, _of_messages(design, messages))


def _numbers(
    design: Design, access: Access, network: CarriedNetwork, messages: Sequence[MessageAirtime]
) -> Iterator[Ladder]:
    """Yield changes of one number, or of one word, under one key."""
    slots = access.slots
    yield from _of_upkeep(design, slots, network)
    if slots is not None:
        up = max(node.cells_needed or 0 for node in network.nodes)
        down = max(node.cells_needed_down or 0 for node in network.nodes)
        yield from slot_ladders(design, slots, messages, up, down)
    else:
        yield backoffs_ladder(design, access, messages)
    if not design.link.acknowledged:
        answering = replace(design, link=replace(design.link, acknowledged=True))
        text, answers = _acknowledged(access), airtime(answering)
        takes = "each frame has an answer on the air"
        yield alone(PossibleChange("link.acknowledged", text, answering, answers, takes))
    else:
        yield retries_ladder(design, access, messages)
    if design.queue is not None and _fills(network):
        yield places_ladder(design, design.queue, messages)
        if any(one.direction == "down" for one in network.services):
            yield turned_by(
                design, "queue.root_frames", doubled(design.queue.of(0), _DOUBLINGS), "{} places in the root's queue",
                "it takes memory of the root", messages, start=design.queue.of(0),
            )  # fmt: skip
    if network.decides is not None:
        yield from _of_waiting(design, messages, network, network.decides)
        if slots is not None and network.decides.matter in ("frame", "acknowledgement"):
            yield from map(alone, _of_rates(design))
    yield from _of_flows(design, messages)


def backoffs_ladder(design: Design, access: Access, messages: Sequence[MessageAirtime]) -> Ladder:
    """Return the ladder of how often a busy channel is waited for."""
    return turned_by(
        design, "access.backoffs", _up_to(BACKOFFS.most, access.backoffs),
        lambda backoffs: plural(backoffs, "backoff"), "what finds no free channel waits longer for it", messages,
    )  # fmt: skip


def retries_ladder(design: Design, access: Access, messages: Sequence[MessageAirtime]) -> Ladder:
    """Return the ladder of how often a frame is sent again."""
    return turned_by(
        design, "access.retries", _up_to(RETRIES.most, access.retries),
        lambda retries: f"{retries} {'retry' if retries == 1 else 'retries'}",
        "more is on the air, some of it late", messages,
    )  # fmt: skip


def places_ladder(design: Design, queue: SendQueue, messages: Sequence[MessageAirtime]) -> Ladder:
    """Return the ladder of how many frames a node holds."""
    return turned_by(
        design, "queue.frames", doubled(queue.frames, _DOUBLINGS),
        lambda places: f"{plural(places, 'place')} in each queue", "it takes memory of every node", messages,
    )  # fmt: skip


def _up_to(most: int, start: int) -> tuple[int, ...]:
    """Return the most that the standard has as the only rung: it is told at once whether any number helps."""
    return (most,) if most > start else ()


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


def _is_lost_alone(network: CarriedNetwork) -> bool:
    """Return whether messages are lost where frames hardly ever meet: to send less would not help them."""
    decides, played = network.decides, network.played
    is_lost = decides is not None and decides.matter == "delivery"
    return is_lost and played is not None and played.collided < _HARDLY


def _of_waiting(
    design: Design, messages: Sequence[MessageAirtime], network: CarriedNetwork, decides: LimitCheck
) -> Iterator[Ladder]:
    sleep, limits = design.sleep, design.limits
    if sleep is None:
        return
    held = (service.held_full for service in network.services)
    is_held = decides.matter == "held" or (decides.matter == "delivery" and any(held))
    most_s = sleep.poll_s / 2 if is_held else None
    nearest_s = None
    if decides.matter == "latency" and limits is not None and limits.latency_s is not None:
        most_s = limits.latency_s / 2
    elif decides.matter == "poll" and sleep.timeout_s is not None:
        most_s = nearest_s = sleep.timeout_s / 2  # twice, as one may be lost
    if most_s is not None and sleep.poll_s > most_s:
        rungs = [most_s / 2**each for each in range(_DOUBLINGS + 2)]
        yield turned_by(
            design, "sleep.poll_s", rungs, "a poll each {} s", "each poll costs", None, step=0, nearest=nearest_s
        )  # fmt: skip
    elif most_s is None and not _is_lost_alone(network):
        longest_s = None if sleep.timeout_s is None else sleep.timeout_s / 2  # as one may be lost
        yield turned_by(
            design, "sleep.poll_s", doubled(sleep.poll_s, _SELDOM, longest_s), "a poll each {} s",
            "what is held for a child waits longer", None, step=0,
        )  # fmt: skip
    if sleep.always_pending and decides.matter == "battery" and design.link.acknowledged:
        # IEEE 802.15.4-2015 clause 6.7.3
        told = with_value(design, "sleep.always_pending", value=False)
        yield alone(
            PossibleChange(
                "sleep.always_pending", "frames pending told only where some are", told, airtime(told),
                "each parent must know at once what it holds",
            )
        )  # fmt: skip
    if is_held:
        takes = 1 if network.sleep is None else network.sleep.held_takes
        begun = max(sleep.held_frames, takes)
        yield turned_by(
            design, "sleep.held_frames", doubled(begun, _DOUBLINGS), "{} frames held for a child",
            "it takes memory of every parent", messages,
        )  # fmt: skip


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


def _of_upkeep(design: Design, slots: Slots | None, network: CarriedNetwork) -> Iterator[Ladder]:
    upkeep = design.upkeep
    if upkeep is None:
        return
    if upkeep.beacon_s is not None:
        yield turned_by(
            design, "upkeep.beacon_s", doubled(upkeep.beacon_s, _SELDOM), "a beacon each {} s", "newcomers wait longer",
            None, step=0,
        )  # fmt: skip
    if upkeep.dio_s is not None and not _is_lost_alone(network):
        # doublings alone: the greatest interval of the timer is the least one doubled so many times (RFC 6550 section
        # 8.3.1); its least one and its redundancy constant are no keys, as only the steady tree is reckoned with
        yield turned_by(
            design, "upkeep.dio_s", doubled(upkeep.dio_s, _SELDOM), "a DIO each {} s",
            "who missed what changed in the tree learns it later: repair is slower", None, step=None,
        )  # fmt: skip
    if upkeep.dao_s is not None and not _is_lost_alone(network):
        yield turned_by(
            design, "upkeep.dao_s", doubled(upkeep.dao_s, _SELDOM), "a DAO each {} s",
            "a route that is gone is missed later, and routes must last longer", None, step=0,
        )  # fmt: skip
    if upkeep.keep_alive_s is not None and design.link.acknowledged:
        lasts_s = None if slots is None else slots.synchronised_s
        # clocks are to stay within the guard
        most_s = None if lasts_s is None else rounded_down(lasts_s)
        yield turned_by(
            design, "upkeep.keep_alive_s", doubled(upkeep.keep_alive_s, _SELDOM, most_s),
            "a keep-alive after {} s of silence", "a parent that is gone is missed later", None, step=0,
        )  # fmt: skip


def _of_flows(design: Design, messages: Sequence[MessageAirtime]) -> Iterator[Ladder]:
    for flow in design.flows:
        if flow.every_s is None or flow.answers:
            continue
        yield _rhythm(design, messages, flow, doubled(flow.every_s, _DOUBLINGS), asks_less=True)
        # as often as their times span the fewest of them
        spanned = min((one.longest_apart for _, one in unspanned(design, flow)), default=0.0)
        if spanned:
            yield _rhythm(design, messages, flow, (spanned,), asks_less=False)


def _rhythm(
    design: Design, messages: Sequence[MessageAirtime], flow: Flow, rungs: Sequence[float], *, asks_less: bool
) -> Ladder:  # fmt: skip
    key, often_s = f"flow[{flow.name}].every_s", flow.every_s or 0.0
    sent_name = "readings" if flow.direction == "up" else "messages"  # to nodes go commands

    def with_rhythm(every_s: float) -> Design:
        return design.with_flow(replace(flow, every_s=every_s))

    def change(every_s: float) -> PossibleChange:
        other = with_rhythm(every_s)
        # how often one flow sends changes no frame of another: of many flows each is worked out by itself
        own = {(one.message, one.hop): one for one in airtime(other, flow.name)}
        sent = [own[one.message, one.hop] if one.flow == flow.name else one for one in messages]
        taken = "half" if every_s == often_s * 2 else f"{(1 - often_s / every_s) * 100:.2g} %"
        return PossibleChange(
            key, f"{sent_name} of {flow.name} each {every_s:g} s", other, answered(other, sent),
            f"{taken} of the {sent_name}" if asks_less else f"more {sent_name}", asks_less=asks_less,
        )  # fmt: skip

    allowed = tuple(one for one in rungs if is_allowed(with_rhythm(one), key))
    return Ladder(key, often_s, allowed, change, 0 if asks_less else None)


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
