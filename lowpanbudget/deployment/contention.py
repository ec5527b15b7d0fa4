"""Nodes that listen before they send, simulated event by event: what arrives, when, and what was in the way.

Closed forms with one mean chance of a busy channel are far too kind (``quiet_channel``): the frame that made a first
CCA busy is still on the air at the second, and those that collided once draw their next waits from the same few. So
every backoff, CCA, frame and acknowledgement is played, with a seed, until the answer is as narrow as asked for.

Not played: stronger frames that are received over weaker ones, clocks that drift, time that a processor takes.
"""

from collections.abc import Mapping, Sequence
from math import sqrt

from lowpanbudget.deployment.contention_air import Air
from lowpanbudget.deployment.contention_messages import SettledMessages
from lowpanbudget.deployment.contention_rules import CsmaRules, HearingRanges, Sending
from lowpanbudget.deployment.delivery import LossStates
from lowpanbudget.design.waiting import SendQueue
from lowpanbudget.errors import RequestError
from lowpanbudget.values import FrozenDict, dataclass, field

_BATCHES = 20
_STUDENT = 2.093  # 97.5 % of Student's t with 19 degrees of freedom
_FIRST_LOOK = 2000  # messages before the first look at the confidence
_MOST_TRANSMISSIONS = 2_000_000
_MOST_AGAIN = 500_000  # where it is too close to tell
_LEAST_OF_GROUP = 300


@dataclass(frozen=True, slots=True)
class Arrived:
    """What became of the messages of one sending: how many there were, how many arrived, and after how many seconds."""

    generated: int
    delivered: int
    latencies_s: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class ContentionResult:
    """What a simulated channel carried.

    ``delivery`` is the share of all messages to a receiver that arrived, plus or minus ``half_width`` (95 %, from means
    of batches). ``lost`` counts messages by cause: the channel was busy too often, retries used up, queue full.
    ``busy`` is the share of CCAs that found the channel busy, ``collided`` that of frames that another one hit.
    ``frames`` to a receiver each node began to send, and sent them ``tries`` times.
    """

    delivery: float
    half_width: float
    by_sending: tuple[Arrived, ...] = field(repr=False)
    lost: Mapping[str, int]
    busy: float
    collided: float
    messages: int
    transmissions: int
    events: int
    seconds: float
    seed: int
    frames: tuple[int, ...] = field(repr=False, default=())
    tries: tuple[int, ...] = field(repr=False, default=())


def simulate_csma(
    rules: CsmaRules,
    reception: HearingRanges,
    sendings: Sequence[Sending],
    *,
    places: int | None,
    shared: bool = True,
    seed: int,
    seconds: float | None = None,
    half_width: float = 0.01,
    most_transmissions: int = _MOST_TRANSMISSIONS,
    at_least: float = 1.0,
    groups: Sequence[int] = (),
    runs: LossStates | None = None,
) -> ContentionResult:
    """Return what the channel carries of Poisson streams of messages.

    ``places`` are frames that the queue of a node holds, the one being sent included, for all receivers together or,
    where they are not ``shared``, for each; None: any number. It is played
    for ``seconds``, or until the share delivered is known to ``half_width``, or ``most_transmissions`` were made and it
    is known to ``at_least``, or two million were made. With ``groups``, a number for each sending, it also goes on
    until each group from 0 on has some hundred messages.
    ``runs``: losses by noise come in runs, in place of those of the frames. Raises ``RequestError`` where no sending
    goes to a receiver.
    """
    if not any(len(sending.way) > 1 for sending in sendings):
        raise RequestError(
            "no message goes from one node to another", hint="Say how often with every_s"
        )
    queue = None if places is None else SendQueue(places, shared)
    channel = PlayedChannel(rules, reception, sendings, queue=queue, seed=seed, runs=runs)
    if seconds is not None:
        channel.air.play(until_us=seconds * 1e6)
    else:
        channel.play(half_width, most_transmissions, at_least, groups)
    return channel.result()


class PlayedChannel:
    """A channel with all that is sent on it, played on as long as is asked for: arguments as of ``simulate_csma``."""

    def __init__(
        self, rules: CsmaRules, reception: HearingRanges, sendings: Sequence[Sending], *,
        queue: SendQueue | None, seed: int, runs: LossStates | None = None,
    ) -> None:  # fmt: skip
        self.air = Air(rules, reception, sendings, queue, seed, runs)
        self._seed, self._look = seed, _FIRST_LOOK

    def play(
        self, half_width: float, most_transmissions: int, at_least: float, groups: Sequence[int]
    ) -> None:
        """Play until the share delivered, and each group, is known so well, or so many transmissions were made."""
        air = self.air
        while air.transmissions < _MOST_TRANSMISSIONS:
            air.play(messages=self._look)
            half = _confidence(air.log.outcomes())[1]
            if half <= half_width and _enough(air.log.by_sending(), groups):
                break
            if half <= at_least and air.transmissions >= most_transmissions:
                break
            self._look += self._look // 2

    def play_on(self) -> bool:
        """Play as much again as was played; False where that is more than anybody waits for."""
        if self.air.transmissions * 2 > _MOST_AGAIN:
            return False
        self._look = max(self._look, len(self.air.log)) * 2
        self.air.play(messages=self._look)
        return True

    def result(self) -> ContentionResult:
        """Return what the channel has carried so far."""
        air = self.air
        delivery, half = _confidence(air.log.outcomes())
        settled = air.log.by_sending()
        return ContentionResult(
            delivery, half,
            tuple(Arrived(one.generated, len(one.latencies), tuple(one.latencies)) for one in settled),
            FrozenDict(air.log.lost), air.busy / max(air.ccas, 1), air.collided / max(sum(air.tries), 1),
            sum(one.generated for one in settled), air.transmissions, air.events, air.now / 1e6, self._seed,
            tuple(air.frames), tuple(air.tries),
        )  # fmt: skip


def _enough(settled: Sequence[SettledMessages], groups: Sequence[int]) -> bool:
    """Return whether each group has messages enough to be told apart from the others."""
    counts: dict[int, int] = {}
    for one, group in zip(settled, groups, strict=False):
        if group >= 0:
            counts[group] = counts.get(group, 0) + one.generated
    return all(count >= _LEAST_OF_GROUP for count in counts.values())


def _confidence(outcomes: Sequence[int]) -> tuple[float, float]:
    """Return the mean of outcomes in the order of their messages, and its half-width from the means of batches.

    Batches that are all alike say nothing about rare losses: then the bound for none in n (0.05 ** (1 / n)) stands.
    """
    count = len(outcomes)
    if count < _BATCHES:
        return (sum(outcomes) / count if count else 0.0), 1.0
    size = count // _BATCHES
    means = [sum(outcomes[at * size : (at + 1) * size]) / size for at in range(_BATCHES)]
    mean = sum(means) / _BATCHES
    spread = sum((one - mean) ** 2 for one in means) / (_BATCHES - 1)
    return sum(outcomes) / count, max(_STUDENT * sqrt(spread / _BATCHES), 1 - 0.05 ** (1 / count))
