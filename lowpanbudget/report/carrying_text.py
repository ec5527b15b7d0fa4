"""Which settings carry so many octets, for people: the answer of each flow, then the smallest sets of changes."""

from collections.abc import Sequence
from typing import Any

from rich.console import Console
from rich.text import Text

from lowpanbudget.errors import plural
from lowpanbudget.report import layout
from lowpanbudget.report.change_text import change_lines
from lowpanbudget.report.fit_text import over_mtu, slot_ends
from lowpanbudget.report.layout import Cell, Run
from lowpanbudget.report.screen import Screen
from lowpanbudget.report.terminal import heading, paragraph

_MOST_SHOWN = 3  # sets of a flow that are written out; of the others the names


def carrying(console: Console, screen: Screen, flows: Sequence[dict[str, Any]]) -> None:
    """Print which flows carry the octets as they are, and for the others what would let them."""
    first = flows[0]
    frames = "one frame" if first["most_frames"] == 1 else f"{first['most_frames']} frames"
    heading(console, screen, f"{plural(first['octets'], 'octet')} in {frames}, on every hop")
    rows: list[list[Cell]] = [
        [screen.text(one["flow"]), one["direction"], [_verdict(one)], str(one["carries"]), screen.text(one["hop"])]
        for one in flows
    ]  # fmt: skip
    titles = ("flow", "direction", "verdict", "carries", "its worst hop")
    layout.put(console, layout.table(titles, rows, console.width, right=(3,)))
    if first["in_slot"] is not None:
        paragraph(console, screen, slot_ends(first["in_slot"]))
    console.print()
    for one in flows:
        if one["fits"]:
            continue
        _sets(console, screen, one, one["sets"], f"{one['flow']}: the smallest sets of changes")
        if one["more_sets"]:
            paragraph(console, screen, f"{one['more_sets']} more are as small.")
        if not one["sets"]:
            text = (
                "no four of the changes that budget lists, those that keep the protection, carry so much. Make the "
                "message smaller, or allow more frames; another PHY or frame version is another design."
            )
            if one["datagram"] > one["mtu"]:
                text = over_mtu(one)
            paragraph(console, screen, f"{one['flow']}: {text}")
            console.print()
        title = f"{one['flow']}: these weaken protection; they are no advice"
        _sets(console, screen, one, one["weaker"], title)


def _verdict(one: dict[str, Any]) -> Run:
    if one["fits"]:
        return f"yes, {one['carries'] - one['octets']} spare", "bold"
    return f"no, {one['octets'] - one['carries']} missing", "bold"


def _sets(
    console: Console,
    screen: Screen,
    one: dict[str, Any],
    sets: Sequence[dict[str, Any]],
    title: str,
) -> None:
    if not sets:
        return
    paragraph(console, screen, title, "bold")
    for number, chosen in enumerate(sets[:_MOST_SHOWN], 1):
        carries = f"{number}. carries {plural(chosen['carries'], 'octet')} at most"
        console.print(Text(screen.text(carries), "bold"))
        room = one["room"]
        for change in chosen["savings"]:
            layout.put(console, change_lines(screen, [change], room, console.width))
            room += change["gain"]
    for number, chosen in enumerate(sets[_MOST_SHOWN:], _MOST_SHOWN + 1):
        text = (
            f"{number}. carries {plural(chosen['carries'], 'octet')}: {' and '.join(chosen['ids'])}"
        )
        paragraph(console, screen, text)
    console.print()
