"""How many columns there are to write in; click would load what reads archives to know it."""

import os
import sys

_USUAL = 80


def width(*, is_terminal: bool) -> int:
    """Return the columns of standard output: from COLUMNS, else the terminal's, else 80."""
    columns = os.environ.get("COLUMNS", "")
    if columns.isascii() and columns.isdigit() and int(columns[:6]) > 0:
        return int(columns[:6])
    if is_terminal:
        try:
            return os.get_terminal_size(sys.stdout.fileno()).columns or _USUAL
        except (OSError, ValueError):
            return _USUAL
    return _USUAL


def help_width() -> int:
    """Return the columns of help texts: those there are but two, at most 78 and at least 50, as click has it."""
    return max(min(width(is_terminal=sys.stdout.isatty()), _USUAL) - 2, 50)
