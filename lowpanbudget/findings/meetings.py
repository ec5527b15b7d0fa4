"""Datagrams in fragments that meet others on their way to one receiver, and whether more are lost where they do."""

from collections.abc import Container

from lowpanbudget.capture.recent import Recent
from lowpanbudget.findings.datagrams import numbers_of
from lowpanbudget.findings.memory import Frames
from lowpanbudget.stack.pieces import Fate, FragmentedDatagram
from lowpanbudget.values import dataclass, field

_MOST_LOST = 256  # datagrams of a hop


@dataclass(slots=True)
class Meetings:
    """Datagrams of a hop that ended whole or expired: those that ``met`` others on their way to its receiver, and all.

    Of the ``lost_met`` up to ``most`` were open at once; ``numbers`` are their first frames. Only those count that
    ended from the first loss to the last: a sender that leaves something out since some time does so whom it may meet.
    ``later`` are those since the last, and how many of them met. ``last`` has of those lost, by the first frame, the
    last one and whether they met.
    """

    ended: int = 0
    lost: int = 0
    met: int = 0
    later: tuple[int, int] = (0, 0)
    lost_met: int = 0
    most: int = 0
    numbers: Frames = field(default_factory=Frames)
    last: Recent[int, tuple[int, bool]] = field(default_factory=lambda: Recent(_MOST_LOST))

    def end(self, datagram: FragmentedDatagram) -> None:
        """Count what became of a datagram."""
        if datagram.fate not in {Fate.WHOLE, Fate.EXPIRED} or datagram.is_copy:
            return
        is_lost, (ended, met) = datagram.fate is Fate.EXPIRED, self.later
        self.later = (0, 0) if is_lost or not self.lost else (ended + 1, met + datagram.met)
        if not is_lost:
            return
        self.ended += 1 + ended
        self.lost += 1
        self.met += datagram.met + met
        numbers = numbers_of(datagram)
        self.last[numbers[0]] = numbers[-1], datagram.met
        if datagram.met:
            self.lost_met += 1
            self.most = max(self.most, datagram.beside)
            self.numbers.note(numbers[0])

    def resume(self, datagram: FragmentedDatagram) -> None:
        """Take back that one was lost."""
        first = datagram.fragments[0].mark.number
        self.last.pop(first, None)
        self._take_back(first, met=datagram.met)

    def leave_out(self, given_up: Container[int]) -> None:
        """Do not count those whose last frame was given up on the link: they ended there, whomever they met."""
        for first, (last, met) in self.last.items():
            if last in given_up:
                self._take_back(first, met=met)

    def _take_back(self, first: int, *, met: bool) -> None:
        self.ended -= 1
        self.lost -= 1
        if met:
            self.met -= 1
            self.lost_met -= 1
            self.numbers.forget(first)

    @property
    def matter(self) -> bool:
        """Return whether more are lost where datagrams meet: at least twice as many of them, which is our choice.

        What is lost as often without others has another reason.
        """
        lost_apart, apart = self.lost - self.lost_met, self.ended - self.met
        return self.lost_met > 0 and self.lost_met * apart >= 2 * lost_apart * self.met
