"""The capture itself: the file, and the times in it."""

from collections.abc import Iterator
from typing import NamedTuple, Protocol

from lowpanbudget.capture.files.record import (
    CLOCK_DIFFERS,
    FILE_EMPTY,
    FILES_JOINED,
    FRAME_CUT,
    LINE_GARBLED,
    LINE_WRONG,
    RECORDS_TWICE,
    TIME_NOT_READ,
    ReadingNotice,
)
from lowpanbudget.capture.follow.clock import LEAP_S, ClockPutBack, duration, put_back
from lowpanbudget.errors import plural
from lowpanbudget.findings.finding import Certainty, Hit, Severity
from lowpanbudget.findings.rule import Hits, Noticed, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.silences import SILENCES, LongSilence, Pause
from lowpanbudget.findings.surroundings import Surroundings
from lowpanbudget.layers.link.control import SEQUENCE_NUMBERS
from lowpanbudget.values import dataclass

CAPTURE = Subject("capture", across=True)

_MANY, _TIMES_MORE = 20, 10  # lines without octets, and beside those with some; our choice
_LEAST_ACROSS = 3  # nodes that tell of a leap; our choice
WAITED = (
    "Ask whether the clock of the receiver was set then: what is reckoned from times across that frame (intervals, "
    "silences, the length of the capture) is wrong if so. A receiver that was off would have missed numbers, unless "
    f"just {SEQUENCE_NUMBERS} of each, or a multiple: they begin anew then."
)
_MOST_ROUNDS, _NEAR = (
    4,
    0.05,
)  # of numbers, and how near to whole ones, that tell of one; our choice
_STEP_S = 1.0  # back by less is a remark: frames that a receiver hands on out of order; our choice

_ADVICE = {
    FILES_JOINED: "Read the files that were joined: with --continued those that one receiver wrote in a row, with "
    "--together those of several at one time.",
    RECORDS_TWICE: "Set the receiver, or what writes its file, to hand on each frame once: its ports or interfaces may "
    "be named twice.",
    FILE_EMPTY: "Look whether this is the file that you meant, and whether the receiver has written it.",
}


@CAPTURE.rule("capture-damaged", ReadingNotice)
def capture_damaged(_scene: Scene, notice: ReadingNotice) -> Hits:
    """Take what reading noticed; no damage are an empty file, and a block of a kind made later than this program."""
    if notice.name in {FRAME_CUT, CLOCK_DIFFERS, *_OF_TEXT}:
        return
    severity = Severity.REMARK if notice.name in {"block-unknown", FILE_EMPTY} else None
    evidence = (f"octet {notice.offset} of the file",)
    advice = _ADVICE.get(notice.name, "")
    yield Hit(notice.text, evidence, notice.name, (notice.number,), severity, advice)


_OF_TEXT = {  # what a text has that is no damage of its file, and what to do
    LINE_GARBLED: "",
    LINE_WRONG: "Nothing where no frame stands in these lines; begin comments with #.",
    TIME_NOT_READ: "Where it is a time, write seconds with a point before the octets, such as 12.500.",
}


@dataclass(slots=True)
class LinesLeftOut:
    """How many lines of a text have no octets, and how many frames came before the last of them."""

    lines: int = 0
    frames: int = 0


@CAPTURE.rule("text-not-read", ReadingNotice, memory=LinesLeftOut)
def text_not_read(memory: LinesLeftOut, _scene: Scene, notice: ReadingNotice) -> Hits:
    """Take what reading a text left out: a line that was meant as a frame is a risk, other lines are a remark."""
    if notice.name == LINE_WRONG:
        memory.lines, memory.frames = memory.lines + 1, notice.number
    if notice.name in _OF_TEXT:
        severity = None if notice.is_damage else Severity.REMARK
        evidence = (f"octet {notice.offset} of the file",)
        advice = _OF_TEXT[notice.name]
        yield Hit(notice.text, evidence, notice.name, (notice.number,), severity, advice)


@CAPTURE.at_end("text-not-read")
def text_is_no_capture(memory: LinesLeftOut, known: Surroundings) -> Hits:
    """Tell of a text with hardly any octets, none of which are of a frame with a PAN."""
    lines, frames = memory.lines, memory.frames
    if lines >= _MANY and lines >= _TIMES_MORE * frames and not known.pans:
        cause = f"{lines} lines have no octets in hex, and nothing in the others names a PAN: this is hardly a capture"
        yield Hit(cause, (), LINE_WRONG, severity=Severity.RISK, advice=_ANOTHER, restates=True)


