"""What a network must keep to: its own cells and queues, its slots, and the limits that the design states."""

from collections.abc import Callable, Iterator, Sequence
from math import exp, inf

from lowpanbudget.deployment.airtime import MessageAirtime
from lowpanbudget.deployment.carried import CarriedNode, LimitCheck, Matter, SleepWait
from lowpanbudget.deployment.digits import beside, days_text, limit_percent, percent
from lowpanbudget.deployment.service import HopService
from lowpanbudget.deployment.services_together import bounded_services, judged_services
from lowpanbudget.deployment.traffic import Traffic
from lowpanbudget.design.access import Slots
from lowpanbudget.design.goals import MOST, Limits
from lowpanbudget.design.meaning import Design
from lowpanbudget.errors import plural
from lowpanbudget.values import replace

_CAUSES: tuple[Matter, ...] = (
    "readings", "frame", "acknowledgement", "cells", "relay", "shared", "poll", "held", "queue", "delivery", "latency",
    "duty", "battery",
)  # fmt: skip
_ROUNDING = 1e-12
_SEEN = 1e-6  # a share that is worth a word


def checks_of(
    design: Design,
    messages: Sequence[MessageAirtime],
    traffic: Traffic,
    nodes: Sequence[CarriedNode],
    services: Sequence[HopService],
    sleep: SleepWait | None,
    told: Callable[[LimitCheck], LimitCheck] | None = None,
) -> tuple[LimitCheck, ...]:
    """Return all that was checked, of each matter what strains it most, as it is ``told``; what does not hold first."""
    limits, slots = design.limits, None if design.access is None else design.access.slots
    found = list(frame_checks(messages))
    if slots is not None:
        found += [*_cells(nodes, slots), *_relays(nodes, slots, traffic), *_shared(nodes, slots)]
    found += _queues(nodes, limits)
    found += service_checks(services, limits)
    if limits is not None:
        found += _limits(nodes, limits)
    if sleep is not None and design.sleep is not None:
        planned = design.sleep
        found += _sleep(sleep, planned.poll_s, planned.timeout_s, planned.held_frames, limits)
    if told is not None:
        found = list(map(told, found))
    found.sort(key=rank)
    first: dict[Matter, LimitCheck] = {}
    for check in found:
        first.setdefault(check.matter, check)
    return tuple(first.values())


def rank(check: LimitCheck) -> tuple[bool, bool, int, float]:
    """Return the place of a check: what does not hold first, causes before what follows from them.

    Then what is too close to tell, then by strain.
    """
    cause = 0 if check.holds or check.is_close else _CAUSES.index(check.matter)
    return check.holds, check.is_close, cause, -check.strain


def check_of(
    matter: Matter, about: str, text: str, measured: float, allowed: float, unit: str
) -> LimitCheck:
    """Return a check of what may be as much as ``allowed`` at most."""
    strain = measured / allowed if allowed else (inf if measured else 0.0)
    return LimitCheck(
        matter, about, text, measured, allowed, unit, strain, measured <= allowed * (1 + 1e-12)
    )


def played_check(
    matter: Matter, about: str, text: str, measured: float, allowed: float, unit: str, half_width: float
) -> LimitCheck:  # fmt: skip
    """Return a check of what came out as ``measured``, give or take (0: exact): yes or no where it is sure."""
    best = max(measured - half_width, 0.0)
    holds = measured + half_width <= allowed + _ROUNDING
    most = measured if holds else best
    strain = most / allowed if allowed else inf if most else 0.0
    is_close = not holds and best <= allowed + _ROUNDING
    return LimitCheck(
        matter, about, text + (": too close to tell" if is_close else ""), measured, allowed, unit, strain, holds,
        is_close, half_width=half_width,
    )  # fmt: skip


def _give(half_width: float) -> str:
    return f" (give or take {percent(half_width)})" if half_width else ""


def frame_checks(messages: Sequence[MessageAirtime]) -> Iterator[LimitCheck]:
    """Yield what messages break by themselves."""
    for one in messages:
        for limit in one.broken:
            about = f"{one.flow} {one.message}"
            if limit.matter != "readings":
                about += f", {one.hop} hop"
            strain = limit.measured / limit.allowed if limit.allowed else inf
            yield LimitCheck(
                limit.matter, about, limit.text, limit.measured, limit.allowed, limit.unit, strain, holds=False
            )  # fmt: skip


