"""What a network carries, for people: yes or no first, with what decides; then loads, arrivals, and what would help."""

from collections.abc import Iterator, Sequence

from rich.console import Console
from rich.text import Text

from lowpanbudget.deployment.carried import CarriedNetwork
from lowpanbudget.deployment.digits import days_text
from lowpanbudget.deployment.service import HopService, of_all
from lowpanbudget.deployment.services_together import ENOUGH
from lowpanbudget.errors import plural
from lowpanbudget.findings.helpful import HelpfulChange
from lowpanbudget.findings.together import ChangesTogether
from lowpanbudget.report import carries, chart_text, layout
from lowpanbudget.report.airtimes import share_text
from lowpanbudget.report.arrival_text import (
    has_places,
    is_late,
    latency_texts,
    legend,
    queue_text,
    seconds_text,
    share_of,
)
from lowpanbudget.report.carries import CAUTION, busiest
from lowpanbudget.report.carry_answer import (
    HELPS,
    MOST_HELPS,
    NO_HELP,
    answer,
    check_rows,
    help_words,
    together_words,
)
from lowpanbudget.report.chart import number
from lowpanbudget.report.layout import Cell, Line
from lowpanbudget.report.screen import Screen
from lowpanbudget.report.span_text import sending_text, span_of_time
from lowpanbudget.report.terminal import heading, paragraph

_LOST_TO = {
    "access": "for want of a free channel", "retries": "after the last retry", "queue": "to full queues",
}  # fmt: skip
_VERDICTS = {
    "yes": ("holds", "green"),
    "open": ("open", "bold yellow"),
    "no": ("DOES NOT", "bold red"),
}
_HOUR = 3600


def carry(
    console: Console,
    screen: Screen,
    network: CarriedNetwork,
    changes: Sequence[HelpfulChange] | None,
    faults: Sequence[str] = (),
    together: ChangesTogether | None = None,
) -> None:
    """Print whether the network carries its messages, what decides, what would help (None: not tried), and loads.

    ``faults`` are what keeps it from working at all, as the design alone tells.
    """
    heading(console, screen, answer(network, faults))
    layout.put(console, _checks(screen, check_rows(network, faults), console.width))
    console.print()
    if changes or not (network.holds or network.is_unchecked or changes is None):
        helps(console, screen, changes, together)
    _title(console, screen, "How often")
    layout.put(console, _rhythms(screen, network, console.width))
    console.print()
    _title(console, screen, "Along the tree: the busiest node of each hop")
    layout.put(console, _nodes(screen, network, console.width))
    paragraph(console, screen, _of_loads(network), "dim")
    console.print()
    chart_text.draw(console, screen, carries.load_chart(network))
    console.print()
    streams = carries.streams(network)
    slowest = max(streams, key=_slowest, default=None)
    for services in streams:
        _arrivals(console, screen, services, drawn=services is slowest)
    if streams:
        paragraph(console, screen, legend(network), "dim")
        console.print()
    _played(console, screen, network)


def _slowest(services: Sequence[HopService]) -> float:
    return max(
        (one.latency.nearly_all_s for one in services if one.latency is not None), default=0.0
    )


def _title(console: Console, screen: Screen, text: str) -> None:
    console.print(Text(screen.text(text), "bold"))


def _checks(
    screen: Screen, checks: Sequence[tuple[str, str, str, str]], width: int
) -> Iterator[Line]:
    rows: list[list[Cell]] = [
        [[_VERDICTS[verdict]], *map(screen.text, words)] for verdict, *words in checks
    ]
    return layout.table(("", "checked", "where most", "what"), rows, width)


def helps(
    console: Console, screen: Screen, changes: Sequence[HelpfulChange], together: ChangesTogether | None
) -> None:  # fmt: skip
    """Print the changes that would help, and those that are enough together."""
    _title(console, screen, HELPS)
    rows: list[list[Cell]] = []
    for change in changes[:MOST_HELPS]:
        text, then, enough, takes = map(screen.text, help_words(change))
        rows.append([[(text, "bold")], then, [(enough, "green" if change.holds else "")], takes])
    if rows:
        layout.put(console, layout.table(("change", "then", "", "takes"), rows, console.width))
    else:
        paragraph(console, screen, NO_HELP, indent=2)
    if together is not None:
        paragraph(console, screen, together_words(together), "bold")
    console.print()


def _rhythms(screen: Screen, network: CarriedNetwork, width: int) -> Iterator[Line]:
    rows: list[list[Cell]] = []
    for one in network.rhythms:
        readings = "" if one.reading_every_s is None else span_of_time(one.reading_every_s)
        together = "" if one.readings == 1 else str(one.readings)
        rows.append(
            [
                screen.text(one.flow),
                screen.text(one.message),
                readings,
                together,
                sending_text(one.message, one.sends_every_s),
                str(one.frames),
            ]
        )
    titles = ["flow", "message", "reading each", "together", "sent each", "frames"]
    if not any(row[3] for row in rows):
        titles, rows = [*titles[:2], *titles[4:]], [[*row[:2], *row[4:]] for row in rows]
    return layout.table(titles, layout.first_together(rows), width, right=(len(titles) - 1,))


def _nodes(screen: Screen, network: CarriedNetwork, width: int) -> Iterator[Line]:
    rows: list[list[Cell]] = []
    lasts = any(node.battery_days is not None for node in network.nodes)
    for count, node in busiest(network):
        days, current = node.battery_days, node.current_ua
        rows.append(
            [
                str(node.hop), screen.text(f"{node.name} of {count}"), str(node.behind),
                number(node.tries_per_s * _HOUR), "" if node.cells is None else f"{node.cells_needed} of {node.cells}",
                share_text(node.used), "" if node.queue_frames is None else f"{node.queue_frames:.2f}",
                share_text(node.duty_cycle),
                "" if current is None or (lasts and not screen.wide) else number(round(current.typical, 1)),
                "" if days is None else days_text(days, "-"),
            ]
        )  # fmt: skip
    titles = [
        "hop",
        "busiest",
        "behind",
        "tries/h",
        "cells",
        "used",
        "queue",
        "on air",
        "µA",
        "days",
    ]
    return _filled([screen.text(title) for title in titles], rows, width)


