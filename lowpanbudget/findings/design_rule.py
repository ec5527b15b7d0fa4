"""What every rule about a design has, and the plan that it looks at."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import ClassVar

from lowpanbudget.cites import Cite
from lowpanbudget.design.application import Application
from lowpanbudget.design.meaning import Design
from lowpanbudget.design.path import Path
from lowpanbudget.findings.finding import Certainty, Hit, Severity
from lowpanbudget.room.compute import Budget
from lowpanbudget.room.fit import Fit

MANY = 4  # frames for one message from which its delivery deserves a second look; our choice


@dataclass(frozen=True, slots=True)
class Plan:
    """A design with its budgets and fits, as the rules look at it."""

    design: Design
    budgets: tuple[Budget, ...]
    fits: tuple[Fit, ...]

    def path(self, fit: Fit) -> Path:
        """Return the path of a fit: its flow on its hop."""
        flow = self.design.flow(fit.flow)
        return next(path for path in self.design.paths(flow) if path.hop.name == fit.hop)

    def worst(self) -> Iterator[Fit]:
        """Yield, of each message on each flow, the hop with the least room."""
        seen: dict[tuple[str, str], Fit] = {}
        for one in self.fits:
            key = (one.message, one.flow)
            if key not in seen or one.spare < seen[key].spare:
                seen[key] = one
        yield from seen.values()


class DesignRule:
    """A rule about a design; its manual is its docstring, as every rule's."""

    name: ClassVar[str]
    severity: ClassVar[Severity]
    certainty: ClassVar[Certainty] = Certainty.PLAN
    cite: ClassVar[Cite]

    @classmethod
    def check(cls, plan: Plan) -> Iterator[Hit]:
        """Yield what the plan proves."""
        raise NotImplementedError


def octets_text(count: int) -> str:
    """Return a count with its unit."""
    return "1 octet" if count == 1 else f"{count} octets"


def room_text(room: int) -> str:
    """Return a room in words, also one below 0."""
    if room < 0:
        return f"the headers alone are {octets_text(-room)} over one frame"
    return f"the room is {room}"


def about(fit: Fit) -> str:
    """Return which message on which flow a fit is about."""
    return f"message {fit.message} on flow {fit.flow}"


def with_application(path: Path, application: Application) -> Path:
    """Return the path with other protocols around its messages."""
    return replace(path, flow=replace(path.flow, application=application))
