"""What the network sends for itself, and how often: ``[upkeep]``. The frames of it are made in ``upkeep``."""

from decimal import Decimal

from lowpanbudget.design.table import ShapeTable, key
from lowpanbudget.design.takes import Every, Flag
from lowpanbudget.values import dataclass

# what those are called that are sent only when nothing else is, or by sleeping nodes alone
KEEP_ALIVE, POLL = "keep-alive", "data request"


class UpkeepShape(ShapeTable):
    """What the network sends for itself, each by how often; what is left out is not sent."""

    beacon_s: Decimal | None = key(Every(), "Seconds between two beacons of a node.", default=None)
    dio_s: Decimal | None = key(
        Every(),
        "Seconds between two DIOs of a node once the tree is steady: the greatest interval of its timer (RFC 6206).",
        default=None,
    )
    dao_s: Decimal | None = key(
        Every(),
        "Seconds between two DAOs of a node, to its parent or to the root where flows down have routes (non-storing).",
        default=None,
    )
    dao_acknowledged: bool = key(
        Flag(), "Whether each DAO is answered by a DAO-ACK.", default=False
    )
    keep_alive_s: Decimal | None = key(
        Every(),
        "Seconds without other traffic after which a node sends an empty frame to its parent, to keep clock or place.",
        default=None,
    )


@dataclass(frozen=True, slots=True)
class Upkeep:
    """Seconds between two frames of each kind that a node sends; None: it sends none."""

    beacon_s: float | None
    dio_s: float | None
    dao_s: float | None
    dao_acknowledged: bool
    keep_alive_s: float | None


NO_UPKEEP = Upkeep(None, None, None, dao_acknowledged=False, keep_alive_s=None)


def upkeep_of(shape: UpkeepShape | None) -> Upkeep | None:
    """Return what ``[upkeep]`` states."""
    if shape is None:
        return None
    times = (
        None if value is None else float(value)
        for value in (shape.beacon_s, shape.dio_s, shape.dao_s, shape.keep_alive_s)
    )
    beacon, dio, dao, keep_alive = times
    return Upkeep(beacon, dio, dao, shape.dao_acknowledged, keep_alive)
