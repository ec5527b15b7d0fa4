"""Datagrams that routers took and sent on, by router and ends: what waits, what was lost, what went twice.

What a router acknowledged it has. Where it sent on what it took later, from the same sender to the same receiver, or
sent other frames for long, and its own frame numbers leave no place for another frame, it never sent it.
"""

from collections import Counter
from collections.abc import Sequence
from math import inf
from typing import NamedTuple

from lowpanbudget.capture.follow.repeats import COPY_NS
from lowpanbudget.capture.recent import Recent
from lowpanbudget.env import IID_MASK, interface_identifier
from lowpanbudget.findings.datagrams import HeardDatagram
from lowpanbudget.findings.heard_headers import Ends
from lowpanbudget.findings.memory import FirstNamed, Frames
from lowpanbudget.findings.parts_on_way import PartsOnWay
from lowpanbudget.findings.passages import WAY_S
from lowpanbudget.layers.link.control import SEQUENCE_NUMBERS
from lowpanbudget.stack.fragment_key import FragmentKey
from lowpanbudget.values import dataclass, field

_MOST_WAITING = 256  # datagrams that one router has of one flow
_MOST_AT_ALL = 65_536  # after which all that waits is forgotten
_OVERTAKEN = 3  # later ones that were sent on before: a queue keeps its order; our choice
_MOST_ON = 8  # datagrams that one router sent on last
_AGAIN_S = COPY_NS / 10**9
_ROUND_S = (
    300.0  # without a frame of a router, after which its sequence numbers tell nothing; our choice
)
_PART_S = 10.0  # from one fragment of a datagram to the next; our choice
_ABOUT_AS_LONG = 80  # octets that headers of RPL and a tunnel add or take away; our choice


class _Waiting(NamedTuple):
    """A datagram of so many octets that a router acknowledged, in this frame, and how many later ones went on before.

    ``copied``: the frame was one sent before, as a new one. ``counted``: a number of the router was known then.
    ``instance`` is that of its RPL option.
    """

    number: int
    time_s: float
    octets: int
    counted: bool
    copied: bool = False
    overtaken: int = 0
    instance: int | None = None

    def is_as_long(self, others: Sequence[int]) -> bool:
        """Return whether it is about as long as one of others."""
        return any(abs(self.octets - octets) <= _ABOUT_AS_LONG for octets in others)


@dataclass(slots=True)
class RoutedFlow:
    """The datagrams between two ends that a router took: those that wait, that it lost, sent on last, and twice.

    ``is_end``: its link address says that it is the end itself; ``goes_on``: what brought them names another as their
    end. ``instances`` counts those lost by RPL instance.
    """

    is_end: bool = False
    goes_on: bool = False

    waiting: Recent[int, _Waiting] = field(default_factory=lambda: Recent(_MOST_WAITING))
    taken: int = 0
    lost: int = 0
    lost_last: Recent[int, _Waiting] = field(default_factory=lambda: Recent(_MOST_WAITING))
    instances: Counter[int] = field(default_factory=Counter)
    frames: Frames = field(default_factory=Frames)
    sent: Recent[int, int] = field(default_factory=lambda: Recent(_MOST_WAITING))
    twice: int = 0
    twice_frames: Frames = field(default_factory=Frames)

    def send_on(self, mark: int, number: int, begun: Sequence[int] = ()) -> None:
        """Note that one was sent on, in this frame, and what it overtook, but for what may be on its way."""
        before, sent = self.sent.renew(mark, number), self.waiting.pop(mark, None)
        if sent is None:
            late = self.lost_last.pop(mark, None)
            if late is not None:  # it was only late
                self.lost -= 1
                self.frames.forget(late.number)
                if late.instance is not None:
                    self.instances[late.instance] -= 1
            return
        if sent.copied and before is not None:
            self.twice += 1
            self.twice_frames.note(before, number)
        for other, one in list(self.waiting.items()):
            if one.number > sent.number or one.is_as_long(begun):
                continue
            if one.overtaken + 1 < _OVERTAKEN:
                self.waiting[other] = one._replace(overtaken=one.overtaken + 1)
                continue
            del self.waiting[other]
            self._lose(other, one)

    def hold(self, until_s: float) -> float:
        """Take what was to be sent on until then for lost; return when the oldest of the others was taken."""
        while self.waiting:
            mark, one = next(iter(self.waiting.items()))
            if not one.time_s < until_s:
                return one.time_s
            del self.waiting[mark]
            if one.counted:
                self._lose(mark, one)
        return inf

    def forget_as_long(self, octets: int) -> None:
        """Conclude nothing about what is about as long."""
        for mark, one in list(self.waiting.items()):
            if one.is_as_long((octets,)):
                del self.waiting[mark]

    def _lose(self, mark: int, one: _Waiting) -> None:
        self.lost += 1
        self.lost_last[mark] = one
        self.frames.note(one.number)
        if one.instance is not None:
            self.instances[one.instance] += 1


