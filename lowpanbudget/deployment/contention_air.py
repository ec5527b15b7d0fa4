"""The nodes of a simulated network on their channel: one event after another, in the order of their times.

An event is its time and one number, ``kind * nodes + node``; all else is kept by node, in lists. A node has at most one
event of its own access (the end of a CCA, the begin and end of its frame, the end of its wait) and one of the
acknowledgement that it owes.
"""

from bisect import bisect
from collections import Counter, deque
from collections.abc import Iterator, Sequence
from heapq import heappop, heappush, heapreplace
from itertools import accumulate
from math import inf, log
from random import Random

from lowpanbudget.deployment.contention_channel import Channel
from lowpanbudget.deployment.contention_messages import (
    NOBODY,
    MessageLog,
    MovingMessage,
    begun,
    moving_frames,
    received,
)
from lowpanbudget.deployment.contention_places import TakenPlaces, WaitingFrames
from lowpanbudget.deployment.contention_rules import CsmaRules, HearingRanges, Sending
from lowpanbudget.deployment.delivery import LossStates
from lowpanbudget.deployment.noise import Noise
from lowpanbudget.design.waiting import SendQueue

_KINDS = 9
# the kinds of events; what ends comes before what begins at the same time: a CCA does not hear what begins as it ends
(
    _FRAME_ENDS,
    _ANSWER_ENDS,
    _CCA_ENDS,
    _GIVES_UP,
    _ANSWER_BEGINS,
    _FRAME_BEGINS,
    _NEXT,
    _PLANNED,
    _RELEASED,
) = range(_KINDS)


