"""Texts in the cells of a table that a spreadsheet may open: an apostrophe stands before what it would run.

One alone is a text without letters, where an empty cell would say that there is none.
"""

import re

# what a spreadsheet takes for a formula when a cell begins with it, a number left alone; apostrophes before it count
# too, so that each text has a cell of its own
_FORMULA = re.compile(r"'*\s*([=+\-@|%\uff1d\uff0b\uff0d\uff20]|[\t\r\n])")
_NUMBER = re.compile(r"[+-]?(\d+([.]\d*)?|[.]\d+)([eE][+-]?\d+)?")


READ_FROM = (
    "read from"  # heads the column that says where a message stood: no field's name has a blank
)
EMPTY = "'"  # the cell of a text that is there and empty


def guarded(text: str) -> str:
    """Return the cell of a text: with an apostrophe before it where it would be run, or be another."""
    return f"'{text}" if text and _needs_guard(text) else text


def unguarded(cell: str) -> str:
    """Return the text of a cell that ``guarded`` gave."""
    return cell[1:] if cell.startswith("'") and _needs_guard(cell[1:]) else cell


def _needs_guard(text: str) -> bool:
    if not text.strip("'"):
        return True
    return _FORMULA.match(text) is not None and _NUMBER.fullmatch(text.lstrip("'")) is None
