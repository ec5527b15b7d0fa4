"""Datagrams on their way over several links, each counted once: when it left, how far it came, whether it arrived.

What stays the same on the way tells them apart (``Crossing.mark``); hop limits that fall order the hops. A datagram
that left anew with the same contents is another one, or the same said twice where its message counts.
"""

from collections.abc import Callable, Collection, Sequence

from lowpanbudget.capture.crossings import Crossing, HeardFrame, HopsLeft
from lowpanbudget.capture.follow.parts import REPEAT_NS
from lowpanbudget.capture.follow.repeats import ACK_WITHIN_NS
from lowpanbudget.capture.recent import Recent
from lowpanbudget.values import dataclass, field

SECOND = 10**9
WAY_S = 60.0  # from hop to hop; our choice
MOST_OPEN = 4096  # marks whose datagrams may still go on
MOST_TRIES = 8192  # frames whose further tries and acknowledgement may still come


@dataclass(slots=True, eq=False)
class Tries:
    """One frame on one link, sent ``times`` times; ``answers`` of them were acknowledged, the first ``answered_ns``.

    ``last_answered``: the last try was; of ``answer_octets`` is the acknowledgement. ``refusals`` of them were answered
    as received and not accepted: they brought nothing, and are not among those acknowledged. ``recovered``: the
    datagram that it brings a part of was acknowledged as whole. ``is_old``: somebody sent an old one once more. Times
    are those of the first bit of a try, which is on the air for ``lasts_us``. Up to then ``missing`` of the sender's
    frame numbers were not heard, and ``leaps`` times nobody knows how many.
    """

    sender: bytes
    receiver: bytes
    first_ns: int | None
    last_ns: int | None
    octets: int
    asks: bool
    sequence: int | None
    lasts_us: float = 0.0
    times: int = 1
    answers: int = 0
    answered_ns: int | None = None
    last_answered: bool = False
    answer_octets: int = 0
    refusals: int = 0
    recovered: bool = False
    is_old: bool = False
    missing: int = 0
    leaps: int = 0

    @property
    def is_open(self) -> bool:
        """Return whether its last try may have come over: it was neither acknowledged nor refused, as heard here."""
        return not self.last_answered and self.refusals < self.times

    def stopped_before(self, most: int) -> bool:
        """Return whether its sender stopped before so many tries, without an acknowledgement or refusal heard here."""
        return self.is_open and self.times < most

    def was_taken(self, answering: Collection[bytes], most: int = 0) -> bool:
        """Return whether its receiver has it, as far as heard here; ``answering`` are heard to acknowledge.

        A sender that stops before ``most`` tries has had its acknowledgement, whoever heard it.
        """
        asks = self.asks and self.receiver in answering
        return bool(self.answers or self.recovered) or not asks or self.stopped_before(most)

    @property
    def end_ns(self) -> int | None:
        """Return when it was over, to its last bit: the try that was acknowledged as heard here, else the last one."""
        began_ns = self.answered_ns if self.answers else self.last_ns
        return None if began_ns is None else began_ns + round(1000 * self.lasts_us)


