"""Hits counted into findings, in bounded memory: one finding for each rule and subject."""

from collections.abc import Sequence
from dataclasses import dataclass, field

from lowpanbudget.findings.finding import Finding, Hit, Severity, ranked
from lowpanbudget.findings.rule import Rule, finding_of

MOST_SUBJECTS = 32  # findings of one rule; what more there is becomes one more
MOST_FRAMES = 12  # frame numbers in a finding
MOST_EVIDENCE = 4
OTHERS = "others"


@dataclass(slots=True)
class _Tally:
    """The hits of one rule about one subject; ``hit`` is the worst of them."""

    hit: Hit
    severity: Severity
    count: int = 0
    frames: list[int] = field(default_factory=list)
    evidence: list[str] = field(default_factory=list)


class Tallies:
    """Counts the hits of some rules, which are named by their place."""

    def __init__(self, rules: Sequence[Rule]) -> None:
        self._rules = rules
        self._tallies: dict[tuple[int, str], _Tally] = {}
        self._subjects = [0] * len(rules)

    def count(self, index: int, hit: Hit, number: int) -> None:
        """Count a hit of the rule at this place, seen in frame ``number`` (0: in none)."""
        rule = self._rules[index]
        severity = rule.severity if hit.severity is None else hit.severity
        tally = self._tallies.get((index, hit.subject)) or self._new(index, hit, severity)
        tally.count += 1
        if severity > tally.severity:
            tally.severity = severity
            tally.hit = hit._replace(subject=tally.hit.subject)
        for one in hit.frames or (number,):
            if len(tally.frames) < MOST_FRAMES and one and one not in tally.frames:
                tally.frames.append(one)
        for text in hit.evidence:
            if len(tally.evidence) < MOST_EVIDENCE and text not in tally.evidence:
                tally.evidence.append(text)

    def _new(self, index: int, hit: Hit, severity: Severity) -> _Tally:
        if self._subjects[index] >= MOST_SUBJECTS:
            hit = hit._replace(subject=OTHERS)
            known = self._tallies.get((index, OTHERS))
            if known is not None:
                return known
        self._subjects[index] += 1
        tally = self._tallies[index, hit.subject] = _Tally(hit, severity)
        return tally

    def findings(self) -> list[Finding]:
        """Return the findings, worst first, without those that have fewer hits than their rule wants."""
        found = []
        for (index, subject), tally in self._tallies.items():
            rule = self._rules[index]
            if tally.count < rule.least and subject != OTHERS:
                continue
            hit = tally.hit._replace(
                severity=tally.severity, frames=tuple(tally.frames), evidence=tuple(tally.evidence)
            )
            found.append(finding_of(type(rule), hit, tally.count))
        return ranked(found)
