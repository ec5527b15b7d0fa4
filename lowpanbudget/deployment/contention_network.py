"""A design's own traffic on a simulated channel, with the quiet channel beside it as a bound."""

from collections import Counter
from collections.abc import Iterator, Sequence
from functools import cache, lru_cache
from itertools import pairwise
from typing import NamedTuple

from lowpanbudget.deployment.contention import Arrived, ContentionResult, PlayedChannel
from lowpanbudget.deployment.contention_rules import CsmaRules
from lowpanbudget.deployment.contention_ways import (
    StreamWay,
    hastened_words,
    often_enough,
    stream_ways,
)
from lowpanbudget.deployment.delays import Delays, in_turn
from lowpanbudget.deployment.delivery import LossStates
from lowpanbudget.deployment.load import NodeLoad
from lowpanbudget.deployment.played_load import HopLoad, passed_on, resends
from lowpanbudget.deployment.polls import polled, sleeping_nodes
from lowpanbudget.deployment.quiet_channel import QuietHop
from lowpanbudget.deployment.ranges import reception_of
from lowpanbudget.deployment.service import (
    HopService,
    Quantiles,
    link_states,
    path_share,
    quantiles,
    quantiles_of,
    ranges_of,
)
from lowpanbudget.deployment.services_together import half_width_of
from lowpanbudget.deployment.traffic import CarriedFrame, Traffic
from lowpanbudget.design.access import Access
from lowpanbudget.design.meaning import Design
from lowpanbudget.layers.link.phy import PhyTiming
from lowpanbudget.values import replace

_TRANSMISSIONS, _HOPS = 60_000, 16  # of a network that is so deep; of a deeper one more
_PARTS = 20  # of the time that was played, to see how it varies; our choice
_NARROW, _A_POINT = 0.002, 0.01  # half-widths of the share delivered


class SimulatedNetwork(NamedTuple):
    """What the simulation gave, with independent losses and in runs if there are any, and how messages arrive.

    ``hastened`` names what was played more often than it comes; ``hops`` is what it makes of the loads of nodes.
    """

    result: ContentionResult
    in_runs: ContentionResult | None
    services: tuple[HopService, ...]
    hastened: tuple[str, ...]
    hops: tuple[HopLoad, ...]


def rules_of(access: Access, timing: PhyTiming, answer_us: float) -> CsmaRules:
    """Return the rules of access of a design on its PHY; the pause behind a frame is the longer one of the standard.

    A sender waits at least until the longest acknowledgement, of ``answer_us``, has come.
    """
    known = 0.0 if timing.ack_wait is None else float(timing.ack_wait)
    wait = max(known, float(timing.turnaround) + answer_us)
    return CsmaRules(
        access.min_be, access.max_be, access.backoffs, access.retries,
        access.unit_backoff_us or float(timing.unit_backoff), float(timing.cca), float(timing.turnaround), wait,
        float(timing.lifs), access.busy_tries_again,
    )  # fmt: skip


class PlayedContention:
    """The messages of a design on a simulated channel, played on as long as is asked for.

    ``transmissions`` is about how many are played at first: a look at a change may be short, the answer itself (None)
    is known to a point.
    """

    def __init__(
        self, design: Design, traffic: Traffic, nodes: Sequence[NodeLoad], access: Access, seed: int,
        transmissions: int | None = None,
    ) -> None:  # fmt: skip
        at_least = _A_POINT if transmissions is None else 1.0
        if transmissions is None:
            transmissions = _TRANSMISSIONS * max(traffic.tree.depth, _HOPS) // _HOPS
        timing = design.link.timing
        usual = list(stream_ways(traffic, nodes))
        self._nodes = nodes
        self._ways = ways = often_enough(usual, access.retries + 1, transmissions)
        self._hastened = tuple(hastened_words(usual, ways))
        sendings = [way.sending for way in ways]
        answers = (frame.answer_us for sending in sendings for frame in sending.frames)
        self._rules, self._access = rules_of(access, timing, max(answers, default=0.0)), access
        self._step_us = float(timing.symbol)
        self._within_s = None if design.limits is None else design.limits.latency_s
        asleep = sleeping_nodes(design, traffic.tree)
        self._waiting = frozenset(
            index for index, way in enumerate(ways)
            if way.stream.way == "down" and way.sending.way[-1] in asleep
        )  # fmt: skip
        self._poll_s = 0.0 if design.sleep is None else design.sleep.poll_s
        keys = dict.fromkeys(way.key for way in ways if way.hop)
        kinds = {key: number for number, key in enumerate(keys)}
        groups = [kinds[way.key] if way.hop else -1 for way in ways]
        octets = max(frame.octets for way in ways for frame in way.stream.first)
        states = link_states(design.loss, octets)

        def channel(runs: LossStates | None) -> PlayedChannel:
            played = PlayedChannel(
                self._rules, reception_of(traffic.tree), sendings, queue=design.queue, seed=seed, runs=runs
            )  # fmt: skip
            played.play(_NARROW, transmissions, at_least, groups)
            return played

        self._apart = channel(None)
        self._in_runs = None if states is None else channel(states)

    def play_on(self) -> bool:
        """Play as much again as was played; False where that is more than anybody waits for."""
        return self._apart.play_on() and (self._in_runs is None or self._in_runs.play_on())

    @property
    def met(self) -> float:
        """Return the share of frames that others hit, so far."""
        return self._apart.result().collided

    def result(self) -> SimulatedNetwork:
        """Return how messages arrive as far as it was played, with independent losses and in runs if there are any."""
        apart = self._apart.result()
        in_runs = None if self._in_runs is None else self._in_runs.result()
        services = _services(
            self._ways, self._awaited(apart), None if in_runs is None else self._awaited(in_runs), self._rules,
            self._step_us, self._within_s, self._access, self._waiting,
        )  # fmt: skip
        return SimulatedNetwork(apart, in_runs, tuple(services), self._hastened, self._hops(apart))

    def _hops(self, result: ContentionResult) -> tuple[HopLoad, ...]:
        sent: Counter[tuple[int, int]] = Counter()
        for way, one in zip(self._ways, result.by_sending, strict=True):
            frames = len(way.sending.forwarded or way.sending.frames)
            for link in pairwise(way.sending.way[1:]):
                sent[link] += one.generated * frames
        again = resends(self._nodes, result.frames, result.tries)
        passed = passed_on(self._nodes, self._apart.air.passed_on, sent)
        return tuple(
            HopLoad(resent, up, down) for resent, (up, down) in zip(again, passed, strict=True)
        )

    def _awaited(self, result: ContentionResult) -> ContentionResult:
        """Return the same where what arrives at a sleeping node waited for its poll as well."""
        if not self._waiting:
            return result
        by_sending, waited = list(result.by_sending), 0
        for index in sorted(self._waiting):
            one = by_sending[index]
            late = tuple(polled(one.latencies_s, self._poll_s, waited))
            by_sending[index] = replace(one, latencies_s=late)
            waited += len(late)
        return replace(result, by_sending=tuple(by_sending))


