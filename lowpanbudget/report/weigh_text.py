"""What each field of a message costs and gives, for people, and the smaller messages that are possible."""

from collections.abc import Sequence
from typing import Any

from rich.console import Console
from rich.text import Text

from lowpanbudget.report import layout
from lowpanbudget.report.layout import Cell
from lowpanbudget.report.screen import Screen
from lowpanbudget.report.terminal import heading, octets, paragraph


def messages(console: Console, screen: Screen, found: Sequence[dict[str, Any]]) -> None:
    """Print the fields of each message, then the smaller messages within its tolerances."""
    for one in found:
        heading(console, screen, f"Message {one['message']}: {octets(one['octets'])} at most")
        titles = ("field", "bits", "without it", "it gives", "one bit less")
        rows = [_field(screen, field) for field in one["fields"]]
        layout.put(console, layout.table(titles, rows, console.width, right=(1,)))
        console.print()
        _smaller(console, screen, one)


def _field(screen: Screen, field: dict[str, Any]) -> list[Cell]:
    saves = field["saves_octets"]
    without = "needed" if saves is None else f"-{octets(saves)}" if saves else "no octet less"
    total = field["total_bits"]
    bits = str(field["bits"])
    if total is not None and total != field["bits"]:
        bits += f" ({total})"
    told = field["told"]
    return [
        screen.text(field["path"]),
        bits,
        without,
        screen.text(told["gives"]),
        screen.text(told["less"]),
    ]


def _smaller(console: Console, screen: Screen, one: dict[str, Any]) -> None:
    wanted, rest = one["wanted"], one["smaller"][1:]
    if wanted is not None and not one["reached"]:
        smallest = one["smaller"][-1]["octets"]
        paragraph(
            console, screen,
            f"No loss within the tolerances of the file reaches {octets(wanted)}: the smallest is {octets(smallest)}. "
            "Widen a tolerance, leave out a field, or send it less often.",
        )  # fmt: skip
        console.print()
    elif wanted is not None and not rest:
        paragraph(console, screen, f"It has at most {octets(wanted)} as it is.")
        console.print()
    if not rest:
        return
    title = "Smaller within the tolerances, the smallest loss first"
    console.print(Text(screen.text(title), "bold"))
    rows: list[list[Cell]] = []
    for candidate in rest:
        changes = "; ".join(
            f"{change['path']} in steps of {change['step_after']} instead of {change['step_before']}, "
            f"error up to {change['error']}"
            for change in candidate["changes"]
        )
        share = f"{float(candidate['loss']) * 100:.0f} % of its tolerance at worst"
        rows.append([octets(candidate["octets"]), share, screen.text(changes)])
    layout.put(console, layout.table(("size", "loss", "changes"), rows, console.width))
    console.print()
