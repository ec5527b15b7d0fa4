"""What changes of a design give, and what they take from its other flows."""

from lowpanbudget.cites import Cite
from lowpanbudget.design.path import FlowPath
from lowpanbudget.values import dataclass, field


@dataclass(frozen=True, slots=True)
class Loss:
    """What a change takes from another flow of the design: ``gain`` octets of room on a hop, below 0."""

    flow: str
    hop: str
    gain: int


@dataclass(frozen=True, slots=True)
class Saving:
    """What one change gives: ``gain`` octets of room (negative: it costs), for ``condition``, with ``caution``.

    ``id`` names the change (dimension and value) in a combination; ``knob`` the keys of the design file that it turns.
    ``elsewhere``: what it takes from other flows, since link keys, identifiers and contexts are the whole design's.
    ``path`` is the path as it then is.
    """

    knob: str
    text: str
    gain: int
    cite: Cite
    condition: str = ""
    caution: str = ""
    stronger: bool = False
    id: str = ""
    elsewhere: tuple[Loss, ...] = ()
    path: FlowPath | None = field(default=None, repr=False, compare=False)
