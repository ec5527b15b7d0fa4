"""What is said of a burst first: whether it is in as often and as soon as asked for, and how many packets are."""

from collections.abc import Sequence
from math import floor, log10
from typing import Literal

from lowpanbudget.deployment.burst_plan import BurstPlan
from lowpanbudget.deployment.carried import LimitCheck
from lowpanbudget.errors import plural
from lowpanbudget.report.arrival_text import share_of
from lowpanbudget.report.carry_answer import TOO_CLOSE
from lowpanbudget.report.chart import number

ARRIVAL = ("delivery", "latency")
_MOST_DIGITS = 6


def burst_verdict(plan: BurstPlan, faults: Sequence[str] = ()) -> Literal["yes", "open", "no"]:
    """Return whether a burst is in as it is to be, where ``faults`` are what keeps the network from working at all."""
    if faults:
        return "no"
    return "yes" if plan.holds else "open" if plan.is_close else "no"


def burst_answer(plan: BurstPlan, faults: Sequence[str] = ()) -> str:
    """Return yes, no or open, first with the limits that are broken, each once, and how many packets are in."""
    why = next((one.why_open or TOO_CLOSE for one in plan.checks if one.is_close), "")
    said = f"{_in(plan)}{f': {why}' if why else ''}"
    broken: dict[str, str] = {}
    for one in limits(plan):
        if not one.holds:
            broken.setdefault(one.matter, f"{one.about}: {one.text}.")
    if faults:
        broken = {"design": f"This network does not work as it is designed. {faults[0]}.", **broken}
    if broken:
        return f"No. {' '.join(broken.values())} {said[0].upper()}{said[1:]}"
    return f"{'Yes' if plan.holds else 'Open' if plan.is_close else 'No'}: {said}"


def limits(plan: BurstPlan) -> list[LimitCheck]:
    """Return what was checked beside the arrival, what does not hold first."""
    return [one for one in plan.checks if one.matter not in ARRIVAL]


def _in(plan: BurstPlan) -> str:
    """Return how many packets are in, and how many are asked for."""
    hops = plural(len(plan.way) - 1, "hop")
    if plan.all_in is None:
        return (
            f"{arrived(plan)} of {plural(plan.packets, 'packet')} of {plan.name} arrive over {hops}, "
            f"{plan.wanted * 100:g} % are to"
        )
    one = plan.packets == 1
    which = f"{'the one packet' if one else f'all {plan.packets} packets'} of {plan.name} {'is' if one else 'are'} in"
    chance = f"{round(plan.all_in * plan.runs)} of {plan.runs} runs, give or take {share_of(plan.half_width)}"
    return (
        f"{which} after {plan.all_in_s:g} s over {hops} in {chance}; "
        f"{plan.wanted * 100:g} % are asked for"
    )


def arrived(plan: BurstPlan) -> str:
    """Return how many packets arrive, with what the runs leave open: with those that are lost they are all."""
    half, digits = plan.arrived_half_width, digits_of(plan)
    lost = round(plan.lost_queue, digits) + round(plan.lost_link, digits)
    sure = f" (give or take {number(float(f'{half:.2g}'))})" if half else ""
    return f"{count(plan.packets - lost, digits)}{sure}"


def digits_of(plan: BurstPlan) -> int:
    """Return the digits behind the point that tell what is lost from nothing, and how sure that is."""
    told = (plan.lost_queue, plan.lost_link, plan.arrived_half_width)
    return (
        min(max((-floor(log10(one)) for one in told if one > 0), default=0), _MOST_DIGITS)
        if any(told)
        else 0
    )


def count(packets: float, digits: int) -> str:
    """Return a mean of packets with so many digits behind the point, none where these are zeros."""
    text = f"{packets:.{max(digits, 0)}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
