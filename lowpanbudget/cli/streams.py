"""The three standard streams where they are closed, full, or read by nobody."""

import errno
import os
import sys
from typing import IO

import click

from lowpanbudget.errors import RequestError

_FULL = "Is the disk full?"
_HINTS = {
    errno.ENOSPC: _FULL, errno.EDQUOT: _FULL, errno.EFBIG: _FULL, errno.EIO: _FULL,
    errno.EBADF: "Is it closed? Send it to a file",
    errno.EAGAIN: "It takes no more for now: send it to a file",
}  # fmt: skip
_PLACES = (("stdin", os.O_WRONLY, "r"), ("stdout", os.O_RDONLY, "w"), ("stderr", os.O_WRONLY, "w"))


def fill() -> None:
    """Put a stream where this process was started without one: Python has None there.

    Whoever reads or writes it is told by the system that this cannot be done, as of any other file; what goes to
    standard error is lost. Without a stream the next file that is opened would take its number, and what is meant for
    the stream would go there.
    """
    for name, flags, mode in _PLACES:
        if getattr(sys, name) is None:
            setattr(sys, name, open(os.open(os.devnull, flags), mode))  # noqa: PTH123, SIM115  # a descriptor has no path


def unwritable(error: OSError) -> RequestError | None:
    """Return what an error says of standard output, which is then used no more; None for one about something else."""
    hint = _HINTS.get(error.errno or 0)
    if hint is None or error.filename is not None:  # files are named
        return None
    forget(sys.stdout)
    return RequestError(f"standard output cannot be written: {error.strerror or error}", hint=hint)


def forget(stream: IO[str] | None) -> None:
    """Point a stream at nothing, so that the interpreter's last flush of what it still holds stays silent."""
    try:
        number = stream.fileno() if stream is not None else -1
    except (OSError, ValueError, AttributeError):
        return
    if number >= 0:
        nothing = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nothing, number)
        os.close(nothing)


def tell(text: str) -> None:
    """Write a message to standard error; where it takes none, the exit code alone says what became of the work."""
    try:
        click.echo(text, err=True)
    except OSError:
        forget(sys.stderr)