_ANOTHER = "Look whether this is the file that you meant: a capture, or a text with the octets of frames in hex."


@CAPTURE.rule("frames-cut-by-capture", ReadingNotice)
def frames_cut_by_capture(_scene: Scene, notice: ReadingNotice) -> Hits:
    """Take what reading noticed of frames whose front alone was kept."""
    if notice.name == FRAME_CUT:
        cause = "of what was left out nothing is concluded"
        yield Hit(cause, (notice.text,), frames=(notice.number,))


@CAPTURE.rule("receiver-clock-differs", ReadingNotice)
def receiver_clock_differs(_scene: Scene, notice: ReadingNotice) -> Hits:
    """Take what putting captures together noticed of their clocks."""
    if notice.name == CLOCK_DIFFERS:
        name, _, text = notice.text.rpartition(": its clock ")
        yield Hit(f"its clock {text}", (), name)


class ClockStep(NamedTuple):
    """A record whose time is so many nanoseconds before that of the one before it."""

    number: int
    back_ns: int


@dataclass(slots=True)
class StepsBack:
    """How the clock of a capture was put back."""

    told: ClockPutBack | None = None


@CAPTURE.rule("times-go-back", ClockStep, memory=StepsBack)
def times_go_back(memory: StepsBack, _scene: Scene, step: ClockStep) -> None:
    """Note the first step back, the furthest, and their number."""
    memory.told = put_back(memory.told, step.number, step.back_ns)


@CAPTURE.at_end("times-go-back")
def times_went_back(memory: StepsBack, _known: Surroundings) -> Hits:
    """Tell of them once; what goes back by less than a second is of the receiver's own order."""
    told = memory.told
    if told is None:
        return
    evidence: tuple[str, ...] = ()
    if told.times > 1:
        evidence = (f"{told.times} times in all, by {duration(told.most_s)} at most",)
    severity = None if told.most_s >= _STEP_S else Severity.REMARK
    yield Hit(str(told), evidence, frames=(told.number,), severity=severity)


@CAPTURE.at_end("times-leap")
def times_leap(known: Surroundings) -> Hits:
    """Look at the widest pause: no capture waits for years, and none misses frames whose numbers all came."""
    pause = known.pauses.widest
    if pause is not None and pause.seconds > LEAP_S:
        years = f"{pause.seconds / LEAP_S:.3g} years"
        yield Hit(f"the times leap on by {years} in frame {pause.number}", frames=(pause.number,))
        return
    pause = known.pauses.lone
    across = [] if pause is None else [*_across(known, pause)]
    whole = sum(one.missing == 0 for one in across)
    if pause is None or whole < _LEAST_ACROSS or whole * 4 < len(across) * 3:
        return
    wait = duration(pause.seconds)
    cause = (
        f"the times leap on by {wait} in frame {pause.number}, or nobody sent anything for so long"
    )
    if sum(_is_round(pause.seconds / one.rhythm_s) for one in across) * 2 > len(across):
        cause += f", or the receiver was off for {SEQUENCE_NUMBERS} frames of each or a multiple"
    evidence = f"across it the frame numbers of {whole} of {len(across)} nodes go on without a hole"
    frames = (pause.number,)
    yield Hit(cause, (evidence,), "", frames, Severity.REMARK, WAITED, certainty=Certainty.OPEN)


def _is_round(frames: float) -> bool:
    """Return whether so many frames bring the numbers back to where they were."""
    rounds = round(frames / SEQUENCE_NUMBERS)
    return 0 < rounds <= _MOST_ROUNDS and abs(frames / SEQUENCE_NUMBERS - rounds) <= _NEAR


def _across(known: Surroundings, pause: Pause) -> Iterator[LongSilence]:
    """Yield the silences of nodes across a pause that is far longer than any of theirs before."""
    for sender in known.senders.values():
        one = sender.widest
        if one is None or not one.before < pause.number <= one.after:
            continue
        if 0 < one.rhythm_s * SILENCES < pause.seconds:
            yield one


class HasForeign(Protocol):
    """What ends a capture and has counted the records that hold no frame."""

    foreign: int


NO_FRAME = Noticed("no-frame")


@CAPTURE.rule("nothing-to-judge", NO_FRAME)
def nothing_to_judge(_scene: Scene, audit: HasForeign) -> Hits:
    """Say so at the end of a capture without records, or with none that holds a frame."""
    records = audit.foreign
    if records:
        evidence = (f"{plural(records, 'record')} of another kind",)
        yield Hit("the capture holds no record that is read as a frame of IEEE 802.15.4", evidence)
    else:
        yield Hit("the capture holds no frame")
