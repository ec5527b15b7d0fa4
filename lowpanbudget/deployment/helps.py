"""What would help a network that does not carry its messages: each change alone, everything calculated again."""

from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from math import ceil

from lowpanbudget.arguments import function_or_none, value_of
from lowpanbudget.deployment.airtime import MessageAirtime, airtime, airtime_of
from lowpanbudget.deployment.carried import CarriedNetwork, LimitCheck
from lowpanbudget.deployment.carry import judged
from lowpanbudget.design.access import Access, Slots
from lowpanbudget.design.knobs import turned
from lowpanbudget.design.meaning import Design
from lowpanbudget.errors import LowpanError, plural
from lowpanbudget.room.fit import Fit, fit
from lowpanbudget.room.sets import smallest_sets
from lowpanbudget.values import dataclass, replace

Tell = Callable[[int, int], None]  # how many changes were tried, of how many
_PLAYED = ("delivery", "latency", "queue")  # what comes out of a simulation
_LESS = 0.98  # a change that leaves more of the strain is none worth telling
_RARE = 1e-6  # a queue that is full less often needs no place more
_TRANSMISSIONS = 10_000  # of each simulation here: enough to tell which changes matter
_IN_SLOTS = 20_000  # of those in slots, which are quicker


@dataclass(frozen=True, slots=True)
class HelpfulChange:
    """A change alone: the ``key`` of the design file, the change in words, and what it makes of what decides.

    ``before`` and ``after`` are the check that decides, ``then`` what decides after it. The network then carries
    everything where it ``holds``; where it ``is_close`` that is too close to tell. ``caution`` says what it takes.
    """

    key: str
    text: str
    before: LimitCheck
    after: LimitCheck | None
    holds: bool
    then: LimitCheck | None
    caution: str = ""
    is_close: bool = False


@dataclass(frozen=True, slots=True)
class _Change:
    key: str
    text: str
    design: Design
    messages: Sequence[MessageAirtime]
    caution: str = ""


def changes_that_help(
    design: Design, network: CarriedNetwork, *, tell: Tell | None = None
) -> tuple[HelpfulChange, ...]:
    """Return the changes that ease what decides in a network that does not carry its messages, best first.

    ``network`` is what ``carry(design)`` gave; each change is made alone, and everything is calculated again. Empty
    where the network carries its messages. ``tell`` is called with how many were tried, and of how many. Raises
    ``RequestError`` as ``carry``.
    """
    design = Design.of(design)
    function_or_none(tell, "tell")
    decides = value_of(CarriedNetwork, network, "Give what carry(design) returned").decides
    if decides is None or decides.holds or design.access is None:
        return ()
    found = []
    before = decides
    if _is_played(network) or network.played is None:
        before = _same(_again(design, design.access, airtime(design), network), decides) or decides
    changes = list(_changes(design, design.access, network))
    for number, change in enumerate(changes):
        if tell is not None:
            tell(number, len(changes))
        if change.design.access is None:
            continue
        then = _again(change.design, change.design.access, change.messages, network)
        after = _same(then, decides)
        if after is None or _over(after) < _over(before) * _LESS:
            if (
                (after is None or after.holds or after.is_close)
                and network.played
                and not _is_played(network)
            ):
                # what was played of the old network says nothing of what comes next in the way
                then = judged(
                    change.design,
                    change.design.access,
                    change.messages,
                    network.seed,
                    _TRANSMISSIONS,
                )
            if then.is_close:  # nothing less than what the design itself is judged by says yes
                then = judged(change.design, change.design.access, change.messages, network.seed)
            after = _same(then, decides)
            found.append(
                HelpfulChange(
                    change.key,
                    change.text,
                    decides,
                    after,
                    then.holds,
                    then.decides,
                    change.caution,
                    then.is_close,
                )
            )
    found.sort(
        key=lambda one: (
            not one.holds,
            not one.is_close,
            0.0 if one.after is None else _over(one.after),
        )
    )
    return tuple(found)


