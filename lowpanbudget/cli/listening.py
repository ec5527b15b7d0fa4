"""A capture that comes through a pipe and may not end: it is read until it ends, or until somebody interrupts."""

import os
import signal
import stat
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from lowpanbudget.capture.files.record import Record


def is_pipe(capture: str) -> bool:
    """Return whether a capture is standard input that more may come from: anything but a file."""
    if capture != "-":
        return False
    try:
        return not stat.S_ISREG(os.fstat(sys.stdin.buffer.fileno()).st_mode)
    except (OSError, ValueError, AttributeError):
        return False


class Listening:
    """Hands on records until an interrupt, which ends them as the end of the file would."""

    def __init__(self) -> None:
        self.interrupted = False
        self._waits = False

    def records(self, coming: "Iterator[Record]") -> "Iterator[Record]":
        """Yield the records that come."""
        while not self.interrupted:
            self._waits = True
            try:
                record = next(coming, None)
            except KeyboardInterrupt:
                self.interrupted = True
                return
            finally:
                self._waits = False
            if record is None:
                return
            yield record

    def interrupt(self, _number: int, _frame: object) -> None:
        """Take an interrupt: what is at hand is finished first; at the second one nothing is."""
        if self._waits or self.interrupted:
            raise KeyboardInterrupt
        self.interrupted = True


@contextmanager
def listening() -> Iterator[Listening]:
    """Give what listens; interrupts are its own within the block."""
    one = Listening()
    ours = threading.current_thread() is threading.main_thread() and (
        signal.getsignal(signal.SIGINT) is signal.default_int_handler
    )
    if ours:
        signal.signal(signal.SIGINT, one.interrupt)
    try:
        yield one
    finally:
        if ours:
            signal.signal(signal.SIGINT, signal.default_int_handler)
