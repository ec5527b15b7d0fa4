"""The values of a message for people: a table of field, value, unit and remark."""

from collections.abc import Sequence
from typing import Any

from rich.console import Console

from lowpanbudget.report import layout
from lowpanbudget.report.layout import Cell
from lowpanbudget.report.screen import Screen
from lowpanbudget.report.terminal import heading, paragraph


def values(console: Console, screen: Screen, title: str, rows: Sequence[dict[str, Any]]) -> None:
    """Print the fields of a message as a table under a title."""
    heading(console, screen, title)
    if rows:
        titles = ("field", "value", "unit", "remark")
        cells: list[list[Cell]] = [
            [
                [(screen.text(row["path"]), "bold")],
                *(screen.text(row[key]) for key in ("text", "unit", "remark")),
            ]
            for row in rows
        ]
        layout.put(console, layout.table(titles, cells, console.width))
    else:
        paragraph(console, screen, "It holds no value.")
    console.print()