def _over(check: LimitCheck) -> float:
    """Return how far something is over what is allowed; where it was played by what came out, not by its best case."""
    if check.matter in _PLAYED and check.allowed:
        return check.measured / check.allowed
    return check.strain


def _again(
    design: Design, access: Access, messages: Sequence[MessageAirtime], network: CarriedNetwork
) -> CarriedNetwork:
    transmissions = _TRANSMISSIONS if access.slots is None else _IN_SLOTS
    if _is_played(network):
        return judged(design, access, messages, network.seed, transmissions)
    return judged(
        design, access, messages, network.seed, transmissions, network.services, network.resent
    )


def _is_played(network: CarriedNetwork) -> bool:
    """Return whether what decides came out of a simulation, so that it must be played again for each change."""
    decides = network.decides
    is_simulated = any(one.messages is not None for one in network.services)
    return is_simulated and decides is not None and decides.matter in _PLAYED


def _same(network: CarriedNetwork, check: LimitCheck) -> LimitCheck | None:
    """Return the check of the same matter, the one that strains it most."""
    return next((one for one in network.checks if one.matter == check.matter), None)


def _changes(design: Design, access: Access, network: CarriedNetwork) -> Iterator[_Change]:
    messages = airtime(design)
    slots = access.slots
    if slots is not None:
        yield from _of_slots(design, access, slots, messages, network)
    else:
        more = replace(access, backoffs=access.backoffs + 2)
        text = f"{more.backoffs} backoffs"
        yield _Change("access.backoffs", text, replace(design, access=more), messages)
    if access.retries < 7:
        more = replace(access, retries=7)
        yield _Change("access.retries", "7 retries", replace(design, access=more), messages)
    if design.queue is not None and _fills(network):
        longer = replace(design.queue, frames=design.queue.frames * 2)
        text = f"{longer.frames} places in each queue"
        yield _Change(
            "queue.frames",
            text,
            replace(design, queue=longer),
            messages,
            "it takes memory of every node",
        )
    if network.decides is not None and network.decides.matter in ("poll", "held"):
        yield from _of_waiting(design, messages)
    yield from _of_upkeep(design)
    yield from _of_flows(design, messages)
    yield from _of_messages(design, messages)


def _fills(network: CarriedNetwork) -> bool:
    """Return whether a queue is full now and then."""
    if network.played is not None:
        return network.played.lost["queue"] > 0
    return any((node.queue_full or 0.0) > _RARE for node in network.nodes)


