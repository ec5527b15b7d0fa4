"""What a whole capture shows beside the plan of a network: losses, latency, tries, ways, time on the air, rhythm."""

from collections.abc import Iterator
from ipaddress import IPv6Address
from typing import NamedTuple

from lowpanbudget.deployment.confidence import Spread
from lowpanbudget.deployment.digits import beside, limit_percent, percent
from lowpanbudget.deployment.drifts import Drift, drifts
from lowpanbudget.deployment.measured import (
    MeasuredFlow,
    Measurement,
    PlanCheck,
    PlanNumber,
    PlanVerdict,
)
from lowpanbudget.deployment.measurement import Measurer
from lowpanbudget.deployment.rhythm import LONG, lasts
from lowpanbudget.deployment.rhythm_checks import silent_at_end
from lowpanbudget.design.meaning import Design
from lowpanbudget.env import IID_MASK, interface_identifier, link_text
from lowpanbudget.errors import plural
from lowpanbudget.findings.finding import Hit
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.silences import at_once
from lowpanbudget.findings.surroundings import Surroundings
from lowpanbudget.findings.unheard import surely_unsent
from lowpanbudget.findings.wording import seconds_text
from lowpanbudget.layers.internet.ipv6 import UDP

DELIVERY = Subject("delivery", across=True)

_ANOTHER = (
    "No longer capture by this receiver tells, what came by unheard decides: put another near the end of the way, and "
    "read both together. Where frames are never tried again, see that the nodes retry as often as the design says."
)
_MOST_MEASURED = 50_000  # datagrams that are held against the plan of the network
_LOOKS_LIKE_PROOF = 20  # messages; fewer nobody takes for one; our choice
_ONE_CAUSE = (
    "Look at what they have in common before the application of each: a server or root that they wait for, a command "
    "or an update that all got, a clock or counter that came to its end for all."
)
_INTERVAL = PlanNumber.INTERVAL
# messages of which the quickest tells the order of cells, and the part of a slotframe that each hop waits
_MESSAGES, _NEARLY_ALL = 10, 0.8
_SURE = 0.00005  # of a period: a mean of many intervals is told no finer; our choice
_IN_STEP = 0.5  # of the reports that begin together
_MORE_THAN_CHANCE, _ODDS = 4, 8  # times as many as by chance, times their odds; all are our choice


def _outside(measured: Measurement, *numbers: PlanNumber) -> Iterator[PlanCheck]:
    return (
        check
        for check in measured.checks
        if check.what in numbers and check.verdict is PlanVerdict.OUTSIDE
    )


def measurer_of(design: Design | None) -> Measurer | None:
    """Return what measures the network of a design that plans one, or whose messages count themselves."""
    if design is None or not (design.plans_network or design.counts_messages):
        return None
    return Measurer(design, most=_MOST_MEASURED)


@DELIVERY.rule("loss-over-plan", Measurement)
def loss_over_plan(_scene: Scene, measured: Measurement) -> Hits:
    """Judge messages by what arrived, and links by what was acknowledged."""
    flows = {flow.title: flow for flow in measured.flows}
    answered = [one for one in measured.links if one.answered is not None]
    # where acknowledgements are heard at all, frames-not-acknowledged tells of links that have none, and why
    hears = any(one.answered and one.answered.count for one in answered)
    in_vain = {
        f"{link_text(one.sender)} to {link_text(one.receiver)}"
        for one in answered
        if hears and one.answered and not one.answered.count
    }
    for check in _outside(measured, PlanNumber.DELIVERY, PlanNumber.LOSS):
        if check.subject in in_vain:
            continue
        flow = flows.get(check.subject)
        if flow is not None and flow.arrived is not None:
            lost = flow.arrived.trials - flow.arrived.count
            if 2 * (flow.run_out + flow.sum_wrong) > lost:
                continue  # hop limit or checksum, of which others tell
        what = "to arrive" if check.what is PlanNumber.DELIVERY else "to fail"
        yield Hit(check.why, (f"{check.planned:.1%} planned {what}",), check.subject)


@DELIVERY.rule("too-few-packets-to-say", Measurement)
def too_few_packets_to_say(_scene: Scene, measured: Measurement) -> Hits:
    """Tell where a share that was promised is neither proved nor disproved, by numbers that look like a proof."""
    flows = {flow.title: flow for flow in measured.flows}
    for check in measured.checks:
        flow, is_open = flows.get(check.subject), check.verdict is PlanVerdict.OPEN
        arrived = None if flow is None else flow.arrived
        if check.what is not PlanNumber.DELIVERY or not is_open or flow is None or arrived is None:
            continue
        if flow.unread and flow.message is None:
            continue  # no format reads them, which matters more
        if arrived.trials >= _LOOKS_LIKE_PROOF:
            enough = check.planned * arrived.trials
            unheard = arrived.count < enough <= arrived.count + flow.perhaps
            evidence = (f"{check.planned:.1%} planned to arrive",)
            yield Hit(check.why, evidence, check.subject, advice=_ANOTHER if unheard else "")


