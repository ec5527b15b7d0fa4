"""The data of a capture's page: findings with the frames that show them, what each node did over time, the survey.

The capture is read twice: for what it proves, and then for the frames to draw.
"""

from collections.abc import Iterable, Iterator, Sequence
from os import PathLike
from pathlib import PurePath
from typing import Unpack

from lowpanbudget.capture.annotation import coded_contents, restored_headers
from lowpanbudget.capture.files.pcap import SECOND
from lowpanbudget.capture.files.reading import is_pipe, path_of, read_capture
from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.capture.follow.trace_options import TraceOptions, check_known
from lowpanbudget.capture.follow.tracing import Trace
from lowpanbudget.capture.series import Activity, SeriesCounter, TimeSeries
from lowpanbudget.capture.surveyor import Surveyor
from lowpanbudget.deployment.measurement import Measurer
from lowpanbudget.errors import RequestError, plural
from lowpanbudget.findings.audited import CaptureFindings, audit_of
from lowpanbudget.findings.finding import Finding
from lowpanbudget.layers.labels import label_of
from lowpanbudget.layers.link.stations import network_text
from lowpanbudget.report import sightings, surveys, view
from lowpanbudget.report.audit_text import receptions, sentence, summary
from lowpanbudget.report.page.figures import Figures
from lowpanbudget.report.page.measured import measured_part
from lowpanbudget.report.screen import harmless
from lowpanbudget.report.series_text import named
from lowpanbudget.report.survey_text import facts
from lowpanbudget.stack.beyond import beyond_unknown_context

MOST_FRAMES = 600  # that are drawn
_BESIDE = 1  # frames before and after one that a finding names
_STEPS = 480  # of the time axis, at most about so many
_MOST_NODES = 40  # on the time axis: those that sent most
_MOST_EVENTS = 3000
_MOST_ROWS = 24  # of the table of what was sent over time
_NOTHING_NAMED = 24  # frames that are drawn where no finding names any
_MOST_REASONS = 24  # why frames were not read to their end
_COLUMNS = {
    "frames": "frames", "octets": "octets", "application": "application data, octets", "datagrams": "datagrams",
    "retransmissions": "retransmissions", "duplicates": "duplicates under new numbers", "lost": "numbers missing",
    "damaged": "damaged", "unread": "not read to the end", "avoidable": "octets that the shortest encoding saves",
}  # fmt: skip


def capture_page(
    capture: "str | PathLike[str]",
    *,
    most_frames: int = MOST_FRAMES,
    **known: "Unpack[TraceOptions]",
) -> view.Data:
    """Return all that the page of a capture shows, as plain data.

    What is ``known`` beside the file is as for ``audit``. Of the frames that findings name and their neighbours at most
    ``most_frames`` are drawn, those of the worst findings first. Raises ``RequestError`` as ``audit`` does.
    """
    check_known(known, "page_of_capture")
    name = path_of(capture)
    if is_pipe(name):
        raise RequestError(
            f"{name} is a pipe, and a page reads its capture twice", hint="Write it to a file first"
        )
    trace = Trace(**known)
    design, narrowing = trace.design, trace.narrowing
    surveyor = Surveyor(design, narrowing)
    measurer = Measurer(design)
    first = _FirstReading(surveyor, measurer)
    with read_capture(name) as records:
        found = audit_of(trace, records, also=first.see)
        notices = records.notices
    surveyor.end(trace.leftover)
    survey = surveyor.survey(trace.fcs.values(), trace.receptions)
    told = surveys.details(survey, [], None)
    total = survey.total
    span_ns = (total.last_ns or 0) - (total.first_ns or 0)
    wanted, left_out = _wanted(found, most_frames)
    drawing = _Drawing(wanted, max(span_ns / _STEPS / SECOND, 0.001), total.first_ns or 0)
    with read_capture(name) as records:
        for sighting in Trace(**known).follow(records):
            drawing.see(sighting)
    file = harmless(PurePath(name).name)
    return {
        "title": file,
        "file": file,
        "contents": first.has_contents,
        "frames": found.frames if found.within is None else found.within,
        "left_out": left_out,
        "answer": _answer(found, total.unread),
        "heard": _heard(told["receivers"]),
        "findings": [
            _finding(one, row, wanted)
            for one, row in zip(found.findings, view.findings(found.findings), strict=True)
        ],
        "survey": _survey(told),
        "measured": measured_part(measurer.measurement(trace.receptions, notices), name),
        "time": drawing.time(span_ns),
        "drawn": drawing.frames,
        **drawing.figures.data(),
    }


