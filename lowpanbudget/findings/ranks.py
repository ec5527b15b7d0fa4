"""The ranks that nodes announce in their DIOs: what rules hold other messages and the packets against."""

from ipaddress import IPv6Address

from lowpanbudget.findings.memory import FirstNamed
from lowpanbudget.layers.internet.rpl.messages import Dio
from lowpanbudget.layers.internet.rpl.options import HOP_RANK, DodagConfiguration
from lowpanbudget.values import dataclass, field

LEAST_TOLD = 3  # DAOs that name a parent whose rank is not lower, before that is told; our choice
_MOST_RANKS = 32  # of one node that are told apart; our choice
_MOST_INCREASES = 8  # that roots configure; our choice


@dataclass(slots=True)
class AnnouncedRank:
    """The rank of a node in a version of a DODAG, and in which frames it was announced first and last.

    ``count`` are the DIOs of the node so far, ``ever`` all ranks in them; so many of its DAOs name a parent whose rank
    it is ``not_above``: it is no root, whatever it announces. ``held`` is the DIO of a parent that its last DAO was
    held against.
    """

    rank: int
    dodag: tuple[IPv6Address, int]
    first: int
    last: int
    count: int = 0
    ever: set[int] = field(default_factory=set)
    not_above: int = 0
    held: int = 0


# an instance, and an interface identifier: DIOs are sent from other addresses than DAOs may be
RankKey = tuple[int, int]


class AnnouncedRanks(FirstNamed[RankKey, AnnouncedRank]):
    """The nodes that announce a rank, and by how much ranks grow at least on a hop, as roots configure it.

    Ranks are compared by the largest ``increase``; what a node sends may count in any of the ``increases``. Those of a
    DODAG are its ``configured`` ones.
    """

    def __init__(self) -> None:
        super().__init__()
        self.increase = HOP_RANK
        self.increases = {HOP_RANK}
        self.configured: FirstNamed[tuple[int, IPv6Address], set[int]] = FirstNamed()

    def take(self, dio: Dio, identifier: int, number: int) -> None:
        """Take a DIO of this node, in this frame."""
        for option in dio.options:
            if isinstance(option, DodagConfiguration):
                self._configure(option.min_hop_rank_increase, (dio.rpl_instance_id, dio.dodag_id))
        dodag = dio.dodag_id, dio.version
        key = dio.rpl_instance_id, identifier
        told = self.entry(key, lambda: AnnouncedRank(dio.rank, dodag, number, number))
        if told is None:
            return
        if (told.rank, told.dodag) != (dio.rank, dodag):
            told.rank, told.dodag, told.first = dio.rank, dodag, number
        told.last = number
        told.count += 1
        if len(told.ever) < _MOST_RANKS:
            told.ever.add(dio.rank)

    def _configure(self, increase: int, dodag: tuple[int, IPv6Address]) -> None:
        self.increase = max(self.increase, increase)
        configured = self.configured.entry(dodag, set)
        if configured is not None and increase and len(configured) < _MOST_INCREASES:
            configured.add(increase)
        if increase and len(self.increases) < _MOST_INCREASES:
            self.increases.add(increase)

    def is_announced(self, told: AnnouncedRank, rank: int) -> bool:
        """Return whether a sender rank is, by its DAGRank or as one, among the DAGRanks that its node announced.

        It "is to be used" wherever ranks are compared (RFC 6550 section 3.5.1): a rank that only changes behind the
        point is no inconsistency, and its node need not announce it (sections 8.3 and 11.2.2.2).
        """
        if rank in told.ever:
            return True
        return any(
            one // step in {rank, rank // step} for step in self.increases for one in told.ever
        )

    def is_above(self, rank: int, parent: int, dodag: tuple[int, IPv6Address]) -> bool:
        """Return whether a rank is greater than a parent's in this instance and DODAG: by its DAGRank (section 3.5.1).

        Where nobody was heard to configure the step, or several were, one that makes it greater is enough.
        """
        steps = self.configured.get(dodag) or {1}
        return any(rank // step > parent // step for step in steps)

    def step(self, rank: int) -> int:
        """Return the DAGRank of a rank: ranks are compared by it (RFC 6550 section 3.5.1)."""
        return rank // self.increase
