"""How the messages of a design arrive, hop by hop: the share, and after how long."""

from collections.abc import Sequence
from typing import NamedTuple

from lowpanbudget.deployment.confidence import ends_of, share_of_runs
from lowpanbudget.deployment.delays import Delays
from lowpanbudget.deployment.delivery import LossStates, delivered_in_runs
from lowpanbudget.deployment.traffic import MessageStream
from lowpanbudget.design.loss import FrameLoss
from lowpanbudget.values import dataclass, field

SHARES = (0.5, 0.95, 0.99)


class Quantiles(NamedTuple):
    """Seconds in which half, 95 % and 99 % of what arrives is there."""

    median_s: float
    most_s: float  # 95 %
    nearly_all_s: float  # 99 %


class QuantileRange(NamedTuple):
    """Between how many seconds the time lies in which this ``part`` of what arrives is there, with 95 % confidence.

    ``most_s`` is None where too few messages were played to tell how late it may be.
    """

    part: float
    least_s: float
    most_s: float | None


@dataclass(frozen=True, slots=True)
class HopService:
    """How the messages of one stream arrive from nodes at one hop, or at nodes at one hop.

    ``frames`` is how many a message takes on its first hop: relays, whose frames may have more header, may send more.
    ``delivered`` with independent losses (None: so rare beside the rest that none was played), ``in_runs`` with losses
    in runs (None: the design states none, or none was played), in slots of what finds places; ``queued`` is the chance
    to find a place in every queue on the way, and ``queue_s`` what they add on average (None: part of the rest), plus
    or minus ``queue_half_width_s`` (0: calculated). What arrives is plus or minus ``half_width`` (0: exact).
    ``latency`` is over what arrives, None where nothing is known or nothing came, and ``latency_ranges`` how far each
    of its times may be off (none: they are exact); ``in_time`` the share of all messages that is there within the
    design's limit (None: it has none), plus or minus ``in_time_half_width``; both with losses in runs where the design
    states these. ``messages`` is how many were played, all of its kind together where it is rare; None: none, times are
    of empty queues, exact but where frames go on one by one, and ``in_time_least`` are in time whatever queues do that
    add so much on average. ``quiet`` and ``quiet_latency`` are what a channel without other senders would do: bounds,
    for contention alone.
    ``delays`` is the whole distribution of empty queues where it is exact. Times down to sleeping nodes count the
    wait for their poll, and have neither ``delays`` nor ``quiet_latency``; ``held_full`` of the frames for them
    find no place at their parent, and ``held_lost`` of the messages not for all of theirs, which counts in all shares.
    """

    flow: str
    message: str
    direction: str
    hop: int
    frames: int
    delivered: float | None
    in_runs: float | None
    half_width: float
    latency: Quantiles | None
    in_time: float | None
    queued: float | None = None
    queue_s: float | None = None
    quiet: float | None = None
    quiet_latency: Quantiles | None = None
    messages: int | None = None
    in_time_half_width: float = 0.0
    in_time_least: float | None = None
    queue_half_width_s: float = 0.0
    held_full: float = 0.0
    held_lost: float = 0.0
    latency_ranges: tuple[QuantileRange, ...] = ()
    delays: Delays | None = field(default=None, repr=False, compare=False)

    @property
    def arrives(self) -> float | None:
        """Return the share of all messages that arrives, full queues counted; with losses in runs or not, the less."""
        known = [share for share in (self.delivered, self.in_runs) if share is not None]
        return of_all(self, min(known)) if known else None


def of_all(one: HopService, share: float | None) -> float | None:
    """Return such a share of what finds places in all queues as one of all messages; None of None."""
    return None if share is None else share * (1.0 if one.queued is None else one.queued)


def quantiles(delays: Delays) -> Quantiles | None:
    """Return the three quantiles of what arrives."""
    if delays.delivered <= 0:
        return None
    return Quantiles(*(delays.quantile_s(share) for share in SHARES))


def quantiles_of(late: Sequence[float]) -> Quantiles | None:
    """Return the three quantiles of times that are sorted, None where there are none."""
    if not late:
        return None
    return Quantiles(*(late[int(share * len(late))] for share in SHARES))


def ranges_of(runs: Sequence[Sequence[float]]) -> tuple[QuantileRange, ...]:
    """Return how far the quantiles of the times of all runs may be off; of none nothing."""
    late = sorted(one for run in runs for one in run)
    found = []
    for share in SHARES if late else ():
        time_s = late[int(share * len(late))]
        below = [(sum(one < time_s for one in run), len(run)) for run in runs]
        there = [(sum(one <= time_s for one in run), len(run)) for run in runs]
        # many may take the same time: the share lies between those before and with them
        half = max(share_of_runs(below)[1], share_of_runs(there)[1])
        found.append(QuantileRange(share, *ends_of(late, share, half)))
    return tuple(found)


def link_states(loss: FrameLoss | None, octets: int) -> LossStates | None:
    """Return the good and bad times of links for frames of a length; None where losses come alone."""
    if loss is None or loss.runs is None:
        return None
    runs = loss.runs
    return LossStates(
        loss.of(octets, runs.good), loss.of(octets, runs.bad), runs.bad_ms / 1000, runs.bad_share
    )


def served(stream: MessageStream) -> bool:
    """Return whether a stream is somebody's messages from end to end."""
    return not stream.is_upkeep and stream.way in ("up", "down")


def path_share(stream: MessageStream, hops: int, attempts: int) -> float:
    """Return the share of messages that pass so many hops, losses independent: every frame over every hop."""
    share = 1.0
    for index in range(hops):
        for frame in stream.on_hop(index):
            share *= frame.tries(attempts).delivered
    return share


def runs_share(
    stream: MessageStream, hops: int, attempts: int, loss: FrameLoss | None, apart_s: float
) -> float | None:
    """Return the same with losses in runs and tries ``apart_s`` apart; None where the design states no runs."""
    share = 1.0
    for index in range(hops):
        frames = stream.on_hop(index)
        states = link_states(loss, max(frame.octets for frame in frames))
        if states is None:
            return None
        share *= delivered_in_runs(states, apart_s, attempts, len(frames))
    return share


def passed(
    stream: MessageStream, hops: int, attempts: int, loss: FrameLoss | None, apart_s: float
) -> float:
    """Return the share that passes so many hops with losses as the design states them: in runs, else independent."""
    in_runs = runs_share(stream, hops, attempts, loss, apart_s)
    return path_share(stream, hops, attempts) if in_runs is None or not hops else in_runs
