"""Messages over links with cells of their own, simulated: the queue of each node fills and empties, cell by cell.

For a path no exact answer is known here: what overflows at one node thins out what comes to the next.
"""

from collections import deque
from collections.abc import Sequence
from heapq import heapify, heappop, heappush
from math import ceil
from random import Random
from typing import Literal, NamedTuple

from lowpanbudget.deployment.delivery import LossStates
from lowpanbudget.deployment.noise import Noise
from lowpanbudget.values import dataclass

LostTo = Literal["queue", "link"]


class SlotLink(NamedTuple):
    """A link: the slots of the slotframe in which it may send one frame each, and the shares of both that it loses."""

    cells: tuple[int, ...]
    loss: float = 0.0
    answer_loss: float = 0.0


class Arrival(NamedTuple):
    """A message that is there at a time, in seconds: the links that it passes, and of how many frames it is."""

    at_s: float
    way: tuple[int, ...]
    frames: int = 1


@dataclass(frozen=True, slots=True)
class SlotRun:
    """What became of each arrival: when its last frame was in (None: lost), and what lost it at which link.

    ``lengths`` holds for each link (seconds, frames waiting) after each change, when it was asked for.
    """

    arrived_s: tuple[float | None, ...]
    lost: tuple[LostTo | None, ...]
    lost_at: tuple[int | None, ...]
    lengths: tuple[tuple[tuple[float, int], ...], ...]
    transmissions: int


def run_slots(
    arrivals: Sequence[Arrival],
    links: Sequence[SlotLink],
    *,
    slotframe: int,
    slot_s: float,
    attempts: int,
    places: int | None,
    seed: int,
    runs: LossStates | None = None,
    trace: bool = False,
) -> SlotRun:
    """Return what becomes of messages over links, each with a queue of ``places`` frames (None: any number).

    A frame may use cells that begin when it is there or later; what was received in a slot may be sent on from the next
    one on, a message of several frames when all of them are there. The first frame of a queue is tried in one cell
    after the other, ``attempts`` times. ``runs``: losses come in runs, in place of those of the links.
    """
    network = _Network(links, slotframe, slot_s, attempts, places, Random(seed), runs, trace=trace)  # noqa: S311  # no secret: a run that can be repeated
    return network.run(arrivals)


class _Passing:
    """A message on its way."""

    __slots__ = ("at", "frames", "number", "there", "way")

    def __init__(self, number: int, way: tuple[int, ...], frames: int) -> None:
        self.number, self.way, self.frames = number, way, frames
        self.at = self.there = 0


class _Network:
    """Links with their queues. An event is a slot and a link whose queue holds something."""

    def __init__(
        self,
        links: Sequence[SlotLink],
        slotframe: int,
        slot_s: float,
        attempts: int,
        places: int | None,
        random: Random,
        runs: LossStates | None,
        *,
        trace: bool,
    ) -> None:
        self._links, self._slotframe, self._slot_s = links, slotframe, slot_s
        self._attempts, self._places = attempts, places
        self._noise = Noise(random.random, runs)
        self._waits = [_waits(link.cells, slotframe) for link in links]
        self._queues: list[deque[_Passing]] = [deque() for _ in links]
        self._tries = [0] * len(links)
        self._had = [False] * len(links)
        self._events: list[tuple[int, int]] = []
        self._trace: list[list[tuple[float, int]]] | None = [[] for _ in links] if trace else None
        self._sent = 0

    def run(self, arrivals: Sequence[Arrival]) -> SlotRun:
        """Return what becomes of the arrivals."""
        count = len(arrivals)
        self._arrived: list[float | None] = [None] * count
        self._lost: list[LostTo | None] = [None] * count
        self._lost_at: list[int | None] = [None] * count
        # an arrival comes before a cell that begins at its time: links are counted from 0, arrivals below
        self._events = [
            (ceil(one.at_s / self._slot_s - 1e-9), index - count) for index, one in enumerate(arrivals)
        ]  # fmt: skip
        heapify(self._events)
        while self._events:
            slot, what = heappop(self._events)
            if what < 0:
                one = arrivals[what + count]
                self._enqueue(_Passing(what + count, one.way, one.frames), slot)
            else:
                self._try(what, slot)
        traced = self._trace or [[] for _ in self._links]
        return SlotRun(
            tuple(self._arrived), tuple(self._lost), tuple(self._lost_at),
            tuple(map(tuple, traced)), self._sent,
        )  # fmt: skip

    def _enqueue(self, message: _Passing, slot: int) -> None:
        """Put a message into the queue of its next link; its frames may be sent from this slot on."""
        link = message.way[message.at]
        queue = self._queues[link]
        if not queue:
            self._wake(link, slot)
        for _ in range(message.frames):
            if self._places is None or len(queue) < self._places:
                queue.append(message)
            else:
                self._lose(message, "queue")
        self._note(link, slot)

    def _wake(self, link: int, slot: int) -> None:
        wait = self._waits[link][slot % self._slotframe]
        if wait is not None:
            heappush(self._events, (slot + wait, link))

    def _lose(self, message: _Passing, cause: LostTo) -> None:
        if self._lost[message.number] is None:
            self._lost[message.number] = cause
            self._lost_at[message.number] = message.way[message.at]

    def _note(self, link: int, slot: int) -> None:
        if self._trace is not None:
            self._trace[link].append((slot * self._slot_s, len(self._queues[link])))

    def _try(self, link: int, slot: int) -> None:
        queue = self._queues[link]
        message = queue[0]
        self._sent += 1
        self._tries[link] += 1
        what, now = self._links[link], slot * self._slot_s
        received = not self._noise.loses(what.loss, link, now)
        if received and not self._had[link]:
            self._had[link] = True
            message.there += 1
        known = received and not self._noise.loses(what.answer_loss, link, now)
        if known or self._tries[link] >= self._attempts:
            queue.popleft()
            if not self._had[link]:
                self._lose(message, "link")
            self._tries[link], self._had[link] = 0, False
            self._note(link, slot + 1)
        if queue:
            self._wake(link, slot + 1)
        if received and message.there == message.frames:
            self._pass_on(message, slot)

    def _pass_on(self, message: _Passing, slot: int) -> None:
        message.there = 0
        if message.at + 1 == len(message.way):
            self._arrived[message.number] = (slot + 1) * self._slot_s
            return
        message.at += 1
        self._enqueue(message, slot + 1)


def _waits(cells: Sequence[int], slotframe: int) -> list[int | None]:
    """Return for each slot of the slotframe how many slots it is to the next cell, 0 where it is one."""
    if not cells:
        return [None] * slotframe
    return [min((cell - slot) % slotframe for cell in cells) for slot in range(slotframe)]
