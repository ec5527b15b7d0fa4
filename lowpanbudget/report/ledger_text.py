"""The ledger for people: a table where the screen is wide, stacked entries where it is not; nothing is ever cut off.

Wide: one line a span, its layer named where it begins. Narrow: place in the margin, everything else beside it.
"""

from collections.abc import Sequence
from typing import Any

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from lowpanbudget.report import strip
from lowpanbudget.report.screen import Screen
from lowpanbudget.report.strip import Fill, Part

_GUTTER = 15
_SMALLER = "smaller:"


def parts_of(segments: Sequence[dict[str, Any]]) -> list[Part]:
    """Return the parts of a bar, in octets, from the segments of a ledger."""
    return [Part(run["kind"], run["label"], (run["bits"] + 7) // 8) for run in segments]


def draw(
    console: Console,
    screen: Screen,
    rows: Sequence[dict[str, Any]],
    segments: Sequence[dict[str, Any]],
) -> None:
    """Print every span of a ledger with place, size, octets, value, meaning, clause, and what makes it smaller."""
    looks = strip.fills([run["kind"] for run in segments], screen)
    columns = _columns(console.width) if screen.wide else None
    if columns is not None:
        console.print(Text.assemble(("", ""), _titles(columns)), no_wrap=True)
    left = list(rows)
    for run in segments:
        console.print(_heading(screen, run, looks[run["kind"]]))
        mine, left = left[: run["spans"]], left[run["spans"] :]
        if columns is not None:
            console.print(_table(screen, mine, columns))
        else:
            for row in mine:
                console.print(_entry(screen, row))


def _heading(screen: Screen, run: dict[str, Any], look: Fill) -> Text:
    octets = (run["bits"] + 7) // 8
    return Text.assemble(
        (look.char * 3 + " ", look.style),
        (screen.text(run["label"]), f"bold {look.style}"),
        (f"  {octets} octet" if octets == 1 else f"  {octets} octets", "dim"),
    )


def size(row: dict[str, Any]) -> str:
    """Return how much a span takes, in octets or bits."""
    count, unit = (row["bits"], "bit") if row["octets"] is None else (row["octets"], "octet")
    return f"{count} {unit}" if count == 1 else f"{count} {unit}s"


def _told(screen: Screen, row: dict[str, Any]) -> str:
    """Return value and meaning as one text."""
    return screen.text(": ".join(text for text in (row["says"], row["meaning"]) if text))


def _entry(screen: Screen, row: dict[str, Any]) -> Padding:
    grid = Table.grid(padding=(0, 1), expand=True)
    grid.add_column(width=_GUTTER, overflow="fold")
    grid.add_column(ratio=1, overflow="fold")
    place = f"octet{'s' if '-' in row['octet'] else ''} {row['octet']}"
    if row["part"]:
        place = f"{row['octet']} bit{'s' if '-' in row['part'] else ''} {row['part']}"
    head = Text(screen.text(row["name"]), "bold")
    told = _told(screen, row)
    if told:
        head.append((" = " if row["says"] else ": ") + told, "not bold")
    body = Text()
    if row["sent"]:
        body.append(f"sent {row['sent']}   ")
    body.append(size(row))
    if row["cite"]:
        body.append(f"   {screen.text(row['cite'])}", "dim")
    grid.add_row(place, head)
    grid.add_row("", body)
    if row["removed_by"]:
        grid.add_row("", Text(f"{_SMALLER} {screen.text(row['removed_by'])}", "italic"))
    return Padding(grid, (0, 0, 0, 2))


_GAP = 2
_TITLES = ("octet", "bits", "sent", "name", "value and meaning", "clause", "made smaller by")
_LEAST = (7, 5, 12, 19, 26, 18, 20)
_GROWS = (0, 0, 12, 6, 40, 12, 20)  # columns taken in turn from a wider screen, the clause first
_TURNS = (5, 4, 6, 2, 3)


def _columns(width: int) -> list[int]:
    """Return the width of each column of the table; together they fill the screen."""
    widths = list(_LEAST)
    spare = width - sum(widths) - _GAP * (len(widths) - 1)
    for column in _TURNS:
        more = min(spare, _GROWS[column])
        widths[column] += max(more, 0)
        spare -= max(more, 0)
    return widths


def _titles(columns: Sequence[int]) -> Text:
    gap = " " * _GAP
    return Text(
        gap.join(title.ljust(width) for title, width in zip(_TITLES, columns, strict=True)), "dim"
    )


def _table(screen: Screen, rows: Sequence[dict[str, Any]], columns: Sequence[int]) -> Table:
    table = Table.grid(padding=(0, _GAP, 0, 0), pad_edge=False)
    for index, width in enumerate(columns):
        table.add_column(width=width, overflow="fold", style="bold" if index == 3 else "")
    for row in rows:
        texts = (row["name"], _told(screen, row), row["cite"] or "", row["removed_by"])
        table.add_row(
            row["octet"], row["part"], row["sent"], *(screen.text(text) for text in texts)
        )
    return table
