"""``show``: results drawn for a notebook: the picture that a file or a page has of them, and what the terminal says.

One description serves all: rows and cells are those of files and pages, and what is painted for the terminal is
exported as HTML. Text of a frame or a file is made harmless as for a terminal, and escaped.
"""

from collections.abc import Callable, Iterable
from functools import partial
from typing import Any

from rich.console import Console

from lowpanbudget.arguments import whole_number
from lowpanbudget.capture.annotation import coded_in, shortest_form, title_of
from lowpanbudget.capture.captured import CapturedFrame, sighting_of
from lowpanbudget.capture.series import TimeSeries
from lowpanbudget.capture.survey import Cell, Survey
from lowpanbudget.capture.tally import Tally
from lowpanbudget.deployment.airtime import MessageAirtime
from lowpanbudget.deployment.burst_plan import BurstPlan
from lowpanbudget.deployment.carried import CarriedNetwork
from lowpanbudget.deployment.measured import MeasuredFlow, MeasuredLink, MeasuredNode, Measurement
from lowpanbudget.errors import RequestError, plural
from lowpanbudget.findings.audited import CaptureFindings
from lowpanbudget.findings.finding import Finding
from lowpanbudget.findings.listing import FrameList
from lowpanbudget.payload.search.compatible import FormatComparison
from lowpanbudget.report import (
    airtime_text,
    annotate_text,
    audit_text,
    burst_text,
    carry_text,
    carrying_text,
    compatible_text,
    cuts_text,
    encodings_text,
    fit_text,
    hops_text,
    ledger_text,
    list_text,
    measure_text,
    measurements,
    room_text,
    series_text,
    sightings,
    strip,
    survey_text,
    surveys,
    sweep_text,
    term_text,
    view,
    weigh_text,
)
from lowpanbudget.report.drawings import DRAWINGS, drawn_as
from lowpanbudget.report.screen import NARROWEST, WIDEST, Screen
from lowpanbudget.report.terminal import conversion, heading, paragraph
from lowpanbudget.report.terms import Explanation
from lowpanbudget.room.by_hops import RoomByHops
from lowpanbudget.room.carrying import Carrying
from lowpanbudget.room.compute import Budget
from lowpanbudget.room.encodings import Alternative
from lowpanbudget.room.fit import Fit
from lowpanbudget.room.ledger import Ledger
from lowpanbudget.room.sweep.swept import Sweep
from lowpanbudget.room.weigh import Weighing
from lowpanbudget.stack.comparison import Comparison
from lowpanbudget.stack.convert import Compressed, Decompressed
from lowpanbudget.stack.encoding import Encoded
from lowpanbudget.stack.frame import Frame
from lowpanbudget.values import dataclass


@dataclass(frozen=True, slots=True)
class Picture:
    """A result drawn: a notebook shows it as HTML, ``print`` and ``str`` give the terminal's text without colour.

    ``shown`` are the results, ``width`` is that of the text in columns.
    """

    shown: tuple[Any, ...]
    width: int

    def _paint(self, console: Console, screen: Screen) -> None:
        kind = _kind_of(self.shown)
        if kind is None:
            paragraph(console, screen, "Nothing to show: the list is empty.")
        else:
            _PAINTERS[kind](list(self.shown), console, screen)

    def __str__(self) -> str:
        """Return the text, as wide as was asked for."""
        screen = Screen(self.width)
        return screen.draw(lambda console: self._paint(console, screen))

    __repr__ = __str__

    def _repr_html_(self) -> str:
        """Return a picture where there is one, and the text as HTML, coloured.

        No script and no link is in it, and no rule of style reaches beyond the picture.
        """
        screen, kind = Screen(self.width, colour=True), _kind_of(self.shown)
        text = screen.html(lambda console: self._paint(console, screen))
        return f"{DRAWINGS[kind](list(self.shown))}{text}" if kind in DRAWINGS else text


