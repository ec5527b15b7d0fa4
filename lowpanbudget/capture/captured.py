"""Captures followed, for callers: each record as a value, with what became of it.

A ``Sighting`` is the same inside the package, where it is still filled: a value is made only for who asks for it.
"""

from collections.abc import Generator, Iterable
from typing import TYPE_CHECKING, Unpack

from lowpanbudget.capture.annotation import restored_headers, shortest
from lowpanbudget.capture.files.reading import Capture, CaptureFile
from lowpanbudget.capture.files.record import ReadingNotice, Record
from lowpanbudget.capture.files.single_pass import SinglePass
from lowpanbudget.capture.follow.devices import Device
from lowpanbudget.capture.follow.fcs_check import FcsVerdict
from lowpanbudget.capture.follow.flows import FlowKey
from lowpanbudget.capture.follow.learning import LearnedContext
from lowpanbudget.capture.follow.picking import pick
from lowpanbudget.capture.follow.receivers import Reception
from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.capture.follow.trace_options import TraceOptions, check_known
from lowpanbudget.capture.follow.tracing import Trace
from lowpanbudget.declared import as_whole
from lowpanbudget.env import Contexts
from lowpanbudget.errors import RequestError, WireError, repeated
from lowpanbudget.fields import Restored
from lowpanbudget.stack.comparison import Comparison
from lowpanbudget.stack.events import Discarded, TimedOut
from lowpanbudget.stack.frame import Frame
from lowpanbudget.stack.incoming import Datagram, Notice
from lowpanbudget.values import dataclass, field, frozen, replace

if TYPE_CHECKING:  # a design is heavy
    from lowpanbudget.capture.follow.matching import Matched


@dataclass(frozen=True, slots=True)
class CapturedFrame:
    """One record of a capture and what it holds; a record of another kind is told in the same form.

    ``number`` counts from 1; ``time_ns`` is in nanoseconds since 1970, or since whatever a text log counts from; None
    without a time. ``kind``: "data", "acknowledgement", "beacon", "command", "unreadable" or what the record is else.
    ``octets`` are the frame with its FCS of ``fcs_octets``, ``status`` the radio status that stood in its place,
    ``cut_by`` octets at its end were left out by the capture; ``received`` has what the capture tells of reception.
    ``fcs_ok``: whether the FCS is right, None without one; a ``damaged`` frame has a wrong one and brings nothing.
    ``payload`` is the MAC payload in the clear, None while sealed; ``verified``: its integrity code is right.

    ``datagram`` is the IPv6 packet that this frame completes, ``brought_by`` the numbers of all frames that brought it,
    ``flow`` its flow, of a fragment too once the first has been seen. ``retransmission_of`` and ``copy_of`` are the
    frame that this one repeats, under its own number or another; ``heard_as`` is the frame under which another receiver
    heard the same sending: it brings nothing again. ``ended`` are datagrams whose fragments were given up
    now, each with the numbers of its frames as ``marks``; ``never_whole`` says why the datagram of a fragment that
    ``annotate`` picked never became whole. ``notices`` and ``fault`` tell what is odd and what ended reading,
    ``reason`` why it was not read to its end, or nothing.
    """

    number: int
    time_ns: int | None
    link_type: int
    kind: str
    octets: bytes
    fcs_octets: int
    fcs_ok: bool | None
    damaged: bool
    status: bytes
    cut_by: int
    received: dict[str, object]
    payload: bytes | None
    verified: bool
    datagram: Datagram | None
    brought_by: tuple[int, ...]
    flow: FlowKey | None
    retransmission_of: int | None
    copy_of: int | None
    heard_as: int | None
    ended: tuple[TimedOut | Discarded, ...]
    never_whole: str
    notices: tuple[Notice, ...]
    fault: WireError | None
    reason: str
    _sighting: Sighting = field(repr=False, compare=False)
    _largest: int | None = field(default=None, repr=False, compare=False)

    @property
    def frame(self) -> Frame:
        """Return the frame decoded in full; of a record that holds none its octets in the form of one.

        The fields of a message that the design has are told among its spans.
        """
        return self._sighting.as_frame

    @property
    def restored(self) -> tuple[Restored, ...]:
        """Return the headers restored from the frame, or from the one that brought those of its datagram."""
        return restored_headers(self._sighting)

    @property
    def message(self) -> "Matched | None":
        """Return flow, message and values of the datagram in the design; None outside of any, or without a design."""
        return self._sighting.completed.matched

    @property
    def shortest(self) -> Comparison | None:
        """Return the shortest form of the datagram beside the one that was sent; None for what brings none.

        Raises ``RequestError`` for a datagram that no form can carry, and where only a context that compresses no
        more made the form that was sent as short.
        """
        return shortest(self._sighting, self._largest)


