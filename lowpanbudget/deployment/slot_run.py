"""Messages over links with cells of their own, simulated: the queue of each node fills and empties, cell by cell.

For a path no exact answer is known here: what overflows at one node thins out what comes to the next.
"""

from collections import deque
from collections.abc import Collection, Iterator, Sequence
from functools import lru_cache
from heapq import heappop, heappush, heapreplace
from math import ceil, inf
from random import Random
from sys import maxsize
from typing import Literal, NamedTuple

from lowpanbudget.deployment.delivery import LossStates
from lowpanbudget.deployment.noise import noise
from lowpanbudget.values import dataclass

LostTo = Literal["queue", "link"]


class SlotLink(NamedTuple):
    """A link: the slots of the slotframe in which it may send one frame each, and the shares of both that it loses.

    What waits for links of one ``holder`` shares its places; without one a link has places of its own. ``places`` are
    how many these are, where not as many as elsewhere.
    """

    cells: tuple[int, ...]
    loss: float = 0.0
    answer_loss: float = 0.0
    holder: int | None = None
    places: int | None = None


class Arrival(NamedTuple):
    """A message that is there at a time, in seconds: the links that it passes, and of how many frames it is.

    ``apart``: each frame goes on by itself; where it is ``led`` if the first one was received, which told the way.
    """

    at_s: float
    way: tuple[int, ...]
    frames: int = 1
    apart: bool = False
    led: bool = True


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
    counted_s: tuple[float, float] = (0.0, inf),
) -> SlotRun:
    """Return what becomes of messages over links with queues; each, or each holder, has ``places`` (None: any number).

    A frame may use cells that begin when it is there or later; what was received in a slot may be sent on from the next
    one on, a message of several frames when all of them are there, or each of them at once. The first frame of a queue
    is tried in one cell after the other, ``attempts`` times. ``runs``: losses come in runs, in place of those of the
    links. ``trace`` are the links whose queues are kept; what comes to a queue, and waits there, is counted from a time
    to another, and not at all from an infinite one on.
    """
    network = _Network(
        links, slotframe, slot_s, attempts, places, Random(seed), runs, trace, counted_s  # noqa: S311  # no secret: a run that can be repeated
    )  # fmt: skip
    return network.run(arrivals)


class _Passing:
    """A message on its way, or a frame of one that goes on by itself; ``first`` is the one that leads it, if any."""

    __slots__ = ("at", "first", "frames", "number", "there", "way")

    def __init__(self, number: int, way: tuple[int, ...], frames: int) -> None:
        self.number, self.way, self.frames = number, way, frames
        self.at = self.there = 0
        self.first: _Passing | None = None

    def parts(self, count: int, *, led: bool) -> "Iterator[_Passing]":
        """Yield so many of its frames, each to go on by itself."""
        first = None
        for _ in range(count):
            one = _Passing(self.number, self.way, 1)
            if led:
                first = one.first = one if first is None else first
            yield one


class _Places:
    """Where frames wait in a node: how many more it takes."""

    __slots__ = ("free",)

    def __init__(self, free: int) -> None:
        self.free = free


