"""A burst over one link with cells of its own: exact, packet by packet, one frame a packet.

The chain of frames waiting and tries of the first one is stepped over arrivals and cells. A packet that joins behind so
many frames is served after as many services, whatever comes behind it: that gives the time of each. It is in with the
first of its own tries that is received; the sender goes on until one is acknowledged too.
"""

from collections.abc import Sequence
from math import ceil
from typing import TYPE_CHECKING

from lowpanbudget.values import dataclass, field

if TYPE_CHECKING:
    import numpy as np

_EMPTY = 1e-9  # "empty" is said when less than this is still waiting
MOST_STATES = 2048  # frames times tries; beyond, the tables take more than they are worth


@dataclass(frozen=True, slots=True)
class BurstPacket:
    """A packet of a burst: the chances that it found no place, and that its tries were used up; when it is in.

    ``cell_ends_s`` are times since the first packet, ``in_at`` the chances that it is delivered at each of them.
    """

    lost_queue: float
    lost_link: float
    cell_ends_s: "np.ndarray" = field(repr=False, compare=False)
    in_at: "np.ndarray" = field(repr=False, compare=False)

    def in_by(self, seconds: float) -> float:
        """Return the chance that it is in so many seconds after the first packet of the burst."""
        return float(self.in_at[self.cell_ends_s <= seconds + 1e-9].sum())


@dataclass(frozen=True, slots=True)
class BurstOnLink:
    """What one link does with a burst; counts are means.

    ``lengths`` are (seconds, mean frames waiting) after each change, ``all_in_at`` (seconds, chance) that all are in.
    ``empty_after_s`` is when all but a billionth of the chance is done: a bound, no typical time.
    """

    packets: tuple[BurstPacket, ...]
    lengths: tuple[tuple[float, float], ...]
    empty_after_s: float
    all_in_at: tuple[tuple[float, float], ...]

    @property
    def arrived(self) -> float:
        """Return how many packets arrive."""
        return sum(float(one.in_at.sum()) for one in self.packets)

    @property
    def lost_queue(self) -> float:
        """Return how many packets find the queue full."""
        return sum(one.lost_queue for one in self.packets)

    @property
    def lost_link(self) -> float:
        """Return how many packets use up their tries."""
        return sum(one.lost_link for one in self.packets)

    @property
    def highest_mean_queue(self) -> float:
        """Return the greatest mean number of frames waiting."""
        return max(mean for _, mean in self.lengths)

    def packet(self, number: int) -> BurstPacket:
        """Return the packet of this number; the first is 0."""
        return self.packets[number]

    def all_in(self, seconds: float) -> float:
        """Return the chance that every packet is in so many seconds after the first."""
        return max((chance for at, chance in self.all_in_at if at <= seconds + 1e-9), default=0.0)


def burst_link(
    packets: int,
    every_s: float,
    *,
    cells: Sequence[int],
    slotframe: int,
    slot_s: float,
    received: float,
    attempts: int,
    places: int,
    acknowledged: float = 1.0,
) -> BurstOnLink:
    """Return what a link with these cells does with packets that come each ``every_s`` seconds, the first in slot 0.

    ``received`` is the chance that a try is received, ``acknowledged`` that its acknowledgement then is; ``attempts``
    is how many tries there are, ``places`` what the queue holds. A packet that comes as a slot begins may use it.
    """
    chain = _Chain(cells, slotframe, slot_s, received, acknowledged, attempts, min(places, packets))
    return chain.run(packets, every_s)


