"""The nodes of a simulated network: what waits in each, what it sends, and what it owes. Times in microseconds."""

from collections import Counter, deque
from collections.abc import Sequence
from heapq import heappush
from math import inf
from random import Random

from lowpanbudget.deployment.contention_messages import (
    NOBODY,
    MessageLog,
    MovingMessage,
    moving_frames,
    received,
)
from lowpanbudget.deployment.contention_rules import (
    CsmaRules,
    Sending,
    SimulatedFrame,
)
from lowpanbudget.deployment.delivery import LossStates
from lowpanbudget.deployment.noise import noise
from lowpanbudget.design.waiting import SendQueue

KINDS = 8
# the kinds of events; what ends comes before what begins at the same time: a CCA does not hear what begins as it ends
(
    FRAME_ENDS,
    ANSWER_ENDS,
    CCA_ENDS,
    GIVES_UP,
    ANSWER_BEGINS,
    FRAME_BEGINS,
    MESSAGE_BEGINS,
    RELEASED,
) = range(KINDS)


class QueueingNodes:
    """The queues of nodes, with the state of what is sent from each: all by node, in lists.

    An event is its time and one number, ``kind * nodes + node``. A node has at most one event of its own access (the
    end of a CCA, the begin and end of its frame, the end of its wait) and one of the acknowledgement that it owes.
    ``keeps``: where and when each message ended is kept as well, and (time, node, frames) of each change of a queue.
    """

    def __init__(
        self, nodes: int, rules: CsmaRules, sendings: Sequence[Sending], queue: SendQueue | None, seed: int,
        runs: LossStates | None, *, keeps: bool,
    ) -> None:  # fmt: skip
        self._nodes, self._rules, self._sendings = nodes, rules, sendings
        self._random = Random(seed).random  # noqa: S311  # no secret: a simulation that can be run again
        self._loses = noise(self._random, runs)
        self._events: list[tuple[float, int]] = []
        self.now = 0.0
        self.collided = 0
        # by node: frames to a receiver that were begun with, and how often they were sent
        self.frames, self.tries = [0] * nodes, [0] * nodes
        # by sender and receiver: those of the frames that came from another node
        self.passed_on: Counter[tuple[int, int]] = Counter()
        self.log = MessageLog(len(sendings), keeps=keeps)
        self._keeps = keeps
        self.lengths: list[tuple[float, int, int]] = []
        self._queues: list[deque[tuple[MovingMessage, SimulatedFrame, int]]] = [
            deque() for _ in range(nodes)
        ]  # message, frame, receiver
        self._places = [inf if queue is None else queue.of(node) for node in range(nodes)]
        self._shared = queue is None or queue.shared  # these places, by frames to all receivers
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

    def _later(self, kind: int, node: int, after: float) -> None:
        heappush(self._events, (self.now + after, kind * self._nodes + node))

    def _enqueue(self, message: MovingMessage) -> None:
        """Put the frames of a message into the queue of the node that has it now."""
        sending = self._sendings[message.sending]
        way, at = sending.way, message.reached
        node = way[at]
        to = way[at + 1] if len(way) > 1 else NOBODY
        queue = self._queues[node]
        waiting = len(queue)
        taken = waiting if self._shared else sum(whose == to for _, _, whose in queue)
        for one, frame in moving_frames(message, sending):
            if taken < self._places[node]:
                taken += 1
                queue.append((one, frame, to))
            else:
                self.log.lose(one, "queue", node)
        if self._keeps:
            self.lengths.append((self.now, node, len(queue)))
        if queue and not waiting:
            if self._owes[node]:  # one radio: what came is passed on behind its acknowledgement
                self._begins_then[node] = True
            else:
                self._start(node, self._waits)

    def _start(self, node: int, waits: list[float]) -> None:
        """Begin with the frame at the head of a queue; ``waits`` are the times to its CCA, one of which is drawn."""
        self._tries[node] = 0
        self._had[node] = False
        message, _, to = self._queues[node][0]
        self._begun(node, to, message)
        self._attempt(node, waits)

    def _begun(self, node: int, to: int, message: MovingMessage) -> None:
        """Count a frame that is begun with."""
        self.frames[node] += to != NOBODY
        if message.reached:
            self.passed_on[node, to] += 1

    def _attempt(self, node: int, waits: list[float]) -> None:
        window = self._windows[node] = self._first_window
        self._backoffs[node] = 0
        after = waits[int(self._random() * window)]
        heappush(self._events, (self.now + after, CCA_ENDS * self._nodes + node))

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
            self._start(node, self._waits_spaced)

    def _frame_ends(self, node: int, *, is_clear: bool) -> bool:
        """End a frame, that no other one was in the way of where it ``is_clear``; return whether it is acknowledged."""
        message, frame, to = self._queues[node][0]
        if to == NOBODY:
            self._done(node)
            return False
        is_received = False
        if not is_clear:
            self.collided += 1
        elif not self._is_lost(node, to, frame.loss):
            is_received = True
            self._owes[to] = frame.answer_us > 0
            if not self._had[node]:
                self._had[node] = True
                self._arrive(message, to)
        if not frame.answer_us:
            self._lose_head(node, "retries")
        elif is_received:
            self._answers[to], self._answered[to] = frame.answer_us, node
            return True
        else:
            self._later(GIVES_UP, node, self._rules.ack_wait_us)
        return False

    def _arrive(self, message: MovingMessage, node: int) -> None:
        """Count a frame that arrived, and let go on what then is to."""
        is_there = received(message, self._sendings[message.sending])
        if is_there:
            self.log.arrive(message, self.now, node)
        elif is_there is not None:
            self._enqueue(message)

    def _answer_ends(self, node: int, *, is_clear: bool) -> None:
        to = self._answered[node]
        self._owes[node] = False
        if self._begins_then[node]:
            self._begins_then[node] = False
            self._start(node, self._waits)
        frame = self._queues[to][0][1]
        if is_clear and not self._is_lost(node, to, frame.answer_loss):
            self._done(to)
        else:
            self._later(GIVES_UP, to, self._left_of_wait(frame.answer_us))

    def _left_of_wait(self, answer_us: float) -> float:
        """Return how much longer is waited for an acknowledgement that was not received: from the frame's end on."""
        spent = self._rules.turnaround_us + answer_us
        return max(self._rules.ack_wait_us - spent, 0.0)

    def _gives_up(self, node: int) -> None:
        self._tries[node] += 1
        if self._tries[node] > self._rules.retries:
            self._lose_head(node, "retries")
        else:
            self._attempt(node, self._waits)

    def _is_lost(self, sender: int, receiver: int, loss: float) -> bool:
        """Return whether noise loses what was sent."""
        return self._loses(loss, self._link(sender, receiver), self.now / 1e6)

    def _link(self, one: int, other: int) -> int:
        """Return the number of a link, both ways of which share its good and bad times."""
        return one * self._nodes + other if one < other else other * self._nodes + one
