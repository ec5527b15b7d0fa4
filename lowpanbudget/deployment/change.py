"""A change of a design that may help its network, and what it would then send."""

from collections.abc import Sequence

from lowpanbudget.deployment.airtime import MessageAirtime
from lowpanbudget.design.meaning import Design
from lowpanbudget.values import dataclass

LESS = (
    0.98  # of what is too much: a change that leaves more of it is none worth telling; our choice
)


@dataclass(frozen=True, slots=True)
class PossibleChange:
    """A change alone: its ``key``, in words, the ``design`` with it, the airtimes of its ``messages``, its price.

    One that ``asks_less`` does not carry what is asked for, but sends less often or less of it by itself.
    """

    key: str
    text: str
    design: Design
    messages: Sequence[MessageAirtime]
    caution: str = ""
    asks_less: bool = False
