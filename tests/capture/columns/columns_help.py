"""Surveys by columns in tests: the loops as they stand, over sequences that refuse a place outside of them."""

from typing import Any

from lowpanbudget.capture.columns.choice import CountedFrames
from lowpanbudget.capture.columns.loops import Loops, as_they_are
from lowpanbudget.capture.columns.surveying import ColumnSurvey
from lowpanbudget.capture.files.reading import Capture, CaptureFile
from lowpanbudget.capture.follow.tracing import Trace
from lowpanbudget.capture.survey import Survey
from lowpanbudget.capture.surveyor import Surveyor

# looked up once: there are a million places in a run
_octet, _number, _put = bytes.__getitem__, list.__getitem__, list.__setitem__


class CheckedOctets(bytes):
    """Octets that no place before the first is read of."""

    def __getitem__(self, place: Any) -> Any:
        assert place.__class__ is slice or place >= 0
        return _octet(self, place)


class CheckedNumbers(list[int]):
    """Numbers that no place before the first is read or written of."""

    def __getitem__(self, place: Any) -> Any:
        assert place.__class__ is slice or place >= 0
        return _number(self, place)

    def __setitem__(self, place: Any, value: Any) -> None:
        assert place.__class__ is slice or place >= 0
        _put(self, place, value)


def checked() -> Loops:
    return as_they_are()._replace(
        numbers=lambda many, value: CheckedNumbers([value]).__imul__(many),  # not copied once more
        of_numbers=CheckedNumbers,
        of_octets=CheckedOctets,
    )


def by_columns(
    capture: Capture, loops: Loops | None = None, **known: Any
) -> tuple[Survey, CountedFrames]:
    """Return a survey by columns, and how many frames were counted so."""
    trace = Trace(**known)
    trace.reader.checksums = False
    surveyor = Surveyor(trace.design)
    counting = ColumnSurvey(trace, surveyor, checked() if loops is None else loops)
    with CaptureFile.of(capture) as records:
        counting.add(records)
    surveyor.end(trace.leftover)
    found = surveyor.survey(trace.fcs.values(), trace.receptions)
    return found, CountedFrames(counting.counted, counting.followed)