class _Chain:
    """The state of a queue: chances by frames waiting and tries of the first.

    Of states without any loss so far, also whether the receiver has the first one already: 0 not, 1 it has.
    """

    def __init__(
        self, cells: Sequence[int], slotframe: int, slot_s: float, received: float, acknowledged: float, attempts: int,
        places: int,
    ) -> None:  # fmt: skip
        import numpy as np  # noqa: PLC0415

        self._cells, self._slotframe, self._slot_s = sorted(cells), slotframe, slot_s
        self._received, self._known = received, received * acknowledged
        self._attempts, self._places = attempts, places
        self._now = np.zeros((places + 1, attempts))
        self._now[0, 0] = 1.0
        self._unhurt = np.stack([self._now, np.zeros_like(self._now)])
        self._lengths: list[tuple[float, float]] = []
        self._transforms = self._behind()

    def run(self, packets: int, every_s: float) -> BurstOnLink:
        """Return what becomes of a burst."""
        done, cell = [], 0
        for number in range(packets):
            slot = ceil(number * every_s / self._slot_s - 1e-9)
            while self._slot_of(cell) < slot:
                self._serve(cell)
                cell += 1
            done.append(self._join(cell))
            self._lengths.append((slot * self._slot_s, self._mean()))
        all_in = []
        while 1 - self._now[0].sum() > _EMPTY:
            self._serve(cell)
            cell += 1
            # all are there when none waits, or the last one is only not acknowledged
            there = self._unhurt[:, 0].sum() + self._unhurt[1, 1].sum()
            all_in.append((self._end(cell - 1), float(there)))
        return BurstOnLink(tuple(done), tuple(self._lengths), self._lengths[-1][0], tuple(all_in))

    def _slot_of(self, cell: int) -> int:
        rounds, index = divmod(cell, len(self._cells))
        return rounds * self._slotframe + self._cells[index]

    def _end(self, cell: int) -> float:
        return (self._slot_of(cell) + 1) * self._slot_s

    def _mean(self) -> float:
        return float(self._now.sum(axis=1) @ range(self._places + 1))

    def _serve(self, cell: int) -> None:
        """Let the first frame be tried in a cell."""
        self._now = self._served(self._now)
        self._unhurt = self._served_unhurt(self._unhurt)
        self._lengths.append((self._end(cell), self._mean()))

    def _served(self, state: "np.ndarray") -> "np.ndarray":
        import numpy as np  # noqa: PLC0415

        then = np.zeros_like(state)
        then[0, 0] = state[0].sum()
        then[:-1, 0] += state[1:].sum(axis=1) * self._known + state[1:, -1] * (1 - self._known)
        then[1:, 1:] += state[1:, :-1] * (1 - self._known)
        return then

    def _served_unhurt(self, state: "np.ndarray") -> "np.ndarray":
        import numpy as np  # noqa: PLC0415

        then = np.zeros_like(state)
        then[0, 0, 0] = state[:, 0].sum()
        waiting, tried = state[:, 1:], state[:, 1:, :-1]
        unknown = self._received - self._known  # received, and not acknowledged
        then[0, :-1, 0] += waiting.sum(axis=(0, 2)) * self._known
        # with the last try a frame is left that was received at some time
        then[0, :-1, 0] += waiting[0, :, -1] * unknown + waiting[1, :, -1] * (1 - self._known)
        then[0, 1:, 1:] += tried[0] * (1 - self._received)
        then[1, 1:, 1:] += tried[0] * unknown + tried[1] * (1 - self._known)
        return then

    def _join(self, cell: int) -> BurstPacket:
        """Return the packet that comes now; the first cell that it may use is the one of this number."""
        import numpy as np  # noqa: PLC0415

        now = self._now
        size = self._most_cells()
        chances = np.fft.irfft(now[:-1].reshape(-1) @ self._transforms, size)
        in_at = np.maximum(chances, 0.0)
        ends = np.array([self._end(cell + count - 1) for count in range(1, size)])
        full = float(now[-1].sum())
        given_up = (1 - full) * (1 - self._received) ** self._attempts
        unhurt = self._unhurt
        self._now, self._unhurt = np.zeros_like(now), np.zeros_like(unhurt)
        self._now[1:], self._unhurt[:, 1:] = now[:-1], unhurt[:, :-1]
        self._now[-1] += now[-1]
        return BurstPacket(full, given_up, ends, in_at[1:])

    def _most_cells(self) -> int:
        return 1 << (self._places * self._attempts + 1).bit_length()

    def _behind(self) -> "np.ndarray":
        """Return for each state the transform of the cells that pass until a packet that joins in it is received."""
        import numpy as np  # noqa: PLC0415

        size, attempts = self._most_cells(), self._attempts
        again = (1 - self._known) ** np.arange(attempts)
        own, rest = np.zeros(attempts + 1), np.zeros((attempts, attempts + 1))
        own[1:] = (1 - self._received) ** np.arange(attempts) * self._received
        for tried in range(attempts):
            left = attempts - tried
            rest[tried, 1 : left + 1] = again[:left] * self._known
            rest[tried, left] += (1 - self._known) ** left
        own_hat, rest_hat = np.fft.rfft(own, size), np.fft.rfft(rest, size)
        table = np.zeros((self._places, attempts, size // 2 + 1), dtype=complex)
        table[0, 0] = own_hat
        for frames in range(1, self._places):
            table[frames] = rest_hat * rest_hat[0] ** (frames - 1) * own_hat
        return table.reshape(self._places * attempts, -1)
