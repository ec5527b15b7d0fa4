"""A bar on standard error for work that takes long; nothing at all where nobody watches."""

import os
import stat
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from lowpanbudget.cli.faults import visible

if TYPE_CHECKING:
    from rich.progress import Progress, TaskID

    from lowpanbudget.capture.files.record import Record

PATIENCE_S = 1.0  # work that ends sooner shows no bar
_EVERY = 128  # frames between two looks at the clock


def followed(records: "Iterator[Record]", capture: str) -> "Iterator[Record]":
    """Yield the records, and show how far they are when standard error is a terminal."""
    if not _is_watched():
        yield from records
        return
    bar = _Bar(capture)
    try:
        for record in records:
            if record.number % _EVERY == 0:
                bar.move(record.number, record.offset)
            yield record
    finally:
        bar.end()


def _is_watched() -> bool:
    return sys.stderr.isatty() and os.environ.get("TERM") != "dumb"


class _Bar:
    """A bar that appears only when the work has taken its time."""

    def __init__(self, capture: str) -> None:
        self._capture = capture
        self._started = time.monotonic()
        self._shown: Progress | None = None
        self._task: TaskID | None = None
        self._size: int | None = None

    def move(self, number: int, offset: int | None) -> None:
        """Say that frame ``number`` has been read, which stands at ``offset`` in the file."""
        if self._shown is None:
            if time.monotonic() - self._started < PATIENCE_S:
                return
            self._begin()
        assert self._shown is not None
        assert self._task is not None
        done = 0 if offset is None or self._size is None else min(offset, self._size)
        self._shown.update(self._task, completed=done, frames=number)

    def end(self) -> None:
        """Take the bar away."""
        if self._shown is not None:
            self._shown.stop()

    def _begin(self) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

        name = "standard input" if self._capture == "-" else Path(self._capture).name
        self._size = size_of(self._capture)
        self._shown = Progress(
            TextColumn("{task.description}", markup=False),
            BarColumn(),
            TextColumn("{task.fields[frames]} frames", markup=False),
            TimeElapsedColumn(),
            console=Console(stderr=True, markup=False, highlight=False, emoji=False),
            transient=True,
        )
        self._shown.start()
        self._task = self._shown.add_task(f"reading {visible(name)}", total=self._size, frames=0)


def size_of(capture: str) -> int | None:
    """Return how many octets a capture will give; None for what is compressed or no file."""
    from lowpanbudget.capture.files.source import GZIP

    try:
        facts = Path(capture).stat()
        if capture == "-" or not stat.S_ISREG(facts.st_mode):
            return None
        with Path(capture).open("rb") as file:
            packed = file.read(2) == GZIP  # nobody knows how much is to come
    except (OSError, ValueError):
        return None
    return None if packed else facts.st_size
