"""Changes of a design for people: what each gives, on what condition, and what it takes from other flows."""

from collections.abc import Iterator, Sequence
from typing import Any

from rich.console import Console

from lowpanbudget.report import layout
from lowpanbudget.report.layout import BREAK, Line, Run
from lowpanbudget.report.screen import Screen
from lowpanbudget.report.terminal import paragraph


def changes(
    console: Console, screen: Screen, title: str, entries: Sequence[dict[str, Any]], room: int
) -> None:
    """Print changes under a title, where there are any; ``room`` is what they start from."""
    if not entries:
        return
    paragraph(console, screen, title, "bold")
    layout.put(console, change_lines(screen, entries, room, console.width))
    console.print()


def change_lines(
    screen: Screen, changes: Sequence[dict[str, Any]], room: int, width: int
) -> Iterator[Line]:
    """Yield changes as lines: gain, the room then, what to change, on what condition, and the clause."""
    gains = [f"{change['gain']:+d}" for change in changes]
    rooms = [f"{screen.glyphs.arrow} {room + change['gain']}" for change in changes]
    columns = (max(map(len, gains)), max(map(len, rooms)))
    widths = (*columns, max(width - sum(columns) - 6, 1))
    for change, gain, then in zip(changes, gains, rooms, strict=True):
        facts = f"{change['knob']}, {change['cite']}"
        description: list[Run] = [
            (screen.text(change["text"]), "bold"),
            BREAK,
            (screen.text(facts), "dim"),
        ]
        for name in ("condition", "caution"):
            if change[name]:
                label = "when" if name == "condition" else name
                description += [BREAK, (screen.text(f"{label}: {change[name]}"), "")]
        for text in _losses(change["elsewhere"]):
            description += [BREAK, (screen.text(text), "")]
        yield from layout.beside(
            [[(gain, "bold")], [(then, "")], description], widths, indent=2, right=(0,)
        )


def _losses(losses: Sequence[dict[str, Any]]) -> Iterator[str]:
    """Yield what a change takes from other flows, a line for each number of octets."""
    gains: dict[int, dict[str, list[str]]] = {}
    for loss in losses:
        gains.setdefault(loss["gain"], {}).setdefault(loss["flow"], []).append(loss["hop"])
    for gain, flows in gains.items():
        names = [
            f"{flow} ({hops[0]} hop)" if len(hops) == 1 else flow for flow, hops in flows.items()
        ]
        yield f"elsewhere: {gain:+d} on {', '.join(names)}"
