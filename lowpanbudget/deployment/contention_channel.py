"""What is on a simulated channel: who sends until when, who hears it, what is received and what is spoiled."""

from collections.abc import Sequence
from functools import lru_cache
from itertools import pairwise

from lowpanbudget.deployment.contention_messages import NOBODY
from lowpanbudget.deployment.contention_rules import HearingRanges, Sending

_FEW = (
    3  # that were on the air, some of which may have ended: looked through sooner than thinned out
)


Others = tuple[frozenset[int], ...]  # by node


@lru_cache(maxsize=4)  # a burst is played again and again
def _ranges(reception: HearingRanges, ways: tuple[tuple[int, ...], ...]) -> tuple[Others, Others]:
    """Return who hears each node, and whose reception it spoils."""
    disturbed = [set(others) for others in reception.disturbs]
    # who receives a frame is no place for another one at the same time
    for way in ways:
        for here, there in pairwise(way):
            disturbed[here].add(there)
            disturbed[there].add(here)
    return tuple(map(frozenset, reception.hears)), tuple(map(frozenset, disturbed))


class Channel:
    """The frames and acknowledgements on the air. Times in microseconds.

    A reception has a number: a frame's is its sender, that of an acknowledgement the number of nodes and who is
    answered.
    """

    def __init__(
        self, cca_us: float, reception: HearingRanges, sendings: Sequence[Sending]
    ) -> None:
        nodes = len(reception.hears)
        self._cca_us = cca_us
        self._hears, self._disturbs = _ranges(reception, tuple(one.way for one in sendings))
        # what is on the air, or was as long ago as a CCA takes: until when, and from whom. There are few at a time, so
        # that a large network costs no more than a small one
        self._on_air: list[tuple[float, int]] = []
        self._sends_until = [0.0] * nodes
        self.until_us = 0.0  # how long anything was on the air, or will be
        self._hearing: dict[int, int] = {}  # the receptions that go on, by receiver
        self._intact = [True] * (2 * nodes)

    def is_busy(self, node: int, since: float) -> bool:
        """Return whether a node sends or hears something, or did since a time."""
        if self._sends_until[node] > since:
            return True
        hears = self._hears
        for until, other in self._on_air:  # noqa: SIM110  # a loop takes half the time
            if until > since and node in hears[other]:
                return True
        return False

    def send(self, node: int, now: float, until: float, to: int, what: int) -> None:
        """Let a node send until then: whoever hears it waits, and what others receive near it is lost.

        Who it is for begins a reception of this number, in vain when the channel is not clear there.
        """
        on_air, hearing, disturbs, intact = (
            self._on_air,
            self._hearing,
            self._disturbs,
            self._intact,
        )
        clear = to != NOBODY and self._sends_until[to] <= now
        if clear:
            for ends, other in on_air:
                if ends > now and to in disturbs[other]:
                    clear = False
                    break
        if hearing:
            disturbed = disturbs[node]
            for receiver, received in hearing.items():
                if receiver == node or receiver in disturbed:
                    intact[received] = False
        if len(on_air) > _FEW:
            began = now - self._cca_us
            on_air = self._on_air = [one for one in on_air if one[0] > began]
        on_air.append((until, node))
        self._sends_until[node] = until
        self.until_us = max(self.until_us, until)
        if to != NOBODY:
            intact[what] = clear
            if clear:
                hearing[to] = what

    def send_alone(self, node: int, until: float) -> None:
        """Let a node have sent until then, when nothing else was on the air, nor is heard any more."""
        self._on_air = [(until, node)]
        self._sends_until[node] = self.until_us = until

    def receives(self, node: int, what: int) -> bool:
        """End a reception; return whether nothing spoiled it."""
        if self._hearing.get(node) == what:
            del self._hearing[node]
        return self._intact[what]
