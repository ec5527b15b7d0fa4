"""The design that a command is given: a file, or standard input for ``-``."""

import sys
from typing import TYPE_CHECKING

import click

from lowpanbudget.cli.inputs import STANDARD_INPUT, other_than_design
from lowpanbudget.errors import DesignError, RequestError

if TYPE_CHECKING:
    from lowpanbudget.design.meaning import Design


def load(path: str) -> "Design":
    """Return the design in a file; ``DesignError`` with its faults, ``RequestError`` where two read standard input."""
    from lowpanbudget.design.load import MOST_OCTETS, load_design, read_design

    if path != "-":
        return load_design(path)
    if _named(click.get_current_context()).count("-") > 1:
        raise RequestError("standard input can be read once", hint="Give - once, or name files")
    try:
        octets = sys.stdin.buffer.read(MOST_OCTETS + 1)
    except (OSError, ValueError) as error:
        said = getattr(error, "strerror", None) or error
        raise DesignError(f"{STANDARD_INPUT} cannot be read: {said}", hint="Name a file") from None
    try:
        return read_design(octets, STANDARD_INPUT)
    except DesignError as error:
        raise other_than_design(octets) or error from None


def _named(ctx: click.Context) -> list[str]:
    """Return the files that a command is to read: its arguments, and the design behind an option."""
    read = [one.name for one in ctx.command.params if isinstance(one, click.Argument)]
    given = [ctx.params.get(name or "") for name in {*read, "design"}]
    return [one for some in given for one in (some if isinstance(some, tuple) else (some,)) if one]
