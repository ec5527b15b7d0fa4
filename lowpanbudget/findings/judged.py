"""What an audit keeps of frames that are alike but for numbers and payload."""

from collections.abc import Sequence
from typing import Any

from lowpanbudget.findings.finding import Hit
from lowpanbudget.findings.questions import Plan
from lowpanbudget.findings.rule import Rule
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.lowpan.iphc import Iphc
from lowpanbudget.values import dataclass, field


@dataclass(slots=True)
class Judged:
    """What holds for all frames that are alike: hits, headers on the air, and what ``look`` found among them.

    ``varying`` are the headers of which a rule says more for each frame, ``plan`` the checks that do.
    """

    hits: list[tuple[Rule, Hit]]
    layers: Sequence[Any]
    varying: Sequence[Any]
    looked: tuple[Iphc | None, Ipv6 | None, bool]
    plan: Plan = field(default_factory=dict)
