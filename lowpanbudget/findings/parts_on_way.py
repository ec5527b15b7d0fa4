"""Datagrams in fragments that come to a router, and those that go on, by their first fragments.

A capture misses some of both. What goes on and is missed has a number of the router: where far fewer are heard going on
than its numbers leave room for, it did not send them, be it unknown which.
"""

from lowpanbudget.deployment.confidence import CONFIDENCE, at_most, upper
from lowpanbudget.findings.heard_headers import Ends
from lowpanbudget.findings.memory import FirstNamed, Frames
from lowpanbudget.values import dataclass, field

_SELDOM = 1e-4  # the chance that as few are heard of all that were sent on; our choice
_LONGER = (
    3  # times as long as other frames: so many times as often may one be damaged here; our choice
)
_SHORTER = 80  # octets that headers of RPL and a tunnel add or take away; our choice
_MOST_MISSING = (
    64  # numbers that are missing at once: more are those of a node that began anew; our choice
)


@dataclass(slots=True)
class PartsOfFlow:
    """The datagrams of a flow that ``came`` in fragments, ``least`` octets or more; how many ``went`` on."""

    came: int = 0
    went: int = 0
    least: int = 0
    frames: Frames = field(default_factory=Frames)


class _PartFlows(FirstNamed[Ends, PartsOfFlow]):
    """The first flows through a router."""

    MOST = 32


@dataclass(slots=True)
class PartsOnWay:
    """What came to a router in fragments and went on, by its ends; so many of its frames were ``heard``, or missed."""

    flows: _PartFlows = field(default_factory=_PartFlows)
    heard: int = 0
    missed: int = 0

    def come(self, ends: Ends, octets: int, number: int) -> None:
        """Note a datagram whose first fragment comes to the router."""
        flow = self.flows.entry(ends, PartsOfFlow)
        if flow is not None:
            flow.came += 1
            flow.least = min(flow.least or octets, octets)
            flow.frames.note(number)

    def go(self, ends: Ends, octets: int) -> None:
        """Note one that the router sends, in fragments or in one frame where its headers are shorter there."""
        flow = self.flows.get(ends)
        if flow is not None and octets >= flow.least - _SHORTER:
            flow.went += 1

    def miss(self, numbers: int) -> None:
        """Take that so many numbers of the router are missing."""
        if numbers < _MOST_MISSING:
            self.missed += numbers

    @property
    def most_missed(self) -> float:
        """Return the share of the router's frames that the capture misses at most (95 %)."""
        return upper(self.missed, self.missed + self.heard, 1 - CONFIDENCE) if self.heard else 1.0

    def lacks(self, came: int, went: int) -> bool:
        """Return whether fewer went on than chance explains, with all of them heard as seldom as long frames may be."""
        heard = self.heard / max(self.heard + self.missed, 1)
        if not came or went / came >= heard**_LONGER:
            return False  # as is usual: that is quicker to see
        return at_most(went, came, (1 - self.most_missed) ** _LONGER) < _SELDOM
