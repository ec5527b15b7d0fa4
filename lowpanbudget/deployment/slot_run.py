"""Messages over links with cells of their own, simulated: the queue of each node fills and empties, cell by cell.

For a path no exact answer is known here: what overflows at one node thins out what comes to the next.
"""

from collections import deque
from collections.abc import Collection, Sequence
from functools import lru_cache
from heapq import heappop, heappush
from math import ceil, inf
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


class QueueCount(NamedTuple):
    """What came to the queue of a link: frames, those of them that it refused, and frames waiting times seconds."""

    came: int
    refused: int
    frame_s: float


@dataclass(frozen=True, slots=True)
class SlotRun:
    """What became of each arrival: when its last frame was in (None: lost), and what lost it at which link.

    ``lengths`` holds for each link that was asked for (seconds, frames waiting) after each change; ``queues`` what came
    to each link.
    """

    arrived_s: tuple[float | None, ...]
    lost: tuple[LostTo | None, ...]
    lost_at: tuple[int | None, ...]
    lengths: tuple[tuple[tuple[float, int], ...], ...]
    transmissions: int
    queues: tuple[QueueCount, ...] = ()


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
    trace: Collection[int] = (),
    counted_from_s: float = 0.0,
) -> SlotRun:
    """Return what becomes of messages over links, each with a queue of ``places`` frames (None: any number).

    A frame may use cells that begin when it is there or later; what was received in a slot may be sent on from the next
    one on, a message of several frames when all of them are there. The first frame of a queue is tried in one cell
    after the other, ``attempts`` times. ``runs``: losses come in runs, in place of those of the links.
    ``trace`` are the links whose queues are kept; what comes to a queue is counted from a time on.
    """
    network = _Network(
        links, slotframe, slot_s, attempts, places, Random(seed), runs, trace, counted_from_s  # noqa: S311  # no secret: a run that can be repeated
    )  # fmt: skip
    return network.run(arrivals)


class _Passing:
    """A message on its way."""

    __slots__ = ("at", "frames", "number", "there", "way")

    def __init__(self, number: int, way: tuple[int, ...], frames: int) -> None:
        self.number, self.way, self.frames = number, way, frames
        self.at = self.there = 0


class _LinkQueue:
    """A link with the messages whose frames wait for it; the first frame was tried so often, and may be received.

    ``lengths`` are (seconds, frames waiting) after each change, None where nobody asks.
    """

    __slots__ = (
        "answer_loss", "came", "frame_slots", "had", "lengths", "loss", "messages", "number", "refused", "since",
        "tries", "waits",
    )  # fmt: skip

    def __init__(self, number: int, link: SlotLink, slotframe: int, *, trace: bool) -> None:
        self.number, self.loss, self.answer_loss = number, link.loss, link.answer_loss
        self.waits = _waits(link.cells, slotframe)
        self.messages: deque[_Passing] = deque()
        self.tries, self.had = 0, False
        self.lengths: list[tuple[float, int]] | None = [] if trace else None
        self.came = self.refused = self.frame_slots = self.since = 0

    def held(self, slot: int) -> None:
        """Count what waited up to a slot, in which the queue is about to change."""
        if slot > self.since:
            self.frame_slots += len(self.messages) * (slot - self.since)
            self.since = slot


class _Network:
    """Links with their queues. An event is ``slot * links + link`` of a link whose queue holds something."""

    def __init__(
        self,
        links: Sequence[SlotLink],
        slotframe: int,
        slot_s: float,
        attempts: int,
        places: int | None,
        random: Random,
        runs: LossStates | None,
        trace: Collection[int],
        counted_from_s: float,
    ) -> None:
        self._slotframe, self._slot_s = slotframe, slot_s
        self._attempts = attempts
        self._places = inf if places is None else places
        self._loses = Noise(random.random, runs).loses
        self._links = [
            _LinkQueue(number, link, slotframe, trace=number in trace)
            for number, link in enumerate(links)
        ]
        self._counted_from = ceil(counted_from_s / slot_s)
        for queue in self._links:
            queue.since = self._counted_from
        self._events: list[int] = []
        self._sent = 0

    def run(self, arrivals: Sequence[Arrival]) -> SlotRun:
        """Return what becomes of the arrivals."""
        count, links = len(arrivals), len(self._links)
        self._arrived: list[float | None] = [None] * count
        self._lost: list[LostTo | None] = [None] * count
        self._lost_at: list[int | None] = [None] * count
        coming = [
            (ceil(one.at_s / self._slot_s - 1e-9), number) for number, one in enumerate(arrivals)
        ]
        coming.sort()
        for slot, number in coming:
            self._play(slot * links)  # an arrival comes before a cell that begins at its time
            one = arrivals[number]
            self._enqueue(_Passing(number, one.way, one.frames), slot)
        self._play(inf)
        return SlotRun(
            tuple(self._arrived), tuple(self._lost), tuple(self._lost_at),
            tuple(tuple(link.lengths or ()) for link in self._links), self._sent,
            tuple(QueueCount(one.came, one.refused, one.frame_slots * self._slot_s) for one in self._links),
        )  # fmt: skip

    def _play(self, until: float) -> None:
        """Let frames be sent up to an event."""
        events, links = self._events, self._links
        while events and events[0] < until:
            slot, number = divmod(heappop(events), len(links))
            self._try(links[number], slot)

    def _enqueue(self, message: _Passing, slot: int) -> None:
        """Put a message into the queue of its next link; its frames may be sent from this slot on."""
        link = self._links[message.way[message.at]]
        waiting = link.messages
        if not waiting:
            self._wake(link, slot)
        link.held(slot)
        refused = 0
        for _ in range(message.frames):
            if len(waiting) < self._places:
                waiting.append(message)
            else:
                refused += 1
                self._lose(message, "queue")
        if slot >= self._counted_from:
            link.came += message.frames
            link.refused += refused
        if link.lengths is not None:
            link.lengths.append((slot * self._slot_s, len(waiting)))

    def _wake(self, link: _LinkQueue, slot: int) -> None:
        wait = link.waits[slot % self._slotframe]
        if wait is not None:
            heappush(self._events, (slot + wait) * len(self._links) + link.number)

    def _lose(self, message: _Passing, cause: LostTo) -> None:
        if self._lost[message.number] is None:
            self._lost[message.number] = cause
            self._lost_at[message.number] = message.way[message.at]

    def _try(self, link: _LinkQueue, slot: int) -> None:
        waiting = link.messages
        message = waiting[0]
        self._sent += 1
        link.tries += 1
        number, now = link.number, slot * self._slot_s
        received = not self._loses(link.loss, number, now)
        if received and not link.had:
            link.had = True
            message.there += 1
        known = received and not self._loses(link.answer_loss, number, now)
        if known or link.tries >= self._attempts:
            link.held(slot + 1)
            waiting.popleft()
            if not link.had:
                self._lose(message, "link")
            link.tries, link.had = 0, False
            if link.lengths is not None:
                link.lengths.append(((slot + 1) * self._slot_s, len(waiting)))
        if waiting:
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


@lru_cache(maxsize=256)  # a network is played again and again, and its links have few cells each
def _waits(cells: tuple[int, ...], slotframe: int) -> tuple[int | None, ...]:
    """Return for each slot of the slotframe how many slots it is to the next cell, 0 where it is one."""
    if not cells:
        return (None,) * slotframe
    waits, places = [0] * slotframe, {cell % slotframe for cell in cells}
    wait = min(places)  # the next one behind the last slot
    for slot in reversed(range(slotframe)):
        wait = 0 if slot in places else wait + 1
        waits[slot] = wait
    return tuple(waits)
