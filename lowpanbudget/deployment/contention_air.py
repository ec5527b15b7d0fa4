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

from lowpanbudget.deployment.contention_messages import NOBODY, MessageLog, MovingMessage, frames_of
from lowpanbudget.deployment.contention_rules import (
    CsmaRules,
    HearingRanges,
    Sending,
    SimulatedFrame,
)
from lowpanbudget.deployment.delivery import LossStates
from lowpanbudget.deployment.noise import Noise

# the kinds of events; what ends comes before what begins at the same time
(
    _FRAME_ENDS,
    _ANSWER_ENDS,
    _GIVES_UP,
    _ANSWER_BEGINS,
    _FRAME_BEGINS,
    _CCA_ENDS,
    _NEXT,
    _PLANNED,
) = range(8)


class Air:
    """The channel with all its nodes; ``play`` runs it on, the counters tell what happened. Times in microseconds.

    ``keeps``: where and when each message ended is kept as well, and (time, node, frames) of each change of a queue.
    """

    def __init__(
        self,
        rules: CsmaRules,
        reception: HearingRanges,
        sendings: Sequence[Sending],
        places: int | None,
        seed: int,
        runs: LossStates | None,
        *,
        keeps: bool = False,
    ) -> None:
        nodes = len(reception.hears)
        self._nodes, self._rules, self._sendings = nodes, rules, sendings
        self._hears = [frozenset(others) for others in reception.hears]
        disturbed = [set(others) for others in reception.disturbs]
        for (
            sending
        ) in sendings:  # who receives a frame is no place for another one at the same time
            for here, there in zip(sending.way, sending.way[1:], strict=False):
                disturbed[here].add(there)
                disturbed[there].add(here)
        self._disturbs = disturbed
        self._places = inf if places is None else places
        self._random = Random(seed)  # noqa: S311  # no secret: a simulation that can be run again
        self._noise = Noise(self._random.random, runs)
        total, sums = 0.0, []
        for sending in sendings:  # one without end between its messages sends only what is planned
            total += 1e-6 / sending.every_s
            sums.append(total)
        self._rate, self._sums = total, sums
        self._events: list[tuple[float, int]] = []
        self.now = 0.0
        self.events = self.transmissions = self.unicasts = self.collided = 0
        self.ccas = self.busy = 0
        self.log = MessageLog(len(sendings), keeps=keeps)
        self._keeps = keeps
        self.lengths: list[tuple[float, int, int]] = []
        # by node: what waits (message, frame, receiver), who is heard until when, what is being received
        self._queues: list[deque[tuple[MovingMessage, SimulatedFrame, int]]] = [
            deque() for _ in range(nodes)
        ]
        # what is on the air, or was as long ago as a CCA takes: until when, and from whom. There are few at a time, so
        # that a large network costs no more than a small one
        self._on_air: list[tuple[float, int]] = []
        self._sends_until = [0.0] * nodes
        self._owes = [False] * nodes  # an acknowledgement
        # the receptions that go on, by receiver: a frame's sender, or nodes + who is answered
        self._hearing: dict[int, int] = {}
        self._intact = [True] * (2 * nodes)
        self._exponent = [rules.min_be] * nodes
        self._backoffs = [0] * nodes
        self._tries = [0] * nodes
        self._had = [False] * nodes  # the receiver has the frame that is being sent
        self._answers = [0.0] * nodes  # how long the acknowledgement is that a node owes
        self._answered = [NOBODY] * nodes  # whom it is owed
        self._handlers: tuple[Callable[[int], None], ...] = (
            self._frame_ends, self._answer_ends, self._gives_up, self._answer_begins,
            self._frame_begins, self._cca_ends, self._next, self._plan_begins,
        )  # fmt: skip
        self._planned: deque[int] = deque()
        if total:
            self._later(_NEXT, 0, -log(1 - self._random.random()) / total)

    def plan(self, sending: int, times_us: Sequence[float]) -> range:
        """Let messages of a sending begin at these times from now on, which rise; return their numbers."""
        first = len(self.log)
        for after in times_us:
            self._planned.append(self.log.begin(sending))
            self._later(_PLANNED, 0, after)
        return range(first, len(self.log))

    def _plan_begins(self, _node: int) -> None:
        number = self._planned.popleft()
        self._enqueue(MovingMessage(number, self.log.sending_of(number), self.now))

    def play(self, *, until_us: float = inf, messages: int = 0) -> None:
        """Run on to a time, or until so many messages to a receiver began."""
        events, handlers, nodes = self._events, self._handlers, self._nodes
        log, played = self.log, 0
        while events and events[0][0] <= until_us and (not messages or len(log) < messages):
            self.now, code = heappop(events)
            kind, node = divmod(code, nodes)
            handlers[kind](node)
            played += 1
        self.events += played
        self.now = min(max(self.now, until_us), until_us) if until_us < inf else self.now

    def _later(self, kind: int, node: int, after: float) -> None:
        heappush(self._events, (self.now + after, kind * self._nodes + node))

    def _next(self, _node: int) -> None:
        """Let a message begin, and the next one later."""
        random = self._random.random
        self._later(_NEXT, 0, -log(1 - random()) / self._rate)
        index = bisect(self._sums, random() * self._rate)  # below the last sum, which is the rate
        way = self._sendings[index].way
        number = NOBODY
        if len(way) > 1:
            number = self.log.begin(index)
        self._enqueue(MovingMessage(number, index, self.now))

    def _enqueue(self, message: MovingMessage) -> None:
        """Put the frames of a message into the queue of the node that has it now."""
        sending = self._sendings[message.sending]
        way, at = sending.way, message.reached
        node = way[at]
        to = way[at + 1] if len(way) > 1 else NOBODY
        queue = self._queues[node]
        idle = not queue
        for frame in frames_of(sending, at):
            if len(queue) < self._places:
                queue.append((message, frame, to))
            else:
                self.log.lose(message, "queue", node)
        if self._keeps:
            self.lengths.append((self.now, node, len(queue)))
        if idle and queue:
            self._start(node)

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
        is_busy = self._owes[node] or self._sends_until[node] > began
        for until, other in self._on_air:
            if until > began and node in self._hears[other]:
                is_busy = True
        if not is_busy:
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
            self.log.lose(self._queues[node][0][0], cause, node)
        self._done(node)

    def _done(self, node: int) -> None:
        """Leave the frame at the head of the queue, and go on with the next one."""
        queue = self._queues[node]
        queue.popleft()
        if self._keeps:
            self.lengths.append((self.now, node, len(queue)))
        if queue:
            self._start(node, self._rules.spacing_us)

    def _put_on_air(self, node: int, until: float) -> None:
        """Let a node send until then: whoever hears it waits, and what others receive near it is lost."""
        self._sends_until[node] = until
        for receiver, what in self._hearing.items():
            if receiver == node or receiver in self._disturbs[node]:
                self._intact[what] = False
        began = self.now - self._rules.cca_us
        self._on_air = [one for one in self._on_air if one[0] > began]
        self._on_air.append((until, node))

    def _receives(self, node: int, what: int, *, clear: bool) -> None:
        """Let a node begin to receive, in vain when the channel is not clear at it."""
        self._intact[what] = clear
        if clear:
            self._hearing[node] = what

    def _clear_at(self, node: int) -> bool:
        if self._sends_until[node] > self.now:
            return False
        return not any(
            until > self.now and node in self._disturbs[other] for until, other in self._on_air
        )

    def _frame_begins(self, node: int) -> None:
        _, frame, to = self._queues[node][0]
        self.transmissions += 1
        clear = to != NOBODY and self._clear_at(to)
        self._put_on_air(node, self.now + frame.air_us)
        if to != NOBODY:
            self.unicasts += 1
            self._receives(to, node, clear=clear)
        self._later(_FRAME_ENDS, node, frame.air_us)

    def _frame_ends(self, node: int) -> None:
        message, frame, to = self._queues[node][0]
        if to == NOBODY:
            self._done(node)
            return
        if self._hearing.get(to) == node:
            del self._hearing[to]
        intact = self._intact[node]
        if not intact:
            self.collided += 1
        received = intact and not self._is_lost(node, to, frame.loss)
        if received and not self._had[node]:
            self._had[node] = True
            self._arrive(message, to)
        if not frame.answer_us:
            self._lose_head(node, "retries")
        elif received:
            self._owes[to] = True
            self._answers[to], self._answered[to] = frame.answer_us, node
            self._later(_ANSWER_BEGINS, to, self._rules.turnaround_us)
        else:
            self._later(_GIVES_UP, node, self._rules.ack_wait_us)

    def _arrive(self, message: MovingMessage, node: int) -> None:
        """Count a frame that arrived; with its last one a message goes on, or is there."""
        sending = self._sendings[message.sending]
        message.arrived += 1
        if message.arrived < len(frames_of(sending, message.reached)):
            return
        message.reached += 1
        message.arrived = 0
        if message.reached < len(sending.way) - 1:
            self._enqueue(message)
            return
        self.log.arrive(message, self.now, node)

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
        if self._hearing.get(to) == what:
            del self._hearing[to]
        frame = self._queues[to][0][1]
        if self._intact[what] and not self._is_lost(node, to, frame.answer_loss):
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

    def _is_lost(self, sender: int, receiver: int, loss: float) -> bool:
        """Return whether noise loses what was sent; both ways of a link share its good and bad times."""
        link = min(sender, receiver) * self._nodes + max(sender, receiver)
        return self._noise.loses(loss, link, self.now / 1e6)
