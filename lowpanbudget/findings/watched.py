"""Tallies of an audit that somebody watches: hits outside of what was asked for are left out, and each is told of."""

from collections.abc import Callable

from lowpanbudget.arguments import function_or_none
from lowpanbudget.capture.follow.narrowing import Narrowing
from lowpanbudget.capture.follow.tracing import Trace
from lowpanbudget.findings.finding import Finding, Hit
from lowpanbudget.findings.rule import Rule
from lowpanbudget.findings.tallies import OTHERS, Tallies

# is told the numbers of the frames of a hit, the rule that it is of, and its subject
Seen = Callable[[tuple[int, ...], str, str], None]


class WatchedTallies(Tallies):
    """Counts the hits of rules in the frames of a ``narrowing``; hits that name no frame are of the whole capture.

    ``tell`` is called once with each finding of weight and the frame that it arises with, ``seen`` with each hit.
    """

    def __init__(
        self,
        narrowing: Narrowing | None = None,
        tell: Callable[[int, Finding], None] | None = None,
        seen: Seen | None = None,
    ) -> None:
        super().__init__()
        self._narrowing, self._tell, self._seen = narrowing, tell, seen
        self._told: set[tuple[str, str]] = set()

    def count(self, rule: Rule, hit: Hit, number: int) -> None:
        """Count a hit of a rule, seen in frame ``number`` (0: in none)."""
        frames = hit.frames or ((number,) if number else ())
        narrowing = self._narrowing
        # what no frame at hand proves names the first frames it knows of: there may be others at the time asked for
        outside = narrowing is not None and not narrowing.wanted(frames, at_any_time=not number)
        if frames and outside:
            return
        if not hit.cause:
            if self._seen is not None:
                self._seen(frames, rule.name, hit.subject)
            return
        super().count(rule, hit, number)
        tallies = self._tallies[rule.name]
        subject = hit.subject if hit.subject in tallies else OTHERS
        if subject not in tallies:
            return  # it restates what is outside
        if self._seen is not None:
            self._seen(frames, rule.name, subject)
        if self._tell is None or (rule.name, subject) in self._told:
            return
        tally = tallies[subject]
        if tally.count >= rule.least or subject == OTHERS:
            finding = tally.finding()
            if finding.has_weight:
                self._told.add((rule.name, subject))
                self._tell(number, finding)


def watched(
    trace: Trace, tell: Callable[[int, Finding], None] | None = None, seen: Seen | None = None
) -> Tallies:
    """Return what the hits in the frames that a trace was asked for are counted in."""
    narrowing = trace.narrowing
    function_or_none(tell, "tell")
    if narrowing is None and tell is None and seen is None:
        return Tallies()
    return WatchedTallies(narrowing, tell, seen)
