"""What a capture proves: it is followed and audited, and what comes out is one value."""

from collections.abc import Callable
from typing import Unpack

from lowpanbudget.capture.files.reading import Capture, CaptureFile
from lowpanbudget.capture.files.record import FILE_EMPTY, ReadingNotice
from lowpanbudget.capture.follow.fcs_check import FcsVerdict
from lowpanbudget.capture.follow.receivers import Reception
from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.capture.follow.trace_options import TraceOptions, check_known
from lowpanbudget.capture.follow.tracing import Trace
from lowpanbudget.findings.audit import Audit
from lowpanbudget.findings.finding import Finding
from lowpanbudget.findings.known import known_of
from lowpanbudget.findings.watched import watched
from lowpanbudget.stack.events import TimedOut
from lowpanbudget.values import dataclass


@dataclass(frozen=True, slots=True)
class CaptureFindings:
    """What the ``frames`` (their number) of a capture prove: ``findings``, worst first.

    ``notices`` are what reading the file noticed, ``check_sequences`` what stands at the end of the frames of each link
    type. ``within`` is how many of the frames were asked for: the findings are about those, whatever was learned from
    the others. ``receptions`` are what each of several receivers heard: a frame that more than one heard is one frame.
    ``networks`` are the PANs that frames name: nodes of the first (the design's) are named without it.
    """

    frames: int
    findings: tuple[Finding, ...]
    notices: tuple[ReadingNotice, ...] = ()
    check_sequences: tuple[FcsVerdict, ...] = ()
    within: int | None = None
    receptions: tuple[Reception, ...] = ()
    networks: tuple[int, ...] = ()

    @property
    def has_weight(self) -> bool:
        """Return whether some finding is more than a remark."""
        return any(finding.has_weight for finding in self.findings)


def audit(
    capture: "Capture",
    *,
    tell: Callable[[int, Finding], None] | None = None,
    **known: "Unpack[TraceOptions]",
) -> CaptureFindings:
    """Return what a capture proves to be wrong, wasteful or risky, worst first, in bounded memory.

    ``capture`` and what is ``known`` beside it are those of ``follow``; a ``design`` is what frames are compared with.
    ``tell`` is called while the capture is read, once for each finding of weight, with the number of the frame at hand
    and the finding as far as it is known. Raises ``RequestError`` as ``follow`` does.
    """
    check_known(known, "audit")
    return audit_of(Trace(**known), capture, tell)


def audit_of(
    trace: Trace,
    capture: "Capture",
    tell: Callable[[int, Finding], None] | None = None,
    also: Callable[[Sighting], None] | None = None,
) -> CaptureFindings:
    """Return the same for a new trace; ``also`` gets each sighting, for whoever counts other things on the way."""
    taken = Audit(
        known_of(trace, trace.design, trace.timeout_s),
        tallies=watched(trace, tell),
    )
    trace.reader.damage = also is not None  # what is odd in damaged frames is no finding
    within = 0
    with CaptureFile.of(capture) as records:
        for sighting in trace.follow(records):
            within += not sighting.outside and sighting.heard_as is None
            taken.follow(sighting)
            if also is not None:
                also(sighting)
        notices = records.notices
    for event in trace.leftover:
        if isinstance(event, TimedOut):
            taken.note(event)
    taken.frames += trace.network.left_out
    verdicts = tuple(trace.fcs.values())
    for notice in notices:
        if taken.frames or notice.name != FILE_EMPTY:  # else it is told as nothing to judge
            taken.note(notice)
    for verdict in verdicts:
        taken.note(verdict)
    return CaptureFindings(
        taken.frames, tuple(taken.close()), notices, verdicts,
        within if trace.is_narrowed else None, trace.receptions, taken.known.home.all,
    )  # fmt: skip
