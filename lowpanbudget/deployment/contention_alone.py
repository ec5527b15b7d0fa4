"""What begins on a simulated channel, and what comes of it while nobody else has anything to send.

Most networks are quiet for most of the time. What happens then is what its events would come to, without events: all is
drawn in their order, so that it is the same to the last digit.
"""

from bisect import bisect
from collections import deque
from collections.abc import Iterator, Sequence
from heapq import heappush
from itertools import accumulate, pairwise
from math import inf, log

from lowpanbudget.deployment.contention_channel import Channel
from lowpanbudget.deployment.contention_messages import NOBODY, MovingMessage
from lowpanbudget.deployment.contention_nodes import (
    CCA_ENDS,
    GIVES_UP,
    RELEASED,
    QueueingNodes,
)
from lowpanbudget.deployment.contention_rules import (
    CsmaRules,
    HearingRanges,
    Sending,
    SimulatedFrame,
)
from lowpanbudget.deployment.delivery import LossStates
from lowpanbudget.design.waiting import SendQueue

Transmissions = list[tuple[float, int, float]]  # when, by whom, how long
Began = tuple[
    int, int, float, Transmissions | None
]  # number, sending, when; None: what is sent is not kept
Hop = tuple[int, int, int, SimulatedFrame]  # sender, receiver, number of the link, frame


