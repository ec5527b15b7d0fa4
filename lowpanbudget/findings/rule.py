"""What a rule is, and how a subject states its own: one function for each kind of things that the rule reads.

    LINK = Subject("link")

    @LINK.rule("elements-ended-for-nothing", Mac)
    def elements_ended_for_nothing(scene: Scene, mac: Mac) -> Hits: ...

What it is called by people, how much it matters and what to do about it stands in the manual of that name.
"""

from collections.abc import Callable, Hashable, Iterable
from types import MethodType
from typing import Any, NamedTuple, TypeVar

from lowpanbudget.findings.finding import Finding, Hit
from lowpanbudget.findings.manual import Manual, manuals
from lowpanbudget.values import dataclass, field

Hits = Iterable[Hit]
# None: it only remembers; or there is nothing to say, where every frame is asked and a generator would cost
Check = Callable[..., Hits | None]
# whether a frame can matter to a check, by nothing but what all frames that are alike share
Concerns = Callable[[Any], bool]
AnyCheck = TypeVar("AnyCheck", bound=Check)


@dataclass(frozen=True, slots=True)
class Noticed:
    """What a rule reads: the notices of this name."""

    name: str


@dataclass(frozen=True, slots=True)
class FaultOf:
    """What a rule reads: the faults of reading that are evidence for the finding of this name."""

    name: str


OWN_FAULT = FaultOf("")  # in a rule: the faults that are evidence for its own finding


class Reads(NamedTuple):
    """What a check is given: things of a class, or what is given under this value, and which of them matter to it."""

    kind: Hashable
    check: Check
    concerns: Concerns | None = None


@dataclass(slots=True)
class Rule:
    """A rule of diagnosis.

    Its checks take the surroundings (the ``Scene`` of a frame, the ``Draft`` of a design) and what they read, and yield
    what that proves. Below ``least`` hits for one subject nothing is said. ``varies``: the
    answer depends on what differs among frames that are alike (numbers, lengths, payload, time), or on frames before;
    a rule without it is asked once for all of them. With ``memory`` checks get an object of that class first, one
    for the whole audit, and ``at_end`` yields what only the end of the capture proves. One ``across`` networks has one
    memory over all, others one for each network.
    """

    name: str
    subject: str
    least: int = 1
    varies: bool = False
    memory: Callable[[], Any] | None = None
    reads: list[Reads] = field(default_factory=list)
    at_end: Check | None = None
    across: bool = False

    @property
    def manual(self) -> Manual:
        """Return what people read about it."""
        return manuals(self.subject)[self.name]

    def bound(self) -> tuple[list[Reads], Check | None]:
        """Return the checks, and that of the end, with a new memory."""
        if self.memory is None:
            return self.reads, self.at_end
        memory = self.memory()
        checks = [reads._replace(check=MethodType(reads.check, memory)) for reads in self.reads]
        return checks, None if self.at_end is None else MethodType(self.at_end, memory)

    def finding(self, hit: Hit, count: int = 1, each: tuple[Finding, ...] = ()) -> Finding:
        """Return the finding that a hit makes, seen so often; ``each``: those of the subjects that it is about."""
        manual = self.manual
        return Finding(
            self.name,
            manual.title.removesuffix("."),
            manual.severity if hit.severity is None else hit.severity,
            manual.certainty if hit.certainty is None else hit.certainty,
            hit.cause,
            hit.advice or manual.advice,
            hit.cite or manual.cite,
            hit.subject,
            hit.frames,
            count,
            hit.evidence,
            each,
        )


class Subject:
    """The rules about one subject; their manuals stand in the file of its name.

    ``across``: they hold networks against each other, tell stations apart themselves, or look at the capture.
    """

    def __init__(self, name: str, *, across: bool = False) -> None:
        self.name, self.across = name, across
        self.rules: dict[str, Rule] = {}

    def _named(self, name: str) -> Rule:
        return self.rules.setdefault(name, Rule(name, self.name, across=self.across))

    def rule(
        self,
        name: str,
        *kinds: Hashable,
        least: int = 1,
        varies: bool = False,
        memory: Callable[[], Any] | None = None,
        concerns: Concerns | None = None,
    ) -> Callable[[AnyCheck], AnyCheck]:
        """Return a decorator that makes a function a check of this rule, which reads these kinds.

        ``concerns`` is asked about the scene of the second of frames that are alike: where it says no, the check is not
        asked about more of them. The first comes to the check in any case, which has to look for itself.
        """

        def stated(check: AnyCheck) -> AnyCheck:
            rule = self._named(name)
            rule.least = max(rule.least, least)
            rule.memory = rule.memory or memory
            rule.varies |= varies or memory is not None
            own = FaultOf(name)
            rule.reads += [
                Reads(own if kind == OWN_FAULT else kind, check, concerns) for kind in kinds
            ]
            return check

        return stated

    def at_end(self, name: str) -> Callable[[AnyCheck], AnyCheck]:
        """Return a decorator that makes a function the check of a rule at the end of a capture.

        A rule that is stated above gives its memory to it; one that has no other check looks at what is known then.
        """

        def stated(check: AnyCheck) -> AnyCheck:
            self._named(name).at_end = check
            return check

        return stated


def rules_of(*subjects: Subject) -> tuple[Rule, ...]:
    """Return the rules of these subjects in their order."""
    return tuple(rule for subject in subjects for rule in subject.rules.values())
