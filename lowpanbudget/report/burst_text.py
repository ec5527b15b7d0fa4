"""A burst for people: what it takes on the air first, then whether all are in in time, and where packets are lost."""

from collections.abc import Iterator, Sequence

from rich.console import Console
from rich.text import Text

from lowpanbudget.deployment.burst_plan import BurstPlan, PacketPlan
from lowpanbudget.deployment.digits import rounded_up
from lowpanbudget.errors import plural
from lowpanbudget.findings.helpful import HelpfulChange
from lowpanbudget.findings.together import ChangesTogether
from lowpanbudget.report import carries, chart_text, layout
from lowpanbudget.report.arrival_text import seconds_text, share_of
from lowpanbudget.report.burst_answer import (
    ARRIVAL,
    arrived,
    burst_answer,
    count,
    digits_of,
    limits,
)
from lowpanbudget.report.carries import BURST_CAUTION, CAUTION
from lowpanbudget.report.carry_text import helps
from lowpanbudget.report.chart import number
from lowpanbudget.report.layout import Cell, Line
from lowpanbudget.report.screen import Screen
from lowpanbudget.report.terminal import heading, paragraph

_PACKETS = 12  # lines of a table of packets


def burst(
    console: Console,
    screen: Screen,
    plan: BurstPlan,
    changes: Sequence[HelpfulChange] | None = None,
    together: ChangesTogether | None = None,
    faults: Sequence[str] = (),
) -> None:
    """Print what becomes of a burst, and what would bring more of it in (None: not tried)."""
    heading(console, screen, burst_answer(plan, faults))
    air = f"{seconds_text(plan.air_s)} s on the air"
    if plan.packets > 1:
        air += f", {share_of(plan.air_share)} of its time"
    if plan.air_share > 1:
        air += " (of all nodes together: several send at once, or still do behind the last packet)"
    if plan.air_most_s is not None:
        air += f"; up to {seconds_text(plan.air_most_s)} s in 95 % of the runs"
    elif plan.lost_queue + plan.lost_link:
        air += ", if no packet is dropped"
    paragraph(console, screen, f"Fired, it takes about {air}. {BURST_CAUTION}", "bold")
    for check in limits(plan):
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
    if changes is not None and not all(one.holds for one in plan.checks if one.matter in ARRIVAL):
        helps(console, screen, changes, together)
    console.print(Text("Queues on the way", "bold"))
    layout.put(console, _queues(screen, plan, console.width))
    console.print()
    chart_text.draw(console, screen, carries.queue_chart(plan))
    console.print()


def cautions(console: Console, screen: Screen, plan: BurstPlan) -> None:
    """Print what was taken for granted, and what a number of a plan is."""
    for text in (*beside(plan), CAUTION):
        paragraph(console, screen, text)


def beside(plan: BurstPlan) -> Iterator[str]:
    """Yield what must be known beside an answer: what was taken for granted."""
    if plan.taken:
        yield f"Taken, where the design says nothing: {'; '.join(plan.taken)}."


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
    if plan.enough_s is not None and not plan.holds:
        yield (
            f"All are in after {rounded_up(plan.enough_s):g} s in {plan.wanted * 100:g} % of such bursts or more: with "
            "all_in_s so late it would be as it is to be."
        )
    lost, digits = plan.lost_queue + plan.lost_link, digits_of(plan)
    if lost:
        yield (
            f"{arrived(plan)} packets arrive on average, {count(plan.lost_queue, digits)} find a queue full, "
            f"{count(plan.lost_link, digits)} are lost on links{_busy(plan, digits)}."
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
    busy, tried = count(plan.lost_access, digits), count(retries, digits)
    return f": {busy} for want of a free channel, {tried} after the last retry"


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
