"""The least change of one number that is enough: by doublings until one is, then by halving what lies between.

One search for cells, places, slotframes, retries, readings, polls and upkeep. It looks at a value in several ways, from
the quickest, which may call enough what is not, to that which decides: only what the quicker ones find is looked at
for longer, and where that was too little the search goes on from there.
"""

from collections.abc import Callable, Sequence

from lowpanbudget.deployment.carried import LimitCheck
from lowpanbudget.deployment.fewest import fewest
from lowpanbudget.deployment.ladder import Ladder
from lowpanbudget.findings.easing import eased, is_all_late

Look = Callable[[float], Sequence[LimitCheck]]  # a value: what is in the way then, the worst first
_MOST = 15  # values between two rungs that are played: four of them tell the least


def nearest(ladder: Ladder, looks: Sequence[Look]) -> float | None:
    """Return the value next to the design's own of which no look finds anything in the way; None: there is none."""
    value, quickest = ladder.start, looks[0]
    for look in looks:
        if look(value):
            further = _further(ladder, look, value, None if look is quickest else quickest)
            if further is None:
                return None
            value = further
    return None if value == ladder.start else value


def _further(ladder: Ladder, look: Look, short: float, quickest: Look | None) -> float | None:
    """Return the first value beyond ``short`` that is enough; None where to go on does no good.

    Of what is played nothing is that the ``quickest`` look finds too much already.
    """
    before = look(short)
    bad = {one.matter for one in before}

    def is_mended(value: float) -> bool:
        return not any(one.matter in bad for one in look(value))

    for far in ladder.rungs:
        if abs(far - ladder.start) <= abs(short - ladder.start):
            continue
        values = ladder.between(short, far)
        if quickest is not None:
            values = values[:: len(values) // -_MOST][::-1]
            values = values[: _place(values, lambda value: bool(quickest(value)))]
            if not values:
                return None
        last, after = values[-1], look(values[-1])
        while is_mended(last):
            values = values[_place(values, is_mended) :]
            broken = look(values[0])
            if not broken:
                return values[0]
            bad.update(one.matter for one in broken)  # further on this may be mended as well
        if last != far:
            return None
        # a quicker look leaves off between two rungs: the rest of that step is too short to ease what can be seen
        if short == ladder.start or short in ladder.rungs:
            if not _eases(before, after):
                return None
            before = after
        short = far
    return None


def _place(values: Sequence[float], is_one: Callable[[float], bool]) -> int:
    """Return the place of the first value that is one, where all behind it are, found by halving; behind all: none."""
    return fewest(-1, len(values), lambda place: is_one(values[place]))


def _eases(before: Sequence[LimitCheck], after: Sequence[LimitCheck]) -> bool:
    """Return whether what is in the way was mended, or surely is in the way less than before, or may be unseen."""
    first = after[0]
    same = next((one for one in before if one.matter == first.matter), None)
    return same is None or eased(same, first) or (is_all_late(same) and is_all_late(first))
