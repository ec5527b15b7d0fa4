"""What may bring more of a burst in: changes of one number each, those left out that surely bring no more."""

from collections.abc import Iterator
from math import ceil

from lowpanbudget.deployment.burst_plan import BurstPlan
from lowpanbudget.deployment.change import LESS
from lowpanbudget.deployment.helps import backoffs_ladder, places_ladder, retries_ladder
from lowpanbudget.deployment.ladder import Ladder
from lowpanbudget.deployment.slot_helps import slot_ladders
from lowpanbudget.design.access import Access
from lowpanbudget.design.meaning import Design


def burst_ladders(design: Design, access: Access, plan: BurstPlan) -> Iterator[Ladder]:
    """Yield what may bring more of a burst in, each alone, with values that a file may state."""
    slots = access.slots
    if slots is None:
        if _is_much(plan.lost_access, plan):
            yield backoffs_ladder(design, access, ())
    else:
        # so many that what comes in a slotframe goes on in one
        needed = min(ceil(plan.frames * slots.slotframe_s / plan.every_s), slots.slotframe)
        for ladder in slot_ladders(design, slots, (), needed, 0):
            if not ladder.key.endswith(("shared_cells", "cells_down")) and not _is_later(
                design, ladder
            ):
                yield ladder
    if design.link.acknowledged and _is_much(plan.lost_link - plan.lost_access, plan):
        yield retries_ladder(design, access, ())
    if design.queue is not None and _is_much(plan.lost_queue, plan):
        yield places_ladder(design, design.queue, ())


def _is_much(lost: float, plan: BurstPlan) -> bool:
    """Return whether so many lost packets, all of them saved, would leave so much less that it is worth telling."""
    if plan.all_in is None or plan.in_time is None:
        return lost > 0
    late = min(1 - plan.all_in, plan.packets - plan.in_time)
    return lost > 0 and lost >= late * (1 - LESS)


def _is_later(design: Design, ladder: Ladder) -> bool:
    """Return whether a change of slots only brings later what goes up: fewer cells a second, or their order against it.

    Where losses come in runs cells further apart outlast them.
    """
    if ladder.key.endswith("order"):
        return ladder.change(1).text.endswith("from the root")
    longer = ladder.key.endswith("slotframe") and min(ladder.rungs, default=0) > ladder.start
    return longer and (design.loss is None or design.loss.runs is None)