@DELIVERY.rule("hops-wait-a-slotframe", Measurement)
def hops_wait_a_slotframe(scene: Scene, measured: Measurement) -> Hits:
    """Compare the quickest message with the slotframes that its hops could have waited at most."""
    design = scene.known.design
    slots = None if design is None or design.access is None else design.access.slots
    if slots is None:
        return
    for flow in measured.flows:
        hops = min(flow.hops, default=1)
        if flow.took is None or hops < 2 or flow.took.values < _MESSAGES:
            continue
        waits = flow.took.least / (hops - 1) / slots.slotframe_s
        if waits >= _NEARLY_ALL:
            cause = f"the quickest of {flow.took.values} messages took {seconds_text(flow.took.least)} over {hops} hops"
            evidence = (f"a slotframe lasts {seconds_text(slots.slotframe_s)}",)
            yield Hit(cause, evidence, flow.title)


@DELIVERY.rule("later-than-planned", Measurement)
def later_than_planned(_scene: Scene, measured: Measurement) -> Hits:
    """Judge the share of messages that came in time."""
    for check in _outside(measured, PlanNumber.LATENCY):
        yield Hit(check.why, (f"{check.planned:.1%} planned to",), check.subject)


@DELIVERY.rule("more-tries-than-planned", Measurement)
def more_tries_than_planned(_scene: Scene, measured: Measurement) -> Hits:
    """Compare with the retries of the design."""
    for check in _outside(measured, PlanNumber.TRIES):
        yield Hit(check.why, (), check.subject)


@DELIVERY.rule("ways-longer-than-planned", Measurement)
def ways_longer_than_planned(_scene: Scene, measured: Measurement) -> Hits:
    """Compare with the hops of the flow."""
    for check in _outside(measured, PlanNumber.HOPS):
        evidence = (f"up to {check.seen:.0f} hops, {check.planned:.0f} planned",)
        yield Hit(check.why, evidence, check.subject)


@DELIVERY.rule("on-air-over-limit", Measurement)
def on_air_over_limit(_scene: Scene, measured: Measurement) -> Hits:
    """Compare with the user's own limits."""
    for check in _outside(measured, PlanNumber.DUTY_CYCLE):
        assert check.seen is not None  # or it were not outside
        seen, allowed = percent(check.seen, check.planned), limit_percent(check.planned)
        cause = f"on the air for {seen} of the time, {allowed} allowed by the design"
        yield Hit(cause, (check.why,), check.subject)
    for check in _outside(measured, PlanNumber.TRANSMISSION):
        assert check.seen is not None
        _, allowed = beside(check.seen, check.planned)
        yield Hit(f"{check.why}, {allowed} ms allowed by the design", (), check.subject)


@DELIVERY.rule("reports-in-phase", Measurement)
def reports_in_phase(scene: Scene, measured: Measurement) -> Hits:
    """Compare with chance; where senders have slots of their own they do not meet."""
    design = scene.known.design
    access = None if design is None else design.access
    if access is None or access.slots is not None:
        return
    for one in measured.together:
        seen = one.together / one.reports
        is_more = seen >= _MORE_THAN_CHANCE * one.by_chance
        # of many senders so many meet by chance that no share is as many times as large: their odds are
        is_more |= seen * (1 - one.by_chance) > _ODDS * (1 - seen) * one.by_chance
        if seen < _IN_STEP or not is_more:
            continue
        cause = (
            f"{one.together} of {plural(one.reports, 'report')} began within {seconds_text(one.within_s)} of another "
            "sender's"
        )
        evidence = (f"{one.senders} senders; by chance {one.by_chance:.0%} would",)
        yield Hit(cause, evidence, one.flow)


