"""Hits counted into findings, in bounded memory: one finding for each rule and subject."""

from lowpanbudget.findings.finding import Finding, Hit, Severity, ranked
from lowpanbudget.findings.rule import Rule
from lowpanbudget.values import dataclass, field

MOST_SUBJECTS = 32  # findings of one rule; what more there is becomes one more
MOST_FRAMES = 12  # frame numbers in a finding
MOST_EVIDENCE = 4
OTHERS = "others"


@dataclass(slots=True)
class _Tally:
    """The hits of one rule about one subject; ``hit`` is the worst of them."""

    rule: Rule
    hit: Hit
    severity: Severity
    count: int = 0
    frames: list[int] = field(default_factory=list)
    evidence: list[str] = field(default_factory=list)

    def finding(self) -> Finding:
        """Return the finding that they make."""
        frames, evidence = tuple(self.frames), tuple(self.evidence)
        hit = self.hit._replace(severity=self.severity, frames=frames, evidence=evidence)
        return self.rule.finding(hit, self.count)


class Tallies:
    """Counts the hits of rules."""

    def __init__(self) -> None:
        self._tallies: dict[str, dict[str, _Tally]] = {}

    def count(self, rule: Rule, hit: Hit, number: int) -> None:
        """Count a hit of a rule, seen in frame ``number`` (0: in none)."""
        severity = rule.manual.severity if hit.severity is None else hit.severity
        tallies = self._tallies.setdefault(rule.name, {})
        if hit.subject not in tallies and len(tallies) >= MOST_SUBJECTS:
            hit = hit._replace(subject=OTHERS)
        tally = tallies.get(hit.subject)
        if tally is None:
            tally = tallies[hit.subject] = _Tally(rule, hit, severity)
        tally.count += 1
        if severity > tally.severity:
            tally.severity, tally.hit = severity, hit
        for frame in hit.frames or (number,):
            if len(tally.frames) < MOST_FRAMES and frame and frame not in tally.frames:
                tally.frames.append(frame)
        for text in hit.evidence:
            if len(tally.evidence) < MOST_EVIDENCE and text not in tally.evidence:
                tally.evidence.append(text)

    def findings(self) -> list[Finding]:
        """Return the findings, worst first, without those that have fewer hits than their rule wants."""
        return ranked(
            [
                tally.finding()
                for tallies in self._tallies.values()
                for subject, tally in tallies.items()
                if tally.count >= tally.rule.least or subject == OTHERS
            ]
        )