def _cells(nodes: Sequence[CarriedNode], slots: Slots) -> Iterator[LimitCheck]:
    for node in nodes:
        if not node.parent:
            continue
        up, down = node.tries_per_s * slots.slotframe_s, node.tries_down_per_s * slots.slotframe_s
        for needed, tries, there, ends in (
            (node.cells_needed or 0, up, slots.cells, f"link {node.name} to {node.parent}"),
            (
                node.cells_needed_down or 0,
                down,
                slots.cells_down,
                f"link {node.parent} to {node.name}",
            ),
        ):
            if needed:
                text = f"it needs {plural(needed, 'cell')} a slotframe and has {there}: {tries:.3g} are used on average"
                strain = tries / there if there else inf
                yield LimitCheck(
                    "cells", ends, text, tries, there, "cells", strain, needed <= there
                )


def _relays(nodes: Sequence[CarriedNode], slots: Slots, traffic: Traffic) -> Iterator[LimitCheck]:
    """Yield how many slots of a slotframe each node is awake for: it sends or receives in a slot, never both."""
    for node, links in zip(nodes, traffic.tree.links(), strict=False):
        taken = slots.taken(links)
        text = f"its links and the shared cells take {plural(taken, 'slot')}, a slotframe has {slots.slotframe}"
        yield check_of("relay", f"node {node.name}", text, taken, slots.slotframe, "slots")


def _shared(nodes: Sequence[CarriedNode], slots: Slots) -> Iterator[LimitCheck]:
    """Yield how many frames to all come to each shared cell near a node: those that meet in one are lost."""
    for node in nodes:
        frames = node.shared_frames
        if not frames:
            continue
        about = f"around node {node.name}"
        if not slots.shared_cells:
            text = "there is no shared cell for what is sent to all"
            yield LimitCheck("shared", about, text, frames, 0.0, "frames", inf, holds=False)
            continue
        # nodes choose a cell without knowing of each other: Poisson, as in slotted ALOHA, where g frames a cell bring
        # g exp(-g) through: beyond one a cell, of more that are sent fewer come through
        met = 1 - exp(-frames / slots.shared_cells)
        came = f"{frames:.3g}"
        if frames > slots.shared_cells >= float(came):
            came, _ = beside(frames, slots.shared_cells)
        text = (
            f"{came} {'frame to all in a slotframe shares' if came == '1' else 'frames to all in a slotframe share'} "
            f"{plural(slots.shared_cells, 'cell')}: "
            f"{percent(met)} of them meet another one; 1 a cell is allowed"
        )
        yield check_of("shared", about, text, frames, slots.shared_cells, "frames")


def may_refuse(limits: Limits | None) -> float:
    """Return the share of what comes that may find no place in a queue, or for a poll: what may be lost."""
    return 1 - _least(limits)


def _least(limits: Limits | None) -> float:
    """Return the share of the messages that is to arrive; without a word of the design most of them."""
    return MOST if limits is None or limits.delivery is None else limits.delivery


def _allowed_text(limits: Limits | None) -> str:
    """Return in words how much may find no place."""
    text = f"{may_refuse(limits) * 100:.3g} % are"
    if limits is None or limits.delivery is None:
        return f"{text} taken to be allowed: limits.delivery says no other"
    return f"{text} allowed"


def _queues(nodes: Sequence[CarriedNode], limits: Limits | None) -> Iterator[LimitCheck]:
    allowed = may_refuse(limits)
    for node in nodes:
        if node.queue_full is not None:
            text = f"{percent(node.queue_full, allowed)} of the frames find its queue full"
            text += f"{_give(node.queue_half_width)}, {_allowed_text(limits)}"
            about = f"node {node.name}"
            yield played_check(
                "queue", about, text, node.queue_full, allowed, "share", node.queue_half_width
            )


def service_checks(services: Sequence[HopService], limits: Limits | None) -> Iterator[LimitCheck]:
    """Yield how each message arrives from each hop, as far as that can be judged."""
    for hops, one in judged_services(services):
        about = f"{one.flow} {one.message}, {hops}"
        in_runs = one.in_runs is not None and one.in_runs < (one.delivered or 1.0)
        yield _delivery(one, about, limits, in_runs=in_runs)
        if limits is not None and limits.latency_s is not None and one.in_time is not None:
            yield _latency(one, one.in_time, about, limits, in_runs=in_runs)
    for hops, one in bounded_services(services):
        least = _least(limits)
        if one.quiet is not None and one.quiet < least:
            text = (
                f"{percent(one.quiet, least)} would arrive if nobody else sent, {_wanted(limits)}"
            )
            about = f"{one.flow} {one.message}, {hops}"
            yield check_of("delivery", about, text, 1 - one.quiet, 1 - least, "share lost")


