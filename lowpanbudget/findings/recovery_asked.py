"""Acknowledgements that recoverable fragments ask for, and whether the capture may have missed those that never came.

"The reassembling endpoint MUST acknowledge a fragment with the acknowledgment request bit set" (RFC 8931 section 6),
and each hop passes the acknowledgement back (section 6.2).
"""

from typing import NamedTuple

from lowpanbudget.findings.memory import FirstNamed
from lowpanbudget.findings.senders import HeardSender, Station
from lowpanbudget.findings.unheard import answer_may_be_unheard
from lowpanbudget.values import dataclass, field

_MOST_OPEN, _MOST_MISSED = 16, 12  # datagrams of a hop; our choice
# for an answer, which senders wait for "several times less" than receivers do for fragments (MaxARQTimeOut, section
# 7.1), a minute: our choice
_WAIT_S = 10.0


class Asked(NamedTuple):
    """A datagram whose fragment in frame ``number`` asked first, without an answer so far."""

    tag: int
    number: int
    time_s: float

    def may_have_gone_unheard(self, receiver: HeardSender | None) -> bool:
        """Return whether the frame numbers of its receiver leave place for an answer in time."""
        return answer_may_be_unheard(self.number, self.time_s, _WAIT_S, receiver)


@dataclass(slots=True)
class AskedHop:
    """What was asked of a receiver: answers, strays under other tags, and what is ``open`` or ``missed`` its answer."""

    answers: int = 0
    strays: int = 0
    open: dict[int, Asked] = field(default_factory=dict)
    missed: list[Asked] = field(default_factory=list)

    def ask(self, tag: int, number: int, time_s: float) -> None:
        """Take a fragment that asks."""
        if tag in self.open or len(self.open) < _MOST_OPEN:
            self.open.setdefault(tag, Asked(tag, number, time_s))

    def answer(self, tag: int) -> None:
        """Take an acknowledgement, whatever it says."""
        if self.open.pop(tag, None) is not None or any(one.tag == tag for one in self.missed):
            self.answers += 1
        else:
            self.strays += 1

    def expire(self, time_s: float) -> None:
        """Give up to wait for what was asked for long ago."""
        for asked in [one for one in self.open.values() if time_s - one.time_s > _WAIT_S]:
            del self.open[asked.tag]
            if len(self.missed) < _MOST_MISSED:
                self.missed.append(asked)


# by sender, and receiver
AskedHops = FirstNamed[tuple[Station, Station], AskedHop]
