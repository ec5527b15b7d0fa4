"""``measure``: what a capture shows of the network that sent it, beside what its design plans."""

from collections import Counter
from collections.abc import Callable
from typing import Unpack

from lowpanbudget.capture.files.reading import Capture, CaptureFile
from lowpanbudget.capture.files.record import ReadingNotice
from lowpanbudget.capture.follow.clock import ClockLeap
from lowpanbudget.capture.follow.networks import Networks
from lowpanbudget.capture.follow.receivers import Reception
from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.capture.follow.trace_options import TraceOptions, check_known
from lowpanbudget.capture.follow.tracing import Trace
from lowpanbudget.deployment.dated_part import DatedPart
from lowpanbudget.deployment.measured import Measurement
from lowpanbudget.deployment.unknowns import other_networks
from lowpanbudget.design.goals import Burst
from lowpanbudget.design.meaning import Design
from lowpanbudget.errors import RequestError, repeated
from lowpanbudget.values import replace

MOST_JOURNEYS = (
    200_000  # datagrams that are told apart; what comes behind them is counted on the air alone
)
MOST_PARTS = 8  # of a capture, between which its times leap by years
MOST_NETWORKS = 256  # that are measured at a time; of more those with the most frames
_MOST_TOGETHER = 8  # as many datagrams as of so many networks are told apart
_LOOKED_AFTER = 256  # records


class DatedParts:
    """Measures one network.

    Where the times leap by years nobody knows how long it was: of the parts that no time joins the longest is told.
    """

    def __init__(self, design: Design | None, burst: Burst | None, most: int) -> None:
        self._begin: Callable[[], DatedPart] = lambda: DatedPart(design, burst, most)
        self._part = self._begin()
        self._parts: list[DatedPart] = [self._part]
        self._leap: tuple[int, float] | None = None
        self._beyond = 0

    def add(self, sighting: Sighting) -> None:
        """Take one record."""
        now = sighting.record.time_ns
        if now is not None and not self._part.is_near(now):
            self._leap = self._leap or (sighting.number, self._part.seconds_to(now))
            near = next((part for part in self._parts if part.is_near(now)), None)
            if near is None and len(self._parts) == MOST_PARTS:
                self._beyond += 1
                return
            if near is None:
                near = self._begin()
                self._parts.append(near)
            self._part = near
        self._part.add(sighting)

    @property
    def frames(self) -> int:
        """Return how many frames there are."""
        return self._beyond + sum(part.frames for part in self._parts)

    def measurement(
        self, receptions: tuple[Reception, ...] = (), notices: tuple[ReadingNotice, ...] = ()
    ) -> Measurement:
        """Return all that was measured; it is over then."""
        told = max(self._parts, key=lambda part: part.frames)
        found = told.measurement(receptions, notices)
        if self._leap is None:
            return found
        left_out = self.frames - told.frames
        return replace(found, leap=ClockLeap(*self._leap, left_out))


class Measurer:
    """Takes what a trace yields, in order, and measures. ``burst`` is the one that is looked for.

    A design tells which frames are of its network. Without one that with the most frames is measured, which is known
    at the end alone: all are counted, and those with the most frames so far are measured. Memory grows with the first
    ``most`` datagrams of a network, and those of ``_MOST_TOGETHER``.
    """

    def __init__(
        self,
        design: Design | None = None,
        burst: Burst | None = None,
        most: int = MOST_JOURNEYS,
    ) -> None:
        self._begin: Callable[[], DatedParts] = lambda: DatedParts(design, burst, most)
        self._most = most
        self._named = Networks() if design is None else None
        self._networks: dict[int, DatedParts] = {}
        self._last: DatedParts | None = self._begin()
        self._last_named: int | None = None
        self._frames = Counter[int]()  # of every network that was named: at most 65535
        self._unnamed = self._since_room = 0

    def add(self, sighting: Sighting) -> None:
        """Take one record; what another receiver heard as well, or nobody asked for, is not counted."""
        counts = sighting.heard_as is None and not sighting.outside
        told = None if self._named is None else self._named.heard(sighting)
        if told is None and (told := self._last_named) is None:
            self._unnamed += counts
        else:
            if self._last_named is None:  # what came before the first that is named is of that one
                self._frames[told] = self._unnamed
                self._networks[told] = self._last or self._begin()
            self._last_named = told
            self._frames[told] += counts
            self._last = self._networks.get(told) or self._begun(told)
        if self._last is None:
            return
        self._last.add(sighting)
        self._since_room += 1
        if len(self._networks) > _MOST_TOGETHER and self._since_room >= _LOOKED_AFTER:
            self._make_room()

    def _begun(self, name: int) -> DatedParts | None:
        """Return a network from here on, in the place of one that has no more frames; None where all have."""
        if len(self._networks) >= MOST_NETWORKS:
            least = self._least()
            if self._frames[name] < self._frames[least]:
                return None
            del self._networks[least]
        self._networks[name] = begun = self._begin()
        return begun

    def _least(self) -> int:
        return min(self._networks, key=self._frames.__getitem__)

    def _make_room(self) -> None:
        """Forget networks with the fewest frames, while more is held than of so many whole ones."""
        self._since_room = 0
        held = sum(min(one.frames, self._most) for one in self._networks.values())
        while held > _MOST_TOGETHER * self._most:
            held -= min(self._networks.pop(self._least()).frames, self._most)

    def measurement(
        self, receptions: tuple[Reception, ...] = (), notices: tuple[ReadingNotice, ...] = ()
    ) -> Measurement:
        """Return all that was measured; it is over then."""
        if not self._networks:
            return (self._last or self._begin()).measurement(receptions, notices)
        # of those that have as many the one that was heard first and is measured
        most = max(
            (one for one in self._frames if one in self._networks), key=self._frames.__getitem__
        )
        measured = self._networks[most]
        frames = {one: count for one, count in self._frames.items() if one != most}
        found = measured.measurement(receptions, notices)
        missed = max(0, self._frames[most] - measured.frames)
        beside = other_networks(most, frames, missed)
        others = sorted(frames, key=lambda one: -frames[one])
        return replace(found, unknown=(*beside, *found.unknown), networks=(most, *others))


def measure(
    capture: "Capture", *, burst: str | None = None, **known: "Unpack[TraceOptions]"
) -> Measurement:
    """Return what a capture shows of rates, losses, tries, hops, latency and time on the air, each with how sure it is.

    ``capture`` and what is ``known`` beside it are those of ``follow``; a ``design`` is what it is compared with, and
    ``burst`` the name of one of its bursts. Times are in seconds, shares from 0 to 1. Raises ``RequestError`` as
    ``follow`` does, and for a burst without a design or that the design does not have.
    """
    check_known(known, "measure")
    trace = Trace(**known)
    if burst is not None and trace.design is None:
        raise RequestError(
            f"the burst {repeated(burst)} stands in no design", hint="Give the design that plans it"
        )
    planned = None if burst is None or trace.design is None else trace.design.burst(burst)
    measurer = Measurer(trace.design, planned)
    with CaptureFile.of(capture) as records:
        for sighting in trace.follow(records):
            measurer.add(sighting)
        notices = records.notices
    found = measurer.measurement(trace.receptions, notices)
    return replace(found, outside=found.outside + trace.network.left_out)
