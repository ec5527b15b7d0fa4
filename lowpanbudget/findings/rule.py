"""What every rule of diagnosis has: a name, a manual in its docstring, and a check that is given what it reads.

A manual is the class docstring: its first line is the title, then come the sections below, each led by its name and a
colon at the start of a line. ``explain`` prints it; findings take title and advice from it.
"""

from collections.abc import Iterable
from functools import cache
from inspect import cleandoc
from typing import Any, ClassVar

from lowpanbudget.cites import Cite
from lowpanbudget.findings.finding import Certainty, Finding, Hit, Severity
from lowpanbudget.findings.scene import Known, Scene

SECTIONS = ("What it sees", "Why it costs", "When it is no fault", "Example", "What to do")
Hits = Iterable[Hit]
NONE: tuple[Hit, ...] = ()


class Rule:
    """A rule of diagnosis; an instance lives as long as one audit and may keep bounded state.

    ``reads`` names the classes of things that ``check`` is given: decoded headers, notices, faults, fragments
    (``Piece``, ``Assembly``), whole datagrams (``Whole``), checksum ``Reading`` values, or every ``Scene``. Below
    ``least`` hits for one subject nothing is said. ``varies``: the answer depends on what differs among frames that are
    alike (numbers, lengths, payload, time), or on those before; a rule without it is asked once for all of them.
    """

    name: ClassVar[str]
    severity: ClassVar[Severity]
    certainty: ClassVar[Certainty]
    cite: ClassVar[Cite]
    reads: ClassVar[tuple[type, ...]] = ()
    least: ClassVar[int] = 1
    varies: ClassVar[bool] = False

    def __init__(self, known: Known) -> None:
        self.known = known

    def check(self, scene: Scene, thing: Any) -> Hits:  # noqa: ARG002  # the default reads nothing
        """Return what this thing, read in this scene, proves."""
        return NONE

    def close(self) -> Hits:
        """Return what only the end of the capture proves."""
        return NONE


@cache
def manual(rule: type) -> dict[str, str]:
    """Return the sections of a rule's manual by name, its title under "title"."""
    sections = {"title": ""}
    current = "title"
    for line in cleandoc(rule.__doc__ or "").splitlines():
        head, colon, rest = line.partition(":")
        if colon and head in SECTIONS:
            current = head
            sections[current] = rest.strip()
        elif line.strip():
            sections[current] = f"{sections[current]} {line.strip()}".strip()
    return sections


def finding_of(rule: type, hit: Hit, count: int = 1) -> Finding:
    """Return the finding that a hit of this rule makes; ``rule`` has the class attributes of ``Rule``."""
    about: Any = rule
    pages = manual(rule)
    return Finding(
        about.name,
        pages["title"].removesuffix("."),
        about.severity if hit.severity is None else hit.severity,
        about.certainty,
        hit.cause,
        hit.advice or pages.get("What to do", ""),
        about.cite,
        hit.subject,
        hit.frames,
        count,
        hit.evidence,
    )