class Air:
    """The channel with all its nodes; ``play`` runs it on, the counters tell what happened. Times in microseconds.

    ``keeps``: where and when each message ended is kept as well, and (time, node, frames) of each change of a queue.
    """

    def __init__(
        self,
        rules: CsmaRules,
        reception: HearingRanges,
        sendings: Sequence[Sending],
        queue: SendQueue | None,
        seed: int,
        runs: LossStates | None,
        *,
        keeps: bool = False,
    ) -> None:
        nodes = len(reception.hears)
        self._nodes, self._rules, self._sendings = nodes, rules, sendings
        self._channel = Channel(rules.cca_us, reception, sendings)
        self._places = TakenPlaces(queue)
        self._random = Random(seed).random  # noqa: S311  # no secret: a simulation that can be run again
        self._noise, self._runs = Noise(self._random, runs), runs
        # one without end between its messages sends only what is planned
        self._sums = list(accumulate(1e-6 / one.every_s for one in sendings))
        self._rate = self._sums[-1] if sendings else 0.0
        self._events: list[tuple[float, int]] = []
        self._kind_of = [kind for kind in range(_KINDS) for _ in range(nodes)]
        self._node_of = list(range(nodes)) * _KINDS
        self.now = 0.0
        self.events = self.transmissions = self.collided = 0
        self.ccas = self.busy = 0
        # by node: frames to a receiver that were begun with, and how often they were sent
        self.frames, self.tries = [0] * nodes, [0] * nodes
        # by sender and receiver: those of the frames that came from another node
        self.passed_on: Counter[tuple[int, int]] = Counter()
        self.log = MessageLog(len(sendings), keeps=keeps)
        self._keeps = keeps
        self.lengths: list[tuple[float, int, int]] = []
        self._queues: list[WaitingFrames] = [deque() for _ in range(nodes)]
        self._owes = [False] * nodes  # an acknowledgement
        # how long it is to the end of a CCA behind so many backoffs, and with the pause behind a frame before them
        self._first_window = 1 << rules.min_be
        most = range(1 << max(rules.min_be, rules.max_be))
        self._waits, self._waits_spaced = (
            [after + units * rules.unit_us + rules.cca_us for units in most]
            for after in (0.0, rules.spacing_us)
        )
        self._windows = [self._first_window] * nodes  # of how many backoffs the next one is drawn
        self._backoffs = [0] * nodes
        self._tries = [0] * nodes
        self._had = [False] * nodes  # the receiver has the frame that is being sent
        self._answers = [0.0] * nodes  # how long the acknowledgement is that a node owes
        self._answered = [NOBODY] * nodes  # whom it is owed
        self._begins_then = [False] * nodes  # it has something to send once it has answered
        self._planned: deque[int] = deque()
        self._waiting: list[tuple[float, int, int, MovingMessage]] = []  # till when, by number
        # of what was planned, by number: when, by whom, how long
        self.fired: dict[int, list[tuple[float, int, float]]] = {}
        if self._rate:
            self._later(_NEXT, 0, -log(1 - self._random()) / self._rate)

    def plan(self, sending: int, times_us: Sequence[float]) -> range:
        """Let messages of a sending begin at these times from now on, which rise; return their numbers."""
        first = len(self.log)
        for after in times_us:
            self._planned.append(self.log.begin(sending))
            self._later(_PLANNED, 0, after)
        return range(first, len(self.log))

    def waiting(self) -> Iterator[int]:
        """Yield the number of the message of each frame that waits."""
        yield from (message.number for queue in self._queues for message, _, _ in queue)
        yield from (number for _, number, _, _ in self._waiting)

    def play(self, *, until_us: float = inf, messages: int = 0) -> None:
        """Run on to a time, or until so many messages to a receiver began.

        What happens most stands in the loop itself: calls would take longer than the events.
        """
        kind_of, node_of = self._kind_of, self._node_of
        events, nodes, rules, log = self._events, self._nodes, self._rules, self.log
        queues, owes, answers, answered = self._queues, self._owes, self._answers, self._answered
        is_busy, send = self._channel.is_busy, self._channel.send
        windows, backoffs, waits, random = self._windows, self._backoffs, self._waits, self._random
        tries = self.tries
        cca_us, turnaround_us, last_window = rules.cca_us, rules.turnaround_us, 1 << rules.max_be
        played = ccas = busy = transmissions = 0
        is_enough = 0 < messages <= len(log)
        while events and not is_enough:
            now, code = events[0]
            if now > until_us:
                break
            self.now = now
            played += 1
            kind, node = kind_of[code], node_of[code]
            if kind == _CCA_ENDS:
                ccas += 1
                if not (owes[node] or is_busy(node, now - cca_us)):
                    heapreplace(events, (now + turnaround_us, _FRAME_BEGINS * nodes + node))
                    continue
                busy += 1
                if backoffs[node] < rules.backoffs:
                    backoffs[node] += 1
                    window = windows[node] = min(2 * windows[node], last_window)
                    heapreplace(events, (now + waits[int(random() * window)], code))
                    continue
                heappop(events)
                if rules.busy_tries_again:
                    self._gives_up(node)
                else:
                    self._lose_head(node, "access")
            elif kind == _FRAME_BEGINS:
                message, frame, to = queues[node][0]
                transmissions += 1
                if message.sent is not None:
                    message.sent.append((now, node, frame.air_us))
                tries[node] += to != NOBODY
                until = now + frame.air_us
                send(node, now, until, to, node)
                heapreplace(events, (until, _FRAME_ENDS * nodes + node))
            elif kind == _ANSWER_BEGINS:
                to = answered[node]
                until = now + answers[node]
                sent = queues[to][0][0].sent
                if sent is not None:
                    sent.append((now, node, answers[node]))
                send(node, now, until, to, nodes + to)
                heapreplace(events, (until, _ANSWER_ENDS * nodes + node))
            else:
                heappop(events)
                if kind == _FRAME_ENDS:
                    self._frame_ends(node)
                elif kind == _ANSWER_ENDS:
                    self._answer_ends(node)
                elif kind == _NEXT:
                    self._next()
                    is_enough = 0 < messages <= len(log)
                elif kind == _GIVES_UP:
                    self._gives_up(node)
                elif kind == _RELEASED:
                    self._enqueue(heappop(self._waiting)[-1])
                else:
                    number = self._planned.popleft()
                    sent = self.fired[number] = []
                    self._begin(MovingMessage(number, log.sending_of(number), now, sent))
        self.events += played
        self.ccas += ccas
        self.busy += busy
        self.transmissions += transmissions
        if until_us < inf:
            self.now = min(max(self.now, until_us), until_us)

    def _later(self, kind: int, node: int, after: float) -> None:
        heappush(self._events, (self.now + after, kind * self._nodes + node))

    def _next(self) -> None:
        """Let a message begin, and the next one later."""
        random, rate, now = self._random, self._rate, self.now
        heappush(self._events, (now - log(1 - random()) / rate, _NEXT * self._nodes))
        index = bisect(self._sums, random() * rate)  # below the last sum, which is the rate
        number = self.log.begin(index) if len(self._sendings[index].way) > 1 else NOBODY
        self._begin(MovingMessage(number, index, now))

    def _begin(self, message: MovingMessage) -> None:
        """Let a message go, or its frames one after the other where each goes by itself."""
        for after, one in begun(message, self._sendings[message.sending]):
            if after:
                heappush(self._waiting, (self.now + after, one.number, one.part, one))
                self._later(_RELEASED, 0, after)
            else:
                self._enqueue(one)

    def _enqueue(self, message: MovingMessage) -> None:
        """Put the frames of a message into the queue of the node that has it now."""
        sending = self._sendings[message.sending]
        way, at = sending.way, message.reached
        node = way[at]
        to = way[at + 1] if len(way) > 1 else NOBODY
        queue = self._queues[node]
        idle = not queue
        for one, frame in moving_frames(message, sending):
            if self._places.take(node, to):
                queue.append((one, frame, to))
            else:
                self.log.lose(one, "queue", node)
        if self._keeps:
            self.lengths.append((self.now, node, len(queue)))
        if idle and queue:
            if self._owes[node]:  # one radio: what came is passed on behind its acknowledgement
                self._begins_then[node] = True
            else:
                self._start(node, self._waits)

    def _start(self, node: int, waits: list[float]) -> None:
        """Begin with the frame at the head of a queue; ``waits`` are the times to its CCA, one of which is drawn."""
        self._tries[node] = 0
        self._had[node] = False
        message, _, to = self._queues[node][0]
        self.frames[node] += to != NOBODY
        if message.reached:
            self.passed_on[node, to] += 1
        self._attempt(node, waits)

    def _attempt(self, node: int, waits: list[float]) -> None:
        window = self._windows[node] = self._first_window
        self._backoffs[node] = 0
        after = waits[int(self._random() * window)]
        heappush(self._events, (self.now + after, _CCA_ENDS * self._nodes + node))

    def _lose_head(self, node: int, cause: str) -> None:
        if not self._had[node]:  # else only its acknowledgements were lost
            self.log.lose(self._queues[node][0][0], cause, node)
        self._done(node)

    def _done(self, node: int) -> None:
        """Leave the frame at the head of the queue, and go on with the next one."""
        queue = self._queues[node]
        _, _, to = queue.popleft()
        self._places.leave(node, to)
        if self._keeps:
            self.lengths.append((self.now, node, len(queue)))
        if queue:
            self._start(node, self._waits_spaced)

    def _frame_ends(self, node: int) -> None:
        message, frame, to = self._queues[node][0]
        if to == NOBODY:
            self._done(node)
            return
        received = False
        if not self._channel.receives(to, node):
            self.collided += 1
        elif not self._is_lost(node, to, frame.loss):
            received = True
            self._owes[to] = frame.answer_us > 0
            if not self._had[node]:
                self._had[node] = True
                self._arrive(message, to)
        if not frame.answer_us:
            self._lose_head(node, "retries")
        elif received:
            self._answers[to], self._answered[to] = frame.answer_us, node
            self._later(_ANSWER_BEGINS, to, self._rules.turnaround_us)
        else:
            self._later(_GIVES_UP, node, self._rules.ack_wait_us)

    def _arrive(self, message: MovingMessage, node: int) -> None:
        """Count a frame that arrived, and let go on what then is to."""
        is_there = received(message, self._sendings[message.sending])
        if is_there:
            self.log.arrive(message, self.now, node)
        elif is_there is not None:
            self._enqueue(message)

    def _answer_ends(self, node: int) -> None:
        to = self._answered[node]
        self._owes[node] = False
        if self._begins_then[node]:
            self._begins_then[node] = False
            self._start(node, self._waits)
        frame = self._queues[to][0][1]
        intact = self._channel.receives(to, self._nodes + to)
        if intact and not self._is_lost(node, to, frame.answer_loss):
            self._done(to)
        else:
            # of the wait, which counts from the frame's end
            spent = self._rules.turnaround_us + frame.answer_us
            self._later(_GIVES_UP, to, max(self._rules.ack_wait_us - spent, 0.0))

    def _gives_up(self, node: int) -> None:
        self._tries[node] += 1
        if self._tries[node] > self._rules.retries:
            self._lose_head(node, "retries")
        else:
            self._attempt(node, self._waits)

    def _is_lost(self, sender: int, receiver: int, loss: float) -> bool:
        """Return whether noise loses what was sent; both ways of a link share its good and bad times."""
        if self._runs is None:
            return loss > 0 and self._random() < loss
        low, high = (sender, receiver) if sender < receiver else (receiver, sender)
        link = low * self._nodes + high
        return self._noise.loses(loss, link, self.now / 1e6)
