"""One file surveyed, with what reading it noticed: what travels where several are counted elsewhere."""

from collections.abc import Callable

from lowpanbudget.capture.files.reading import CaptureFile, read_capture
from lowpanbudget.capture.files.record import ReadingNotice
from lowpanbudget.capture.follow.tracing import TraceOptions
from lowpanbudget.capture.survey import Survey
from lowpanbudget.capture.surveyor import survey
from lowpanbudget.values import dataclass

Passing = Callable[[CaptureFile, int], None]


@dataclass(frozen=True, slots=True)
class SurveyedFile:
    """One file of several: its ``survey``, and what reading it noticed, the first 1000 of ``notice_count``."""

    file: str
    survey: Survey
    notices: tuple[ReadingNotice, ...]
    notice_count: int


def surveyed_file(
    name: str, every: object, known: TraceOptions, passing: Passing | None = None, place: int = 0
) -> SurveyedFile:
    """Return the survey of one file; ``passing`` gets its records, with ``place``, before they are read."""
    with read_capture(name) as records:
        if passing is not None:
            passing(records, place)
        found = survey(records, every=every, **known)
        return SurveyedFile(name, found, records.notices, records.notice_count)
