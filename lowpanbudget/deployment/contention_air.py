"""The channel and the nodes of a simulated network: one event after another, in the order of their times.

An event is its time and one number, ``kind * nodes + node``; all else is kept by node, in lists. A node has at most one
event of its own access (the end of a CCA, the begin and end of its frame, the end of its wait) and one of the
acknowledgement that it owes.
"""

from bisect import bisect
from collections import deque
from collections.abc import Callable, Sequence
from heapq import heappop, heappush
from math import inf, log
from random import Random

from lowpanbudget.deployment.contention_rules import (
    CsmaRules,
    Reception,
    Sending,
    SimulatedFrame,
)
from lowpanbudget.deployment.delivery import LossStates

# the kinds of events; what ends comes before what begins at the same time
(_FRAME_ENDS, _ANSWER_ENDS, _GIVES_UP, _ANSWER_BEGINS, _FRAME_BEGINS, _CCA_ENDS, _NEXT) = range(7)
_NOBODY = -1


class _Message:
    """A message on its way: which sending it is of, when it began, how far it is, and what arrived of it there."""

    __slots__ = ("arrived", "born", "lost", "number", "reached", "sending")

    def __init__(self, number: int, sending: int, born: float) -> None:
        self.number = number
        self.sending = sending
        self.born = born
        self.reached = 0
        self.arrived = 0
        self.lost = False


class _Settled:
    """What became of the messages of a sending."""

    __slots__ = ("generated", "latencies")

    def __init__(self) -> None:
        self.generated = 0
        self.latencies: list[float] = []


