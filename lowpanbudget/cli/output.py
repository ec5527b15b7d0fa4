"""Where results go: standard output in one piece, or a file written whole or not at all."""

import contextlib
import errno
import os
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

from lowpanbudget.errors import RequestError

if TYPE_CHECKING:
    from rich.console import Console

    from lowpanbudget.report.screen import Screen

_WIDTH = 80


class ReaderLeft(Exception):
    """Nobody reads standard output any more: the other end of a pipe is closed."""


def emit(text: str) -> None:
    """Write ``text`` to standard output; characters its encoding lacks become escapes.

    Raises ``ReaderLeft`` when the pipe is closed.
    """
    stream = sys.stdout
    octets = text.encode(stream.encoding or "utf-8", "backslashreplace")
    try:
        stream.flush()
        _write(stream.buffer, octets)
    except BlockingIOError:
        raise RequestError(
            "standard output takes no more for now", hint="Send it to a file"
        ) from None
    except OSError as error:
        if error.errno in (errno.EPIPE, errno.EINVAL):  # EINVAL: a closed pipe on some systems
            raise ReaderLeft from None
        raise RequestError(
            f"standard output cannot be written: {error.strerror or error}",
            hint="Is the disk full?",
        ) from None


def _write(stream: BinaryIO, octets: bytes) -> None:
    """Write all of ``octets``: an unbuffered stream (PYTHONUNBUFFERED) may take a part and keep silent about it."""
    left = memoryview(octets)
    while left:
        taken = stream.write(left)
        if taken is None:
            raise BlockingIOError
        left = left[taken:]
    stream.flush()


def show(paint: "Callable[[Console, Screen], None]") -> None:
    """Draw for people and write it to standard output."""
    screen = standard_screen()
    emit(screen.draw(lambda console: paint(console, screen)))


def standard_screen() -> "Screen":
    """Return what standard output can show.

    Colour only on a terminal, or with FORCE_COLOR; never with NO_COLOR or TERM=dumb. Width from COLUMNS, else the
    terminal's, else 80.
    """
    from lowpanbudget.report.screen import Screen

    is_terminal = sys.stdout.isatty()
    dumb = os.environ.get("TERM") == "dumb"
    colour = (is_terminal and not dumb) or bool(os.environ.get("FORCE_COLOR"))
    if os.environ.get("NO_COLOR"):
        colour = False
    return Screen(_width(is_terminal), colour, sys.stdout.encoding or "utf-8")


def _width(is_terminal: bool) -> int:
    columns = os.environ.get("COLUMNS", "")
    if columns.isascii() and columns.isdigit() and int(columns[:6]) > 0:
        return int(columns[:6])
    if is_terminal:
        with contextlib.suppress(OSError, ValueError):
            return os.get_terminal_size(sys.stdout.fileno()).columns or _WIDTH
    return _WIDTH


def write_whole(path: str, data: bytes) -> None:
    """Write ``data`` to ``path``: whole, or not at all and what was there stays.

    Raises ``RequestError`` naming the file.
    """
    target = Path(path)
    if target.is_dir():
        raise RequestError(f"{path} is a folder, not a file")
    if target.exists() and not target.is_file():  # a device or a pipe cannot be replaced
        try:
            target.write_bytes(data)
        except OSError as error:
            raise RequestError(f"{path} cannot be written: {error.strerror or error}") from None
        return
    target = target.resolve()  # what a link points to is replaced, not the link
    handle = -1
    name = ""
    try:
        handle, name = tempfile.mkstemp(prefix=".lowpanbudget-", dir=target.parent)
        with open(handle, "wb") as file:  # noqa: PTH123  # a descriptor has no path
            file.write(data)
        Path(name).chmod(target.stat().st_mode & 0o777 if target.exists() else 0o666 & ~_umask())
        Path(name).replace(target)
    except OSError as error:
        raise RequestError(
            f"{path} cannot be written: {error.strerror or error}",
            hint="Does the folder exist, and may you write there?",
        ) from None
    finally:
        if name:
            Path(name).unlink(missing_ok=True)


def _umask() -> int:
    now = os.umask(0)
    os.umask(now)
    return now