def _wanted(found: CaptureFindings, most: int) -> tuple[set[int], int]:
    """Return the numbers of the frames to draw, and how many that findings name are left out."""
    wanted: set[int] = set()
    told = [number for one in found.findings for number in one.frames]
    left_out = 0
    for number in dict.fromkeys(told or range(1, _NOTHING_NAMED + 1)):
        more = {
            near
            for near in range(number - _BESIDE, number + _BESIDE + 1)
            if 1 <= near <= found.frames
        }
        if len(wanted | more) <= most:
            wanted |= more
        elif number not in wanted:
            left_out += 1
    return wanted, left_out


def _answer(found: CaptureFindings, unread: int) -> str:
    """Return what the audit says of a capture, its worst finding, and how many frames nobody could read."""
    some = "" if found.within is None else f"{found.within} of "
    said = f"{some}{plural(found.frames, 'frame')}, {summary(view.findings(found.findings))}."
    for worst in found.findings[:1]:
        subject = f" ({worst.subject})" if worst.subject else ""
        said += f" {worst.title}{subject}."
    if unread:
        each = "was" if unread == 1 else "were"
        said += f" {unread} of {found.frames} {each} not read to the end: what they hold was not judged."
    return harmless(said)


def _heard(receivers: Sequence[view.Data]) -> str:
    """Return what each of several receivers heard; nothing where there is one."""
    begin, *each = [*receptions(receivers)] or [""]
    return harmless(f"{begin} {'; '.join(map(str.strip, each))}." if each else "")


def _finding(one: Finding, row: view.Data, drawn: set[int]) -> view.Data:
    return {
        "name": one.name,
        "severity": row["severity"],
        **{key: harmless(row[key]) for key in ("title", "advice", "certainty", "subject")},
        "cause": harmless(sentence(row["cause"], row["subject"])),
        "evidence": [harmless(text) for text in one.evidence],
        "cite": [harmless(row["cite"]), row["link"]],
        "count": one.count,
        "frames": [[number, number in drawn] for number in one.frames],
        "weight": one.has_weight,
    }