def show(result: object, *, width: int = 120) -> Picture:
    """Return a result drawn, for a notebook to show or to be printed.

    ``result`` may be a ``Ledger``, ``Budget``, ``CutFrame``, ``Saving``, ``Fit``, ``Carrying``, ``RoomByHops``,
    ``Sweep``, ``Frame``, ``CapturedFrame``, ``Encoded``, ``Compressed``, ``Decompressed``, ``Comparison``,
    ``FrameList``, ``Finding``, ``CaptureFindings``, ``Survey``, its ``Tally`` and ``TimeSeries``, ``Measurement``, its
    ``MeasuredFlow``, ``MeasuredLink`` and ``MeasuredNode``, ``MessageAirtime``, ``CarriedNetwork``, ``BurstPlan``,
    ``Weighing``, ``Alternative``, ``FormatComparison`` or ``Explanation``, or a list or tuple of one kind. What is
    sent is a picture to scale as well, of many frames the first ones. ``width`` is in columns, 40 to 160: from 120 on a
    ledger is a table. Raises ``RequestError`` for anything else.
    """
    width = whole_number(width, "width", NARROWEST, WIDEST)
    is_list = isinstance(result, list | tuple) and not hasattr(result, "_fields")
    several = tuple(result) if is_list else (result,)  # type: ignore[arg-type]
    if not several or _kind_of(several) is not None:
        return Picture(several, width)
    kinds = " and ".join(dict.fromkeys(type(one).__name__ for one in several))
    held = f"{type(result).__name__} of {kinds}" if is_list else kinds
    names = ", ".join(kind.__name__ for kind in _PAINTERS)
    hint = drawn_as(several[0]) or f"Drawn are: {names}, and lists of one kind"
    raise RequestError(f"{held} cannot be drawn", hint=hint)


def _kind_of(several: tuple[Any, ...]) -> type | None:
    """Return the kind of results that all of several are; None where there are none, or kinds differ."""
    for kind in _PAINTERS if several else ():
        if all(isinstance(one, kind) for one in several):
            return kind
    return None


def _ledgers(several: Iterable[Ledger], console: Console, screen: Screen) -> None:
    for ledger in several:
        heading(console, screen, f"Ledger of {plural(ledger.octets, 'octet')}")
        segments = view.segments(ledger.spans)
        strip.draw(console, screen, ledger_text.parts_of(segments))
        console.print()
        ledger_text.draw(console, screen, view.rows(ledger.spans), segments)
        console.print()


def _budgets(several: list[Budget], console: Console, screen: Screen) -> None:
    room_text.budgets(console, screen, several)


def _carrying(several: Iterable[Carrying], console: Console, screen: Screen) -> None:
    carrying_text.carrying(console, screen, [view.carrying(one) for one in several])


def _by_hops(several: Iterable[RoomByHops], console: Console, screen: Screen) -> None:
    hops_text.room_by_hops(console, screen, [view.room_by_hops(one) for one in several])


def _sweeps(several: Iterable[Sweep], console: Console, screen: Screen) -> None:
    sweep_text.sweeps(console, screen, [view.sweep(one) for one in several])


def _frames(several: Iterable[Frame], console: Console, screen: Screen) -> None:
    for frame in several:
        facts = {
            "contents": sightings.restored_contents(coded_in(frame), frame),
            "restored": sightings.restored_fields(frame.restored),
            "restored_in": None, "shortest": sightings.compared(partial(shortest_form, frame)), "message": None,
        }  # fmt: skip
        drawn = sightings.drawn(frame, title_of(frame))
        annotate_text.frame(console, screen, drawn, facts)


def _captured(several: Iterable[CapturedFrame], console: Console, screen: Screen) -> None:
    for captured in several:
        frame = captured.frame
        title = f"{title_of(frame)}, number {captured.number} of its capture"
        sighting, largest = sighting_of(captured)
        drawn = sightings.drawn(frame, title, sighting.unsealed)
        annotate_text.frame(console, screen, drawn, sightings.details(sighting, largest))


def _encoded(several: Iterable[Encoded], console: Console, screen: Screen) -> None:
    for made in several:
        _made(made, f"Frame of {plural(len(made.octets), 'octet')}", made.octets, console, screen)


def _compressed(several: Iterable[Compressed], console: Console, screen: Screen) -> None:
    for made in several:
        headers = f"{made.covers} octets of headers became {made.header_octets}"
        if made.byte_code:
            headers += f", {made.expanded} of payload {made.byte_code} of byte code"
        title = f"Compressed payload of {plural(len(made.octets), 'octet')}: {headers}"
        _made(made, title, made.octets, console, screen)


