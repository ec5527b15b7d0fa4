"""The ranks that nodes announce in their DIOs: what rules hold other messages and the packets against."""

from collections.abc import Iterable
from ipaddress import IPv6Address

from lowpanbudget.findings.finding import Hit
from lowpanbudget.findings.memory import FirstNamed
from lowpanbudget.layers.internet.rpl.messages import INFINITE_RANK, Dio
from lowpanbudget.layers.internet.rpl.options import HOP_RANK, DodagConfiguration
from lowpanbudget.values import dataclass, field

LEAST_TOLD = 3  # DAOs that name a parent whose rank is not lower, before that is told; our choice
_MOST_RANKS = 32  # of one node that are told apart; our choice
_MOST_INCREASES = 8  # that roots configure; our choice


@dataclass(slots=True)
class NamedParent:
    """A parent that DAOs of a node name since this frame; ``waiting`` is a hit that the node's next DIO decides.

    After a change of parents a node's DAO may come before its DIO, which Trickle sends in the second half of an
    interval (RFC 6206 section 4.2): until then the rank that was heard is that under another parent.
    """

    number: int
    waiting: Hit | None = None


@dataclass(slots=True)
class AnnouncedRank:
    """The rank of a node in a version of a DODAG, and in which frames it was announced first and last.

    ``count`` are the DIOs of the node so far, ``ever`` all ranks in them; so many of its DAOs name a parent whose rank
    it is ``not_above``: it is no root, whatever it announces. ``held`` is the DIO of a parent that its last DAO was
    held against, ``parents`` are those that its last DAO names.
    """

    rank: int
    dodag: tuple[IPv6Address, int]
    first: int
    last: int
    count: int = 0
    ever: set[int] = field(default_factory=set)
    not_above: int = 0
    held: int = 0
    parents: dict[int, NamedParent] = field(default_factory=dict)

    def name(self, identifiers: Iterable[int], number: int) -> None:
        """Take the parents that a DAO in this frame names; what others wait for is over."""
        now = {one: self.parents.get(one) or NamedParent(number) for one in identifiers}
        self.parents = now or self.parents

    def kept_under(self, named: NamedParent, parent: "AnnouncedRank") -> bool:
        """Return whether it announced its rank again since it names this parent, and since that has the rank it has."""
        return max(named.number, parent.first) < self.last


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

    def take(self, dio: Dio, identifier: int, number: int) -> AnnouncedRank | None:
        """Take a DIO of this node, in this frame; return what is known of the node, None where there is no room."""
        for option in dio.options:
            if isinstance(option, DodagConfiguration):
                self._configure(option.min_hop_rank_increase, (dio.rpl_instance_id, dio.dodag_id))
        dodag = dio.dodag_id, dio.version
        key = dio.rpl_instance_id, identifier
        told = self.entry(key, lambda: AnnouncedRank(dio.rank, dodag, number, number))
        if told is None:
            return None
        if (told.rank, told.dodag) != (dio.rank, dodag):
            told.rank, told.dodag, told.first = dio.rank, dodag, number
        told.last = number
        told.count += 1
        if len(told.ever) < _MOST_RANKS:
            told.ever.add(dio.rank)
        return told

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

    def is_against(self, instance: int, child: AnnouncedRank, parent: AnnouncedRank) -> bool:
        """Return whether a node may not have another as its parent in one version of a DODAG, by what both announce."""
        if parent.dodag != child.dodag:
            return False
        dodag = instance, child.dodag[0]
        return parent.rank == INFINITE_RANK or not self.is_above(child.rank, parent.rank, dodag)

    def step(self, rank: int) -> int:
        """Return the DAGRank of a rank: ranks are compared by it (RFC 6550 section 3.5.1)."""
        return rank // self.increase
