"""Hits counted into findings, in bounded memory: one finding for each rule and subject.

A fact that is the same for several subjects is said once, with all of them: it is one of the network.
"""

from lowpanbudget.findings.finding import Finding, Hit, Severity, ranked
from lowpanbudget.findings.rule import Rule
from lowpanbudget.values import dataclass, field

MOST_SUBJECTS = 32  # findings of one rule; what more there is becomes one more
MOST_FRAMES = 12  # frame numbers in a finding
MOST_EVIDENCE = 4
MOST_NAMED = 12  # subjects of a fact that holds for many, by name
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
        """Count a hit of a rule, seen in frame ``number`` (0: in none); one without a cause only marks frames."""
        if not hit.cause:
            return
        severity = rule.manual.severity if hit.severity is None else hit.severity
        tallies = self._tallies.setdefault(rule.name, {})
        if hit.subject not in tallies and len(tallies) >= MOST_SUBJECTS:
            hit = hit._replace(subject=OTHERS)
        tally = tallies.get(hit.subject)
        if hit.restates:
            if tally is not None:
                tally.hit = hit
                tally.severity = tally.severity if hit.severity is None else severity
            return
        if tally is None:
            tally = tallies[hit.subject] = _Tally(rule, hit, severity)
        tally.count += hit.times
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
        said: dict[tuple[object, ...], list[_Tally]] = {}
        for name, tallies in self._tallies.items():
            for subject, tally in tallies.items():
                if tally.count >= tally.rule.least or subject == OTHERS:
                    hit = tally.hit
                    same = name, hit.network, tally.severity, hit.cause, hit.advice, hit.certainty
                    said.setdefault(same, []).append(tally)
        return ranked([_together(same).finding() for same in said.values()])


def _together(tallies: list[_Tally]) -> _Tally:
    """Return tallies that say the same of several subjects as one about all of them."""
    first, *others = tallies
    if not others:
        return first
    subjects = sorted(
        (tally.hit.subject for tally in tallies), key=lambda one: (one == OTHERS, one)
    )
    together = _Tally(
        first.rule,
        first.hit._replace(subject=_listed(subjects)),
        first.severity,
        sum(tally.count for tally in tallies),
        sorted({number for tally in tallies for number in tally.frames})[:MOST_FRAMES],
    )
    evidence = dict.fromkeys(text for tally in tallies for text in tally.evidence)
    together.evidence = list(evidence)[:MOST_EVIDENCE]
    return together


def _listed(subjects: list[str]) -> str:
    """Return subjects in a row; of many the first by name, and how many more. What all say behind them stands once."""
    whats = {subject.partition(": ")[2] for subject in subjects}
    what = whats.pop() if len(whats) == 1 else ""
    if what:
        subjects = [subject.partition(": ")[0] for subject in subjects]
    named = ", ".join(subjects[:MOST_NAMED])
    more = len(subjects) - MOST_NAMED
    return (named if more <= 0 else f"{named} and {more} more") + (what and f": {what}")
