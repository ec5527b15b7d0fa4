"""Which checks of the rules are asked of what: of things of a class, or of what is given under a value."""

from collections.abc import Hashable, Iterable
from typing import NamedTuple

from lowpanbudget.findings.rule import Check, Concerns, Reads, Rule
from lowpanbudget.findings.scene import Scene


class Question(NamedTuple):
    """A check of a rule, with the memory of this audit, and which frames matter to it."""

    rule: Rule
    check: Check
    concerns: Concerns | None = None


Plan = dict[Hashable, list[Question]]  # what is asked, by class or value


class Questions:
    """The questions of these rules; ``at_end`` those of the end of a capture.

    Rules ``across`` networks have the same memory in the questions ``beside``, and are asked there at the end.
    """

    def __init__(self, rules: Iterable[Rule], beside: "Questions | None" = None) -> None:
        self.at_end: list[Question] = []
        self._reads: list[tuple[Hashable, Question]] = []
        self._asked: Plan = {}
        self.across: dict[tuple[str, str], list[Reads]] = {} if beside is None else beside.across
        for rule in rules:
            key = rule.subject, rule.name
            bound = self.across.get(key)
            reads, at_end = rule.bound() if bound is None else (bound, None)
            if rule.across:
                self.across[key] = reads
            self._reads += [(one.kind, Question(rule, one.check, one.concerns)) for one in reads]
            self.at_end += [] if at_end is None else [Question(rule, at_end)]

    def about(self, kind: Hashable) -> list[Question]:
        """Return what is asked of things of a kind."""
        asked = self._asked.get(kind)
        if asked is None:
            asked = [question for read, question in self._reads if _reads(read, kind)]
            self._asked[kind] = asked
        return asked

    def again(self, kind: Hashable) -> list[Question]:
        """Return those of them that have more to say of frames that are alike."""
        return [question for question in self.about(kind) if question.rule.varies]

    def planned(self, plan: Plan, kind: Hashable, scene: Scene) -> list[Question]:
        """Return those of them to which a frame like this one matters, and plan them for the others."""
        again = self.again(kind)
        plan[kind] = [one for one in again if one.concerns is None or one.concerns(scene)]
        return plan[kind]


def _reads(read: Hashable, kind: Hashable) -> bool:
    """Return whether a rule that reads the one is given the other."""
    if isinstance(read, type) and isinstance(kind, type):
        return issubclass(kind, read)
    return read == kind