def _survey(told: view.Data) -> view.Data:
    """Return the groups of a survey as tables; columns in which nothing was counted are left out."""
    groups = {}
    for group in ("flows", "nodes", "kinds"):
        rows = told[group]
        columns = [key for key in _COLUMNS if any(row[key] for row in rows)]
        groups[group] = {
            "columns": columns, "titles": [_COLUMNS[key] for key in columns],
            "rows": [_counts(row, columns) for row in rows],
        }  # fmt: skip
    layers = sorted(told["total"]["layer_bits"].items(), key=lambda item: -item[1])
    reasons = list(told["reasons"].items())
    return {
        "facts": [harmless(sentence(words)) for words in facts(told["total"])],
        "groups": groups,
        "layers": [[harmless(label_of(layer)), bits // 8] for layer, bits in layers],
        "reasons": [[harmless(reason), count] for reason, count in reasons[:_MOST_REASONS]],
        "more_reasons": max(len(reasons) - _MOST_REASONS, 0),
    }


def _counts(row: view.Data, columns: Iterable[str]) -> view.Data:
    name = row.get("in_design") or row.get("address") or row["name"] or "no address"
    name = named(harmless(name), row.get("network"))
    return {"name": name, "counts": [row[key] for key in columns]}


class _FirstReading:
    """The first reading: the survey, what is measured, and whether anything sealed was opened."""

    def __init__(self, surveyor: Surveyor, measurer: Measurer) -> None:
        self.surveyor, self.measurer = surveyor, measurer
        self.has_contents = False

    def see(self, sighting: Sighting) -> None:
        """Take one record."""
        self.surveyor.add(sighting)
        self.measurer.add(sighting)
        opened = sighting.opened
        if sighting.verified or (opened is not None and opened.is_open):
            self.has_contents = True


class _Drawing:
    """The second reading: the frames that are drawn, and what happened when."""

    def __init__(self, wanted: set[int], every_s: float, first_ns: int) -> None:
        self.figures = Figures()
        self.frames: list[view.Data] = []
        self._wanted, self._first_ns = wanted, first_ns
        self._series = SeriesCounter(f"{every_s:.3f}")
        self._events: list[tuple[tuple[int | None, bytes | None], int, str, int]] = []
        self._more_events = 0

    def see(self, sighting: Sighting) -> None:
        """Take one record."""
        self._series.see(sighting)
        kind = _event(sighting)
        time_ns = sighting.record.time_ns
        if kind and time_ns is not None and not sighting.outside:
            if len(self._events) < _MOST_EVENTS:
                who = self._series.network(sighting), sighting.source
                self._events.append((who, time_ns, kind, sighting.number))
            else:
                self._more_events += 1
        if sighting.number in self._wanted:
            self.frames.append(self._frame(sighting))

    def _frame(self, sighting: Sighting) -> view.Data:
        frame = beyond_unknown_context(sighting.as_frame)
        text, time_ns = self.figures.text, sighting.record.time_ns
        sealed = sightings.sealed_in(frame, sighting.unsealed)
        coded = coded_contents(sighting)
        return {
            "number": sighting.number,
            "seconds": None if time_ns is None else (time_ns - self._first_ns) / SECOND,
            "kind": text(sighting.kind),
            "flow": text("" if sighting.flow is None else str(sighting.flow)),
            "from": text(_address(frame.link_source)),
            "to": text(_address(frame.link_destination)),
            "octets": len(frame.octets),
            "says": [text(words) for words in _sayings(sighting)],
            "frame": self.figures.frame(frame.spans, (), frame.octets, sealed),
            "restored": self.figures.restored(restored_headers(sighting)),
            "contents": self.figures.frame(coded),
            "contents_at": coded[0].offset_bits // 8 if coded else 0,
        }

    def time(self, span_ns: int) -> view.Data:
        """Return what each node did in each step, and single events, in time from the first frame."""
        series, first_ns = self._series.series(), self._first_ns
        every = series.every_ns
        start = first_ns // every
        nodes = sorted(
            series.nodes_of_networks.items(),
            key=lambda item: -sum(one.frames for one in item[1].values()),
        )
        many = len(series.networks) > 1
        shown = nodes[:_MOST_NODES]
        numbers = {node: number for number, (node, _) in enumerate(shown)}
        return {
            "every_s": every / SECOND,
            "span_s": span_ns / SECOND,
            "first_s": (start * every - first_ns) / SECOND,
            "more_nodes": len(nodes) - len(shown),
            "more_events": self._more_events,
            "untimed": series.untimed,
            "rows": list(_rows(series, first_ns)),
            "nodes": [
                {
                    "name": named(_name(node), None if number is None else network_text(number)),
                    "steps": [[step - start, *one] for step, one in steps.items()],
                }
                for (number, node), steps in shown
            ],
            "events": [
                [numbers[node], (time_ns - first_ns) / SECOND, kind, number]
                for who, time_ns, kind, number in self._events
                if (node := who if many else (None, who[1])) in numbers
            ],
        }


def _rows(series: TimeSeries, first_ns: int) -> Iterator[list[float]]:
    """Yield second, frames, octets and lost numbers of neighbouring steps together, few enough for a table."""
    steps = series.steps
    together = max(-(-(max(steps) - min(steps) + 1) // _MOST_ROWS), 1) if steps else 1
    rows: dict[int, Activity] = {}
    for step, one in steps.items():
        at = step // together
        rows[at] = rows[at].plus(one) if at in rows else one
    for at, one in rows.items():
        yield [max(at * together * series.every_ns - first_ns, 0) / SECOND, *one]


def _event(sighting: Sighting) -> str:
    """Return what a frame is an event of, if of any."""
    if sighting.damaged:
        return "damaged"
    if sighting.repeats is not None:
        return "sent again"
    return "copied" if sighting.copies is not None else ""


def _sayings(sighting: Sighting) -> Iterator[str]:
    """Yield what is known of a frame beyond its octets."""
    if sighting.repeats is not None:
        yield f"frame {sighting.repeats} sent again"
    if sighting.copies is not None:
        yield f"what frame {sighting.copies} carries, under another number"
    if sighting.damaged:
        yield "damaged: its FCS is wrong"
    if sighting.missing:
        yield f"{plural(sighting.missing, 'octet')} of it left out by the capture"
    if len(sighting.parts) > 1:
        yield f"completes a datagram of frames {_listed(sighting.numbers)}"
    for notice in sighting.notices:
        yield notice.text
    if sighting.fault is not None:
        yield sighting.fault.message


def _listed(numbers: Iterable[int]) -> str:
    return ", ".join(map(str, numbers))


def _name(node: bytes | str | None) -> str:
    return harmless(node) if isinstance(node, str) else _address(node)


def _address(node: bytes | None) -> str:
    return "no address" if node is None else node.hex(":") if len(node) > 2 else f"0x{node.hex()}"
