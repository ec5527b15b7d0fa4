"""Captures as other captures: datagrams out of frames, plain frames out of sealed ones.

The way back, frames out of datagrams, is in ``shrink``. Each gives records, and counts what it left out and why.
"""

from collections.abc import Callable, Generator, Iterable, Iterator
from typing import Unpack

from lowpanbudget.arguments import explains, function, value_of
from lowpanbudget.capture.cut_datagrams import CutDatagrams
from lowpanbudget.capture.files.link_types import FRAME, FRAME_TYPE, IPV6_TYPE
from lowpanbudget.capture.files.reading import Capture, CaptureFile
from lowpanbudget.capture.files.record import Record
from lowpanbudget.capture.files.single_pass import SinglePass
from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.capture.follow.trace_options import TraceOptions, check_known
from lowpanbudget.capture.follow.tracing import Trace
from lowpanbudget.errors import BadMic, RequestError
from lowpanbudget.layers.link.fcs import fcs as fcs_of
from lowpanbudget.layers.lowpan.lorh import Rpi
from lowpanbudget.shown import shown
from lowpanbudget.stack.encoding import encode_frame
from lowpanbudget.stack.events import Discarded, TimedOut
from lowpanbudget.values import FrozenDict, replace

MOST_REASONS = 256


class LeftOut:
    """Counts the records that a conversion leaves out, by reason; reasons beyond 256 count as others.

    Of datagrams that were begun in fragments it counts those ``assembled``, ``dropped``, ``given_up`` and ``cut`` as a
    ``Tally`` does; the dropped ones are among what was left out. Of datagrams that were not left out it counts those
    whose RPL option has an ``assumed_type``.
    """

    __slots__ = (
        "_assembled", "_assumed_type", "_cut", "_dropped", "_given_up", "_hints", "_reasons",
    )  # fmt: skip

    def __init__(self) -> None:
        self._reasons: dict[str, int] = {}
        self._hints: dict[str, str] = {}
        self._assembled = self._dropped = self._given_up = self._cut = self._assumed_type = 0

    def __repr__(self) -> str:
        return f"LeftOut(reasons={shown(self._reasons)})"

    @classmethod
    def of(cls, given: "LeftOut | None") -> "LeftOut":
        """Return what was given, or one that nobody looks at for None; ``RequestError`` for anything else."""
        return cls() if given is None else value_of(cls, given)

    @property
    def reasons(self) -> dict[str, int]:
        """Return how many records were left out for each reason so far."""
        return FrozenDict(self._reasons)

    @property
    def hints(self) -> dict[str, str]:
        """Return what to try against a reason, for those where something is known."""
        return FrozenDict(self._hints)

    @property
    def count(self) -> int:
        """Return how many records were left out."""
        return sum(self._reasons.values())

    @property
    def assembled(self) -> int:
        """Return how many datagrams in fragments became whole: those are not left out."""
        return self._assembled

    @property
    def dropped(self) -> int:
        """Return how many datagrams in fragments never became whole."""
        return self._dropped

    @property
    def given_up(self) -> int:
        """Return how many of those made room for others."""
        return self._given_up

    @property
    def cut(self) -> int:
        """Return of how many of those the capture cut a fragment off: whether they became whole is not seen."""
        return self._cut

    @property
    def assumed_type(self) -> int:
        """Return how many datagrams have an RPL option of type 0x63 from a 6LoRH header, as nobody said which it is.

        The type is not on the air, "that is, a choice between 0x23 (new) and 0x63 (old)" (RFC 9008 section 4.3).
        """
        return self._assumed_type

    def assume_type(self) -> None:
        """Count such a datagram."""
        self._assumed_type += 1

    def assemble(self) -> None:
        """Count a datagram that became whole."""
        self._assembled += 1

    def add(self, reason: str, hint: str = "") -> None:
        """Count a record; ``hint`` is what to try."""
        reasons, reason, hint = self._reasons, value_of(str, reason), value_of(str, hint)
        key = reason if reason in reasons or len(reasons) < MOST_REASONS else "others"
        reasons[key] = reasons.get(key, 0) + 1
        if hint and key == reason:
            self._hints[key] = hint

    @explains
    def add_all(
        self,
        ended: Iterable[TimedOut | Discarded],
        is_cut: Callable[[TimedOut | Discarded], bool] = lambda _event: False,
    ) -> None:
        """Count datagrams whose fragments were given up, each once; ``is_cut``: the capture cut one of those off."""
        function(is_cut, "is_cut")
        for event in ended:
            if event.again:
                continue
            late = "fragments that were not whole in time"
            cut = is_cut(event)
            reason = event.reason if isinstance(event, Discarded) else late
            self.add("a datagram of which the capture cut a fragment off" if cut else reason)
            self._dropped += 1
            self._cut += cut
            self._given_up += isinstance(event, Discarded) and event.for_room