class LoneSenders(QueueingNodes):
    """Nodes on a channel with the messages that they begin, and what is sent while nobody else is about."""

    def __init__(
        self, rules: CsmaRules, reception: HearingRanges, sendings: Sequence[Sending], queue: SendQueue | None,
        seed: int, runs: LossStates | None, *, keeps: bool,
    ) -> None:  # fmt: skip
        super().__init__(len(reception.hears), rules, sendings, queue, seed, runs, keeps=keeps)
        self._channel = Channel(rules.cca_us, reception, sendings)
        # what nobody else is about for: a CCA that ends behind it all then began behind the frame, and can hear nothing
        # but the end of the acknowledgement
        self.skips_events = rules.cca_us <= rules.turnaround_us
        self.events = self.transmissions = self.ccas = 0
        # one without end between its messages sends only what is planned
        self._sums = list(accumulate(1e-6 / one.every_s for one in sendings))
        self._rate = self._sums[-1] if sendings else 0.0
        # when the next usual message begins
        self._usual_us = -log(1 - self._random()) / self._rate if self._rate else inf
        # when others do, of which number and sending
        self._planned: deque[tuple[float, int, int]] = deque()
        self._begins_us = self._usual_us  # the first of all
        self._waiting: list[tuple[float, int, int, MovingMessage]] = []  # till when, by number
        # of what was planned, by number: when, by whom, how long
        self.fired: dict[int, Transmissions] = {}
        self._hops_of: list[tuple[Hop, ...] | None] = [None] * len(sendings)  # where one was sent

    def plan(self, sending: int, times_us: Sequence[float]) -> range:
        """Let messages of a sending begin at these times from now on, which rise; return their numbers."""
        first = len(self.log)
        planned = [(self.now + after, self.log.begin(), sending) for after in times_us]
        self._planned = deque(sorted([*self._planned, *planned]))
        self._begins_us = self._first_us()
        return range(first, len(self.log))

    def waiting(self) -> Iterator[int]:
        """Yield the number of the message of each frame that waits."""
        yield from (message.number for queue in self._queues for message, _, _ in queue)
        yield from (number for _, number, _, _ in self._waiting)

    def _first_us(self) -> float:
        return min(self._usual_us, self._planned[0][0]) if self._planned else self._usual_us

    def _drawn(self) -> Began:
        """Take the message that begins next, and draw when the usual one behind it does.

        What was planned has a list of its transmissions.
        """
        now = self.now = self._begins_us
        self.events += 1
        if now < self._usual_us:
            _, number, sending = self._planned.popleft()
            self._begins_us = self._first_us()
            sent: Transmissions = []
            self.fired[number] = sent
            return number, sending, now, sent
        random, rate = self._random, self._rate
        self._usual_us = first_us = now - log(1 - random()) / rate
        self._begins_us = self._first_us() if self._planned else first_us
        sending = bisect(self._sums, random() * rate)  # below the last sum, which is the rate
        number = self.log.begin() if len(self._sendings[sending].way) > 1 else NOBODY
        return number, sending, now, None

    def _begin(self, message: MovingMessage) -> None:
        """Let a message go, or its frames one after the other where each goes by itself."""
        sending = self._sendings[message.sending]
        if not sending.apart:
            self._enqueue(message)
            return
        for part in range(len(sending.frames)):
            one, after = message.piece(part), part * sending.pause_us
            if after:
                heappush(self._waiting, (self.now + after, one.number, one.part, one))
                self._later(RELEASED, 0, after)
            else:
                self._enqueue(one)

    def _note(
        self, message: MovingMessage, node: int, to: int, begins: float, air_us: float
    ) -> None:
        """Count a frame that begins."""
        self.transmissions += 1
        if to != NOBODY:
            self.tries[node] += 1
        if message.sent is not None:
            message.sent.append((begins, node, air_us))

    def _exchange(self, node: int, over: float) -> None:
        """Send a frame behind its CCA, and its acknowledgement till all is over, with nobody else about."""
        message, frame, to = self._queues[node][0]
        begins = self.now + self._rules.turnaround_us
        self._note(message, node, to, begins, frame.air_us)
        ends = self.now = begins + frame.air_us
        self.events += 2
        if self._frame_ends(node, is_clear=True):
            if message.sent is not None:
                message.sent.append((ends + self._rules.turnaround_us, to, frame.answer_us))
            self._channel.send_alone(to, over)
            self.now = over
            self.events += 2
            self._answer_ends(to, is_clear=True)

    def _play_alone(self, until_us: float, messages: int) -> None:
        """Let messages begin, and take each to its end, until something is left for events, or so many began.

        All stands in the loop itself: calls would take longer than what they do.
        """
        random, waits, window, loses = self._random, self._waits, self._first_window, self._loses
        frames, tries, passed_on, events = self.frames, self.tries, self.passed_on, self._events
        turnaround_us, ack_wait_us = self._rules.turnaround_us, self._rules.ack_wait_us
        log, nodes, all_hops = self.log, self._nodes, self._hops_of
        lengths = self.lengths if self._keeps else None
        transmissions = lost = 0
        while not events and self._begins_us <= until_us:
            began = number, sending, now, sent = self._drawn()
            hops = all_hops[sending]
            if hops is None:
                hops = all_hops[sending] = self._hops(sending)
            if not hops or 0 < messages <= len(log):
                self._begin(MovingMessage(*began))
                break
            born, last = now, len(hops) - 1
            others = min(self._begins_us, until_us)
            after = waits[int(random() * window)]
            if lengths is not None:
                lengths.append((now, hops[0][0], 1))
            for hop, (node, to, link, frame) in enumerate(hops):
                air_us, answer_us, loss, answer_loss = frame
                frames[node] += 1
                if hop:
                    passed_on[node, to] += 1
                begins = now + after + turnaround_us
                ends = begins + air_us
                answer_begins = ends + turnaround_us
                over = answer_begins + answer_us
                if over >= others:
                    self._stand(began, hops, hop)
                    heappush(events, (now + after, CCA_ENDS * nodes + node))
                    break
                transmissions += 1
                tries[node] += 1
                if sent is not None:
                    sent.append((begins, node, air_us))
                if loses(loss, link, ends / 1e6):
                    lost += 1
                    now = ends
                    self._stand(began, hops, hop)
                    heappush(events, (ends + ack_wait_us, GIVES_UP * nodes + node))
                    break
                if hop == last:
                    log.came(number, sending, (ends - born) / 1e6, ends, to)
                else:
                    after = waits[int(random() * window)]
                    if lengths is not None:
                        lengths.append((ends, to, 1))
                if sent is not None:
                    sent.append((answer_begins, to, answer_us))
                now = over
                if loses(answer_loss, link, over / 1e6):
                    self._stand(began, hops, hop, had=True)
                    rest = self._left_of_wait(answer_us)
                    heappush(events, (over + rest, GIVES_UP * nodes + node))
                    others = over  # the next node goes on by events
                elif lengths is not None:
                    lengths.append((over, node, 0))
            self.now = now
        self.transmissions += transmissions
        self.ccas += transmissions
        # of each try: CCA, frame and acknowledgement, of which the last two begin and end
        self.events += 5 * transmissions - 2 * lost

    def _hops(self, sending: int) -> tuple[Hop, ...]:
        """Return the hops of a message that is one frame on each of them, acknowledged; none of others."""
        one = self._sendings[sending]
        first, later = one.frames, one.forwarded or one.frames
        is_plain = self.skips_events and len(first) == len(later) == 1
        frames = (*first, *later * (len(one.way) - 2)) if is_plain else ()
        if not all(frame.answer_us for frame in frames):
            return ()
        links = zip(pairwise(one.way), frames, strict=False)
        return tuple((*ends, self._link(*ends), frame) for ends, frame in links)

    def _stand(self, began: Began, hops: tuple[Hop, ...], at: int, *, had: bool = False) -> None:
        """Let a message stand at a node of its way as it does while it is sent the first time."""
        message = MovingMessage(*began)
        message.reached = at
        node, to, _, frame = hops[at]
        self._queues[node].append((message, frame, to))
        self._tries[node] = self._backoffs[node] = 0
        self._had[node] = had
        self._windows[node] = self._first_window
