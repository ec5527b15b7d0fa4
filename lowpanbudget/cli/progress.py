"""A bar on standard error for work that takes long; nothing at all where nobody watches."""

import os
import stat
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from lowpanbudget.cli.faults import visible
from lowpanbudget.report.span_text import span_of_time

if TYPE_CHECKING:
    from rich.progress import Progress, TaskID

    from lowpanbudget.capture.files.record import Record

PATIENCE_S = 1.0  # work that ends sooner shows no bar
EVERY = 128  # frames between two looks at the clock


def followed(
    records: "Iterator[Record]", capture: str, course: "Course | None" = None
) -> "Iterator[Record]":
    """Yield the records, and show how far they are when standard error is a terminal.

    ``course`` is that over several captures, of which this is one.
    """
    course = Course((capture,)) if course is None else course
    if not course.is_watched:
        yield from records
        return
    course.begin(capture)
    try:
        for record in records:
            if record.number % EVERY == 0:
                course.move(record.number, record.offset)
            yield record
    finally:
        course.end(capture)


def is_watched() -> bool:
    """Return whether anybody would see a bar."""
    return sys.stderr.isatty() and os.environ.get("TERM") != "dumb"


class Course:
    """How far the reading of captures is: a bar that appears only when the work has taken its time.

    It tells frames, frames a second and, where the size of all captures is known, the time that is left.
    """

    def __init__(self, captures: Sequence[str]) -> None:
        self._captures = tuple(captures)
        self._watched = is_watched()
        sizes = [size_of(capture) for capture in captures] if self._watched else []
        self._sizes = dict(zip(captures, sizes, strict=False))
        self._size = None if None in sizes else sum(size or 0 for size in sizes)
        self._started = time.monotonic()
        self._shown: Progress | None = None
        self._task: TaskID | None = None
        self._name = ""
        self._ended = self._octets = 0  # captures, and their octets
        self._frames = self._frames_before = 0

    @property
    def is_watched(self) -> bool:
        """Return whether anybody would see a bar."""
        return self._watched

    def begin(self, capture: str) -> None:
        """Say which capture is read now."""
        name = "standard input" if capture == "-" else Path(capture).name
        many = len(self._captures)
        self._name = f"{name} ({self._ended + 1} of {many})" if many > 1 else name

    def move(self, number: int, offset: int | None) -> None:
        """Say that frame ``number`` has been read, which stands at ``offset`` in the file."""
        self._frames = self._frames_before + number
        self.show(self._frames, self._octets + (offset or 0))

    def end(self, capture: str) -> None:
        """Say that a capture has been read; behind the last the bar goes away."""
        self._frames_before = self._frames
        self._octets += self._sizes.get(capture) or 0
        self._ended += 1
        if self._ended == len(self._captures):
            self.close()

    def show(self, frames: int, octets: int, name: str = "") -> None:
        """Draw the bar, unless the work has only begun."""
        taken = time.monotonic() - self._started
        if self._shown is None:
            if not self._watched or taken < PATIENCE_S:
                return
            self._draw()
        assert self._shown is not None
        assert self._task is not None
        done = 0 if self._size is None else min(octets, self._size)
        self._shown.update(
            self._task, completed=done, description=f"reading {visible(name or self._name)}",
            frames=f"{frames} frames, {frames / max(taken, 0.001):.0f} a second",
            left=_left(taken, done, self._size),
        )  # fmt: skip

    def close(self) -> None:
        """Take the bar away."""
        if self._shown is not None:
            self._shown.stop()
            self._shown = None
            self._watched = False

    def _draw(self) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TextColumn

        self._shown = Progress(
            TextColumn("{task.description}", markup=False),
            BarColumn(),
            TextColumn("{task.fields[frames]}{task.fields[left]}", markup=False),
            console=Console(stderr=True, markup=False, highlight=False, emoji=False),
            transient=True,
        )
        self._shown.start()
        self._task = self._shown.add_task("", total=self._size, frames="", left="")


def _left(taken_s: float, done: int, size: int | None) -> str:
    """Return how long the rest takes at the rate so far; nothing where nobody knows how much there is."""
    if not size or not done:
        return ""
    return f", {span_of_time(round(taken_s * (size - done) / done))} left"


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


@contextmanager
def counted(
    what: str, then: str = "", *, at_once: bool = False
) -> "Iterator[Callable[[int, int | None], None]]":
    """Give a function to tell (how many of these are done, how many there are); behind the block the bar goes away.

    A total of None: all are done, and what goes on is ``then``, of which nobody knows how long it takes.
    ``at_once`` is for what takes long one by one: the bar does not wait until it is known to.
    """
    started = time.monotonic()
    bars: list[tuple[Progress, TaskID]] = []

    def tell(done: int, total: int | None) -> None:
        if total is None:
            if is_watched():
                close()
                bars[:] = [_bar(then)]
            return
        if not bars:
            is_early = done % EVERY or time.monotonic() - started < PATIENCE_S
            if not is_watched() or (is_early and not at_once):
                return
            bars.append(_bar(what, total))
        bar, task = bars[0]
        bar.update(task, completed=done, total=total)

    def close() -> None:
        for bar, _ in bars:
            bar.stop()

    try:
        yield tell
    finally:
        close()


def _bar(what: str, total: int | None = None) -> "tuple[Progress, TaskID]":
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TextColumn,
        TimeElapsedColumn,
        TimeRemainingColumn,
    )

    known = (MofNCompleteColumn(), TimeRemainingColumn())
    bar = Progress(
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        *((TimeElapsedColumn(),) if total is None else known),
        console=Console(stderr=True, markup=False, highlight=False, emoji=False),
        transient=True,
    )
    bar.start()
    return bar, bar.add_task(what, total=total)