def _services(
    ways: list[StreamWay],
    apart: ContentionResult,
    in_runs: ContentionResult | None,
    rules: CsmaRules,
    step_us: float,
    within_s: float | None,
    access: Access,
    waiting: frozenset[int],
) -> Iterator[HopService]:
    """Yield how messages arrive, the nodes of a hop together."""
    grouped: dict[tuple[str, str, str, int], list[int]] = {}
    for index, way in enumerate(ways):
        if way.hop:
            grouped.setdefault(way.key, []).append(index)
    for (flow, message, direction, hop), indices in grouped.items():
        stream = ways[indices[0]].stream
        heard = [apart.by_sending[index] for index in indices]
        count, share, late = _counted(heard)
        half, runs, of = half_width_of(share, count), None, count
        if in_runs is not None:
            heard = [in_runs.by_sending[index] for index in indices]
            of, runs, late = _counted(heard)
            half = max(half, half_width_of(runs, of))
        in_time, late_half = None, 0.0
        if within_s is not None and of:
            in_time = sum(1 for one in late if one <= within_s) / of
            late_half = half_width_of(in_time, of)
        yield HopService(
            flow, message, direction, hop, len(stream.first), share, runs, half, quantiles_of(late), in_time,
            quiet=path_share(stream, hop, access.retries + 1),
            # beside the wait for a poll the rest is nothing
            quiet_latency=(
                None if waiting.intersection(indices) else _quiet_latency(ways[indices[0]], rules, step_us)
            ),
            messages=count,
            in_time_half_width=late_half,
            latency_ranges=ranges_of(_in_turn(heard)),
        )  # fmt: skip


def _in_turn(parts: list[Arrived]) -> list[list[float]]:
    """Return after how long messages arrived, in parts of the time that was played, as many from each node.

    Messages of one part meet the same bad times of links and the same others: the spread of the parts counts that.
    """
    return [
        [
            late
            for one in parts
            for late in one.latencies_s[
                len(one.latencies_s) * number // _PARTS : len(one.latencies_s)
                * (number + 1)
                // _PARTS
            ]
        ]
        for number in range(_PARTS)
    ]


def _counted(parts: list[Arrived]) -> tuple[int, float | None, list[float]]:
    """Return how many messages there were, the share that arrived (None of none), and after how long, sorted."""
    count = sum(one.generated for one in parts)
    came = sum(one.delivered for one in parts)
    return (
        count,
        (came / count if count else None),
        sorted(late for one in parts for late in one.latencies_s),
    )


def _quiet_latency(way: StreamWay, rules: CsmaRules, step_us: float) -> Quantiles | None:
    """Return after how long messages arrive that no other sender is in the way of.

    Where frames go on one by one the last one waits for those before it at the first hop, if nowhere else: as long as
    the sender lets pass between them, or until they are sent.
    """
    first, forwarded = tuple(way.stream.first), tuple(way.stream.forwarded if way.hop > 1 else ())
    if not way.stream.apart:
        return _quiet_path(first, forwarded, way.hop, rules, step_us)
    pause_us = way.sending.pause_us
    waits_s = (len(first) - 1) * pause_us / 1e6
    own = _quiet_path(first[-1:] if pause_us else first, forwarded[-1:], way.hop, rules, step_us)
    return None if own is None else Quantiles(*(waits_s + one for one in own))


@lru_cache(maxsize=256)  # streams of frames alike, and designs with one change
def _quiet_path(
    first: tuple[CarriedFrame, ...], forwarded: tuple[CarriedFrame, ...], hops: int, rules: CsmaRules, step_us: float
) -> Quantiles | None:  # fmt: skip
    parts = [(_quiet_hop(frame, rules, step_us), 1) for frame in first]
    parts += [(_quiet_hop(frame, rules, step_us), hops - 1) for frame in forwarded]
    return quantiles(in_turn(parts))


@cache
def _quiet_hop(frame: CarriedFrame, rules: CsmaRules, step_us: float) -> Delays:
    hop = QuietHop(rules, 0.0, 1 - frame.loss)
    return hop.delays(frame.air_us, frame.answer_us, step_us, answered=False)
