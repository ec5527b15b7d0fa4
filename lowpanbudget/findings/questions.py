"""Which checks of the rules are asked of what: of things of a class, or of what is given under a value."""

from collections.abc import Hashable, Iterable

from lowpanbudget.findings.rule import Check, Reads, Rule
from lowpanbudget.findings.scene import Scene

Asked = dict[Check, Rule]  # in their order, each with the rule that it is of
Plan = dict[Hashable, Asked]  # what is asked, by class or value


class Questions:
    """The checks of these rules, with the memory of this audit; ``at_end`` those of the end of a capture.

    Rules ``across`` networks have the same memory in the questions ``beside``, and are asked there at the end.
    """

    def __init__(self, rules: Iterable[Rule], beside: "Questions | None" = None) -> None:
        self.at_end: list[tuple[Rule, Check]] = []
        self._reads: list[tuple[Rule, Reads]] = []
        self._varying: dict[Hashable, list[tuple[Rule, Reads]]] = {}
        self._asked: Plan = {}
        self.across: dict[tuple[str, str], list[Reads]] = {} if beside is None else beside.across
        for rule in rules:
            key = rule.subject, rule.name
            bound = self.across.get(key)
            reads, at_end = rule.bound() if bound is None else (bound, None)
            if rule.across:
                self.across[key] = reads
            self._reads += [(rule, one) for one in reads]
            self.at_end += [] if at_end is None else [(rule, at_end)]

    def about(self, kind: Hashable) -> Asked:
        """Return what is asked of things of a kind."""
        asked = self._asked.get(kind)
        if asked is None:
            asked = {one.check: rule for rule, one in self._reads if _reads(one.kind, kind)}
            self._asked[kind] = asked
        return asked

    def again(self, kind: Hashable) -> list[tuple[Rule, Reads]]:
        """Return what of it has more to say of frames that are alike."""
        found = self._varying.get(kind)
        if found is None:
            varying = [(rule, one) for rule, one in self._reads if rule.varies]
            found = self._varying[kind] = [pair for pair in varying if _reads(pair[1].kind, kind)]
        return found

    def planned(self, plan: Plan, kind: Hashable, scene: Scene) -> Asked:
        """Return those of them to which a frame like this one matters, and plan them for the others."""
        asked = plan[kind] = {
            one.check: rule
            for rule, one in self.again(kind)
            if one.concerns is None or one.concerns(scene)
        }
        return asked


def _reads(read: Hashable, kind: Hashable) -> bool:
    """Return whether a rule that reads the one is given the other."""
    if isinstance(read, type) and isinstance(kind, type):
        return issubclass(kind, read)
    return read == kind
