"""Whether a survey is made by columns: where that is quicker, and where nothing asks for each frame."""

from typing import Any, NamedTuple

from lowpanbudget.capture.files.reading import CaptureFile
from lowpanbudget.capture.follow.tracing import Trace

WORTH_OCTETS = 1 << 20  # of a capture; fewer are followed sooner than the loops are there


class CountedFrames(NamedTuple):
    """How many frames were counted by columns, and how many followed one by one; ``why`` all were, if so.

    A capture so small that columns gain nothing has no ``why``.
    """

    columns: int = 0
    followed: int = 0
    why: str = ""

    def plus(self, other: "CountedFrames") -> "CountedFrames":
        """Return those of both."""
        return CountedFrames(
            self.columns + other.columns, self.followed + other.followed, self.why or other.why
        )


def add_by_columns(
    records: CaptureFile, trace: Trace, surveyor: Any, wanted: bool | None
) -> CountedFrames:
    """Add the frames of a capture to a surveyor by columns; return what was counted, nothing where that is not done.

    ``wanted``: whether it is to be done however few frames there are, or never; None for where it is worth while.
    """
    source = records.source
    if wanted is False or source is None or records.format not in ("pcap", "pcapng"):
        return CountedFrames()
    if not wanted and len(source.ahead(WORTH_OCTETS)) < WORTH_OCTETS:
        return CountedFrames()
    if trace.is_narrowed or trace.opens_contents:
        return CountedFrames(why="what was asked for wants a look at each frame")
    from lowpanbudget.capture.columns import compiled

    if not compiled.is_there():
        return CountedFrames(why="numba is not installed (pip install 'lowpanbudget[survey]')")
    from lowpanbudget.capture.columns.surveying import ColumnSurvey

    counting = ColumnSurvey(trace, surveyor, compiled.compiled())
    counting.add(records)
    return CountedFrames(counting.counted, counting.followed)