def _decompressed(several: Iterable[Decompressed], console: Console, screen: Screen) -> None:
    for made in several:
        payload = plural(sum(span.bits for span in made.spans) // 8, "octet")
        title = (
            f"Datagram of {plural(len(made.octets), 'octet')}, from {payload} of compressed payload"
        )
        _made(made, title, None, console, screen, view.data_of(made.notices))


def _made(
    made: Encoded | Compressed | Decompressed, title: str, sent: bytes | None, console: Console, screen: Screen,
    notices: Any = (),
) -> None:  # fmt: skip
    rows, segments = view.rows(made.spans, sent), view.segments(made.spans)
    conversion(console, screen, title, made.octets.hex(), rows, segments, notices)


def _shortest(several: Iterable[Comparison], console: Console, screen: Screen) -> None:
    for one in several:
        annotate_text.shortest(console, screen, sightings.beside(one))


def _lists(several: Iterable[FrameList], console: Console, screen: Screen) -> None:
    for listed in several:
        list_text.frames(console, screen, listed)


def _measurements(several: Iterable[Measurement], console: Console, screen: Screen) -> None:
    for found in several:
        measure_text.measurement(console, screen, measurements.measured("The capture", found))


def _findings(several: Iterable[Finding], console: Console, screen: Screen) -> None:
    audit_text.findings(console, screen, view.findings(several))


def _audited(several: Iterable[CaptureFindings], console: Console, screen: Screen) -> None:
    for found in several:
        audit_text.audit(console, screen, view.audited("The capture", found))


def _surveys(several: Iterable[Survey], console: Console, screen: Screen) -> None:
    for survey in several:
        survey_text.survey(console, screen, surveys.alone(survey, "The capture"), whole=False)


def _tallies(several: Iterable[Tally], console: Console, screen: Screen) -> None:
    for tally in several:
        alone = Survey({Cell("", None, None): tally})
        survey_text.survey(console, screen, surveys.alone(alone, "The frames", "flow"), whole=False)


def _over_time(several: Iterable[TimeSeries], console: Console, screen: Screen) -> None:
    for series in several:
        series_text.series(console, screen, surveys.over_time(series), whole=False)


def _measured(key: str, data: Any, several: Any, console: Console, screen: Screen) -> None:
    measure_text.table_of(console, screen, key, data(several))


def _fits(several: Iterable[Fit], console: Console, screen: Screen) -> None:
    fit_text.fits(console, screen, view.fits(several))


def _airtimes(several: list[MessageAirtime], console: Console, screen: Screen) -> None:
    whole = len({one.flow for one in several}) == 1
    airtime_text.airtime(console, screen, several, whole=whole)
    airtime_text.cautions(console, screen, None, whole=True)


def _networks(several: list[CarriedNetwork], console: Console, screen: Screen) -> None:
    for network in several:
        carry_text.carry(console, screen, network, None)
        carry_text.cautions(console, screen, network)


def _bursts(several: list[BurstPlan], console: Console, screen: Screen) -> None:
    for plan in several:
        burst_text.burst(console, screen, plan)


def _weighings(several: Iterable[Weighing], console: Console, screen: Screen) -> None:
    weigh_text.messages(console, screen, [view.weighing(one) for one in several])


def _alternatives(several: Iterable[Alternative], console: Console, screen: Screen) -> None:
    encodings_text.encodings(console, screen, [view.encoding(one) for one in several])


def _comparisons(several: Iterable[FormatComparison], console: Console, screen: Screen) -> None:
    compatible_text.comparisons(console, screen, [view.data_of(one) for one in several])


def _explanations(several: Iterable[Explanation], console: Console, screen: Screen) -> None:
    for explanation in several:
        term_text.explanation(console, screen, explanation.data)


_PAINTERS: dict[type, Callable[[Any, Console, Screen], None]] = {
    Ledger: _ledgers,
    Budget: _budgets,
    Frame: _frames,
    CapturedFrame: _captured,
    Encoded: _encoded,
    Compressed: _compressed,
    Decompressed: _decompressed,
    Comparison: _shortest,
    Finding: _findings,
    CaptureFindings: _audited,
    Survey: _surveys,
    Tally: _tallies,
    TimeSeries: _over_time,
    MeasuredFlow: partial(_measured, "flows", measurements.flows),
    MeasuredLink: partial(_measured, "links", measurements.links),
    MeasuredNode: partial(_measured, "nodes", measurements.nodes),
    Fit: _fits,
    Carrying: _carrying,
    RoomByHops: _by_hops,
    Sweep: _sweeps,
    FrameList: _lists,
    Measurement: _measurements,
    MessageAirtime: _airtimes,
    CarriedNetwork: _networks,
    BurstPlan: _bursts,
    Weighing: _weighings,
    Alternative: _alternatives,
    FormatComparison: _comparisons,
    Explanation: _explanations,
    **cuts_text.PAINTERS,
}
