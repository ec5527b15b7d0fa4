"""Time on the air for people: what each message takes, then each frame to scale, part by part."""

from collections.abc import Iterable, Iterator, Sequence

from rich.console import Console

from lowpanbudget.deployment.airtime import MessageAirtime
from lowpanbudget.design.estimate import Estimate
from lowpanbudget.design.link import Link
from lowpanbudget.design.meaning import Design
from lowpanbudget.errors import plural
from lowpanbudget.layers.link.phy import PHYS
from lowpanbudget.report import airtimes, chart_text, layout
from lowpanbudget.report.airtimes import CAUTION, by_message, estimate_text, frame_name, share_text
from lowpanbudget.report.chart import number
from lowpanbudget.report.layout import Cell, Line, Run
from lowpanbudget.report.screen import Screen
from lowpanbudget.report.span_text import sending_text, span_of_time
from lowpanbudget.report.terminal import heading, paragraph


def airtime(
    console: Console, screen: Screen, results: Sequence[MessageAirtime], *, whole: bool
) -> None:
    """Print what each message takes; ``whole``: every frame with its parts, else the frames beside each other."""
    heading(console, screen, _answer(results))
    for one in results:
        for reason in one.over:
            text = f"{one.message} on {one.flow}, {one.hop} hop: {reason}."
            paragraph(console, screen, text, "bold", 2)
    layout.put(console, _table(screen, results, console.width))
    if any(len(hops) > 1 for hops in by_message(results)):
        text = "Two numbers: on the first hop / on later ones; duty and µJ: of the hop with more."
        paragraph(console, screen, text, "dim", 2)
    console.print()
    if whole:
        for one in results:
            _message(console, screen, one)
    else:
        chart_text.draw(console, screen, airtimes.overview_chart(results))
        console.print()


def cautions(console: Console, screen: Screen, design: Design | None, *, whole: bool) -> None:
    """Print what else can be asked, data rate and source of currents of a design, and how far to trust it."""
    if not whole:
        text = "--flow NAME shows every frame with its parts; --svg FILE draws what is shown."
        paragraph(console, screen, text)
    if design is not None:
        paragraph(console, screen, _rate(design.link))
    if design is not None and design.radio is not None and design.radio.source:
        paragraph(console, screen, f"Currents: {design.radio.source}.")
    paragraph(console, screen, CAUTION)


def _rate(link: Link) -> str:
    """Return how fast octets go on the air, and which other data rates the PHY has."""
    octet, rates = link.timing.octet, PHYS[link.phy].rates
    own = next(rate for rate, timing in rates.items() if timing.octet == octet)
    others = [str(rate) for rate in rates if rate != own]
    choice = f"; link.data_rate may be {' or '.join(others)}" if others else ""
    return f"On the air: {link.phy} at {own} kb/s, {number(float(octet))} µs an octet{choice}."


def _answer(results: Sequence[MessageAirtime]) -> str:
    over = {(one.flow, one.message) for one in results if one.over}
    if over:
        return f"Time on the air: {plural(len(over), 'message')} may not be sent so"
    spent = [group.times.on_air_us for one in results for group in one.frames]
    if not spent:
        return "Time on the air: no flow carries a message"
    least, most = number(min(spent)), number(max(spent))
    return (
        f"Time on the air: {least} to {most} µs a frame"
        if least != most
        else f"Time on the air: {least} µs a frame"
    )


def _table(screen: Screen, results: Sequence[MessageAirtime], width: int) -> Iterator[Line]:
    """Yield a line for each message of each flow; what differs from hop to hop stands first hop first."""
    titles = ["flow", "message", "frames", "µs on air", "sent each", "duty", "µJ"]
    rows: list[list[Cell]] = [
        [
            screen.text(hops[0].flow),
            [(screen.text(hops[0].message), "bold")],
            _by_hop(str(one.count) for one in hops),
            _by_hop(number(one.on_air_us) for one in hops),
            screen.text(_rhythm(hops[0])),
            share_text(max((one.duty_cycle for one in hops if one.duty_cycle), default=None)),
            _greatest(one.energy_uj for one in hops),
        ]
        for hops in by_message(results)
    ]
    for index in (6, 5, 4):  # what the design does not tell is no column
        if not any(row[index] for row in rows):
            titles = titles[:index] + titles[index + 1 :]
            rows = [row[:index] + row[index + 1 :] for row in rows]
    shown = [screen.text(title) for title in titles]
    return layout.table(shown, rows, width, right=(2, 3))


def _greatest(spent: Iterable[Estimate | None]) -> str:
    """Return the greatest of typical energies; nothing where none is known."""
    typical = [one.typical for one in spent if one is not None]
    return number(max(typical)) if typical else ""


def _by_hop(values: Iterable[str]) -> str:
    """Return the values of the hops, once where they are the same."""
    return " / ".join(dict.fromkeys(values))


def _rhythm(one: MessageAirtime) -> str:
    """Return how often a message is sent; where it collects readings, of how many and how often these are taken."""
    if one.sends_every_s is None:
        return ""
    sent = sending_text(one.message, one.sends_every_s)
    if one.readings == 1 or one.every_s is None:
        return sent
    return f"{sent}, {one.readings} readings {span_of_time(one.every_s)} apart"


def _message(console: Console, screen: Screen, one: MessageAirtime) -> None:
    title = f"{one.flow}, {one.hop} hop, {one.direction}: {one.message}, {plural(one.octets, 'octet')} of your own"
    heading(console, screen, title)
    for index, group in enumerate(one.frames):
        which = frame_name(one, group.first, group.last)
        answer = group.times.acknowledgement_octets
        said = f"{plural(group.times.octets, 'octet')}, " + (
            "not acknowledged" if answer is None else f"acknowledged by {answer}"
        )
        chart = airtimes.frame_chart(one, index, title=f"{which}: {said}" if which else said)
        chart_text.draw(console, screen, chart)
        layout.put(console, _parts(screen, one, index, console.width))
        console.print()


def _parts(screen: Screen, one: MessageAirtime, index: int, width: int) -> Iterator[Line]:
    """Yield a line for each part of a frame, and one for all of them."""
    times = one.frames[index].times
    titles = ["at µs", "takes", "octets", "part", "sender", "receiver", "µJ", "least-most"]
    rows: list[list[Cell]] = [
        [
            number(part.start_us),
            number(part.us),
            "" if part.octets is None else str(part.octets),
            screen.text(part.name),
            part.sender.value,
            part.receiver.value,
            *_energy(part.energy_uj),
        ]
        for part in times.parts
    ]
    total: Run = ("all", "bold")
    rows.append(["", number(times.total_us), "", [total], "", "", *_energy(times.energy_uj)])
    if times.energy_uj is None:
        titles, rows = titles[:-2], [row[:-2] for row in rows]
    return layout.table(
        [screen.text(title) for title in titles], rows, width, right=(0, 1, 2, 6, 7)
    )


def _energy(spent: Estimate | None) -> tuple[str, str]:
    """Return the sender's energy, typical and from the least to the most."""
    if spent is None:
        return "", ""
    return estimate_text(spent)
