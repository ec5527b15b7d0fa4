"""What nodes were answered that want to be let in: accepted, or refused since then, by whom and how often."""

from collections.abc import Hashable, Mapping
from typing import Any

from lowpanbudget.errors import plural
from lowpanbudget.findings.finding import Hit, Severity
from lowpanbudget.findings.memory import FirstNamed, Frames
from lowpanbudget.findings.rule import Hits
from lowpanbudget.findings.scene import Scene
from lowpanbudget.values import dataclass, field

_MOST_ANSWERS = 4  # of a node that are told apart: who answered and how


@dataclass(slots=True)
class Answers:
    """What a node was answered: whether it was ever let in, and how it was refused since then, by whom how often.

    ``handed_on`` is a refusal of the border router that a router has yet to tell the node.
    """

    was_accepted: bool = False
    refusals: int = 0
    last: str = ""
    handed_on: str = ""
    by: dict[tuple[str, str], int] = field(default_factory=dict)
    frames: Frames = field(default_factory=Frames)

    def accept(self) -> None:
        """Note that somebody lets it in: what was refused before is past."""
        self.was_accepted, self.refusals, self.handed_on = True, 0, ""
        self.by.clear()
        self.frames.clear()

    def refuse(self, by: str, status: str, number: int) -> None:
        """Note a refusal."""
        self.refusals, self.last = self.refusals + 1, status
        self.frames.note(number)
        if (by, status) in self.by or len(self.by) < _MOST_ANSWERS:
            self.by[by, status] = self.by.get((by, status), 0) + 1


# by what names a node, and what is said of it
Answered = FirstNamed[Hashable, Answers]


def note(memory: Answered, node: Hashable, scene: Scene, status: str, *, accepts: bool) -> None:
    """Note an answer to a node."""
    answers = memory.entry(node, Answers)
    if answers is None:
        return
    if accepts:
        answers.accept()
    else:
        by = scene.sender if scene.header is None else str(scene.header.source)
        answers.refuse(by, status, scene.number)


def refusals_of(memory: Mapping[Any, Answers], what: str) -> Hits:
    """Yield each node that nobody lets in; one that was in before may be refused once, as it may ask elsewhere."""
    for node, answers in memory.items():
        if answers.refusals <= answers.was_accepted:
            continue
        evidence = tuple(
            f"{by} answers with {status}" + ("" if count == 1 else f", {plural(count, 'time')}")
            for (by, status), count in answers.by.items()
        )
        severity = Severity.RISK if answers.refusals == 1 else None
        cause, frames = f"{what}: {answers.last}", tuple(answers.frames)
        yield Hit(cause, evidence, str(node), frames, severity, times=answers.refusals)
