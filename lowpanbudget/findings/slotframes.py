"""The slotframe that is just enough, sought up to eight times as long as the one that a design has, or as short.

A longer one has more slots for the cells of each node, and spares batteries, as less is listened to; a shorter one
mends the rest. So the nearest one that mends what it can breaks the least of the other kind, and where that is not
enough no slotframe alone is. While it is sought nothing is played: queues and losses are calculated one by one, and
what is found is played like any other change.
"""

from collections.abc import Sequence

from lowpanbudget.deployment.airtime import MessageAirtime
from lowpanbudget.deployment.carried import CarriedNetwork, Matter
from lowpanbudget.deployment.carry import judged
from lowpanbudget.deployment.change import PossibleChange
from lowpanbudget.deployment.fewest import fewest
from lowpanbudget.deployment.slot_helps import with_slotframe
from lowpanbudget.design.access import Access
from lowpanbudget.design.allowed import is_allowed
from lowpanbudget.design.meaning import Design

LONGER: frozenset[Matter] = frozenset({"relay", "battery"})
SHORTER: frozenset[Matter] = frozenset({"cells", "shared", "queue", "delivery", "latency"})
_DOUBLINGS = 3


def nearest_slotframe(
    design: Design, access: Access, messages: Sequence[MessageAirtime], network: CarriedNetwork
) -> PossibleChange | None:
    """Return the change to the nearest slotframe that is enough for what a longer one, or a shorter one, mends.

    None where what decides is neither, or where none within bounds is enough.
    """
    slots, decides = access.slots, network.decides
    if slots is None or decides is None:
        return None
    kind = next((one for one in (LONGER, SHORTER) if decides.matter in one), None)
    if kind is None:
        return None
    odd = slots.slotframe | 1
    way = 2 if kind is LONGER else -2

    def change(steps: int) -> PossibleChange:
        return with_slotframe(design, access, slots, messages, odd + way * steps)

    def is_enough(steps: int) -> bool:
        tried = change(steps)
        if tried.design.access is None or not is_allowed(tried.design, tried.key):
            return False
        then = judged(
            tried.design, tried.design.access, messages, network.seed, None, network.services, network.hops
        )  # fmt: skip
        return all(one.holds or one.is_close for one in then.checks if one.matter in kind)

    short = 0
    for doubling in range(1, _DOUBLINGS + 1):
        length = odd << doubling if kind is LONGER else slots.slotframe >> doubling
        far = abs((length | 1) - odd) // 2
        if far > short and is_enough(far):
            return change(fewest(short, far, is_enough))
        short = far
    return None