class CaptureFrames(SinglePass[CapturedFrame]):
    """The records of a capture in order, each followed; to be iterated once, or ``RequestError`` is raised.

    What was learned on the way, and what the file itself showed, can be asked for at any time.
    """

    __slots__ = ("_file", "_trace")

    def __init__(self, file: CaptureFile, trace: Trace) -> None:
        self._file, self._trace = file, trace
        super().__init__(self._followed(), "follow")

    def __repr__(self) -> str:
        return f"CaptureFrames({self._file!r})"

    def _followed(self) -> Generator[CapturedFrame, None, None]:
        largest = _largest(self._trace)
        with self._file as records:
            for sighting in self._trace.follow(records):
                if not sighting.outside:
                    yield captured(sighting, largest)

    @property
    def contexts(self) -> Contexts:
        """Return the contexts that hold now, given and learned."""
        return self._trace.contexts

    @property
    def learned_contexts(self) -> tuple[LearnedContext, ...]:
        """Return the contexts seen on the air that hold now."""
        return self._trace.learned_contexts

    @property
    def learned_devices(self) -> tuple[Device, ...]:
        """Return the short addresses learned on the air, each with how."""
        return self._trace.learned_devices

    @property
    def receptions(self) -> tuple[Reception, ...]:
        """Return what each receiver of a capture with several heard so far, and how much of it others heard as well."""
        return self._trace.receptions

    @property
    def check_sequences(self) -> tuple[FcsVerdict, ...]:
        """Return what was found at the end of the frames of each link type; nothing where ``fcs`` told it."""
        return tuple(self._trace.fcs.values())

    @property
    def unfinished(self) -> tuple[TimedOut | Discarded, ...]:
        """Return the datagrams whose fragments were open when the capture ended."""
        return tuple(map(_numbered, self._trace.leftover))

    @property
    def notices(self) -> tuple[ReadingNotice, ...]:
        """Return what reading the file noticed so far."""
        return self._file.notices


def follow(capture: "Capture", **known: "Unpack[TraceOptions]") -> CaptureFrames:
    """Return the records of a capture in order, each with what it holds and what it completes.

    ``capture`` is a path, a binary file, what ``read_capture`` returned, or records. ``known`` may be:

    - ``design``, whose contexts, root, flows and messages count;
    - ``contexts``, ``keys``, ``devices``, ``root`` and ``rpi_type`` as in ``Decoder``, before those of the design;
    - ``fcs``, the octets of FCS at the end of each frame (0, 2, 4); else it is tested over the first frames;
    - ``oscore``, security contexts, and ``dtls``, keys of ``DtlsSender``s: what ends sealed for each other is opened
      with them, and read in the place of what was sealed;
    - ``timeout_s``, how long receivers wait for fragments, in seconds, 60 at most;
    - ``node`` (any of its addresses, or a station of the design), ``flow`` (one of the design, a UDP port, or its
      words), ``since`` and ``until`` (seconds from the first frame, or a date-time): only such frames are told;
    - ``pan``, the PAN ID of the network that is looked at: frames of others are as if nobody had heard them.

    All frames are followed but those: contexts, devices and root are learned on the way. Memory does not grow with the
    capture. The frames come once: call it again to have them again.
    Raises ``RequestError`` for what cannot be read or used; what is wrong in the octets is told in each frame.
    """
    check_known(known, "follow")
    trace = Trace(**known)
    return CaptureFrames(CaptureFile.of(capture), trace)


def annotate(
    capture: "Capture", numbers: int | Iterable[int] = (), **known: "Unpack[TraceOptions]"
) -> tuple[CapturedFrame, ...]:
    """Return frames of a capture by their numbers, else its first three, with what became of their datagrams.

    All before them are followed, since contexts and fragments come from there; those behind them until it is known what
    became of their fragments. ``capture`` and ``known`` are those of ``follow``. Raises ``RequestError`` as it does,
    and for a number that the capture does not have; ``Malformed`` where a file is cut or damaged before its first
    frame.
    """
    check_known(known, "annotate")
    trace = Trace(**known)
    given = tuple(numbers) if isinstance(numbers, Iterable) else (numbers,)
    wanted = tuple(one for one in map(as_whole, given) if one is not None)
    if len(wanted) < len(given):
        raise RequestError(
            f"numbers {repeated(numbers)} are no numbers of frames", hint="Frames count from 1"
        )
    with CaptureFile.of(capture) as records:
        picked, _ = pick(trace, records, wanted, "the capture")
    return tuple(captured(sighting, _largest(trace)) for sighting in picked)


def captured(sighting: Sighting, largest: int | None = None) -> CapturedFrame:
    """Return a sighting as a value; ``largest`` is the octets of the largest frame that a design tells."""
    record: Record = sighting.record
    template = sighting.headers_template
    elided = template is not None and template.example.checksum_elided
    whole = sighting.datagram
    return CapturedFrame(
        record.number, record.time_ns, record.link_type, sighting.kind, sighting.octets or sighting.body.octets,
        sighting.fcs_octets, sighting.fcs_ok, sighting.damaged, sighting.status, sighting.missing,
        frozen(dict(sighting.body.fields)), sighting.payload, sighting.verified,
        None if whole is None else Datagram(whole, elided), sighting.completed.numbers, sighting.flow,
        sighting.repeats, sighting.copies, sighting.heard_as, tuple(map(_numbered, sighting.ended)),
        sighting.never_whole, sighting.notices, sighting.fault, sighting.reason, sighting, largest,
    )  # fmt: skip


def sighting_of(frame: CapturedFrame) -> tuple[Sighting, int | None]:
    """Return what a captured frame was made from, and the octets of the largest frame that a design tells."""
    return frame._sighting, frame._largest  # noqa: SLF001  # its own


def _numbered(event: TimedOut | Discarded) -> TimedOut | Discarded:
    """Return what became of a datagram, with the numbers of its frames as marks."""
    return replace(event, marks=tuple(part.number for part in event.marks))


def _largest(trace: Trace) -> int | None:
    return None if trace.design is None else trace.design.link.largest_sent