def expand(
    capture: "Capture", *, left_out: LeftOut | None = None, **known: "Unpack[TraceOptions]"
) -> Iterator[Record]:
    """Return the IPv6 datagrams of a capture, link type 229, each with the time of the frame that made it whole.

    One that was heard over several hops comes once for each. Retransmissions bring no datagram again. Frames that carry
    none by their kind (acknowledgements, beacons, commands) are no loss; ``left_out`` counts the others. The datagrams
    come once: call it again to have them again. ``capture`` and ``known`` are those of ``follow``; raises
    ``RequestError`` as it does.
    """
    check_known(known, "expand")
    counted = LeftOut.of(left_out)
    return SinglePass(_expanded(CaptureFile.of(capture), Trace(**known), counted), "expand")


def _expanded(file: CaptureFile, trace: Trace, left_out: LeftOut) -> Generator[Record, None, None]:
    cut = CutDatagrams()
    with file as records:
        for sighting in trace.follow(records):
            if sighting.outside:
                continue
            left_out.add_all(sighting.ended, cut.end)
            cut.see(sighting)
            if sighting.heard_as is not None:
                left_out.add("a frame that another receiver heard as well")
            elif sighting.repeats is not None:
                left_out.add("a retransmission")
            elif sighting.datagram is not None:
                if sighting.is_fragment:
                    left_out.assemble()
                if trace.knowledge.rpi_type_assumed and _has_rpi_lorh(sighting):
                    left_out.assume_type()
                yield _record(sighting, IPV6_TYPE, sighting.datagram)
            elif reason := sighting.reason:
                left_out.add(reason, sighting.hint)
    left_out.add_all(trace.leftover, cut.end)


def _has_rpi_lorh(sighting: Sighting) -> bool:
    """Return whether the RPL option of its datagram was restored."""
    template = sighting.headers_template
    return template is not None and any(isinstance(one, Rpi) for one in template.example.layers)


def decrypt(
    capture: "Capture", *, left_out: LeftOut | None = None, **known: "Unpack[TraceOptions]"
) -> Iterator[Record]:
    """Return all frames of a capture with their protection taken off where a key opens them, link type 195.

    What they say is then readable by everybody who can read the records: pass them on to nobody who may not. Frames
    that no key opens stay sealed, and are counted in ``left_out`` as such; records that hold no frame are left out. A
    wrong FCS stays wrong. The frames come once: call it again to have them again. ``capture`` and ``known`` are those
    of ``follow``; raises ``RequestError`` as it does.
    """
    check_known(known, "decrypt")
    counted = LeftOut.of(left_out)
    return SinglePass(_decrypted(CaptureFile.of(capture), Trace(**known), counted), "decrypt")


def _decrypted(file: CaptureFile, trace: Trace, left_out: LeftOut) -> Generator[Record, None, None]:
    with file as records:
        for sighting in trace.follow(records):
            if sighting.outside:
                continue
            if sighting.body.kind != FRAME:
                left_out.add(sighting.reason or sighting.body.kind)
                continue
            octets = _opened(sighting, left_out)
            if octets is not None:
                yield _record(sighting, FRAME_TYPE, octets)


def _opened(sighting: Sighting, left_out: LeftOut) -> bytes | None:
    length = sighting.fcs_octets
    body = sighting.octets[: len(sighting.octets) - length]
    mac = None if sighting.example is None else sighting.example.mac
    sealed = mac is not None and mac.security is not None and mac.security.level > 0
    opened = sighting.payload is not None and not isinstance(sighting.fault, BadMic)
    if sealed and opened:
        frame = sighting.frame
        assert frame is not None
        assert frame.mac is not None
        assert sighting.payload is not None
        try:
            return encode_frame(replace(frame.mac, security=None), sighting.payload).octets
        except RequestError as error:
            left_out.add(f"still sealed: {error.message}")
    elif sealed:
        left_out.add(f"still sealed: {sighting.reason}")
    if length == 2:
        return sighting.octets
    if sighting.fcs_ok is False:
        left_out.add("a wrong FCS of 4 octets, which link type 195 does not have")
        return None
    return body + fcs_of(body)


def _record(sighting: Sighting, link_type: int, octets: bytes) -> Record:
    record = sighting.record
    return Record(record.number, record.time_ns, link_type, octets, len(octets), record.offset)
