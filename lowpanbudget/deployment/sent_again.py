"""What is sent again from end to end, which is not played: where that may decide, nothing is said for sure.

Frames that go on by themselves are sent again for the datagram that misses some (RFC 8931 section 7.1), confirmable
messages until they are acknowledged, up to 4 times (RFC 7252 section 4.2). Both let more arrive, later, and are more
load. When the first are, depends on timers that no design states; the second are not before ACK_TIMEOUT, 2 s, is over,
which doubles each time (section 4.8).
"""

from collections.abc import Collection, Mapping, Sequence
from typing import NamedTuple

from lowpanbudget.deployment.carried import LimitCheck, opened
from lowpanbudget.deployment.fragments import OPEN
from lowpanbudget.deployment.service import HopService
from lowpanbudget.deployment.services_together import judged_services
from lowpanbudget.deployment.traffic import MessageStream, Traffic
from lowpanbudget.design.answer import sent_again_s

_CONFIRMABLE = "open, as confirmable messages that are lost are sent again (RFC 7252 section 4.2), which is not played"
_BY_QUEUES = ("queue", "held")  # what finds no place is sent again
_ARRIVAL = ("delivery", "latency")
_BY_LOAD = ("cells", "duty", "battery", *_BY_QUEUES, *_ARRIVAL)
_AGAIN_S = sent_again_s()


class _Kind(NamedTuple):
    """A kind of messages that is sent again, and how many times as much is sent of all for it at most."""

    why: str
    more: float


class Doubts:
    """What cannot be said for sure of a network whose datagrams, or messages of ``confirmable`` flows, are sent again.

    ``within_s`` is the time that messages have to arrive (None: no limit). ``over`` names the nodes that would use more
    cells to their parent than there are, and how many times as many: what is beyond them goes through in no try.
    """

    def __init__(
        self, traffic: Traffic, services: Sequence[HopService], confirmable: Collection[str] = (),
        within_s: float | None = None, over: Mapping[str, float] | None = None,
    ) -> None:  # fmt: skip
        self._services = {
            f"{one.flow} {one.message}, {hops}": one for hops, one in judged_services(services)
        }
        self._within_s = within_s
        self._over = {f"node {name}": times for name, times in (over or {}).items()}
        self._is_one_kind = len(traffic.streams) == 1
        self._kinds: dict[str, _Kind] = {}
        all_of = sum(map(_frames, traffic.streams))
        for stream in traffic.streams:
            if not (stream.recovers or stream.flow in confirmable):
                continue
            about = f"{stream.name}, "
            lost = max(
                (_lost(one) for name, one in self._services.items() if name.startswith(about)),
                default=0.0,
            )
            kind = _Kind(OPEN, lost)
            if not stream.recovers:
                # it or its acknowledgement is lost: a share of all frames is sent again, and of these again
                either = 1 - (1 - lost) ** 2
                more = sum(either**count for count in range(1, len(_AGAIN_S) + 1))
                kind = _Kind(_CONFIRMABLE, more * _frames(stream) / all_of)
            self._kinds[about] = kind

    @property
    def are_none(self) -> bool:
        """Return whether nothing is sent again from end to end."""
        return not self._kinds

    def of(self, check: LimitCheck) -> LimitCheck:
        """Return a check as it stands, or open where it hangs on what is sent again."""
        if check.is_close:
            return check
        own = next((about for about in self._kinds if check.about.startswith(about)), None)
        for about, kind in self._kinds.items():
            is_own = own == about
            if (
                self._turns_no(check, kind, is_own=is_own)
                if check.holds
                else self._turns_yes(check, kind, is_own=is_own)
            ):
                return opened(check, kind.why)
        return check

    def _turns_no(self, check: LimitCheck, kind: _Kind, *, is_own: bool) -> bool:
        """Return whether something holds that would not with the load of what is sent again."""
        if check.matter not in _BY_LOAD or (check.matter == "delivery" and is_own):
            return False  # more of its own arrives
        measured = check.strain
        if check.matter != "battery" and check.allowed:
            measured = max(measured, check.measured / check.allowed)
        return measured * (1 + kind.more) > 1

    def _turns_yes(self, check: LimitCheck, kind: _Kind, *, is_own: bool) -> bool:
        """Return whether something does not hold that may once what was lost is sent again."""
        if check.matter not in _BY_QUEUES and not (check.matter in _ARRIVAL and is_own):
            return False
        if kind.why is _CONFIRMABLE:
            if 1 - 1 / self._times_over(check) > check.allowed:
                return False
            # a try that is like the first: with more load none is better
            tries = 1 + (len(_AGAIN_S) if check.matter != "latency" else self._in_time())
            return max(check.measured - check.half_width, 0.0) ** tries <= check.allowed
        one = self._services.get(check.about)
        if check.matter != "latency" or one is None or one.in_time is None:
            return True
        # what is there too late is not there sooner with more load
        return 1 - one.in_time - one.in_time_half_width - _lost(one) <= check.allowed

    def _times_over(self, check: LimitCheck) -> float:
        """Return how many times what a link carries at most comes to it by what was checked; 1: no more.

        Where all messages are of one kind, those that fare worst arrive no oftener than all on average.
        """
        if check.matter in _ARRIVAL and self._is_one_kind:
            return max(self._over.values(), default=1.0)
        return self._over.get(check.about, 1.0)

    def _in_time(self) -> int:
        """Return how often a confirmable message may be sent again before its time is over."""
        within_s = self._within_s or 0.0
        return sum(again_s < within_s for again_s in _AGAIN_S)


def _frames(stream: MessageStream) -> float:
    """Return the frames a second that all senders of a stream begin to send."""
    return len(stream.first) * len(stream.senders) / stream.every_s


def _lost(one: HopService) -> float:
    """Return the share that does not arrive when it is sent once, at most."""
    return min(1 - (one.arrives or 0.0) + one.half_width, 1.0)