def _latency(
    one: HopService, in_time: float, about: str, limits: Limits, *, in_runs: bool
) -> LimitCheck:
    """Return whether as many are there in time as are wanted.

    Where they were not played it is yes or no where it is that both with empty queues and with what queues may add.
    """
    wanted = limits.latency_share
    text = f"{percent(in_time, wanted)} are there within {limits.latency_s:g} s"
    text += " where losses come in runs" * in_runs
    if one.messages is None and one.delays is not None and one.latency is not None:
        text += " with empty queues"
    if one.latency is None and one.queued:
        text += ", as what waits for its cells waits ever longer"
    if one.in_time_least is not None and one.in_time_least < wanted <= in_time:
        least = percent(one.in_time_least, wanted)
        text += f", {least} or more with the {one.queue_s:.2g} s that queues add on average"
    text += f"{_give(one.in_time_half_width)}, {limit_percent(wanted)} are to be"
    late, allowed = 1 - in_time, 1 - wanted
    check = played_check(
        "latency", about, text, late, allowed, "share late", one.in_time_half_width
    )
    if one.in_time_least is None or not check.holds or 1 - one.in_time_least <= allowed + _ROUNDING:
        return check
    return replace(check, text=f"{text}: too close to tell", holds=False, is_close=True)


def _wanted(limits: Limits | None) -> str:
    """Return in words which share of the messages is to arrive."""
    if limits is None or limits.delivery is None:
        return f"{limit_percent(MOST)} are taken to be enough: limits.delivery says no other"
    return f"limits.delivery is {limit_percent(limits.delivery)}"


def _delivery(one: HopService, about: str, limits: Limits | None, *, in_runs: bool) -> LimitCheck:
    """Return whether so many messages arrive as are wanted."""
    share, least = one.arrives or 0.0, _least(limits)
    text = f"{percent(share, least)} arrive{' where losses come in runs' if in_runs else ''}"
    if one.queued is not None and one.queued < 1 - _SEEN:
        text += f", {percent(1 - one.queued)} are lost to full queues"
    text += f"{_give(one.half_width)}, {_wanted(limits)}"
    return played_check("delivery", about, text, 1 - share, 1 - least, "share lost", one.half_width)


def _limits(nodes: Sequence[CarriedNode], limits: Limits) -> Iterator[LimitCheck]:
    for node in nodes:
        about = f"node {node.name}"
        if limits.duty_cycle is not None:
            share = percent(node.duty_cycle, limits.duty_cycle)
            text = f"it is on the air {share} of the time, limits.duty_cycle is "
            text += limit_percent(limits.duty_cycle)
            yield check_of("duty", about, text, node.duty_cycle, limits.duty_cycle, "share")
        if limits.battery_days is not None and node.battery_days is not None:
            least = node.battery_days.least
            days = node.battery_days
            lasts, wanted = days_text(days), f"{limits.battery_days:g}"
            if least < limits.battery_days and lasts.startswith(wanted):
                lasts, wanted = beside(least, limits.battery_days)
            text = f"its battery lasts {lasts} days, limits.battery_days is {wanted}"
            if node.always_listens:
                sleeps = "" if node.behind else "let it sleep ([sleep]), "  # who forwards cannot
                text += f"; its radio always listens: {sleeps}feed it from the mains, or use slots"
            yield LimitCheck(
                "battery", about, text, least, limits.battery_days, "days", limits.battery_days / least,
                least >= limits.battery_days,
            )  # fmt: skip


def _sleep(
    sleep: SleepWait,
    poll_s: float,
    timeout_s: float | None,
    held_frames: int,
    limits: Limits | None,
) -> Iterator[LimitCheck]:
    if timeout_s is not None:
        text = f"they poll each {poll_s:g} s, their parents forget them after {timeout_s:g} s"
        yield check_of("poll", "sleeping children", text, poll_s, timeout_s, "s")
    if sleep.held_full is not None:
        allowed = may_refuse(limits)
        text = f"{percent(sleep.held_full, allowed)} of {sleep.held_message or 'the messages'} for them find no place"
        text += " for all their frames" * (sleep.held_takes > 1) + " at their parent"
        if sleep.held_takes > held_frames:
            text += f": it holds {plural(held_frames, 'frame')} for a child, each takes {sleep.held_takes}"
        text += f", {_allowed_text(limits)}"
        yield check_of("held", "sleeping children", text, sleep.held_full, allowed, "share")