class Air:
    """The channel with all its nodes; ``play`` runs it on, the counters tell what happened. Times in microseconds."""

    def __init__(
        self,
        rules: CsmaRules,
        reception: Reception,
        sendings: Sequence[Sending],
        places: int | None,
        seed: int,
        runs: LossStates | None,
    ) -> None:
        nodes = len(reception.hears)
        self._nodes, self._rules, self._sendings = nodes, rules, sendings
        self._hears = reception.hears
        disturbed = [set(others) for others in reception.disturbs]
        for sending in sendings:  # who receives a frame is no place for another one at the same time
            for here, there in zip(sending.way, sending.way[1:], strict=False):
                disturbed[here].add(there)
                disturbed[there].add(here)
        self._disturbs = [tuple(sorted(others)) for others in disturbed]
        self._places = inf if places is None else places
        self._random = Random(seed)  # noqa: S311  # no secret: a simulation that can be run again
        self._runs = runs
        self._states: dict[int, tuple[float, bool]] = {}
        total, sums = 0.0, []
        for sending in sendings:
            total += 1e-6 / sending.every_s
            sums.append(total)
        self._rate, self._sums = total, sums
        self._events: list[tuple[float, int]] = []
        self.now = 0.0
        self.events = self.transmissions = self.unicasts = self.collided = 0
        self.ccas = self.busy = 0
        self.lost = {"access": 0, "retries": 0, "queue": 0}
        self._settled = [_Settled() for _ in sendings]
        self._outcomes = bytearray()  # of each message to a receiver: 0 on its way, 1 arrived, 2 lost
        self._sending_of: list[int] = []  # the number of each message's sending
        # by node: what waits (message, frame, receiver), who is heard until when, what is being received
        self._queues: list[deque[tuple[_Message, SimulatedFrame, int]]] = [
            deque() for _ in range(nodes)
        ]
        self._heard_until = [0.0] * nodes
        self._noise_until = [0.0] * nodes
        self._sends_until = [0.0] * nodes
        self._owes = [False] * nodes  # an acknowledgement
        self._hearing = [_NOBODY] * nodes  # the reception that goes on: a frame's sender, or nodes + who is answered
        self._intact = [True] * (2 * nodes)
        self._exponent = [rules.min_be] * nodes
        self._backoffs = [0] * nodes
        self._tries = [0] * nodes
        self._had = [False] * nodes  # the receiver has the frame that is being sent
        self._answers = [0.0] * nodes  # how long the acknowledgement is that a node owes
        self._answered = [_NOBODY] * nodes  # whom it is owed
        self._handlers: tuple[Callable[[int], None], ...] = (
            self._frame_ends, self._answer_ends, self._gives_up, self._answer_begins,
            self._frame_begins, self._cca_ends, self._next,
        )  # fmt: skip
        self._later(_NEXT, 0, -log(1 - self._random.random()) / total)

    def play(self, *, until_us: float = inf, messages: int = 0) -> None:
        """Run on to a time, or until so many messages to a receiver began."""
        events, handlers, nodes = self._events, self._handlers, self._nodes
        outcomes, played = self._outcomes, 0
        while events[0][0] <= until_us and (not messages or len(outcomes) < messages):
            self.now, code = heappop(events)
            kind, node = divmod(code, nodes)
            handlers[kind](node)
            played += 1
        self.events += played
        self.now = min(max(self.now, until_us), until_us) if until_us < inf else self.now

    def outcomes(self) -> list[int]:
        """Return 1 for each message that arrived and 0 for each that was lost, as they began, up to the first open one."""
        end = self._outcomes.find(0)
        return [2 - one for one in self._outcomes[: end if end >= 0 else None]]

    def by_sending(self) -> list[_Settled]:
        """Return what became of the messages of each sending; those still on their way are not counted."""
        for one in self._settled:
            one.generated = 0
        for outcome, index in zip(self._outcomes, self._sending_of, strict=True):
            self._settled[index].generated += outcome > 0
        return self._settled

    def _later(self, kind: int, node: int, after: float) -> None:
        heappush(self._events, (self.now + after, kind * self._nodes + node))

    def _next(self, _node: int) -> None:
        """Let a message begin, and the next one later."""
        random = self._random.random
        self._later(_NEXT, 0, -log(1 - random()) / self._rate)
        index = min(bisect(self._sums, random() * self._rate), len(self._sums) - 1)
        way = self._sendings[index].way
        number = _NOBODY
        if len(way) > 1:
            number = len(self._outcomes)
            self._outcomes.append(0)
            self._sending_of.append(index)
        self._enqueue(_Message(number, index, self.now))

    def _enqueue(self, message: _Message) -> None:
        """Put the frames of a message into the queue of the node that has it now."""
        sending = self._sendings[message.sending]
        way, at = sending.way, message.reached
        node = way[at]
        to = way[at + 1] if len(way) > 1 else _NOBODY
        queue = self._queues[node]
        idle = not queue
        frames = sending.forwarded if at and sending.forwarded else sending.frames
        for frame in frames:
            if len(queue) < self._places:
                queue.append((message, frame, to))
            else:
                self._lose(message, "queue")
        if idle and queue:
            self._start(node)

    def _lose(self, message: _Message, cause: str) -> None:
        if not message.lost and message.number != _NOBODY:
            self.lost[cause] += 1
            self._outcomes[message.number] = 2
        message.lost = True

    def _start(self, node: int, after: float = 0.0) -> None:
        """Begin with the frame at the head of a queue."""
        self._tries[node] = 0
        self._had[node] = False
        self._attempt(node, after)

    def _attempt(self, node: int, after: float = 0.0) -> None:
        self._exponent[node] = self._rules.min_be
        self._backoffs[node] = 0
        self._wait(node, after)

    def _wait(self, node: int, after: float = 0.0) -> None:
        rules = self._rules
        units = int(self._random.random() * (1 << self._exponent[node]))
        self._later(_CCA_ENDS, node, after + units * rules.unit_us + rules.cca_us)

    def _cca_ends(self, node: int) -> None:
        rules = self._rules
        self.ccas += 1
        began = self.now - rules.cca_us
        is_free = self._heard_until[node] <= began and self._sends_until[node] <= began
        if is_free and not self._owes[node]:
            self._later(_FRAME_BEGINS, node, rules.turnaround_us)
            return
        self.busy += 1
        if self._backoffs[node] < rules.backoffs:
            self._backoffs[node] += 1
            self._exponent[node] = min(self._exponent[node] + 1, rules.max_be)
            self._wait(node)
        elif rules.busy_tries_again:
            self._gives_up(node)
        else:
            self._lose_head(node, "access")

    def _lose_head(self, node: int, cause: str) -> None:
        if not self._had[node]:  # else only its acknowledgements were lost
            self._lose(self._queues[node][0][0], cause)
        self._done(node)

    def _done(self, node: int) -> None:
        """Leave the frame at the head of the queue, and go on with the next one."""
        queue = self._queues[node]
        queue.popleft()
        if queue:
            self._start(node, self._rules.spacing_us)

    def _put_on_air(self, node: int, until: float) -> None:
        """Let a node send until then: whoever hears it waits, and what others receive near it is lost."""
        self._sends_until[node] = until
        hearing, intact, noise = self._hearing, self._intact, self._noise_until
        if hearing[node] != _NOBODY:  # it cannot receive meanwhile
            intact[hearing[node]] = False
        for other in self._disturbs[node]:
            if hearing[other] != _NOBODY:
                intact[hearing[other]] = False
            if noise[other] < until:
                noise[other] = until
        heard = self._heard_until
        for other in self._hears[node]:
            if heard[other] < until:
                heard[other] = until

    def _receives(self, node: int, what: int, *, clear: bool) -> None:
        """Let a node begin to receive, in vain when the channel is not clear at it."""
        self._intact[what] = clear
        if clear:
            self._hearing[node] = what

    def _clear_at(self, node: int) -> bool:
        return self._noise_until[node] <= self.now and self._sends_until[node] <= self.now

    def _frame_begins(self, node: int) -> None:
        _, frame, to = self._queues[node][0]
        self.transmissions += 1
        clear = to != _NOBODY and self._clear_at(to)
        self._put_on_air(node, self.now + frame.air_us)
        if to != _NOBODY:
            self.unicasts += 1
            self._receives(to, node, clear=clear)
        self._later(_FRAME_ENDS, node, frame.air_us)

    def _frame_ends(self, node: int) -> None:
        message, frame, to = self._queues[node][0]
        if to == _NOBODY:
            self._done(node)
            return
        if self._hearing[to] == node:
            self._hearing[to] = _NOBODY
        intact = self._intact[node]
        if not intact:
            self.collided += 1
        received = intact and not self._noise(node, to, frame.loss)
        if received and not self._had[node]:
            self._had[node] = True
            self._arrive(message)
        if not frame.answer_us:
            self._lose_head(node, "retries")
        elif received:
            self._owes[to] = True
            self._answers[to], self._answered[to] = frame.answer_us, node
            self._later(_ANSWER_BEGINS, to, self._rules.turnaround_us)
        else:
            self._later(_GIVES_UP, node, self._rules.ack_wait_us)

    def _arrive(self, message: _Message) -> None:
        """Count a frame that arrived; with its last one a message goes on, or is there."""
        sending = self._sendings[message.sending]
        message.arrived += 1
        frames = sending.forwarded if message.reached and sending.forwarded else sending.frames
        if message.arrived < len(frames):
            return
        message.reached += 1
        message.arrived = 0
        if message.reached < len(sending.way) - 1:
            self._enqueue(message)
            return
        self._outcomes[message.number] = 1
        self._settled[message.sending].latencies.append((self.now - message.born) / 1e6)

    def _answer_begins(self, node: int) -> None:
        to, lasts = self._answered[node], self._answers[node]
        clear = self._clear_at(to)
        self._put_on_air(node, self.now + lasts)
        self._receives(to, self._nodes + to, clear=clear)
        self._later(_ANSWER_ENDS, node, lasts)

    def _answer_ends(self, node: int) -> None:
        to = self._answered[node]
        self._owes[node] = False
        what = self._nodes + to
        if self._hearing[to] == what:
            self._hearing[to] = _NOBODY
        frame = self._queues[to][0][1]
        if self._intact[what] and not self._noise(node, to, frame.answer_loss):
            self._done(to)
        else:
            # the wait counts from the end of the frame; turnaround and acknowledgement are part of it
            spent = self._rules.turnaround_us + frame.answer_us
            self._later(_GIVES_UP, to, max(self._rules.ack_wait_us - spent, 0.0))

    def _gives_up(self, node: int) -> None:
        self._tries[node] += 1
        if self._tries[node] > self._rules.retries:
            self._lose_head(node, "retries")
        else:
            self._attempt(node)

    def _noise(self, sender: int, receiver: int, loss: float) -> bool:
        """Return whether noise loses what was sent: by its share, or by the state of the link where losses come in runs."""
        random = self._random.random
        runs = self._runs
        if runs is None:
            return loss > 0 and random() < loss
        low, high = min(sender, receiver), max(sender, receiver)
        link, share = low * self._nodes + high, runs.bad_share
        before = self._states.get(link)
        if before is not None:
            keeps = runs.memory((self.now - before[0]) / 1e6)
            share = share * (1 - keeps) + (keeps if before[1] else 0.0)
        is_bad = random() < share
        self._states[link] = (self.now, is_bad)
        return random() < (runs.bad if is_bad else runs.good)