def _of_loads(network: CarriedNetwork) -> str:
    """Say what the columns of loads mean."""
    tries, used = "tries/h: frames with what losses repeat", "used: of the cells to the parent"
    if network.played is not None:
        tries += ", and what is hit by others, as played: relays pass on what came to them"
        used = "used: the time in which the node hears the channel taken, by itself or by others"
    if any(node.used > 1 for node in network.nodes):
        used += " (over 100 %: more than there is, and what cannot be sent waits or is lost)"
    on_air = "the time that the node sends, answers included"
    if network.played is None and any(node.used > 1 for node in network.nodes):
        on_air += ", in the cells that there are"
    return f"{tries}; {used}; on air: {on_air}."


def _filled(titles: list[str], rows: list[list[Cell]], width: int) -> Iterator[Line]:
    """Yield the lines of a table without the columns in which nothing stands."""
    shown = [index for index in range(len(titles)) if any(row[index] for row in rows)]
    cells = [[row[index] for index in shown] for row in rows]
    return layout.table([titles[index] for index in shown], cells, width, right=range(len(shown)))


def _arrivals(
    console: Console, screen: Screen, services: Sequence[HopService], *, drawn: bool
) -> None:
    first = services[0]
    where = "from each hop" if first.direction == "up" else "to each hop"
    _title(console, screen, f"How {first.flow} {first.message} arrives, {where}")
    times = [each for one in services if one.latency is not None for each in one.latency]
    unit, scale = ("ms", 1000) if times and max(times) < 1 else ("s", 1)
    queued = has_places(services)
    late = any(is_late(one) for one in services)
    rows: list[list[Cell]] = []
    for one in services:
        quiet = one.quiet_latency
        rows.append(
            [
                str(one.hop), share_of(of_all(one, one.delivered)), share_of(of_all(one, one.in_runs)),
                share_of(one.queued) if queued else "",
                f"{one.half_width * 100:.2g} %" if one.half_width and one.messages != 0 else "",
                *latency_texts(one, scale),
                queue_text(one, scale),
                share_of(one.in_time) if late else "", share_of(one.quiet) if screen.wide else "",
                "" if quiet is None else seconds_text(quiet.nearly_all_s * scale),
            ]
        )  # fmt: skip
    titles = [
        "hop", "arrive", "in runs", "places", "±", f"half {unit}", f"95 % {unit}", f"99 % {unit}", f"queues {unit}",
        "in time", "quiet", f"quiet 99 % {unit}",
    ]  # fmt: skip
    layout.put(console, _filled([screen.text(title) for title in titles], rows, console.width))
    chart = carries.latency_chart(services) if drawn else None
    if chart is not None:
        console.print()
        chart_text.draw(console, screen, chart)
    console.print()


def _played(console: Console, screen: Screen, network: CarriedNetwork) -> None:
    for result, name in (
        (network.played, "losses alone"),
        (network.played_in_runs, "losses in runs"),
    ):
        if result is None:
            continue
        lost = ", ".join(
            f"{result.lost[cause]} {_LOST_TO[cause]}" for cause in _LOST_TO if result.lost[cause]
        )
        text = (
            f"Played with {name}: {plural(result.messages, 'message')} in {span_of_time(result.seconds)} of the "
            f"network, {plural(result.transmissions, 'transmission')}; "
            f"{share_of(result.delivery, result.half_width)} arrive (95 % confidence); lost: "
            f"{lost or 'none'}. {share_of(result.busy)} of the CCAs found the channel busy, "
            f"{share_of(result.collided)} of the frames were hit by another one. Seed {result.seed}."
        )
        paragraph(console, screen, text)
    if network.played is not None:
        console.print()


def cautions(console: Console, screen: Screen, network: CarriedNetwork) -> None:
    """Print what is not counted, and how far to trust the rest."""
    for text in (*beside(network), CAUTION):
        paragraph(console, screen, text)


def beside(network: CarriedNetwork) -> Iterator[str]:
    """Yield what must be known beside an answer: who waits, what is not counted, what was taken for granted."""
    sleep = network.sleep
    if sleep is not None:
        counted = any(one.direction == "down" for one in network.services)
        yield (
            f"Sleeping children ({sleep.children}): what is sent to them waits {span_of_time(sleep.mean_s)} for their "
            f"poll on average, 95 % of it up to {span_of_time(sleep.most_s)}"
            f"{'; the times above count that, and the shares what finds no place to wait' if counted else ''}."
        )
    if network.unknown:
        names = ", ".join(network.unknown)
        yield f"Not counted, since every_s does not say how often: {names}."
    if network.hastened:
        yield (
            "Played more often than they come, since too few would be beside the others, which adds up to 2 % to "
            f"what is sent: {'; '.join(network.hastened)}."
        )
    if network.together:
        yield (
            f"Checked for these hops as one, as fewer than {ENOUGH} were played of each, one of which may do worse: "
            f"{'; '.join(network.together)}."
        )
    if network.not_checked:
        yield (
            f"Not checked how they arrive, as they are too rare beside the others (fewer than {ENOUGH} played): "
            f"{'; '.join(network.not_checked)}."
        )
    if network.taken:
        yield f"Taken, where the design says nothing: {'; '.join(network.taken)}."
