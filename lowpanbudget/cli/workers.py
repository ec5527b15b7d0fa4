"""Processes that survey files at the same time, and what becomes of them when the program is ended."""

import multiprocessing
import os
import signal
import threading
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, wait
from contextlib import contextmanager
from multiprocessing.connection import wait as wait_for
from typing import TYPE_CHECKING, Any

from lowpanbudget.capture.several import collected
from lowpanbudget.capture.surveyed_file import SurveyedFile, surveyed_file
from lowpanbudget.cli.progress import EVERY, Course, size_of

if TYPE_CHECKING:
    from lowpanbudget.capture.files.reading import CaptureFile
    from lowpanbudget.capture.files.record import Record
    from lowpanbudget.capture.follow.tracing import TraceOptions

_LOOK_S = 0.2  # between two looks at how far the workers are
# of a worker: frames and octets that it has read of each file, in memory that it shares with the program
_far: Any = None


def surveyed_by(
    workers: int, paths: Sequence[str], every: str | None, known: "TraceOptions"
) -> Iterator[SurveyedFile]:
    """Yield the survey of each file, in their order, counted by so many processes."""
    context = multiprocessing.get_context("spawn")  # what the program holds is nothing to them
    far = context.Array("Q", 2 * len(paths), lock=False)
    course = Course(paths)
    with _pool(min(workers, len(paths)), context, far) as pool:
        futures = [
            pool.submit(surveyed_file, path, every, known, _counted, place)
            for place, path in enumerate(paths)
        ]
        try:
            if course.is_watched:
                _show(course, futures, far, paths)
        finally:
            course.close()
        yield from collected(futures)


def _show(
    course: Course, futures: "Sequence[Future[SurveyedFile]]", far: Any, paths: Sequence[str]
) -> None:
    """Show how far all files are until all are surveyed, or one cannot be."""
    sizes = [size_of(path) or 0 for path in paths]
    while not all(future.done() for future in futures):
        wait(futures, _LOOK_S, "FIRST_EXCEPTION")
        if any(future.done() and future.exception() is not None for future in futures):
            return
        ended = [future.done() for future in futures]
        octets = [
            size if done else min(at, size)
            for size, at, done in zip(sizes, far[1::2], ended, strict=True)
        ]
        course.show(sum(far[::2]), sum(octets), f"files ({sum(ended)} of {len(paths)} done)")


@contextmanager
def _pool(workers: int, context: Any, far: Any) -> Iterator[ProcessPoolExecutor]:
    """Give processes that end with this block, however it ends: by an interruption what they do is of no use."""
    before = set(multiprocessing.active_children())
    pool = ProcessPoolExecutor(workers, context, _begin, (far,))
    try:
        yield pool
    except BaseException:
        for child in set(multiprocessing.active_children()) - before:
            child.terminate()
        # soon, now that they end: what is shared with them is put away
        pool.shutdown(cancel_futures=True)
        raise
    pool.shutdown()


def _begin(far: Any) -> None:
    """Make a worker end in silence when somebody interrupts the program, or when the program is gone."""
    global _far  # noqa: PLW0603  # what a worker gets once
    _far = far
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    parent = multiprocessing.parent_process()
    if parent is not None:
        watch = threading.Thread(target=_end_after, args=(parent.sentinel,), daemon=True)
        watch.start()


def _end_after(sentinel: int) -> None:
    wait_for([sentinel])
    os._exit(1)


def _counted(records: "CaptureFile", place: int) -> None:
    """Let records pass, and note how many have."""

    def counted(coming: "Iterator[Record]") -> "Iterator[Record]":
        for record in coming:
            if record.number % EVERY == 0:
                _far[2 * place] = record.number
                _far[2 * place + 1] = record.offset or 0
            yield record

    records.through(counted)