class _Flows(FirstNamed[Ends, RoutedFlow]):
    """The first flows through a router."""

    MOST = 32


class SentOn(NamedTuple):
    """A datagram that a router sent on, to whom and with which hop limit; ``answered``: it was acknowledged."""

    to: bytes | None
    hop_limit: int
    number: int
    time_s: float
    answered: bool = False


@dataclass(slots=True)
class Router:
    """A node that takes datagrams, by their ends; its last frame number, whether that is a counter, and when.

    ``on`` are those that it sent on last; so many it sent ``again``, though they were acknowledged.
    ``begun`` are those in fragments of which not all went out so far: their octets, and when the last came.
    ``oldest_s``: when it took what has waited for longest, or before. ``under``: the ends of what it took last, as a
    router may change those of a route.
    """

    flows: _Flows = field(default_factory=_Flows)
    last: tuple[int, bool, float] | None = None
    oldest_s: float = inf
    under: Recent[int, Ends] = field(default_factory=Recent)
    on: Recent[int, SentOn] = field(default_factory=lambda: Recent(_MOST_ON))
    again: int = 0
    again_frames: Frames = field(default_factory=Frames)
    begun: Recent[FragmentKey, tuple[int, float]] = field(default_factory=lambda: Recent(_MOST_ON))
    parts: PartsOnWay = field(default_factory=PartsOnWay)

    def begin(self, key: FragmentKey, time_s: float) -> None:
        """Note a fragment that it sends: what of is known when all of them were heard."""
        if key not in self.begun and len(self.begun) >= _MOST_ON:
            self.forget_begun()
        self.begun.renew(key, (key.size or 0, time_s))

    def forget_begun(self, until_s: float = inf) -> None:
        """Conclude nothing about what is as long as a datagram that did not go on since then, and was not whole."""
        for key, (octets, time_s) in list(self.begun.items()):
            if time_s < until_s:
                self.forget_as_long(octets)
                del self.begun[key]

    def send_again(self, mark: int, now: SentOn) -> None:
        """Note a datagram that it sends on; once more where the receiver has it, and it did not come again."""
        before = self.on.renew(mark, now)
        if before is None or not before.answered:
            return
        is_same = (before.to, before.hop_limit) == (now.to, now.hop_limit)
        if is_same and 0 <= now.time_s - before.time_s <= _AGAIN_S:
            self.again += 1
            self.again_frames.note(before.number, now.number)

    def hear_answer(self, mark: int, number: int) -> None:
        """Take an acknowledgement of the frame of this number with a datagram that it sent on."""
        sent = self.on.get(mark)
        if sent is not None and sent.number == number:
            self.on[mark] = sent._replace(answered=True)

    def send_on(self, datagram: HeardDatagram, number: int) -> None:
        """Note what it sends, in this frame."""
        mark = datagram.mark
        self.forget_begun(datagram.time_s - _PART_S)
        if mark is not None:
            flow = self.flows.get(self.under.get(mark) or datagram.ends)
            if datagram.is_sum_wrong and (flow is None or mark not in flow.waiting):
                # it may have changed what it took, which the sum tells: an end, ports, or octets behind them
                (flow or self).forget_as_long(len(datagram.octets))
            if flow is not None:
                flow.send_on(mark, number, [octets for octets, _ in self.begun.values()])

    def count(self, counter: int | None, sequence: int | None, time_s: float) -> None:
        """Take a frame of its own: where numbers are missing it may have sent whatever waited."""
        number = sequence if counter is None else counter
        if number is None:
            return
        before, self.last = self.last, (number, counter is not None, time_s)
        if before is None:
            return
        last, was_counter, last_s = before
        is_counter = counter is not None
        step = number - last if is_counter else (number - last) % SEQUENCE_NUMBERS
        self.parts.heard += 1
        if step > 1 and was_counter == is_counter:
            self.parts.miss(step - 1)
        if was_counter != is_counter or step not in (0, 1):
            self.forget()
        elif not is_counter and time_s - last_s > _ROUND_S:
            self.forget()  # eight bits may have gone round
        elif time_s - self.oldest_s > 2 * WAY_S:
            self.forget_begun(time_s - _PART_S)
            if not self.begun:
                self.hold()  # not for each frame

    def hold(self) -> None:
        """Take what waited for long when its last frame came for lost."""
        self.forget_begun()
        if self.last is not None:
            until_s = self.last[2] - WAY_S
            self.oldest_s = min((flow.hold(until_s) for flow in self.flows.values()), default=inf)

    def forget(self) -> None:
        """Conclude nothing about what waits."""
        self.oldest_s = inf
        for flow in self.flows.values():
            flow.waiting.clear()

    def forget_as_long(self, octets: int) -> None:
        """Conclude nothing about what is about as long: its fragments go out."""
        for flow in self.flows.values():
            flow.forget_as_long(octets)


