"""What was seen beside what was planned: each number of the plan that a capture can judge, and whether it is kept.

A share is judged by its interval: outside where even its upper end falls short, all flows together (``family``), as
planned where its lower end does not, open between the two. Intervals have a check of their own, and so have links.
"""

from collections.abc import Iterator, Sequence
from math import ceil, floor

from lowpanbudget.deployment.confidence import CONFIDENCE, MeasuredShare, at_most, trials_for, upper
from lowpanbudget.deployment.digits import beside
from lowpanbudget.deployment.family import sure_text, tails
from lowpanbudget.deployment.measured import (
    MeasuredBurst,
    MeasuredFlow,
    MeasuredNode,
    PlanCheck,
    PlanNumber,
    PlanVerdict,
)
from lowpanbudget.deployment.rhythm import lasts
from lowpanbudget.deployment.rhythm_checks import rhythm_check
from lowpanbudget.design.goals import Burst, Limits
from lowpanbudget.design.meaning import Design
from lowpanbudget.env import link_text
from lowpanbudget.errors import plural
from lowpanbudget.room.fit import fit
from lowpanbudget.values import replace

WITHIN, OUTSIDE, OPEN = PlanVerdict.WITHIN, PlanVerdict.OUTSIDE, PlanVerdict.OPEN
_ROUNDED = 10_000
_MOST = 0.5  # of the time that messages take


def flow_checks(design: Design, flows: tuple[MeasuredFlow, ...]) -> Iterator[PlanCheck]:
    """Yield what the plan says of the flows that were seen."""
    planned = {
        (one.flow, one.message): one.sends_every_s
        for message in {flow.message for flow in flows if flow.message is not None}
        for one in fit(design, message, advised=False)
    }
    named = [flow for flow in flows if flow.name is not None]
    for flow, promises in zip(named, _promises(named, design.limits), strict=True):
        assert flow.name is not None
        if flow.unprotected:
            yield _protection(flow)
        if flow.otherwise:
            yield _other_protection(flow)
        if flow.unread:
            yield _format(flow)
        every = planned.get((flow.name, flow.message or ""))
        if every is not None:
            check = rhythm_check(flow, every)
            bursts = [one for one in design.bursts if one.flow == flow.name]
            yield _like_a_burst(check, every, bursts) or check
        if flow.hops:
            yield _hops(flow, design.flow(flow.name).hops)
        yield from promises


def _like_a_burst(check: PlanCheck, every: float, bursts: Sequence[Burst]) -> PlanCheck | None:
    """Return that messages came as quickly as those of a planned burst, where they did: nobody asked for it."""
    for burst in bursts:
        if check.seen is not None and check.seen**2 < every * burst.every_s:
            why = f"nearly as quick as the planned burst {burst.name}: ask for that burst to have it judged"
            return replace(check, verdict=OPEN, why=why)
    return None


def _protection(flow: MeasuredFlow) -> PlanCheck:
    """Return that messages go in the clear: a single one breaks the plan, and no share of them keeps it."""
    title, all_of = flow.title, flow.datagrams
    why = (
        f"{flow.unprotected} of {plural(all_of, 'message')} go without the {flow.unprotected_by} planned: "
        "each node on their way can read and change them"
    )
    kept = all_of - flow.unprotected
    return PlanCheck(PlanNumber.PROTECTION, title, all_of, kept, "messages", OUTSIDE, why)


def _other_protection(flow: MeasuredFlow) -> PlanCheck:
    """Return that messages go under another protection than planned: what is sealed, and its octets, are others."""
    title, all_of = flow.title, flow.datagrams
    why = f"{flow.otherwise} of {plural(all_of, 'message')} go under {flow.otherwise_by}, which is not what is planned"
    kept = all_of - flow.otherwise
    return PlanCheck(PlanNumber.PROTECTION, title, all_of, kept, "messages", OUTSIDE, why)


def _format(flow: MeasuredFlow) -> PlanCheck:
    read = flow.datagrams - flow.unread
    why = f"{flow.unread} of {plural(flow.datagrams, 'message')} not read: {flow.unread_why}"
    title, all_of = flow.title, flow.datagrams
    return PlanCheck(PlanNumber.FORMAT, title, all_of, read, "messages", OUTSIDE, why)


def _hops(flow: MeasuredFlow, most: int) -> PlanCheck:
    seen = max(flow.hops)
    over = sum(count for links, count in flow.hops.items() if links > most)
    verdict = OUTSIDE if over else WITHIN
    why = f"{over} of {sum(flow.hops.values())} came over more links than planned"
    if not over:
        why = "none came over more links than planned"
    if flow.hops_assumed:
        verdict = OPEN if over else verdict
        why += "; the first hop limit is a guess"
    return PlanCheck(PlanNumber.HOPS, flow.title, most, seen, "hops", verdict, why)


def _promises(flows: Sequence[MeasuredFlow], limits: Limits | None) -> list[list[PlanCheck]]:
    """Return what each of the flows says of the shares that the limits promise."""
    found: list[list[PlanCheck]] = [[] for _ in flows]
    if limits is not None and limits.delivery is not None:
        least = limits.delivery
        shares = [
            (at, one.arrived, one.perhaps)
            for at, one in enumerate(flows)
            if one.arrived and one.arrived.trials
        ]
        held = tails([_chance(share, perhaps, least) for _, share, perhaps in shares])
        for (at, share, perhaps), tail in zip(shares, held, strict=True):
            check = delivery(flows[at].title, share, perhaps, least, tail, len(shares))
            if dropped := flows[at].dropped:
                check = replace(check, why=f"{check.why}; {dropped}")
            found[at].append(check)
    if limits is not None and limits.latency_s is not None:
        least = limits.latency_share
        times = [(at, one.in_time) for at, one in enumerate(flows) if one.in_time is not None]
        held = tails([_chance(share, 0, least) for _, share in times])
        for (at, share), tail in zip(times, held, strict=True):
            verdict = WITHIN if share.at_least >= least else OPEN
            if _chance(share, 0, least) < tail:
                verdict = OUTSIDE
            needs = _needs(verdict, share, least)
            where = _waited(flows[at]) if verdict is OUTSIDE else ""
            why = f"{share.count} of {share.trials} arrived within {limits.latency_s:g} s{needs}{where}"
            found[at].append(
                PlanCheck(
                    PlanNumber.LATENCY, flows[at].title, least, share.share, "share", verdict, why
                )
            )
    return found