class _LinkQueue:
    """A link with the messages whose frames wait for it; the first frame was tried so often, and may be received.

    ``lengths`` are (seconds, frames waiting) after each change, None where nobody asks.
    """

    __slots__ = (
        "answer_loss", "came", "first", "frame_slots", "had", "lengths", "loss", "messages", "number", "places",
        "refused", "since", "tries", "until", "waits",
    )  # fmt: skip

    def __init__(
        self, number: int, link: SlotLink, places: _Places, slotframe: int, *, trace: bool
    ) -> None:
        self.number, self.loss, self.answer_loss = number, link.loss, link.answer_loss
        self.places = places
        # cells that lie alike from the first one on have one table, wherever that one is
        self.first = first = link.cells[0] if link.cells else 0
        self.waits = _waits(tuple((cell - first) % slotframe for cell in link.cells), slotframe)
        self.messages: deque[_Passing] = deque()
        self.tries, self.had = 0, False
        self.lengths: list[tuple[float, int]] | None = [] if trace else None
        self.came = self.refused = self.frame_slots = 0
        self.since: float = 0
        self.until: float = inf

    def held(self, slot: int) -> None:
        """Count what waited up to a slot, in which the queue is about to change."""
        counted = min(slot, self.until)
        if counted > self.since:
            self.frame_slots += len(self.messages) * int(counted - self.since)
            self.since = counted


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
        counted_s: tuple[float, float],
    ) -> None:
        self._slotframe, self._slot_s = slotframe, slot_s
        self._attempts = attempts
        self._random, self._runs = random.random, runs
        most = maxsize if places is None else places

        def places_of(link: SlotLink) -> _Places:
            return _Places(most if link.places is None else link.places)

        held = {link.holder: places_of(link) for link in links if link.holder is not None}
        self._links = [
            _LinkQueue(
                number, link, places_of(link) if link.holder is None else held[link.holder], slotframe,
                trace=number in trace,
            )
            for number, link in enumerate(links)
        ]  # fmt: skip
        begins, ends = (at if at == inf else ceil(at / slot_s - 1e-9) for at in counted_s)
        self._counted = begins, ends
        for queue in self._links:
            queue.since, queue.until = begins, ends
        self._sent = 0

    def run(self, arrivals: Sequence[Arrival]) -> SlotRun:
        """Return what becomes of the arrivals."""
        count = len(arrivals)
        self._arrived: list[float | None] = [None] * count
        self._lost: list[LostTo | None] = [None] * count
        self._lost_at: list[int | None] = [None] * count
        self._missing = [one.frames if one.apart else 1 for one in arrivals]
        self._play(arrivals)
        return SlotRun(
            tuple(self._arrived), tuple(self._lost), tuple(self._lost_at),
            tuple(tuple(link.lengths or ()) for link in self._links), self._sent,
            tuple(QueueCount(one.came, one.refused, one.frame_slots * self._slot_s) for one in self._links),
        )  # fmt: skip

    def _play(self, arrivals: Sequence[Arrival]) -> None:
        """Let messages come and frames be sent, until no queue has anything to send.

        All stands in the loop itself: calls would take longer than what they do.
        """
        links, slotframe, slot_s, attempts = (
            self._links,
            self._slotframe,
            self._slot_s,
            self._attempts,
        )
        (begins, ends), random = self._counted, self._random
        is_counted = begins < ends
        loses = None if self._runs is None else noise(random, self._runs)
        count, sent = len(links), 0
        coming = [(ceil(one.at_s / slot_s - 1e-9), number) for number, one in enumerate(arrivals)]
        coming.sort(reverse=True)
        events: list[int] = []
        until: float = coming[-1][0] * count if coming else inf
        while True:
            if events and events[0] < until:
                slot, number = divmod(events[0], count)
                link = links[number]
                waiting = link.messages
                message = waiting[0]
                sent += 1
                link.tries += 1
                if loses is None:
                    received = not (link.loss > 0 and random() < link.loss)
                    known = received and not (link.answer_loss > 0 and random() < link.answer_loss)
                else:
                    now = slot * slot_s
                    received = not loses(link.loss, number, now)
                    known = received and not loses(link.answer_loss, number, now)
                if received and not link.had:
                    link.had = True
                    message.there += 1
                slot += 1  # what was sent is there behind it
                if known or link.tries >= attempts:
                    if is_counted:
                        link.held(slot)
                    waiting.popleft()
                    link.places.free += 1
                    if not link.had:
                        self._lose(message, "link")
                    link.tries, link.had = 0, False
                    if link.lengths is not None:
                        link.lengths.append((slot * slot_s, len(waiting)))
                if waiting:
                    wait = link.waits[(slot - link.first) % slotframe]
                    heapreplace(events, (slot + wait) * count + number)
                else:
                    heappop(events)
                if not received or message.there != message.frames:
                    continue
                message.there = 0
                if message.at + 1 == len(message.way):
                    self._missing[message.number] -= 1
                    if not self._missing[message.number]:
                        self._arrived[message.number] = slot * slot_s
                    continue
                message.at += 1
                first = message.first
                if first is not None and first.at < message.at:
                    continue  # nobody here knows where it goes
                is_apart = False
            elif coming:  # an arrival comes before a cell that begins at its time
                slot, number = coming.pop()
                until = coming[-1][0] * count if coming else inf
                one = arrivals[number]
                message = _Passing(number, one.way, one.frames)
                is_apart = one.apart
            else:
                break
            # a message is there for its next link, and its frames may be sent from this slot on
            link = links[message.way[message.at]]
            waiting = link.messages
            if is_counted:
                link.held(slot)
            places = link.places
            taken = min(message.frames, places.free)
            places.free -= taken
            if taken and not waiting and link.waits:
                wait = link.waits[(slot - link.first) % slotframe]
                heappush(events, (slot + wait) * count + link.number)
            if is_apart:
                waiting.extend(message.parts(taken, led=one.led))
            else:
                for _ in range(taken):
                    waiting.append(message)
            if taken < message.frames:
                self._lose(message, "queue")
            if is_counted and begins <= slot < ends:
                link.came += message.frames
                link.refused += message.frames - taken
            if link.lengths is not None:
                link.lengths.append((slot * slot_s, len(waiting)))
        self._sent = sent

    def _lose(self, message: _Passing, cause: LostTo) -> None:
        if self._lost[message.number] is None:
            self._lost[message.number] = cause
            self._lost_at[message.number] = message.way[message.at]


@lru_cache(maxsize=256)  # a network is played again and again, and its links have few cells each
def _waits(cells: tuple[int, ...], slotframe: int) -> tuple[int, ...]:
    """Return for each slot of the slotframe how many slots it is to the next cell, 0 where it is one. Empty: none."""
    if not cells:
        return ()
    waits, places = [0] * slotframe, {cell % slotframe for cell in cells}
    wait = min(places)  # the next one behind the last slot
    for slot in reversed(range(slotframe)):
        wait = 0 if slot in places else wait + 1
        waits[slot] = wait
    return tuple(waits)