@DELIVERY.rule("clock-off", Measurement)
def clock_off(_scene: Scene, measured: Measurement) -> Hits:
    """Compare periods over many intervals with the plan, and with those of all others."""
    planned = {one.subject: one.planned for one in measured.checks if one.what is _INTERVAL}
    by_node: dict[IPv6Address, list[Drift]] = {}
    for drift in drifts(measured.flows, planned):
        by_node.setdefault(drift.flow.flow.source, []).append(drift)
    for node, found in by_node.items():
        surest = max(found, key=lambda one: abs(one.off) / max(one.error, _SURE))
        off, give = 100 * abs(surest.off), 200 * max(surest.error, _SURE)
        which = "longer" if surest.off > 0 else "shorter"
        cause = (
            f"its period is {off:.2g} % ± {give:.1g} {which} than planned, and than that of others"
        )
        evidence = tuple(
            f"{one.flow.title}: each {one.every_s:.5g} s over {plural(one.flow.interval.values, 'interval')}, planned "
            f"{one.planned_s:g} s; {one.others} others: {one.others_s:.5g} s"
            for one in found
            if one.flow.interval is not None
        )
        frames = tuple(
            sorted({n for one in found for n in (one.flow.first_number, one.flow.last_number)})
        )
        yield Hit(cause, evidence, str(node), frames)


class _Stopped(NamedTuple):
    """A flow that stopped: how long, how it came before and was planned; ``heard_s``: its sender, before the end."""

    flow: MeasuredFlow
    silent_s: float
    usual: Spread
    every_s: float
    heard_s: float


@DELIVERY.rule("flow-stopped", Measurement)
def flow_stopped(scene: Scene, measured: Measurement) -> Hits:
    """Look for a silence behind the last message, of senders that are heard, and do not send otherwise than planned.

    Answers end with requests. Who sends in another PAN, or from another address or port, did not stop: other findings
    tell that. Of nodes that are gone altogether node-fell-silent tells. What stopped at once has one cause.
    """
    kinds: dict[tuple[object, ...], list[_Stopped]] = {}  # in each a sender stands once
    for one in _stopped(scene.known, measured):
        flow = one.flow
        kinds.setdefault((flow.name, flow.message, flow.flow.destination), []).append(one)
    for stopped in kinds.values():
        for group in at_once(stopped, lambda one: one.silent_s, lambda one: one.every_s):
            yield from _stopped_at_once(group)


def _stopped(known: Surroundings, measured: Measurement) -> Iterator[_Stopped]:
    design = known.design
    planned = {one.subject: one.planned for one in measured.checks if one.what is _INTERVAL}
    for flow in measured.flows:
        silent_s = silent_at_end(flow, planned[flow.title]) if flow.title in planned else 0.0
        spread = flow.interval
        if not silent_s or design is None or spread is None or flow.name is None or flow.down:
            continue
        if design.flow(flow.name).answers or _goes_on_otherwise(flow, measured):
            continue
        stations = [one for one in known.senders if _is_of(one[1], flow.flow.source)]
        last_s = known.end_s - max((known.senders[one].seen_s for one in stations), default=0.0)
        if len(stations) != 1 or not last_s <= silent_s / 2:
            continue
        sender, every_s = known.senders[stations[0]], planned[flow.title]
        sender.stopped = True
        if surely_unsent(sender, known.end_s - silent_s, known.end_s, every_s) < LONG:
            continue  # it came by unheard
        yield _Stopped(flow, silent_s, spread, planned[flow.title], last_s)


def _stopped_at_once(group: list[_Stopped]) -> Hits:
    """Yield what is told of flows of one kind that stopped within an interval, or of one alone."""
    least_s, every_s = group[0].silent_s, group[0].every_s
    heard = seconds_text(max(one.heard_s for one in group))
    together, advice = "", ""
    if len(group) > 1:
        within = seconds_text(group[-1].silent_s - least_s)
        together, advice = f": {len(group)} senders stopped within {within}", _ONE_CAUSE
    for flow, _, spread, *_ in group:
        cause = f"no message of flow {flow.name} for the last {lasts(least_s)}, planned are {every_s:g} s{together}"
        usual = f"{plural(spread.values, 'interval')} before, {spread.median:.3g} s in the middle"
        last = f"its sender was heard last {heard} before the end"
        told = f"each sender was heard {heard} before the end or later"
        evidence = (told,) if together else (usual, last)
        yield Hit(cause, evidence, flow.title, (flow.last_number,), advice=advice)


def _is_of(link: bytes, address: IPv6Address) -> bool:
    """Return whether an address is made of a link address."""
    return interface_identifier(link) == int(address) & IID_MASK


def _goes_on_otherwise(flow: MeasuredFlow, measured: Measurement) -> bool:
    """Return whether its sender sends other UDP behind its last message, or another of its flow begins there.

    Either may be what the flow has become, from another address or port.
    """
    identifier, last = int(flow.flow.source) & IID_MASK, flow.last_number
    return any(
        other.first_number > last or int(other.flow.source) & IID_MASK == identifier
        for other in measured.flows
        if other.name is None or (other.name == flow.name and other is not flow)
        if other.flow.protocol == UDP and other.last_number > last
    )
