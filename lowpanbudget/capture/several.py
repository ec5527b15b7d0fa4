"""Surveys of several files, each for itself: one after the other, or by whatever carries out calls elsewhere."""

from collections.abc import Generator, Iterable, Iterator, Sequence
from concurrent.futures import BrokenExecutor, Executor, Future
from os import PathLike
from typing import Unpack

from lowpanbudget.arguments import several
from lowpanbudget.capture.files.reading import check_readable, path_of
from lowpanbudget.capture.files.single_pass import SinglePass
from lowpanbudget.capture.follow.trace_options import TraceOptions, check_known
from lowpanbudget.capture.follow.tracing import Trace
from lowpanbudget.capture.surveyed_file import SurveyedFile, surveyed_file
from lowpanbudget.capture.time_span import span_ns
from lowpanbudget.errors import RequestError


def survey_files(
    files: "Iterable[str | PathLike[str]]",
    *,
    executor: Executor | None = None,
    every: object = None,
    **known: "Unpack[TraceOptions]",
) -> Iterator[SurveyedFile]:
    """Return the survey of each file, one after another: ``sum((one.survey for one in ...), Survey())`` adds them up.

    Each file is a capture of its own, so the totals are the same whoever counts them. An ``executor`` is anything with
    the interface of ``concurrent.futures.Executor``, such as a pool of processes or what the client of a cluster gives
    (threads gain nothing): files are read where it runs, under the same names, and ``known`` is sent there, keys
    included, so give keys only to an executor on machines that may have them. ``every`` and ``known`` are those of
    ``survey``. The surveys come once: call it again to have them again. Raises ``RequestError`` as ``survey`` does: for
    a file that cannot be read before any is, or when its turn comes where an executor reads it; and where a worker of
    the executor ended before its work.
    """
    check_known(known, "survey_files")
    names = [path_of(file) for file in several(files, "files")]
    if every is not None:
        span_ns(every)
    Trace(**known)  # what cannot be used is told now, not by the workers
    if executor is None:
        for name in names:
            check_readable(name)
        here = (surveyed_file(name, every, known) for name in names)
        return SinglePass(here, "survey_files", "surveys")
    if not callable(getattr(executor, "submit", None)):
        raise RequestError(
            f"executor is {type(executor).__name__}, which takes no calls",
            hint="Give a concurrent.futures.Executor, or what has its interface",
        )
    there = collected([executor.submit(surveyed_file, name, every, known) for name in names])
    return SinglePass(there, "survey_files", "surveys")


def collected(
    futures: "Sequence[Future[SurveyedFile]]",
) -> Generator[SurveyedFile, None, None]:
    """Yield what calls gave, in their order; those that were not begun are not, when one fails or nobody asks on."""
    try:
        for future in futures:
            yield future.result()
    except BrokenExecutor:
        raise RequestError(
            "a worker ended before its work was done",
            hint="Is there memory for so many workers? Give fewer",
        ) from None
    finally:
        for future in futures:
            future.cancel()
