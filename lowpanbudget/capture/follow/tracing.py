"""A trace: records of a capture, each with what it holds and what it completes.

    record -> link type -> FCS -> MAC, opened with keys -> 6LoWPAN -> fragments put together -> datagram
           -> contexts, devices and root learned on the way -> flow and message of a design

Nothing is dropped: what cannot be read is kept with its reason. All that is remembered is bounded.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from ipaddress import IPv6Address
from itertools import islice
from math import inf
from typing import TYPE_CHECKING, Any

from lowpanbudget.capture.files.link_types import FRAME, IPV6, LOWPAN, unwrap
from lowpanbudget.capture.files.reading import CaptureFile
from lowpanbudget.capture.files.record import Record
from lowpanbudget.capture.follow.clock import Clocks
from lowpanbudget.capture.follow.devices import Device
from lowpanbudget.capture.follow.ending import Endings
from lowpanbudget.capture.follow.fcs_check import WINDOW, FcsVerdict
from lowpanbudget.capture.follow.flows import flow_of, is_whole
from lowpanbudget.capture.follow.fragment_intake import FragmentIntake
from lowpanbudget.capture.follow.frames import FrameReader
from lowpanbudget.capture.follow.known_networks import Given, KnownNetworks
from lowpanbudget.capture.follow.learning import Knowledge, LearnedContext, lesson_of_packet
from lowpanbudget.capture.follow.narrowing import narrowing_of
from lowpanbudget.capture.follow.networks import OwnNetwork
from lowpanbudget.capture.follow.opening import look_into, opener_of
from lowpanbudget.capture.follow.parts import DatagramPart, flow_of_parts, given_up, part_of
from lowpanbudget.capture.follow.receivers import Receivers, Reception
from lowpanbudget.capture.follow.repeats import Repeats
from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.capture.follow.templates import is_code_wrong
from lowpanbudget.capture.follow.trace_options import TraceOptions
from lowpanbudget.capture.follow.twins import Twins
from lowpanbudget.env import Contexts, address
from lowpanbudget.layers.internet import ipv6
from lowpanbudget.layers.internet.dtls.sender import DtlsSender
from lowpanbudget.layers.internet.oscore.context import SecurityContext
from lowpanbudget.layers.link.fcs import is_right
from lowpanbudget.layers.link.security import keys_of
from lowpanbudget.layers.lowpan.fragment import TIMEOUT_S
from lowpanbudget.stack.decoder import decode_datagram
from lowpanbudget.stack.events import Complete, Discarded, Event, TimedOut
from lowpanbudget.stack.frame import Frame

if TYPE_CHECKING:
    from lowpanbudget.design.meaning import Design

__all__ = ["SECOND", "Trace", "TraceOptions"]
SECOND = 10**9
_AGAIN = (4, 16, WINDOW)  # frames of a pipe after which it is tested again where they end


class Trace:
    """Follows the frames of a capture.

    ``contexts``, ``keys``, ``devices``, ``root`` and ``rpi_type`` as in ``decode_frame``. A ``design`` adds its
    contexts (where none are given), its root, its type of the RPL option until a DIO announces one, and its flows and
    messages. ``fcs`` says how many octets of FCS frames have; None tests it. ``oscore`` and ``dtls`` open what ends
    sealed for each other. What is not of ``node``, ``flow`` and the time from ``since`` to ``until`` is followed all
    the same, and marked as outside; what is not of ``pan`` is not followed. Raises ``RequestError`` for arguments that
    cannot be used.
    """

    def __init__(
        self,
        *,
        contexts: Mapping[int, Any] | None = None,
        keys: object = (),
        devices: Mapping[Any, Any] | None = None,
        root: IPv6Address | str | None = None,
        rpi_type: int | None = None,
        design: "Design | None" = None,
        fcs: int | None = None,
        timeout_s: float = TIMEOUT_S,
        node: str | int | None = None,
        flow: str | int | None = None,
        since: str | float | None = None,
        until: str | float | None = None,
        pan: str | int | None = None,
        oscore: Sequence[SecurityContext] = (),
        dtls: Sequence[DtlsSender] = (),
    ) -> None:
        keys = keys_of(keys)  # no traceback shows their octets from here on
        self.design = design
        self.matcher = None
        root_address = None if root is None else address(root, "root")
        if design is not None:
            from lowpanbudget.capture.follow.matching import Matcher  # noqa: PLC0415  # heavy
            from lowpanbudget.design.meaning import Design  # noqa: PLC0415

            self.design = design = Design.of(design)
            self.matcher = Matcher(design)
        given = Given(Contexts.of(contexts), root_address, rpi_type, rpi_type is not None)
        self.known = KnownNetworks(given, devices, keys, design)
        self._opener = opener_of(oscore, dtls)
        self.endings = Endings(fcs)
        self.reassembler = FragmentIntake(timeout_s=timeout_s)
        self.repeats = Repeats()
        self._receivers, self.twins = Receivers(), Twins()
        self.narrowing = narrowing_of(node, flow, since, until, self.matcher)
        self.network = OwnNetwork(pan)
        self._clocks = Clocks()
        self.first_ns: int | None = None
        self.time_s = 0.0
        self.passed_s = -inf  # the latest time of frames that passed since the last one followed
        self.leftover: list[TimedOut | Discarded] = []
        self.reader = FrameReader(self.known.decoder, self.knowledge.learned_devices)
        self.reassembler.renew(self.reader.decoder.env())

    @property
    def is_narrowed(self) -> bool:
        """Return whether not all frames were asked for."""
        return self.narrowing is not None or self.network.pan is not None

    @property
    def knowledge(self) -> Knowledge:
        """Return what is known of the network of the last frame."""
        return self.known.now

    @property
    def timeout_s(self) -> float:
        """Return how long receivers wait for the fragments of a datagram, in seconds."""
        return self.reassembler.timeout_s

    @property
    def opens_contents(self) -> bool:
        """Return whether what ends seal for each other is opened."""
        return self._opener is not None

    @property
    def fcs(self) -> dict[tuple[int, str | None], FcsVerdict]:
        """Return what the test for an FCS found, by link type, and by receiver that differs; nothing where told."""
        return self.endings.found

    @property
    def contexts(self) -> Contexts:
        """Return the contexts that hold now, given and learned."""
        return self.reader.decoder.contexts

    @property
    def learned_contexts(self) -> tuple[LearnedContext, ...]:
        """Return the contexts seen on the air that hold now."""
        return self.known.learned_contexts

    @property
    def receptions(self) -> tuple[Reception, ...]:
        """Return what each receiver of a capture with several heard so far."""
        return self._receivers.receptions

    @property
    def learned_devices(self) -> tuple[Device, ...]:
        """Return the short addresses learned on the air, each with how."""
        return tuple(self.knowledge.learned_devices.known.values())

    def follow(
        self, records: Iterable[Record], passes: Callable[[Record], bool] | None = None
    ) -> Iterator[Sighting]:
        """Yield what each record holds, in order.

        A later one that ``passes`` is not followed: who lets it pass sets the clock (``time_s``, ``passed_s``).
        The first records (64, fewer of a pipe that has no more for now) are read before the first is handed on, to test
        whether an FCS is there. At the end ``leftover`` tells of fragments that never became a datagram.
        """
        coming = iter(self.network.of(records))
        self.endings.of_text = getattr(records, "format", "") == "text"
        window = []
        for record in islice(coming, WINDOW):
            window.append(record)
            if isinstance(records, CaptureFile) and records.is_quiet:
                break
        self.test_endings(window)
        self.twins.test(window, records)
        yield from map(self.feed, tuple(window))
        while (later := next(coming, None)) is not None:  # a second loop is refused at the end
            if len(window) < WINDOW:
                window.append(later)
                if len(window) in _AGAIN:
                    self.test_endings(window)
            elif later.receiver is not None:
                self.endings.hear(later, self._fits)
            if passes is None or not passes(later):
                yield self.feed(later)
        self.end()

    def test_endings(self, window: Iterable[Record]) -> None:
        """Test with some records whether an FCS is there, unless somebody told."""
        self.endings.test(window, self._fits)

    def end(self) -> None:
        """Give up what is open; ``leftover`` tells of it."""
        self.leftover += given_up(self.reassembler.close(self.time_s))

    def feed(self, record: Record) -> Sighting:
        """Return what one record holds. Whether an FCS is there is what the link type says, unless tested before."""
        self._clock(record.time_ns)
        expired = self.reassembler.expired(max(self.time_s, self.passed_s))
        self.passed_s = -inf
        sighting = self._sight(record)
        sighting.expired = expired
        sighting.back_ns = self._clocks.back_ns(record)
        if self._opener is not None and sighting.datagram is not None:
            look_into(sighting, self._opener)
        if self.narrowing is not None:
            sighting.outside = not self.narrowing.wants(sighting)
        return sighting

    def _sight(self, record: Record) -> Sighting:
        body = unwrap(record)
        if body.kind == FRAME:
            self.turn_to(body.octets)
            octets, length, status, left_out = self.endings.of(record, body)
            sighting = Sighting(
                record, body, self.reader.decoder, self.matcher, octets, length, status, left_out
            )
            if 0 < length < len(octets):
                sighting.fcs_ok = is_right(octets, length)
            if record.receiver is not None:
                self._hear(sighting, record.receiver)
            elif self.twins.are_there:
                sighting.heard_as = self.twins.first_of(record)
            if sighting.fcs_ok is False and sighting.heard_as is None:
                sighting.damaged = self.endings.is_certain(record)  # then a receiver drops it
            return self._settle(sighting, self.reader.read(sighting), cut=left_out > 0)
        sighting = Sighting(record, body, self.reader.decoder, self.matcher)
        if body.kind == IPV6:
            if not sighting.cut:
                sighting.datagram, sighting.flow = body.octets, flow_of(body.octets)
                sighting.parts = (DatagramPart(record.number, len(body.octets)),)
            return sighting
        if body.kind == LOWPAN:
            return self._settle(sighting, self.reader.read_lowpan(sighting), cut=sighting.cut)
        sighting.fault = body.fault
        return sighting

    def _hear(self, sighting: Sighting, receiver: str) -> None:
        """Find out whether another receiver heard the same sending: its octets agree, whatever stands for its FCS."""
        octets = sighting.octets[: sighting.end]
        sighting.heard_as = self._receivers.heard(
            receiver, sighting.number, sighting.record.time_ns, octets, sighting.fcs_ok,
            lambda: is_code_wrong(self.reader.decoder.frame(octets, 0, None)),
        )  # fmt: skip

    # --- one frame --------------------------------------------------------------------------------

    def _settle(self, sighting: Sighting, frame: Frame | bytes | None, *, cut: bool) -> Sighting:
        """Add what follows from what a frame holds: repetitions, fragments, lessons."""
        template = sighting.template
        assert template is not None
        example = template.example
        sighting.flow, sighting.notices = template.flow, sighting.notices or template.notices
        sighting.fault = example.fault
        if sighting.heard_as is not None:
            return sighting  # what follows from it is known
        if sighting.fcs_ok is not False:
            sighting.repeats, sighting.copied = self.repeats.of(sighting, template)
        if sighting.damaged or cut:
            sighting.datagram = None  # nobody knows how one cut goes on; what is over is none of it
            if cut and template.fragment is not None:
                sighting.ended = tuple(given_up(self.reassembler.feed(example, self.time_s)))
        elif frame is not None and sighting.repeats is None:
            self.put_together(sighting, frame)
        elif sighting.datagram is not None:
            octets, payload = sighting.octets, sighting.payload
            sighting.parts = (part_of(sighting.record.number, payload, template, octets),)
        if template.lesson is not None and sighting.fcs_ok is not False and not cut:
            self._learn(sighting, template.lesson)
        return sighting

    def put_together(self, sighting: Sighting, brought: Frame | bytes) -> None:
        """Take what a frame brings of a datagram, or the octets of a fragment in it, and what becomes of one."""
        part = part_of(sighting.number, sighting.payload, sighting.template, sighting.octets)
        if isinstance(brought, Frame):
            events = self.reassembler.feed(brought, self.time_s, part)
            marks = () if sighting.flow else self.reassembler.marks(brought)
        else:
            events, key = self.reassembler.bring(sighting, brought, self.time_s, part)
            marks = () if sighting.flow else self.reassembler.marks_of(key)
        sighting.arrival = self.reassembler.arrival
        self.take(sighting, events, marks)

    def take(self, sighting: Sighting, events: list[Event], marks: Sequence[DatagramPart]) -> None:
        """Take what became of datagrams with a frame; ``marks`` are what came of the one that is still open."""
        sighting.ended = tuple(given_up(events)) if events else ()
        whole = next((event for event in events if isinstance(event, Complete)), None)
        if sighting.flow is None:
            sighting.flow = flow_of_parts(marks if whole is None else whole.marks)
        if whole is None:
            return
        octets = whole.datagram.octets
        sighting.datagram, sighting.parts, sighting.of_two = octets, whole.marks, whole.of_two
        sighting.flow = sighting.flow or flow_of(octets)
        if sighting.flow is not None and sighting.flow.protocol == ipv6.ICMPV6:
            lesson = lesson_of_packet(decode_datagram(octets).packet)
            if lesson is not None:
                self._learn(sighting, lesson)

    # --- what is known ----------------------------------------------------------------------------

    def turn_to(self, octets: bytes) -> None:
        """Read with what is known of the network that a frame is of, until another turns up."""
        if self.known.is_taught and self.known.turn_to(octets):
            self.reader.decoder = self.known.decoder
            self.reassembler.renew(self.known.decoder.env())

    def _learn(self, sighting: Sighting, lesson: Any) -> None:
        record, example = sighting.record, sighting.example
        changed, notices = self.known.learn(example, lesson, record.number, record.time_ns)
        sighting.notices += tuple(notices)
        if changed:
            self._renew()

    def _clock(self, time_ns: int | None) -> None:
        if time_ns is None:
            return
        self.first_ns = time_ns if self.first_ns is None else self.first_ns
        self.time_s = (time_ns - self.first_ns) / SECOND
        if self.known.next_end_ns is not None and self.known.expire(time_ns):
            self._renew()

    def _renew(self) -> None:
        """Read with what is known now from here on."""
        self.reader.renew(self.known.decoder)
        self.reassembler.renew(self.known.decoder.env())

    def _fits(self, octets: bytes) -> bool | None:
        """Return whether a frame without FCS proves by a checksum or integrity code that it ends where it should."""
        return is_whole(self.reader.decoder.frame(octets, 0, None))