@dataclass(slots=True, eq=False)
class Journey:
    """One datagram from its first hop heard to the last.

    ``left``, ``left_limit`` and ``left_mesh`` are of its first hop, where that was heard. ``limits`` are those heard,
    ``last_left`` the last of them (``Crossing.left``); of ``headers`` there are several where a tunnel began or ended
    on the way. ``last`` is the frame that brought it over the last link heard, which is the end of its way where
    ``at_end``; ``parts`` are all frames that brought it there. One that ``is_stopped`` was not heard whole on any link,
    and brought to its end where that ``is_told`` by its receiver; it ``is_unsure`` where nothing shows that its sender
    did not go on unheard. One that ``runs_out`` was heard last with a hop limit that nobody may lower, one that
    ``goes_on`` on its way to another node (``Crossing.goes_on``); ``sum_wrong`` tells that its receiver drops it. It
    was said ``again`` so often, ``left_again`` of them where it began, the first time in frame ``again_number``.
    ``waits`` are nodes that sent it on, and the nanoseconds that it was in them. ``tried`` are the frames of a link
    that brought a part of it, and not all.
    """

    crossing: Crossing
    heard_ns: int | None
    number: int
    left: Tries | None = None
    left_limit: int | None = None
    left_mesh: int | None = None
    limits: set[HopsLeft] = field(default_factory=set)
    last: Tries | None = None
    parts: tuple[Tries, ...] = ()
    last_left: HopsLeft = (255, 255, 255)
    headers: set[int | None] = field(default_factory=set)
    at_end: bool = False
    seen_ns: int | None = None
    again: int = 0
    left_again: int = 0
    again_number: int = 0
    again_ns: int | None = None
    waits: list[tuple[bytes, int]] = field(default_factory=list)
    tried: tuple[Tries, ...] = ()
    is_stopped: bool = False
    is_unsure: bool = False
    is_told: bool = False
    runs_out: bool = False
    goes_on: bool = False
    sum_wrong: bool = False

    @property
    def is_old(self) -> bool:
        """Return whether it began with a frame that somebody sent once more."""
        first = self.left or self.last
        return first is not None and first.is_old

    @property
    def said_for_nothing(self) -> bool:
        """Return whether it began once more though its first frame was acknowledged, or asks for no such thing."""
        first = self.left
        return bool(self.left_again) and first is not None and bool(first.answers or not first.asks)

    @property
    def unanswered(self) -> Sequence[Tries]:
        """Return the frames that brought it over the last link and were never acknowledged, as heard here."""
        parts = self.parts or (() if self.last is None else (self.last,))
        return [one for one in parts if not one.answers and not one.recovered]

    def stop(self, answering: Collection[bytes], most: int) -> Tries | None:
        """Return the frame with which it was heard last: one that was tried up to ``most`` times in vain, if any was.

        ``answering`` are heard to acknowledge.
        """
        frames = [*self.parts, *self.tried]
        in_vain = (one for one in frames if not one.was_taken(answering, most))
        return next(in_vain, self.last)

    @property
    def took_s(self) -> float | None:
        """Return the seconds from its first bit on its first link to its last on the last; None: one was not heard."""
        if self.left is None or self.last is None or not self.at_end:
            return None
        start, end = self.left.first_ns, self.last.end_ns
        return None if start is None or end is None else (end - start) / SECOND


