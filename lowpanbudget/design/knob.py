"""One knob at one position: a dimension of a design, the value it gets, and the change that this makes.

Knobs are declared beside the keys that they turn, each for the part of the design that it knows (link, flow, routing,
application); ``knobs`` gathers them as changes of the whole design.
"""

from collections.abc import Callable
from enum import Enum, IntEnum
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


class Share(Enum):
    """What of a frame a change bears on: octets of different shares add up, changes of one are measured together.

    The largest frame, the link header, the protection of the link, its elements; the headers of the network layer, the
    class of traffic, the header of the transport; what stands around the payload.
    """

    LARGEST = "largest frame"
    LINK = "link header"
    PROTECTION = "link protection"
    ELEMENTS = "elements"
    NETWORK = "network headers"
    CLASS = "traffic class"
    TRANSPORT = "transport header"
    APPLICATION = "application"


@dataclass(frozen=True, slots=True)
class Knob(Generic[Part]):
    """One thing to change: ``dimension`` (stable, such as ``link.security.level``) set to ``value``.

    ``key`` names the keys of the design file that it turns, ``text`` says the change to people; ``turn`` makes it.
    ``condition`` says what the change takes; ``caution`` is not empty when it weakens protection; ``stronger`` marks a
    change that protects more and costs octets. ``now``: the value that the dimension has before. ``protects``: how much
    more it protects, in each respect of its dimension; below 0 less.
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
    now: str = "as designed"
    shares: tuple[Share, ...] = ()
    protects: tuple[int, ...] = ()

    @property
    def protection(self) -> tuple[int, ...]:
        """Return ``protects``, or one respect in which the caution or the mark says it."""
        return self.protects or ((-1,) if self.caution else (1,) if self.stronger else (0,))

    @property
    def id(self) -> str:
        """Return what names this change in a combination: ``link.security.level=6``."""
        return f"{self.dimension}={self.value}"

    def within(
        self,
        get: Callable[[Whole], Part],
        put: Callable[[Whole, Part], Whole],
        inside: str = "",
        shares: tuple[Share, ...] = (),
    ) -> "Knob[Whole]":
        """Return the knob that turns this one inside a larger value; ``inside`` goes before the dimension's name.

        ``shares``: what it bears on there, where the knob itself does not say it.
        """
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
            self.now,
            self.shares or shares,
            self.protects,
        )


def replacing(**changes: object) -> Callable[[Part], Part]:
    """Return a turn that replaces fields of a frozen value."""
    return lambda part: replace(part, **changes)  # type: ignore[type-var]