class Offered(NamedTuple):
    """A frame with a datagram that asks for an acknowledgement: who should give it, what of, and to whom.

    It ``goes_on`` where the frame itself says that its receiver is not its end.
    """

    receiver: bytes
    datagram: HeardDatagram
    number: int
    sequence: int | None
    copied: bool
    sender: bytes | None
    goes_on: bool = False


class OfferedPart(NamedTuple):
    """A fragment that asks for an acknowledgement: its datagram, and where it stands in that."""

    of: FragmentKey
    offset: int
    sequence: int | None


class Routers(FirstNamed[bytes, Router]):
    """Nodes by their link addresses, the last frame that asked for an acknowledgement, and how many were taken."""

    MOST = 512
    asked: Offered | None = None
    taken: int = 0

    def __init__(self) -> None:
        super().__init__()
        self.part: OfferedPart | None = None
        self._parts = Recent[FragmentKey, set[int]](_MOST_WAITING)

    def answer_part(self) -> None:
        """Take the acknowledgement of the last fragment that asked for one."""
        part, self.part = self.part, None
        if part is not None:
            self._parts.setdefault(part.of, set()).add(part.offset)

    def offer(self, part: OfferedPart) -> None:
        """Take a fragment that asks for an acknowledgement; with the first one another datagram may begin."""
        self.part = part
        if not part.offset:
            self._parts.pop(part.of, None)

    def others_answered(self, datagram: HeardDatagram) -> bool:
        """Return whether all fragments of a datagram were acknowledged but the last one heard, which offers it."""
        part = self.part
        others = set() if part is None else self._parts.get(part.of, set()) - {part.offset}
        return part is not None and len(others) == datagram.fragments - 1

    def take(self, asked: Offered) -> None:
        """Take what was acknowledged."""
        router = self.entry(asked.receiver, Router)
        datagram, mark = asked.datagram, asked.datagram.mark
        if mark is None:
            return
        sender = None if asked.sender is None else self.get(asked.sender)
        if sender is not None:
            sender.hear_answer(mark, asked.number)
        if router is None:
            return
        flow = router.flows.get(datagram.ends)
        if flow is None:
            identifier = datagram.ends[1] & IID_MASK
            is_end = identifier == interface_identifier(asked.receiver)
            flow = router.flows.entry(datagram.ends, lambda: RoutedFlow(is_end))
        if flow is None or flow.is_end or mark in flow.waiting:
            return
        if mark in flow.sent and not asked.copied:
            return  # it comes round
        self.taken += 1
        if self.taken % _MOST_AT_ALL == 0:
            for other in self.values():
                other.forget()
        flow.taken += 1
        flow.goes_on |= asked.goes_on
        counted, time_s = router.last is not None, datagram.time_s
        router.oldest_s = min(router.oldest_s, time_s)
        router.under[mark] = datagram.ends
        option = datagram.rpl_option
        instance = None if option is None else option.rpl_instance_id
        flow.waiting[mark] = _Waiting(
            asked.number, time_s, len(datagram.octets), counted, asked.copied, instance=instance
        )
