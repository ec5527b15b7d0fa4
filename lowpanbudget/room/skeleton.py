"""A design to begin with whose messages all fit, proved by encoding them."""

from lowpanbudget.design.load import parse_design
from lowpanbudget.design.skeleton import Skeleton, text_of
from lowpanbudget.room.fit import fit
from lowpanbudget.values import replace


def fitting(skeleton: Skeleton) -> Skeleton:
    """Return the skeleton with ``most_frames`` for each flow whose message takes several frames.

    Raises ``DesignError`` where no frame can carry the headers at all.
    """
    frames: dict[str, int] = {}
    for one in fit(parse_design(text_of(skeleton), "the skeleton"), advised=False):
        if one.frames is not None and one.frames > 1:
            frames[one.flow] = max(one.frames, frames.get(one.flow, 0))
    return replace(skeleton, most_frames=frames)


def fitting_text(skeleton: Skeleton) -> str:
    """Return the text of the design file in which every message fits. Raises as ``fitting``."""
    return text_of(fitting(skeleton))
