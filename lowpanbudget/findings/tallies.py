"""Hits counted into findings, in bounded memory: one finding for each rule and subject.

A fact that is the same for several subjects is said once, with all of them: it is one of the network. So is what
differs in nothing but numbers, where it holds for many. What each of them has by itself goes with it.
"""

from lowpanbudget.findings.alike import form_of, listed, spanning
from lowpanbudget.findings.finding import Finding, Hit, Severity, ranked
from lowpanbudget.findings.rule import Rule
from lowpanbudget.values import dataclass, field

MOST_SUBJECTS = 32  # findings of one rule; what more there is becomes one more
MOST_FRAMES = 12  # frame numbers in a finding
MOST_EVIDENCE = 4
MOST_NAMED = 12  # subjects of a fact that holds for many, by name
MANY = 4  # subjects of which one text is told, with numbers from the least to the most: fewer are told apart
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
    each: tuple[Finding, ...] = ()

    def finding(self) -> Finding:
        """Return the finding that they make."""
        frames, evidence = tuple(self.frames), tuple(self.evidence)
        hit = self.hit._replace(severity=self.severity, frames=frames, evidence=evidence)
        return self.rule.finding(hit, self.count, self.each)


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
                    same = name, hit.network, tally.severity, hit.advice, hit.certainty, hit.cite
                    said.setdefault((*same, form_of(hit.cause)), []).append(tally)
        return ranked([_together(same).finding() for like in said.values() for same in _told(like)])


def _told(like: list[_Tally]) -> list[list[_Tally]]:
    """Return tallies of one form that are told together: all where they are many, else those that say the same."""
    if len(like) >= MANY:
        return [like]
    same: dict[str, list[_Tally]] = {}
    for tally in like:
        same.setdefault(tally.hit.cause, []).append(tally)
    return [*same.values()]


def _together(tallies: list[_Tally]) -> _Tally:
    """Return tallies that say the same of several subjects as one about all of them."""
    first, *others = tallies
    if not others:
        return first
    tallies = sorted(tallies, key=lambda tally: (tally.hit.subject == OTHERS, tally.hit.subject))
    subjects = [tally.hit.subject for tally in tallies]
    cause = spanning([tally.hit.cause for tally in tallies])
    together = _Tally(
        first.rule,
        first.hit._replace(subject=listed(subjects, MOST_NAMED), cause=cause),
        first.severity,
        sum(tally.count for tally in tallies),
        sorted({number for tally in tallies for number in tally.frames})[:MOST_FRAMES],
        each=tuple(tally.finding() for tally in tallies),
    )
    evidence = dict.fromkeys(text for tally in tallies for text in tally.evidence)
    together.evidence = list(evidence)[:MOST_EVIDENCE]
    return together
