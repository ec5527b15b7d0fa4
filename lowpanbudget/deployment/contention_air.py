"""A simulated channel with its nodes: one event after another, in the order of their times. Times in microseconds."""

from collections.abc import Sequence
from heapq import heappop, heappush, heapreplace
from math import inf
from sys import float_info

from lowpanbudget.deployment.contention_alone import LoneSenders
from lowpanbudget.deployment.contention_messages import NOBODY, MovingMessage
from lowpanbudget.deployment.contention_nodes import (
    ANSWER_BEGINS,
    ANSWER_ENDS,
    CCA_ENDS,
    FRAME_BEGINS,
    FRAME_ENDS,
    GIVES_UP,
    KINDS,
    MESSAGE_BEGINS,
)
from lowpanbudget.deployment.contention_rules import CsmaRules, HearingRanges, Sending
from lowpanbudget.deployment.delivery import LossStates
from lowpanbudget.design.waiting import SendQueue

# a CCA that begins as something ends does not hear it, whatever the last digit of a sum of times says
_LAST_DIGIT_US = 1e-3
_NEVER_US = float_info.max
_NOTHING = inf, 0  # no event


class Air(LoneSenders):
    """The channel with all its nodes; ``play`` runs it on, the counters tell what happened.

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
        super().__init__(rules, reception, sendings, queue, seed, runs, keeps=keeps)
        self._kind_of = [kind for kind in range(KINDS) for _ in range(self._nodes)]
        self._node_of = list(range(self._nodes)) * KINDS
        self.busy = 0

    def play(self, *, until_us: float = inf, messages: int = 0) -> None:
        """Run on to a time, or until so many messages to a receiver began.

        What happens most stands in the loop itself: calls would take longer than the events.
        """
        kind_of, node_of = self._kind_of, self._node_of
        events, nodes, rules, log = self._events, self._nodes, self._rules, self.log
        queues, owes, answers, answered = self._queues, self._owes, self._answers, self._answered
        windows, backoffs, waits, random = self._windows, self._backoffs, self._waits, self._random
        channel, skips_events, last_us = self._channel, self.skips_events, min(until_us, _NEVER_US)
        cca_us, turnaround_us = rules.cca_us - _LAST_DIGIT_US, rules.turnaround_us
        last_window = 1 << rules.max_be
        while not 0 < messages <= len(log):
            now, code = events[0] if events else _NOTHING
            begins = self._begins_us
            if min(now, begins) > last_us:
                break
            if not events:
                self._play_alone(last_us, messages)
                continue
            if begins < now or (begins == now and code >= MESSAGE_BEGINS * nodes):
                self._begin(MovingMessage(*self._drawn()))
                continue
            self.now = now
            self.events += 1
            kind, node = kind_of[code], node_of[code]
            if kind == CCA_ENDS:
                self.ccas += 1
                since = now - cca_us
                if not (owes[node] or (channel.until_us > since and channel.is_busy(node, since))):
                    heappop(events)
                    frame = queues[node][0][1]
                    over = now + turnaround_us + frame.air_us + turnaround_us + frame.answer_us
                    others = min(events[0][0], self._begins_us) if events else self._begins_us
                    # nobody else does anything until then, and nothing is on the air
                    if (
                        over < others
                        and over <= last_us
                        and channel.until_us <= now
                        and skips_events
                    ):
                        self._exchange(node, over)
                    else:
                        heappush(events, (now + turnaround_us, FRAME_BEGINS * nodes + node))
                    continue
                self.busy += 1
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
            elif kind == FRAME_BEGINS:
                message, frame, to = queues[node][0]
                self._note(message, node, to, now, frame.air_us)
                until = now + frame.air_us
                channel.send(node, now, until, to, node)
                heapreplace(events, (until, FRAME_ENDS * nodes + node))
            elif kind == ANSWER_BEGINS:
                to = answered[node]
                until = now + answers[node]
                sent = queues[to][0][0].sent
                if sent is not None:
                    sent.append((now, node, answers[node]))
                channel.send(node, now, until, to, nodes + to)
                heapreplace(events, (until, ANSWER_ENDS * nodes + node))
            else:
                heappop(events)
                if kind == FRAME_ENDS:
                    to = queues[node][0][2]
                    is_clear = to == NOBODY or channel.receives(to, node)
                    if self._frame_ends(node, is_clear=is_clear):
                        self._later(ANSWER_BEGINS, to, turnaround_us)
                elif kind == ANSWER_ENDS:
                    to = answered[node]
                    self._answer_ends(node, is_clear=channel.receives(to, nodes + to))
                elif kind == GIVES_UP:
                    self._gives_up(node)
                else:
                    self._enqueue(heappop(self._waiting)[-1])
        if until_us < inf:
            self.now = until_us
