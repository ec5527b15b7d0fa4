"""A burst for people: what it takes on the air first, then whether all are in in time, and where packets are lost."""

from collections.abc import Iterator, Sequence
from math import floor, log10

from rich.console import Console
from rich.text import Text

from lowpanbudget.deployment.burst_plan import BurstPlan, PacketPlan
from lowpanbudget.deployment.carried import LimitCheck
from lowpanbudget.errors import plural
from lowpanbudget.findings.helps import HelpfulChange
from lowpanbudget.report import carries, chart_text, layout
from lowpanbudget.report.arrival_text import seconds_text
from lowpanbudget.report.carries import BURST_CAUTION, CAUTION
from lowpanbudget.report.carry_answer import TOO_CLOSE
from lowpanbudget.report.carry_text import helps, share_of
from lowpanbudget.report.chart import number
from lowpanbudget.report.layout import Cell, Line
from lowpanbudget.report.screen import Screen
from lowpanbudget.report.terminal import heading, paragraph

_ARRIVAL = ("delivery", "latency")
_PACKETS = 12  # lines of a table of packets
_MOST_DIGITS = 6


def burst(
    console: Console,
    screen: Screen,
    plan: BurstPlan,
    changes: Sequence[HelpfulChange] | None = None,
) -> None:
    """Print what becomes of a burst, and what would bring more of it in (None: not tried)."""
    heading(console, screen, answer(plan))
    air = f"{seconds_text(plan.air_s)} s on the air"
    if plan.packets > 1:
        air += f", {share_of(plan.air_share)} of its time"
    if plan.air_most_s is not None:
        air += f"; up to {seconds_text(plan.air_most_s)} s in 95 % of the runs"
    elif plan.lost_queue + plan.lost_link:
        air += ", if no packet is dropped"
    paragraph(console, screen, f"Fired, it takes about {air}. {BURST_CAUTION}", "bold")
    for check in _limits(plan):
        text = f"{check.about}: {check.text}."
        paragraph(console, screen, text, "" if check.holds else "bold")
    console.print()
    for text in _story(plan):
        paragraph(console, screen, text)
    console.print()
    chart_text.draw(console, screen, carries.timeline_chart(plan))
    console.print()
    layout.put(console, _packets(screen, plan, console.width))
    console.print()
    if changes is not None and not all(one.holds for one in plan.checks if one.matter in _ARRIVAL):
        helps(console, screen, changes)
    console.print(Text("Queues on the way", "bold"))
    layout.put(console, _queues(screen, plan, console.width))
    console.print()
    chart_text.draw(console, screen, carries.queue_chart(plan))
    console.print()
    for text in (*beside(plan), CAUTION):
        paragraph(console, screen, text)


def beside(plan: BurstPlan) -> Iterator[str]:
    """Yield what must be known beside an answer: what was taken for granted."""
    if plan.taken:
        yield f"Taken, where the design says nothing: {'; '.join(plan.taken)}."


def answer(plan: BurstPlan) -> str:
    """Return yes, no or open, first with the limits that are broken, each once, and how many packets are in."""
    why = next((one.why_open or TOO_CLOSE for one in plan.checks if one.is_close), "")
    said = f"{_in(plan)}{f': {why}' if why else ''}"
    broken: dict[str, str] = {}
    for one in _limits(plan):
        if not one.holds:
            broken.setdefault(one.matter, f"{one.about}: {one.text}.")
    if broken:
        return f"No. {' '.join(broken.values())} {said[0].upper()}{said[1:]}"
    return f"{'Yes' if plan.holds else 'Open' if plan.is_close else 'No'}: {said}"


def _limits(plan: BurstPlan) -> list[LimitCheck]:
    """Return what was checked beside the arrival, what does not hold first."""
    return [one for one in plan.checks if one.matter not in _ARRIVAL]


def _in(plan: BurstPlan) -> str:
    """Return how many packets are in, and how many are asked for."""
    hops = plural(len(plan.way) - 1, "hop")
    if plan.all_in is None:
        return (
            f"{_arrived(plan)} of {plural(plan.packets, 'packet')} of {plan.name} arrive over {hops}, "
            f"{plan.wanted * 100:g} % are to"
        )
    one = plan.packets == 1
    which = f"{'the one packet' if one else f'all {plan.packets} packets'} of {plan.name} {'is' if one else 'are'} in"
    chance = f"{round(plan.all_in * plan.runs)} of {plan.runs} runs, give or take {share_of(plan.half_width)}"
    return (
        f"{which} after {plan.all_in_s:g} s over {hops} in {chance}; "
        f"{plan.wanted * 100:g} % are asked for"
    )


