"""One knob at one position: a dimension of a design, the value it gets, and the change that this makes.

Knobs are declared beside the keys that they turn, each for the part of the design that it knows (link, flow, routing,
application); ``knobs`` gathers them as changes of the whole design.
"""

from collections.abc import Callable
from enum import IntEnum
from typing import Generic, TypeVar

from lowpanbudget.cites import Cite
from lowpanbudget.values import dataclass, field, replace

Part = TypeVar("Part")
Whole = TypeVar("Whole")


class Stage(IntEnum):
    """The order in which the changes of one set are made: addresses decide contexts, and those the rest."""

    LINK = 0
    IDENTIFIERS = 1
    CONTEXTS = 2
    REST = 3


@dataclass(frozen=True, slots=True)
class Knob(Generic[Part]):
    """One thing to change: ``dimension`` (stable, such as ``link.security.level``) set to ``value``.

    ``key`` names the keys of the design file that it turns, ``text`` says the change to people; ``turn`` makes it.
    ``condition`` says what the change takes; ``caution`` is not empty when it weakens protection; ``stronger`` marks a
    change that protects more and costs octets.
    """

    dimension: str
    value: str
    key: str
    text: str
    cite: Cite
    turn: Callable[[Part], Part] = field(repr=False, compare=False)
    condition: str = ""
    caution: str = ""
    stronger: bool = False
    stage: Stage = Stage.REST

    @property
    def id(self) -> str:
        """Return what names this change in a combination: ``link.security.level=6``."""
        return f"{self.dimension}={self.value}"

    def within(
        self,
        get: Callable[[Whole], Part],
        put: Callable[[Whole, Part], Whole],
        inside: str = "",
    ) -> "Knob[Whole]":
        """Return the knob that turns this one inside a larger value; ``inside`` goes before the dimension's name."""
        turn = self.turn
        return Knob(
            inside + self.dimension,
            self.value,
            self.key,
            self.text,
            self.cite,
            lambda outer: put(outer, turn(get(outer))),
            self.condition,
            self.caution,
            self.stronger,
            self.stage,
        )


def replacing(**changes: object) -> Callable[[Part], Part]:
    """Return a turn that replaces fields of a frozen value."""
    return lambda part: replace(part, **changes)  # type: ignore[type-var]
