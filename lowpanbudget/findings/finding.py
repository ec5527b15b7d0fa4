"""A finding as a value: what was seen, in which frames, on what evidence, and what to do about it."""

from enum import Enum, IntEnum
from typing import NamedTuple

from lowpanbudget.cites import Cite
from lowpanbudget.values import dataclass


class Severity(IntEnum):
    """How much a finding matters; all but remarks have weight."""

    REMARK = 0
    WASTE = 1
    RISK = 2
    FAILURE = 3

    @property
    def word(self) -> str:
        """Return the word for people."""
        return self.name.lower()

    @property
    def meaning(self) -> str:
        """Return what it says of a finding, as a sentence."""
        return _MEANINGS[self]


_MEANINGS = {
    Severity.REMARK: "Worth knowing, or a question that the capture cannot answer.",
    Severity.WASTE: "Octets or airtime that nothing needs.",
    Severity.RISK: "It works today, and will not when something else happens.",
    Severity.FAILURE: (
        "A receiver that follows the standard cannot use what was sent; of a design, it cannot work as it is stated."
    ),
}


class Certainty(Enum):
    """What it takes to prove a finding."""

    FRAME = "proved by a single frame"
    CAPTURE = "proved by several frames together"
    CONFIGURATION = "proved with the configuration: contexts, keys, addresses, the design"
    PLAN = "proved by the design alone, before anything is sent"
    FILE = "shown by the capture file itself"
    OPEN = "not proved: more than one reading fits"


class Hit(NamedTuple):
    """What a check saw once.

    Hits of one rule with the same ``subject`` become one finding. ``severity``, ``advice``, ``certainty`` and ``cite``
    are given where they differ from the rule's, ``times`` where it was seen more than once. One without
    a cause only marks its frames, of which a hit at the end tells. One that ``restates`` is no further hit: what was
    seen of the subject before has this cause, and this severity where it gives one. ``network`` is another one than the
    first: what is of two is told apart.
    """

    cause: str
    evidence: tuple[str, ...] = ()
    subject: str = ""
    frames: tuple[int, ...] = ()
    severity: Severity | None = None
    advice: str = ""
    times: int = 1
    certainty: Certainty | None = None
    cite: Cite | None = None
    restates: bool = False
    network: str = ""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that is proved.

    ``subject``: the node, flow or message it is about. ``frames``: the numbers of the first frames that show it, of
    ``count`` hits in all. ``evidence``: octets and values. ``cause`` says why, ``advice`` what to do.
    What holds for several subjects is told once, numbers from the least to the most; ``each`` are the findings of
    these subjects by themselves.
    """

    name: str
    title: str
    severity: Severity
    certainty: Certainty
    cause: str
    advice: str
    cite: Cite
    subject: str = ""
    frames: tuple[int, ...] = ()
    count: int = 0
    evidence: tuple[str, ...] = ()
    each: "tuple[Finding, ...]" = ()

    @property
    def has_weight(self) -> bool:
        """Return whether the answer to "is all well?" is no because of it."""
        return self.severity > Severity.REMARK


def ranked(findings: list[Finding]) -> list[Finding]:
    """Return the findings, worst first; of the same severity the one seen most often, then by name."""
    return sorted(findings, key=lambda one: (-one.severity, -one.count, one.name, one.subject))