def _story(plan: BurstPlan) -> Iterator[str]:
    frames = "" if plan.frames == 1 else f", {plan.frames} frames each"
    yield (
        f"{plural(plan.packets, 'packet')} of {plural(plan.octets, 'octet')}{frames}, one each {plan.every_s:g} s, "
        f"from {plan.way[0]} to {plan.way[-1]}: the last one is sent {seconds_text(plan.lasts_s)} s after the first."
    )
    if plan.all_in_s is not None:
        yield (
            f"That leaves the last packet {seconds_text(plan.all_in_s - plan.lasts_s)} s; "
            f"{share_of(plan.plans[-1].in_time or 0.0)} of the last packets are in by then."
        )
    lost, digits = plan.lost_queue + plan.lost_link, _digits(plan)
    if lost:
        yield (
            f"{_arrived(plan)} packets arrive on average, {_count(plan.lost_queue, digits)} find a queue full, "
            f"{_count(plan.lost_link, digits)} are lost on links{_busy(plan, digits)}."
        )
    else:
        played = plural(plan.runs * plan.packets, "packet")
        yield f"All arrived in every run, {played} in all: losses that are rarer are not seen so."
    yield (
        f"The last one that arrives is in after {seconds_text(plan.done_s)} s in half of the runs, after "
        f"{seconds_text(plan.done_most_s)} s in 95 % of them."
    )
    yield f"Played {plan.runs} times with the network's usual messages around it, seed {plan.seed}."


def _busy(plan: BurstPlan, digits: int) -> str:
    """Return how many of those lost on links were never sent, if any."""
    if not plan.lost_access:
        return ""
    retries = round(plan.lost_link, digits) - round(plan.lost_access, digits)
    busy, tried = _count(plan.lost_access, digits), _count(retries, digits)
    return f": {busy} for want of a free channel, {tried} after the last retry"


def _arrived(plan: BurstPlan) -> str:
    """Return how many packets arrive, with what the runs leave open: with those that are lost they are all."""
    half, digits = plan.arrived_half_width, _digits(plan)
    lost = round(plan.lost_queue, digits) + round(plan.lost_link, digits)
    sure = f" (give or take {number(float(f'{half:.2g}'))})" if half else ""
    return f"{_count(plan.packets - lost, digits)}{sure}"


def _digits(plan: BurstPlan) -> int:
    """Return the digits behind the point that tell what is lost from nothing, and how sure that is."""
    told = (plan.lost_queue, plan.lost_link, plan.arrived_half_width)
    return (
        min(max((-floor(log10(one)) for one in told if one > 0), default=0), _MOST_DIGITS)
        if any(told)
        else 0
    )


def _count(packets: float, digits: int) -> str:
    text = f"{packets:.{max(digits, 0)}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def _packets(screen: Screen, plan: BurstPlan, width: int) -> Iterator[Line]:
    step = max(-(-plan.packets // _PACKETS), 1)
    chosen = [*plan.plans[::step]]
    if chosen[-1] is not plan.plans[-1]:
        chosen.append(plan.plans[-1])
    titles = [
        "packet",
        "sent s",
        "arrives",
        "in time",
        "half s",
        "95 % s",
        "queue full",
        "on link",
    ]
    rows: list[list[Cell]] = [_packet(packet) for packet in chosen]
    if plan.all_in_s is None:
        titles, rows = titles[:3] + titles[4:], [row[:3] + row[4:] for row in rows]
    return layout.table(
        [screen.text(title) for title in titles], rows, width, right=range(len(titles))
    )


def _packet(packet: PacketPlan) -> list[Cell]:
    return [
        str(packet.number), seconds_text(packet.sent_s), share_of(packet.arrives),
        "" if packet.in_time is None else share_of(packet.in_time),
        "" if packet.median_s is None else seconds_text(packet.median_s),
        "" if packet.most_s is None else seconds_text(packet.most_s), share_of(packet.lost_queue),
        share_of(packet.lost_link),
    ]  # fmt: skip


def _queues(screen: Screen, plan: BurstPlan, width: int) -> Iterator[Line]:
    rows: list[list[Cell]] = [
        [
            screen.text(queue.node), number(round(queue.highest_mean, 2)),
            str(queue.highest), number(round(queue.lost_queue, 2)), number(round(queue.lost_link, 2)),
            number(round(queue.lost_access, 2)),
        ]
        for queue in plan.queues
    ]  # fmt: skip
    titles = [
        "node", "most waiting, mean", "most seen", "packets lost here", "lost on its link", "no free channel",
    ]  # fmt: skip
    if not plan.lost_access:
        titles, rows = titles[:-1], [row[:-1] for row in rows]
    return layout.table(titles, rows, width, right=range(1, len(titles)))