def _of_slots(
    design: Design, access: Access, slots: Slots, messages: Sequence[MessageAirtime], network: CarriedNetwork
) -> Iterator[_Change]:  # fmt: skip
    def with_slots(key: str, text: str, caution: str = "", **changes: object) -> _Change:
        then = replace(access, slots=replace(slots, **changes))  # type: ignore[arg-type]
        return _Change(f"access.slots.{key}", text, replace(design, access=then), messages, caution)

    listening = "each of them is listened to"
    needed = max(node.cells_needed or 0 for node in network.nodes)
    down = max(node.cells_needed_down or 0 for node in network.nodes)
    for cells in sorted({max(needed, slots.cells + 1), slots.cells * 2}):
        if slots.cells < cells <= slots.slotframe:
            yield with_slots(
                "cells", f"{plural(cells, 'cell')} to each parent", listening, cells=cells
            )
    if down > slots.cells_down:
        text = f"{plural(down, 'cell')} to each child"
        yield with_slots("cells_down", text, listening, cells_down=down)
    for length in (slots.slotframe // 2, slots.slotframe * 2):
        # odd, and so without a common divisor with most numbers of channels
        odd = length | 1
        caution = listening if odd < slots.slotframe else "everything takes twice as long"
        yield with_slots("slotframe", f"a slotframe of {odd} slots", caution, slotframe=odd)
    for order in ("up", "down"):
        if order != slots.order:
            text = f"cells in order {'towards the root' if order == 'up' else 'from the root'}"
            against = "down" if order == "up" else "up"
            yield with_slots("order", text, f"what goes {against} is against it", order=order)
    yield with_slots(
        "shared_cells",
        f"{slots.shared_cells + 1} shared cells",
        listening,
        shared_cells=slots.shared_cells + 1,
    )
    if slots.shared_cells > 1:
        yield with_slots("shared_cells", "1 shared cell", "newcomers find it later", shared_cells=1)


def _of_waiting(design: Design, messages: Sequence[MessageAirtime]) -> Iterator[_Change]:
    sleep = design.sleep
    if sleep is not None and sleep.timeout_s is not None and sleep.poll_s > sleep.timeout_s / 2:
        often = replace(design, sleep=replace(sleep, poll_s=sleep.timeout_s / 2))
        text = f"a poll each {sleep.timeout_s / 2:g} s"
        yield _Change("sleep.poll_s", text, often, airtime(often), "each poll costs")
    if sleep is not None:
        more = replace(design, sleep=replace(sleep, held_frames=sleep.held_frames * 2))
        text = f"{sleep.held_frames * 2} frames held for a child"
        yield _Change("sleep.held_frames", text, more, messages, "it takes memory of every parent")


def _of_upkeep(design: Design) -> Iterator[_Change]:
    upkeep = design.upkeep
    if upkeep is not None and upkeep.beacon_s is not None:
        every = upkeep.beacon_s * 2
        seldom = replace(design, upkeep=replace(upkeep, beacon_s=every))
        yield _Change(
            "upkeep.beacon_s",
            f"a beacon each {every:g} s",
            seldom,
            airtime(seldom),
            "newcomers wait longer",
        )


def _of_flows(design: Design, messages: Sequence[MessageAirtime]) -> Iterator[_Change]:
    for flow in design.flows:
        if flow.every_s is not None:
            slower = design.with_flow(replace(flow, every_s=flow.every_s * 2))
            text = f"readings of {flow.name} each {flow.every_s * 2:g} s"
            # how often one flow sends changes no frame of another: of many flows each is worked out by itself
            own = {(one.message, one.hop): one for one in airtime(slower, flow.name)}
            then = [own[one.message, one.hop] if one.flow == flow.name else one for one in messages]
            yield _Change(f"flow[{flow.name}].every_s", text, slower, then, "half of the readings")


def _of_messages(design: Design, messages: Sequence[MessageAirtime]) -> Iterator[_Change]:
    """Yield messages collected into one frame, and sets of changes with which one frame is enough."""
    grouped: dict[tuple[str, str], list[Fit]] = {}
    for one in fit(design, advised=False):
        if one.message in design.flow(one.flow).messages and one.sends_every_s is not None:
            grouped.setdefault((one.flow, one.message), []).append(one)
    for (flow, message), fits in grouped.items():
        together = min(one.batch for one in fits)
        if design.message(message).batch_field is None and together > 1:
            yield _collected(design, messages, fits, together)
        if max(one.frames or 1 for one in fits) > 1:
            with suppress(LowpanError):
                chosen = smallest_sets(design, flow, fits[0].octets)
                if chosen:
                    then = turned(design, chosen[0].changes)
                    text = f"one frame for {message}: " + ", ".join(
                        knob.text for knob in chosen[0].changes
                    )
                    key = ", ".join(knob.key for knob in chosen[0].changes)
                    yield _Change(key, text, then, airtime(then))


def _collected(
    design: Design, messages: Sequence[MessageAirtime], fits: Sequence[Fit], together: int
) -> _Change:
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
    then = [
        grown[one.hop] if (one.flow, one.message) == (flow, message) else one for one in messages
    ]
    every = fits[0].sends_every_s or 0.0
    late = f"the first waits {ceil(every * (together - 1))} s for the last"
    return _Change(
        f"message {message}", f"{together} of {message} in one frame", design, then, late
    )
