"""What a finding must say, as literals of a case, and what the program says about a capture or a design.

All that reaches into the package for this stands here and in ``air``.
"""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

from findings.air import Capture

from lowpanbudget import load_design, review
from lowpanbudget.design.load import parse_design
from lowpanbudget.design.meaning import Design
from lowpanbudget.findings.captures.rules import CAPTURE_RULES
from lowpanbudget.findings.finding import Finding
from lowpanbudget.findings.manual import SECTIONS, every_manual
from lowpanbudget.findings.review import DESIGN_RULES

CAPTURE_NAMES = tuple(rule.name for rule in CAPTURE_RULES)
DESIGN_NAMES = tuple(rule.name for rule in DESIGN_RULES)
_MANUALS = {manual.name: manual for manual in every_manual()}
MANUAL_SECTIONS = ("title", *SECTIONS.values())


@dataclass(frozen=True, slots=True)
class Told:
    """What one finding says: in words, and in which frames.

    ``count`` is how often it was seen; ``advice`` is what to do and ``cite`` which section says so, where that is not
    what the manual says.
    """

    severity: str
    subject: str
    cause: str
    evidence: tuple[str, ...] = ()
    frames: tuple[int, ...] = ()
    count: int = 1
    advice: str = ""
    cite: str = ""

    def sentences(self) -> tuple[str, ...]:
        return (self.cause, *self.evidence)


class Case(NamedTuple):
    """A capture that fires a finding with these words, and a near miss.

    ``more``: the same finding about further subjects; ``also``: the other findings that the capture rightly has.
    """

    fires: Callable[[], Capture]
    stays: Callable[[], Capture]
    told: Told
    more: tuple[Told, ...] = ()
    also: frozenset[str] = frozenset()


class DesignCase(NamedTuple):
    """The same for a design file."""

    fires: Callable[[], str]
    stays: Callable[[], str]
    told: Told
    more: tuple[Told, ...] = ()
    also: frozenset[str] = frozenset()


def told(finding: Finding) -> Told:
    return Told(
        finding.severity.word,
        finding.subject,
        finding.cause,
        finding.evidence,
        finding.frames,
        finding.count,
        own_advice(finding.name, finding.advice),
        own_cite(finding.name, str(finding.cite)),
    )


def own_advice(name: str, advice: str) -> str:
    """The advice of a finding; nothing where it is its manual's."""
    return "" if advice == manual_of(name)["What to do"] else advice


def own_cite(name: str, cite: str) -> str:
    """Which section says so; nothing where it is that of the manual."""
    return "" if cite == str(_MANUALS[name].cite) else cite


def about(name: str, findings: list[Finding]) -> list[Told]:
    """What the findings of this name say."""
    return [told(one) for one in findings if one.name == name]


def judged(text: str) -> list[Finding]:
    """The findings about a design file."""
    return _judged(parse_design(text, "store.toml"))


def judged_file(path: Path) -> list[Finding]:
    return _judged(load_design(path))


def _judged(design: Design) -> list[Finding]:
    return list(review(design))


def manual_of(name: str) -> dict[str, str]:
    """The sections of a finding's manual, its title among them."""
    manual = _MANUALS[name]
    return {"title": manual.title, **manual.sections}