def _waited(flow: MeasuredFlow) -> str:
    """Return in words in which node on the way messages are for most of their time; nothing where in no one node."""
    if not flow.waits or flow.took is None or flow.waits[0].median_s < _MOST * flow.took.median:
        return ""
    node, wait_s, _ = flow.waits[0]
    return f"; in the middle they wait in {link_text(node)} for {lasts(wait_s)} of {lasts(flow.took.median)}"


def _chance(share: MeasuredShare, perhaps: int, least: float) -> float:
    """Return the chance that so few are good, with ``perhaps`` so many more, where ``least`` of all are to be."""
    return at_most(min(share.count + perhaps, share.trials), share.trials, least)


def delivery(
    subject: str,
    share: MeasuredShare,
    perhaps: int,
    least: float,
    tail: float = 1 - CONFIDENCE,
    flows: int = 1,
) -> PlanCheck:
    """Return what so many arrivals say of a share that is to arrive, where ``perhaps`` so many more arrived.

    It is that of one of so many ``flows``, held to the chance of error ``tail``.
    """
    verdict, of, chance = (
        WITHIN if share.at_least >= least else OPEN,
        1,
        _chance(share, perhaps, least),
    )
    # rounded away from what is to be proved: no bound says more than it knows
    bound = f"{floor(share.at_least * _ROUNDED) / _ROUNDED:.4f} or more"
    if chance < tail:
        most = upper(min(share.count + perhaps, share.trials), share.trials, tail)
        verdict, of, bound = OUTSIDE, flows, f"{ceil(most * _ROUNDED) / _ROUNDED:.4f} or less"
    why = f"{share.count} of {share.trials} arrived, so the share is {bound} ({sure_text(of, 'flows')})"
    if tail <= chance < 1 - CONFIDENCE:
        why += f"; alone it were below the plan, of {flows} flows one looks so by chance"
    if verdict is not WITHIN and perhaps:
        why += f", {min(perhaps, share.trials - share.count)} more perhaps unheard here"
    why += _needs(verdict, share, least)
    return PlanCheck(PlanNumber.DELIVERY, subject, least, share.share, "share", verdict, why)


def _needs(verdict: PlanVerdict, share: MeasuredShare, least: float) -> str:
    """Return how many trials would tell, where these do not."""
    if verdict is not OPEN or least >= 1 or trials_for(least) <= share.trials:
        return ""
    return f"; {trials_for(least)} without a loss would prove {least:g}"


def node_checks(limits: Limits, nodes: tuple[MeasuredNode, ...]) -> Iterator[PlanCheck]:
    """Yield what the user's limits say of the time that nodes were on the air."""
    for node in nodes:
        name = link_text(node.node)
        if limits.duty_cycle is not None and node.on_air_s is not None:
            seen = node.worst
            if seen is not None:
                over = seen > limits.duty_cycle
                why = f"in the worst window of {limits.window_s:g} s"
            else:
                # what was on the air in less than a window was on the air within one
                seen = node.on_air_s / limits.window_s
                over = seen > limits.duty_cycle
                why = f"the capture is shorter than the window of {limits.window_s:g} s"
            verdict = OUTSIDE if over else WITHIN if node.worst is not None else OPEN
            yield PlanCheck(
                PlanNumber.DUTY_CYCLE, name, limits.duty_cycle, seen, "share", verdict, why
            )
        if limits.frame_ms is not None and node.longest_s is not None:
            longest = node.longest_s * 1000
            if longest > limits.frame_ms:
                took, _ = beside(longest, limits.frame_ms)
                why = f"one transmission took {took} ms"
                yield PlanCheck(
                    PlanNumber.TRANSMISSION, name, limits.frame_ms, longest, "ms", OUTSIDE, why
                )


def burst_checks(burst: Burst, seen: MeasuredBurst, limits: Limits | None) -> Iterator[PlanCheck]:
    """Yield what the plan says of a burst."""
    if not seen.seen:
        why = "no datagram of the flow has the octets of the burst"
        yield PlanCheck(PlanNumber.BURST, burst.name, burst.packets, None, "packets", OPEN, why)
        return
    if burst.all_in_s is not None:
        count = seen.in_by(burst.all_in_s)
        late = seen.arrived.count - count
        lost = seen.due - seen.arrived.count
        parts = [f"{late} later"] * (late > 0) + [f"{lost} not at all"] * (lost > 0)
        is_cut = seen.due < burst.packets
        why = f"{count} of {seen.due} in after {burst.all_in_s:g} s"
        why += " that were due while it was captured" if is_cut else ""
        why += "".join(f", {part}" for part in parts)
        verdict = WITHIN if count == burst.packets else OUTSIDE
        if verdict is OUTSIDE and not late and seen.perhaps >= lost:
            verdict = OPEN
            why += ", or not heard here" if lost else ""
        yield PlanCheck(PlanNumber.BURST, burst.name, burst.packets, count, "packets", verdict, why)
    if limits is not None and limits.delivery is not None:
        yield delivery(f"burst {burst.name}", seen.arrived, seen.perhaps, limits.delivery)