class Journeys:
    """Follows datagrams and the tries of frames, from heard frames in their order; bounded but for what it hands on.

    ``lasts_us`` tells how long a frame of so many octets is on the air. The same octets soon after are a copy, but for
    those of ``burst`` application octets: a burst may say one thing.
    """

    def __init__(
        self,
        burst: int | None = None,
        lasts_us: Callable[[int], float] = lambda _octets: 0.0,
    ) -> None:
        self._burst, self._lasts_us = burst, lasts_us
        self._open = Recent[int, list[Journey]](MOST_OPEN)
        self._tries = Recent[int, Tries](MOST_TRIES)  # by the number of the first try
        self._of_link = Recent[tuple[bytes, bytes], Tries](MOST_TRIES)  # the last
        self._asked: dict[int | None, Tries] = {}  # the last that asked, by sequence number
        self._last: Tries | None = None
        self.reads_sums = False  # what goes further than a link has right checksums
        self.answering: set[bytes] = set()  # nodes whose acknowledgements are heard here

    def heard(self, frame: HeardFrame) -> tuple[Tries | None, Journey | None]:
        """Take a frame; return the first try of one that is new on its link, and a journey that begins with it."""
        if frame.answers:
            self._answer(frame)
            return None, None
        known = self._tried_before(frame)
        if known is not None:
            known.times += 1
            known.last_answered = False
            known.last_ns = frame.time_ns
            self._ask(frame, known)
            return None, None
        if frame.sender is None or frame.receiver is None or frame.damaged:
            return None, None
        tries = Tries(
            frame.sender,
            frame.receiver,
            frame.time_ns,
            frame.time_ns,
            frame.octets,
            frame.asks,
            frame.sequence,
            self._lasts_us(frame.octets),
        )
        self._tries[frame.number] = self._of_link[frame.sender, frame.receiver] = tries
        self._ask(frame, tries)
        return tries, None if frame.crossing is None else self._cross(frame, frame.crossing, tries)

    def _tried_before(self, frame: HeardFrame) -> Tries | None:
        """Return the tries that a frame adds to: by its contents, or where it is sealed by its number and length."""
        if frame.repeats is not None:
            return self._tries.get(frame.repeats)
        if not frame.sealed or frame.sender is None or frame.receiver is None:
            return None
        last = self._of_link.get((frame.sender, frame.receiver))
        if last is None or frame.sequence is None:
            return None
        if (last.sequence, last.octets) != (frame.sequence, frame.octets):
            return None
        if frame.time_ns is not None and last.last_ns is not None:
            return last if frame.time_ns - last.last_ns <= REPEAT_NS else None
        return last

    def _ask(self, frame: HeardFrame, tries: Tries) -> None:
        if frame.asks:
            self._asked[frame.sequence] = self._last = tries

    def _answer(self, frame: HeardFrame) -> None:
        """Give an acknowledgement to the frame that it answers: the last of its number, or the last of all."""
        tries = self._asked.pop(frame.sequence, None) if frame.sequence is not None else self._last
        if tries is None or tries.last_ns is None or frame.time_ns is None:
            return
        if frame.time_ns - tries.last_ns > ACK_WITHIN_NS:
            return
        self._last = None
        self.answering.add(tries.receiver)
        if frame.refuses:
            tries.refusals += 1
            return
        if not tries.answers:
            tries.answered_ns = tries.last_ns
        tries.answers += 1
        tries.last_answered, tries.answer_octets = True, frame.octets

    def acknowledger(self, frame: HeardFrame) -> bytes | None:
        """Return who sends an acknowledgement that names nobody: who got the frame before it."""
        asked = self._asked.get(frame.sequence) if frame.sequence is not None else self._last
        return None if asked is None else asked.receiver

    # --- datagrams --------------------------------------------------------------------------------------

    def _cross(self, frame: HeardFrame, crossing: Crossing, tries: Tries) -> Journey | None:
        """Take a datagram on a link; return the journey that begins with it."""
        open_now = self._open.pop(crossing.mark, [])
        open_now = [one for one in open_now if _may_go_on(one, frame.time_ns)]
        self._open[crossing.mark] = open_now
        for journey in open_now:
            if _continues(journey, crossing):
                self._go_on(journey, frame, crossing, tries)
                return None
        said = self._said_before(open_now, frame, crossing)
        if said is not None:
            said.again += 1
            if crossing.at_origin:  # its way begins once more
                said.left_again += 1
                said.seen_ns = frame.time_ns
                if said.left_again == 1:
                    said.again_number, said.again_ns = frame.number, frame.time_ns
            return None
        journey = Journey(crossing, self._start(crossing, frame), frame.number)
        if crossing.at_origin:
            journey.left = self._tries.get(crossing.numbers[0], tries)
            journey.left_limit, journey.left_mesh = crossing.hop_limit, crossing.mesh_left
        self._go_on(journey, frame, crossing, tries)
        open_now.append(journey)
        return journey

    def _said_before(
        self, journeys: list[Journey], frame: HeardFrame, crossing: Crossing
    ) -> Journey | None:
        """Return the journey that is only said again: by a router, as a copy, or with the same own number."""
        copied = frame.copies is not None and crossing.application != self._burst
        for journey in reversed(journeys):
            routed = crossing.left in journey.limits and not crossing.at_origin
            if routed or copied or crossing.own_number is not None:
                return journey
        return None

    def _go_on(self, journey: Journey, frame: HeardFrame, crossing: Crossing, tries: Tries) -> None:
        before, starts_ns = journey.last, self._start(crossing, frame)
        if before is not None and before.receiver == tries.sender:
            came_ns = before.end_ns
            if came_ns is not None and starts_ns is not None and starts_ns >= came_ns:
                journey.waits.append((tries.sender, starts_ns - came_ns))
        journey.limits.add(crossing.left)
        journey.headers.add(crossing.inner_limit)
        journey.last, journey.last_left = tries, crossing.left
        parts = (self._tries.get(number) for number in crossing.numbers)
        journey.parts = tuple(one for one in parts if one is not None)
        journey.at_end, journey.goes_on = crossing.at_end, crossing.goes_on
        journey.runs_out, journey.sum_wrong = crossing.runs_out, crossing.sum_right is False
        self.read_sum(crossing)
        journey.seen_ns = frame.time_ns

    def _start(self, crossing: Crossing, frame: HeardFrame) -> int | None:
        """Return when the first frame of a datagram was sent first."""
        first = self._tries.get(crossing.numbers[0]) if crossing.numbers else None
        return frame.time_ns if first is None else first.first_ns

    def arrived(self, journey: Journey) -> bool:
        """Return whether a datagram came to the end of its way, as far as a receiver on the side can know.

        All frames that brought it over its last link were acknowledged, as far as they ask for that; or nobody there is
        ever heard to acknowledge. What has a wrong checksum its receiver drops (RFC 8200 section 8.1).
        """
        if journey.is_told and not journey.sum_wrong:
            return True
        if not journey.at_end or journey.last is None or journey.sum_wrong:
            return False
        return all(one.was_taken(self.answering) for one in journey.unanswered)

    def read_sum(self, crossing: Crossing) -> None:
        """Note a right checksum of what goes further than a link."""
        if crossing.sum_right and not self.reads_sums:
            self.reads_sums = not crossing.flow.source.is_link_local


def _may_go_on(journey: Journey, now_ns: int | None) -> bool:
    if now_ns is None or journey.seen_ns is None:
        return True
    return now_ns - journey.seen_ns <= WAY_S * SECOND


def _continues(journey: Journey, crossing: Crossing) -> bool:
    """Return whether a datagram goes on: on a link that it was not heard on, behind those where it was."""
    return crossing.left < journey.last_left and not crossing.at_origin
