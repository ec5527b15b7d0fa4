"""Values of messages for programs: a table of many messages, and numbers that stay exact."""

from collections.abc import Sequence
from decimal import Decimal
from fractions import Fraction
from typing import Any

from lowpanbudget.payload.cells import READ_FROM
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.shown import ShownValue, shown_values
from lowpanbudget.report.csv_table import THERE, lines_of


def csv_of(form: Message, messages: Sequence[tuple[str, dict[str, Any]]]) -> str:
    """Return messages as one table (RFC 4180), a column for every value that any of them has.

    ``messages`` are places and values.
    """
    rows = [(place, shown_values(form, values)) for place, values in messages]
    columns = {cell.order: _title(cell) for _, cells in rows for cell in cells}
    order = sorted(columns)
    table: list[list[object]] = [[READ_FROM, *(columns[key] for key in order)]]
    for place, cells in rows:
        texts: dict[tuple[int, ...], object] = {
            cell.order: cell.text if cell.text or cell.is_needless else THERE for cell in cells
        }
        table.append([place, *(texts.get(key, "") for key in order)])
    return lines_of(table)


def _title(cell: ShownValue) -> str:
    return f"{cell.path} [{cell.unit}]" if cell.unit else cell.path


def exact(value: Any) -> Any:
    """Return values with fractions for decimals, which ``view.data_of`` makes numbers where they stay exact."""
    if isinstance(value, Decimal):
        return Fraction(value)
    if isinstance(value, dict):
        return {name: exact(item) for name, item in value.items()}
    return [exact(item) for item in value] if isinstance(value, list) else value
