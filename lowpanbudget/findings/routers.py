"""Datagrams that routers took and sent on, by router and ends: what waits, what was kept, what went twice.

What a router acknowledged it has. Where it sent on what it took later, from the same sender to the same receiver, and
its own frame numbers leave no place for another frame, it never sent it.
"""

from typing import NamedTuple

from lowpanbudget.capture.recent import Recent
from lowpanbudget.findings.datagrams import Ends, HeardDatagram
from lowpanbudget.findings.memory import FirstNamed, Frames
from lowpanbudget.findings.passages import WAY_S
from lowpanbudget.values import dataclass, field

_MOST_WAITING = 256  # datagrams that one router has of one flow
_MOST_AT_ALL = 65_536  # after which all that waits is forgotten
_OVERTAKEN = 3  # later ones that were sent on before: a queue keeps its order; our choice


class _Waiting(NamedTuple):
    """A datagram that a router acknowledged, in this frame, and how many later ones it sent on before.

    ``copied``: the frame was one sent before, as a new one.
    """

    number: int
    copied: bool = False
    overtaken: int = 0


@dataclass(slots=True)
class RoutedFlow:
    """The datagrams between two ends that a router took: those that wait, that it kept, sent on last, and twice."""

    waiting: Recent[int, _Waiting] = field(default_factory=lambda: Recent(_MOST_WAITING))
    taken: int = 0
    kept: int = 0
    frames: Frames = field(default_factory=Frames)
    sent: Recent[int, int] = field(default_factory=lambda: Recent(_MOST_WAITING))
    twice: int = 0
    twice_frames: Frames = field(default_factory=Frames)

    def send_on(self, mark: int, number: int) -> None:
        """Note that one was sent on, in this frame, and what it overtook."""
        before, sent = self.sent.renew(mark, number), self.waiting.pop(mark, None)
        if sent is None:
            return
        if sent.copied and before is not None:
            self.twice += 1
            self.twice_frames.note(before, number)
        for other, one in list(self.waiting.items()):
            if one.number > sent.number:
                continue
            if one.overtaken + 1 < _OVERTAKEN:
                self.waiting[other] = one._replace(overtaken=one.overtaken + 1)
                continue
            del self.waiting[other]
            self.kept += 1
            self.frames.note(one.number)


class _Flows(FirstNamed[Ends, RoutedFlow]):
    """The first flows through a router."""

    MOST = 32


@dataclass(slots=True)
class Router:
    """A node that takes datagrams, by their ends; its last frame number, whether that is a counter, and when."""

    flows: _Flows = field(default_factory=_Flows)
    last: tuple[int, bool, float] | None = None

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
        step = number - last if is_counter else (number - last) % 256
        if was_counter != is_counter or step not in (0, 1):
            self.forget()
        elif not is_counter and time_s - last_s > WAY_S:
            self.forget()  # eight bits may have gone round

    def forget(self) -> None:
        """Conclude nothing about what waits."""
        for flow in self.flows.values():
            flow.waiting.clear()


class Offered(NamedTuple):
    """A frame with a datagram that asks for an acknowledgement: who should give it, and what of."""

    receiver: bytes
    datagram: HeardDatagram
    number: int
    sequence: int | None
    copied: bool


class Routers(FirstNamed[bytes, Router]):
    """Nodes by their link addresses, the last frame that asked for an acknowledgement, and how many were taken."""

    MOST = 512
    asked: Offered | None = None
    taken: int = 0

    def take(self, asked: Offered) -> None:
        """Take what was acknowledged."""
        router = self.entry(asked.receiver, Router)
        flow = None if router is None else router.flows.entry(asked.datagram.ends, RoutedFlow)
        mark = asked.datagram.mark
        if flow is None or mark is None or mark in flow.waiting:
            return
        if mark in flow.sent and not asked.copied:
            return  # it comes round
        self.taken += 1
        if self.taken % _MOST_AT_ALL == 0:
            for other in self.values():
                other.forget()
        flow.taken += 1
        flow.waiting[mark] = _Waiting(asked.number, asked.copied)
