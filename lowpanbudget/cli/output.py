"""Where results go: standard output in one piece, or a file written whole or not at all."""

import contextlib
import errno
import os
import signal
import stat
import sys
import threading
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO, NoReturn

from lowpanbudget.cli import streams
from lowpanbudget.cli.faults import ReaderLeft
from lowpanbudget.cli.width import width
from lowpanbudget.errors import RequestError

if TYPE_CHECKING:
    from rich.console import Console

    from lowpanbudget.report.screen import Screen


def emit(text: str) -> None:
    """Write ``text`` to standard output; characters its encoding lacks become escapes.

    Raises ``ReaderLeft`` when the pipe is closed.
    """
    stream = sys.stdout
    octets = text.encode(stream.encoding or "utf-8", "backslashreplace")
    try:
        stream.flush()
        if hasattr(stream, "buffer"):
            _write(stream.buffer, octets)
        else:  # text that somebody collects, such as io.StringIO
            stream.write(octets.decode(stream.encoding or "utf-8"))
    except OSError as error:
        if error.errno in (errno.EPIPE, errno.EINVAL):  # EINVAL: a closed pipe on some systems
            raise ReaderLeft from None
        raise streams.unwritable(error) or error from None


def _write(stream: BinaryIO, octets: bytes) -> None:
    """Write all of ``octets``: an unbuffered stream (PYTHONUNBUFFERED) may take a part and keep silent about it."""
    left = memoryview(octets)
    while left:
        taken = stream.write(left)
        if taken is None:
            raise BlockingIOError(errno.EAGAIN, os.strerror(errno.EAGAIN))
        left = left[taken:]
    stream.flush()


def emit_line(text: str) -> None:
    """Write one line for people to standard output, whatever names of files stand in it."""
    emit(f"{standard_screen().text(text)}\n")


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
    return Screen(width(is_terminal=is_terminal), colour, sys.stdout.encoding or "utf-8")


def write_whole(path: str, data: bytes, *, inputs: Iterable[str | None] = ()) -> None:
    """Write ``data`` to ``path``: whole, or not at all and what was there stays.

    ``inputs`` are files that must not be written over, by whatever path. Raises ``RequestError`` naming the file.
    """
    with writing(path, inputs=inputs) as file:
        file.write(data)


class Output:
    """A file that is being written; ``write`` raises ``RequestError`` naming it when the disk takes no more."""

    def __init__(self, file: BinaryIO, path: str) -> None:
        self._file = file
        self._path = path

    def write(self, octets: bytes, /) -> None:
        """Append octets."""
        try:
            self._file.write(octets)
        except OSError as error:
            raise _unwritable(self._path, error) from None


@contextlib.contextmanager
def writing(
    path: str, *, private: bool = False, inputs: Iterable[str | None] = ()
) -> Iterator[Output]:
    """Give a file to write piece by piece; at the end of the block it stands at ``path``, whole.

    When the block ends by an error or an interruption nothing is left behind, and what was there stays. ``private``
    makes a file that its owner alone may read, from its first octet on. ``inputs`` are files that must not be written
    over, by whatever path. Raises ``RequestError`` naming the file.
    """
    with unwinding():
        target = _target(path, private=private, inputs=inputs)
        if target is None:  # a device or a pipe cannot be replaced
            try:
                with Path(path).open("wb") as file:
                    yield Output(file, path)
            except OSError as error:
                raise _unwritable(path, error) from None
            return
        # its name is known before it is there: whenever the program is ended it can be taken away
        part = target.with_name(f".lowpanbudget-{os.urandom(8).hex()}")
        try:
            try:
                file = open(part, "xb", opener=_for_the_owner)  # noqa: SIM115  # paths take no opener
            except OSError as error:
                raise _unwritable(path, error) from None
            try:
                yield Output(file, path)
                try:
                    file.flush()
                    os.fsync(file.fileno())
                    mode = target.stat().st_mode & 0o777 if target.exists() else 0o666 & ~_umask()
                    if not private:
                        part.chmod(mode)
                    part.replace(target)
                except OSError as error:
                    raise _unwritable(path, error) from None
            finally:
                # what a full disk did not take is tried again here, and has been told of
                with contextlib.suppress(OSError):
                    file.close()
        finally:
            with contextlib.suppress(
                OSError
            ):  # it is gone, or stays where nobody takes it for a result
                part.unlink()


def _for_the_owner(path: str, flags: int) -> int:
    return os.open(path, flags, 0o600)


def _target(path: str, *, private: bool, inputs: Iterable[str | None]) -> Path | None:
    """Return the file to replace, links followed; None for a device or a pipe, which is written as it is."""
    try:
        target = Path(path)
        if target.is_dir():
            raise RequestError(
                f"{path} is a folder, not a file", hint="Give the name of a file in it"
            )
        for other in inputs:
            if other is not None and _is_same(target, other):
                raise RequestError(
                    f"{path} is also read: it is not written over", hint="Give another file"
                )
        if target.exists() and not target.is_file():
            if private:
                raise RequestError(
                    f"{path} is no file, so others may read it", hint="Give the name of a file"
                )
            return None
        return target.resolve()  # what a link points to is replaced, not the link
    except (OSError, ValueError, RuntimeError) as error:
        raise _unwritable(path, error) from None


def _is_same(target: Path, other: str) -> bool:
    """Return whether both are one file; ``-`` is standard input."""
    try:
        seen = os.fstat(sys.stdin.fileno()) if other == "-" else Path(other).stat()
        return stat.S_ISREG(seen.st_mode) and os.path.samestat(seen, target.stat())
    except (OSError, ValueError):
        return False


def _unwritable(path: str, error: Exception) -> RequestError:
    full = getattr(error, "errno", None) in {errno.ENOSPC, errno.EFBIG, errno.EDQUOT}
    return RequestError(
        f"{path} cannot be written: {getattr(error, 'strerror', None) or error}",
        hint="Is there room on the disk?"
        if full
        else "Does the folder exist, and may you write there?",
    )


@contextlib.contextmanager
def unwinding() -> Iterator[None]:
    """Let signals that ask the process to end unwind the block, so that nothing half done stays behind."""
    changed: list[signal.Signals] = []
    if threading.current_thread() is threading.main_thread():
        for name in ("SIGTERM", "SIGHUP"):
            number = getattr(signal, name, None)
            if number is not None and signal.getsignal(number) is signal.SIG_DFL:
                signal.signal(number, end)
                changed.append(number)
    try:
        yield
    finally:
        for number in changed:
            signal.signal(number, signal.SIG_DFL)


def end(number: int, _frame: object) -> NoReturn:
    """End the process for a signal, and what it is at with it."""
    raise SystemExit(128 + number)


def _umask() -> int:
    now = os.umask(0)
    os.umask(now)
    return now
