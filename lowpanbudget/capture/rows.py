"""A capture as a table: a row a frame, for tools that ask questions of tables."""

from collections.abc import Callable, Generator, Iterator
from typing import NamedTuple, Unpack

from lowpanbudget.arguments import value_of
from lowpanbudget.capture.files.reading import Capture, CaptureFile
from lowpanbudget.capture.files.single_pass import SinglePass
from lowpanbudget.capture.follow.flows import FlowKey
from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.capture.follow.trace_options import TraceOptions, check_known
from lowpanbudget.capture.follow.tracing import Trace
from lowpanbudget.capture.recent import Recent
from lowpanbudget.capture.sequences import SequenceGaps, octets_on_air
from lowpanbudget.env import link_text
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.link.stations import network_of
from lowpanbudget.stack.frame import Frame
from lowpanbudget.values import FrozenDict

_MOST_KEPT = 8192  # flows whose words are kept, and sequences whose last number is


class FrameRow(NamedTuple):
    """One frame of a capture, as a row of a table: what is empty there is None.

    ``time_ns`` is in nanoseconds, sizes are in octets, ``layer_bits`` in bits by layer; link addresses are
    text such as 0x0012. ``README.md`` tells of each column.
    """

    file: str
    number: int
    time_ns: int | None
    receiver: str | None
    kind: str
    source: str | None
    destination: str | None
    sequence: int | None
    missing: int
    octets: int
    layer_bits: dict[str, int]
    flow: str | None
    in_design: str | None
    source_address: str | None
    destination_address: str | None
    source_port: int | None
    destination_port: int | None
    datagram: int | None
    datagram_octets: int | None
    hop_limit: int | None
    fragment: bool
    retransmission_of: int | None
    copy_of: int | None
    heard_as: int | None
    fcs_ok: bool | None
    reason: str | None
    pan: int | None = None


class RowMaker:
    """Makes the rows of a capture whose file is ``name``, or what ``name`` says of a frame's number."""

    def __init__(self, name: str | Callable[[int], str]) -> None:
        self._name = name
        self._gaps = SequenceGaps(_MOST_KEPT)
        self._words = Recent[FlowKey, tuple[str, str, str]](_MOST_KEPT)
        self._names = Recent[FlowKey, str | None](_MOST_KEPT)

    def row(self, sighting: Sighting) -> FrameRow | None:
        """Return the row of a record; None for one that nobody asked for."""
        missing = 0 if sighting.heard_as is not None else self._gaps.before_frame(sighting)
        if sighting.outside:
            return None
        number, flow = sighting.number, sighting.flow
        receiver = sighting.record.receiver
        datagram = sighting.datagram if sighting.repeats is None else None
        if flow is not None and datagram is not None and sighting.has_design:
            self._name_flow(sighting, flow)
        words = (None, None, None) if flow is None else self._words_of(flow)
        return FrameRow(
            _storable(self._name if isinstance(self._name, str) else self._name(number)),
            number, _in_64_bits(sighting.record.time_ns),
            None if receiver is None else _storable(receiver), sighting.kind,
            _shown(sighting.source), _shown(sighting.destination), sighting.sequence, missing,
            octets_on_air(sighting), FrozenDict(sighting.layer_bits),
            words[0], None if flow is None else self._names.get(flow), words[1], words[2],
            None if flow is None else flow.source_port, None if flow is None else flow.destination_port,
            _begun(sighting), None if datagram is None else len(datagram), _hop_limit(sighting),
            sighting.is_fragment,
            sighting.repeats, sighting.copies, sighting.heard_as, sighting.fcs_ok, sighting.reason or None,
            _pan(sighting.example),
        )  # fmt: skip

    def _name_flow(self, sighting: Sighting, flow: FlowKey) -> None:
        """Remember what the design calls a flow, at its first datagram."""
        if flow not in self._names:
            matched = sighting.matched
            self._names[flow] = None if matched is None else matched.flow.name

    def _words_of(self, flow: FlowKey) -> tuple[str, str, str]:
        words = self._words.get(flow)
        if words is None:
            words = str(flow), str(flow.source), str(flow.destination)
            self._words[flow] = words
        return words


def _pan(frame: Frame | None) -> int | None:
    return None if frame is None or frame.mac is None else network_of(frame.mac)


def _shown(link: bytes | None) -> str | None:
    return None if link is None else link_text(link)


def _storable(text: str) -> str:
    """Return a name of the system's with escapes for octets that are no text."""
    return text if text.isascii() else text.encode("utf-8", "backslashreplace").decode()


def _in_64_bits(time_ns: int | None) -> int | None:
    """Return a time; None for one that only a damaged file has, which no table holds."""
    return None if time_ns is None or abs(time_ns) >> 63 else time_ns


def _begun(sighting: Sighting) -> int | None:
    """Return the number of the first frame that brought the datagram."""
    if sighting.repeats is not None or sighting.heard_as is not None:
        return None
    if sighting.parts:
        return min(sighting.numbers)
    arrival = sighting.arrival
    if arrival is None or not arrival.datagram.fragments:
        return None
    number: int = arrival.datagram.fragments[0].mark.number
    return number


def _hop_limit(sighting: Sighting) -> int | None:
    """Return the hop limit of the frame's IPv6 header; looked for once for all frames that are alike."""
    template = sighting.headers_template
    if template is None:
        header = None if sighting.contents is None else sighting.contents.packet.find(Ipv6)
        return None if header is None else header.hop_limit
    facts = template.facts
    if _HOP_LIMIT not in facts:
        header = template.example.packet.find(Ipv6)
        facts[_HOP_LIMIT] = None if header is None else header.hop_limit
    found = facts[_HOP_LIMIT]
    assert found is None or isinstance(found, int)
    return found


_HOP_LIMIT = object()  # among the facts of a template


def frame_rows(
    capture: "Capture", *, name: str = "", **known: "Unpack[TraceOptions]"
) -> Iterator[FrameRow]:
    """Return the frames of a capture as rows of a table, in order; ``name`` stands for the capture in them.

    ``capture`` and what is ``known`` beside it are those of ``follow``; frames that it does not tell have no row. A
    frame that several receivers heard has a row for each, all but the first with ``heard_as``. They come once: call it
    again to have them again. Raises ``RequestError`` as ``follow`` does.
    """
    check_known(known, "frame_rows")
    value_of(str, name, "The name of a capture in its rows is text")
    trace = Trace(**known)
    return SinglePass(_rows(CaptureFile.of(capture), trace, RowMaker(name)), "frame_rows")


def _rows(file: CaptureFile, trace: Trace, rows: RowMaker) -> Generator[FrameRow, None, None]:
    with file as records:
        for sighting in trace.follow(records):
            row = rows.row(sighting)
            if row is not None:
                yield row
