"""What nodes say to keep the network: how often each kind of message came, and what Trickle has room for."""

from collections import deque
from ipaddress import IPv6Address, IPv6Network
from math import log2

from lowpanbudget.findings.dense import Dense, DensePart
from lowpanbudget.findings.memory import FirstNamed, Frames
from lowpanbudget.findings.senders import HeardSender
from lowpanbudget.layers.internet.nd.messages import NeighborSolicitation, RouterSolicitation
from lowpanbudget.layers.internet.rpl.messages import Dao, Dio, Dis
from lowpanbudget.values import dataclass, field


@dataclass(slots=True)
class ToldMessages:
    """Messages of a kind from one source, on the hop where they start: how many, when, and the times between.

    ``dense`` tells when they came most often, ``by`` is what is noted of the node.
    """

    link: bytes | None
    first_s: float
    last_s: float
    count: int = 1
    resets: int = 0
    rank: tuple[int, int] | None = None
    gaps_s: deque[float] = field(default_factory=lambda: deque(maxlen=16))
    frames: Frames = field(default_factory=Frames)
    dense: Dense = field(default_factory=lambda: Dense(_DIO_S))
    by: HeardSender | None = None

    @property
    def is_explained(self) -> bool:
        """Return whether most are DAOs that nobody answers, of which ``dao-never-acknowledged`` tells, or of moves."""
        by = self.by
        return by is not None and 2 * max(by.daos_in_vain, by.moves) >= self.count

    def densest(self) -> DensePart | None:
        """Return the part of the time in which most of them came, where that is not all of it."""
        part = self.dense.densest
        if part is None or 2 * part.count < self.count:
            return None
        is_all = part.since_s <= self.first_s and part.last_s >= self.last_s
        return None if is_all else part


@dataclass(slots=True)
class Talk:
    """What was told by kind and source; the shortest interval of Trickle, its doublings, how often all were asked.

    A parent in storing mode tells of each target behind it, apart from the others (RFC 6550 section 9.8): their DAOs
    are kept by the first of their targets as well.
    """

    told: FirstNamed[tuple[type, IPv6Address, IPv6Network | None], ToldMessages] = field(
        default_factory=FirstNamed
    )
    shortest_s: float = (
        0.008  # DEFAULT_DIO_INTERVAL_MIN, 2 ** 3 ms, and the doublings: RFC 6550 section 17
    )
    doublings: int = 20
    asked: int = 0

    def allowed(self, told: ToldMessages) -> float:
        """Return how many DIOs Trickle has room for: one in each interval, which doubles (RFC 6206 section 4.2).

        Another parent resets it as another rank does, and mostly comes with one.
        """
        span = max(told.last_s - told.first_s, self.shortest_s)
        doubled = min(self.doublings, log2(span / self.shortest_s) + 1)
        longest = self.shortest_s * 2.0**self.doublings
        resets = told.resets if told.by is None else max(told.resets, told.by.moves)
        return (1 + resets + self.asked) * (doubled + 1) + span / longest


_DIO_S = (
    60.0  # between DIOs, on average, where it is not told since when they are too many; our choice
)
# of messages that have no rule for how often: how many tell, and the median time between them that is too short. RFC
# 6775 section 5.3 asks for up to 60 s between solicitations of routers after the first three; the others: our choice
NAMES: dict[type, str] = {
    Dio: "DIO message", Dao: "DAO message", Dis: "DIS message",
    RouterSolicitation: "router solicitation", NeighborSolicitation: "neighbour solicitation",
}  # fmt: skip
OFTENER = {
    Dao: (20, 10.0),
    Dis: (10, 10.0),
    RouterSolicitation: (10, 30.0),
    NeighborSolicitation: (20, 5.0),
}
LEAST_DIOS = 20  # from which they are looked at
FACTOR = (
    2  # times what Trickle has room for; inconsistencies that nobody hears reset it: our choice
)
