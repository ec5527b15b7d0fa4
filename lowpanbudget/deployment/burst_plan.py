"""What is said of a burst before it is fired: each packet, each queue, the whole, and what it takes on the air."""

from typing import NamedTuple

from lowpanbudget.deployment.carried import LimitCheck, are_close
from lowpanbudget.shown import shown_named
from lowpanbudget.values import dataclass


class PacketPlan(NamedTuple):
    """What becomes of one packet: shares of all tries of the burst.

    Of ``lost_link``, what is lost between two nodes, ``lost_access`` is given up for a channel that is busy too often.
    ``sent_s`` counts from the first packet, as ``in_time`` does: the share that is in by the time at which all are to
    be. ``median_s`` and ``most_s`` (95 %) are from sending it to its arrival, None where it never arrives.
    """

    number: int
    sent_s: float
    arrives: float
    in_time: float | None
    lost_queue: float
    lost_link: float
    median_s: float | None
    most_s: float | None
    lost_access: float = 0.0


class QueueCurve(NamedTuple):
    """A queue during a burst: mean frames at times since the first packet; ``highest`` that were seen.

    ``points`` are 61 at equal times, each with the mean from there to the next (the last: what there then is).
    ``highest_mean`` is the most that the runs have on average at any one time, however short. ``lost_access`` packets
    of ``lost_link`` are given up here for a busy channel.
    """

    node: str
    points: tuple[tuple[float, float], ...]
    highest_mean: float
    highest: int
    lost_queue: float
    lost_link: float
    lost_access: float = 0.0

    def __repr__(self) -> str:
        return shown_named(self)


@dataclass(frozen=True, slots=True)
class BurstPlan:
    """A burst as the network is expected to carry it.

    ``way`` are the nodes from the sender to the root, ``frames`` those of one packet. Counts of packets are means over
    ``runs`` runs from ``seed``; ``lost_access`` of ``lost_link`` were given up for a channel that was busy too often.
    ``all_in`` is the chance that every packet is in after ``all_in_s``,
    ``wanted`` the chance that is asked for; it lies no further off towards that than ``half_width`` (Wilson's interval
    of 95 %). ``done_s`` and ``done_most_s``: when the last packet that arrives is in, in half and in 95 % of the runs.
    ``air_s`` are seconds on the
    air of all transmissions, acknowledgements included: on a contended channel the mean of the runs, with
    ``air_most_s`` in 95 % of them, else the mean as if no packet were dropped; ``air_share`` of the time of the burst,
    ``lasts_s``: more than 1 where nodes send at once, or behind the last packet.
    ``arrived`` is known to ``arrived_half_width`` (95 %, from the runs; 0 where all arrived), and ``in_time``, the
    packets that are in by ``all_in_s``, to ``in_time_half_width``. ``enough_s`` is an ``all_in_s`` that as many runs
    as are ``wanted`` keep to for sure; None where too many lose a packet.
    ``checks`` are what it must keep to: its arrival, and the limits of slot and design, what does not hold first.
    ``taken`` says what was taken for granted, and what is not played.
    """

    name: str
    flow: str
    way: tuple[str, ...]
    packets: int
    octets: int
    frames: int
    every_s: float
    lasts_s: float
    all_in_s: float | None
    runs: int
    seed: int
    arrived: float
    lost_queue: float
    lost_link: float
    all_in: float | None
    half_width: float
    wanted: float
    done_s: float
    done_most_s: float
    air_s: float
    air_share: float
    plans: tuple[PacketPlan, ...]
    queues: tuple[QueueCurve, ...]
    air_most_s: float | None = None
    arrived_half_width: float = 0.0
    checks: tuple[LimitCheck, ...] = ()
    taken: tuple[str, ...] = ()
    lost_access: float = 0.0
    in_time: float | None = None
    in_time_half_width: float = 0.0
    enough_s: float | None = None

    @property
    def holds(self) -> bool:
        """Return whether it is in as often and as soon as asked for, and breaks no limit."""
        return all(check.holds for check in self.checks)

    @property
    def is_close(self) -> bool:
        """Return whether it breaks no limit for sure, and is too close to tell."""
        return are_close(self.checks)
