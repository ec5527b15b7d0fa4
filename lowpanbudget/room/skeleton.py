"""A design to begin with whose messages all fit, proved by encoding them."""

from lowpanbudget.design.load import parse_design
from lowpanbudget.design.skeleton import Skeleton, text_of
from lowpanbudget.room.fit import fit
from lowpanbudget.values import replace


def fitting_text(skeleton: Skeleton) -> str:
    """Return the text of the design file; a flow whose message takes several frames is allowed so many.

    Raises ``DesignError`` where no frame can carry the headers at all.
    """
    text = text_of(skeleton)
    frames: dict[str, int] = {}
    for one in fit(parse_design(text, "the skeleton")):
        if one.frames is not None and one.frames > 1:
            frames[one.flow] = max(one.frames, frames.get(one.flow, 0))
    return text_of(replace(skeleton, most_frames=frames)) if frames else text
