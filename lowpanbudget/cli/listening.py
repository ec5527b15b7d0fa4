"""A capture that comes through a pipe and may not end: it is read until it ends, or until somebody ends the reading."""

import io
import os
import select
import signal
import stat
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from lowpanbudget.capture.files.link_types import FRAME_TYPE
from lowpanbudget.capture.files.reading import CaptureFile, read_capture
from lowpanbudget.capture.files.reading import is_pipe as is_named_pipe
from lowpanbudget.capture.files.source import StreamStopped
from lowpanbudget.errors import RequestError

if TYPE_CHECKING:
    from lowpanbudget.capture.files.record import Record

_SIGNALS = {"SIGINT": "interrupted", "SIGTERM": "asked to end", "SIGHUP": "hung up"}
_ONCE_S = 1.0  # within which a signal that comes again is the same: who ends a group of processes sends two; our choice
_LOOK_S = (
    0.25  # after which a pipe that gives nothing is asked again whether it is wanted; our choice
)
_KEY = "lowpanbudget.cli.listening"  # in the notes that a command and the program share


def is_pipe(capture: str) -> bool:
    """Return whether a capture may go on for ever: standard input that is no file, or a pipe with a name."""
    if capture != "-":
        return is_named_pipe(capture)
    try:
        return not stat.S_ISREG(os.fstat(sys.stdin.buffer.fileno()).st_mode)
    except (OSError, ValueError, AttributeError):
        return False


class Listening:
    """A binary file that ends for who reads it at the first signal to end; what came before is finished then.

    ``stopped`` is the number of that signal, 0 before. Once the file has ended, or at a second signal, a signal does
    what it does to others: nothing is finished. What it raises in place of octets ends ``records``.
    """

    def __init__(self, file: Any) -> None:
        self.stopped = 0
        self._file = file
        self._is_over = False
        self._since = 0.0
        self._before: dict[int, Any] = {}

    def read1(self, size: int = -1) -> bytes:
        """Return octets as soon as there are some; raises ``StreamStopped`` when no more are wanted."""
        try:
            while not self.stopped and not self._has_some():
                pass
            if self.stopped:
                raise StreamStopped
            octets: bytes = getattr(self._file, "read1", self._file.read)(size)
        except KeyboardInterrupt:  # where signals are not ours
            self.stopped = signal.SIGINT
            raise StreamStopped from None
        self._is_over = not octets
        return octets

    read = read1

    def _has_some(self) -> bool:
        """Wait a little; return whether there are octets, or the end: a signal in between loses none of them."""
        try:
            ready, _, _ = select.select([self._file], [], [], _LOOK_S)
        except (OSError, ValueError, TypeError):  # none that the system waits for so
            return True
        return bool(ready)

    def fileno(self) -> int:
        """Return the number of the file, to ask whether it has more."""
        number: int = self._file.fileno()
        return number

    @staticmethod
    def records(coming: "Iterator[Record]") -> "Iterator[Record]":
        """Yield the records that come until nobody wants more, the whole ones that have come by then included."""
        try:
            yield from coming
        except StreamStopped:
            return

    def signalled(self, number: int, _frame: object) -> None:
        """Take a signal to end."""
        if number == self.stopped == signal.SIGTERM and time.monotonic() - self._since < _ONCE_S:
            return
        if self.stopped or self._is_over:
            if number == signal.SIGINT:
                raise KeyboardInterrupt
            raise SystemExit(128 + number)
        self.stopped, self._since = number, time.monotonic()

    def begin(self) -> None:
        """Take the signals from here on, where nobody but the program itself does."""
        from lowpanbudget.cli import output

        if threading.current_thread() is not threading.main_thread():
            return
        for name in _SIGNALS:
            number = getattr(signal, name, None)
            ours = (signal.SIG_DFL, signal.default_int_handler, output.end)
            if number is not None and signal.getsignal(number) in ours:
                self._before[number] = signal.signal(number, self.signalled)

    def end(self) -> None:
        """Let signals do again what they did before."""
        for number, before in self._before.items():
            signal.signal(number, before)
        self._before.clear()


def _listened(file: Any) -> Listening:
    """Return a file that signals end for the command that is running, which the program then tells of."""
    one = Listening(file)
    ctx = click.get_current_context(silent=True)
    if ctx is not None:
        before = ctx.meta.get(_KEY)
        if isinstance(before, Listening):  # of a pipe that has been read
            before.end()
        ctx.meta[_KEY] = one
        one.begin()
        ctx.call_on_close(one.end)
    return one


def records_of(
    capture: str,
    stream: io.BufferedReader | None = None,
    link_type: int | None = None,
    *,
    listens: bool = True,
    live: bool = False,
) -> CaptureFile:
    """Return the records of a capture; for who ``listens`` a signal to end is the end of those of a pipe."""
    source: Any = stream or (sys.stdin.buffer if capture == "-" else capture)
    kind = FRAME_TYPE if link_type is None else link_type
    if stream is not None or not (listens and is_pipe(capture)):
        return read_capture(source, link_type=kind, live=live)
    if source is capture:
        source = _opened_pipe(capture)
    coming = _listened(source)
    try:
        records = read_capture(coming, link_type=kind, live=live)
    except StreamStopped:
        return CaptureFile((), "unknown")
    records.through(coming.records)
    return records


def _opened_pipe(path: str) -> Any:
    """Open a pipe that has a name, until the command ends."""
    try:
        return click.get_current_context().with_resource(Path(path).open("rb"))
    except OSError as error:
        raise RequestError(
            f"the capture {path!r} cannot be read: {error.strerror or error}", hint="Check the name"
        ) from None


@contextmanager
def streamed(source: str) -> Iterator[io.BufferedReader | None]:
    """Give standard input (for ``-``) or a pipe as a file whose next octets can be looked at; None for other sources.

    Such a file can be opened once only.
    """
    if source == "-":
        raw: Any = sys.stdin.buffer  # it has readinto, though no type says so
        stdin = io.BufferedReader(raw)
        try:
            yield stdin
        finally:
            stdin.detach()  # or standard input would be closed with it
        return
    try:
        pipe = open(source, "rb") if is_named_pipe(source) else nullcontext()  # noqa: SIM115, PTH123  # it is one
    except OSError:  # whoever opens it next says why
        pipe = nullcontext()
    with pipe as stream:
        yield stream


def stopped(ctx: click.Context) -> int:
    """Return the number of the signal that ended the reading of a command's pipe; 0 where none did."""
    one = ctx.meta.get(_KEY)
    return one.stopped if isinstance(one, Listening) else 0


def words(number: int) -> str:
    """Return what a signal does, in words."""
    return next(
        (said for name, said in _SIGNALS.items() if number == getattr(signal, name, None)), ""
    )
