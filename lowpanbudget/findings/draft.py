"""A design with its fits, as rules look at it before anything is sent."""

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

from lowpanbudget.design.application import Application
from lowpanbudget.design.flow import FIRST, Flow
from lowpanbudget.design.meaning import Design
from lowpanbudget.design.path import FlowPath
from lowpanbudget.findings.finding import Finding
from lowpanbudget.findings.rule import Rule
from lowpanbudget.findings.wording import room_text
from lowpanbudget.room.fit import Fit
from lowpanbudget.room.measure import room_of
from lowpanbudget.values import dataclass, field, replace

if TYPE_CHECKING:
    from lowpanbudget.deployment.airtime import MessageAirtime
    from lowpanbudget.deployment.carried import CarriedNetwork

MANY = 4  # frames for one message from which its delivery deserves a second look; our choice


@dataclass(frozen=True, slots=True)
class Draft:
    """A design, and how its messages fit."""

    design: Design
    fits: tuple[Fit, ...]
    _on_first_hop: dict[tuple[str, str], Fit] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        first = {(one.message, one.flow): one for one in self.fits if one.hop == FIRST}
        object.__setattr__(self, "_on_first_hop", first)

    def path(self, fit: Fit) -> FlowPath:
        """Return the path of a fit: its flow on its hop."""
        flow = self.design.flow(fit.flow)
        return next(path for path in self.design.paths(flow) if path.hop.name == fit.hop)

    def worst(self) -> Iterator[Fit]:
        """Yield, of each message on each flow, the hop with the least room."""
        seen: dict[tuple[str, str], Fit] = {}
        for fit in self.fits:
            key = (fit.message, fit.flow)
            if key not in seen or fit.spare < seen[key].spare:
                seen[key] = fit
        yield from seen.values()

    def first_hop(self, fit: Fit) -> Fit | None:
        """Return the fit of the same message and flow on the first hop; None where that was not asked for."""
        return self._on_first_hop.get((fit.message, fit.flow))


@dataclass(frozen=True, slots=True)
class Deployment:
    """A design, and what its messages take on the air; no messages where that is not known.

    ``messages`` are those that are asked about, ``sent`` all of them: they load the same links and set the same clocks.
    ``network`` is how it carries them, where somebody found that out already.
    """

    design: Design
    messages: "tuple[MessageAirtime, ...]"
    sent: "tuple[MessageAirtime, ...]"
    network: "CarriedNetwork | None" = None


def hits(
    rules: Iterable[Rule], draft: Draft | Deployment, items: Iterable[object]
) -> list[Finding]:
    """Return the finding of each hit of the rules that read the class of an item."""
    return [
        rule.finding(hit)
        for item in items
        for rule in rules
        for kind, check, _ in rule.reads
        if isinstance(kind, type) and isinstance(item, kind)
        for hit in check(draft, item) or ()
    ]


def message_of(fit: Fit) -> str:
    """Return which message on which flow a fit is about."""
    return f"message {fit.message} on flow {fit.flow}"


def with_application(path: FlowPath, application: Application) -> FlowPath:
    """Return the path with other protocols around its messages."""
    return replace(path, flow=replace(path.flow, application=application))


def rooms_beside(draft: Draft, flow: Flow, legal: Flow, how: str) -> Iterator[str]:
    """Yield the rooms of a flow on each hop with those of a legal form; in a tunnel its hop limits fall otherwise."""
    for now, then in zip(draft.design.paths(flow), draft.design.paths(legal), strict=True):
        wanted = room_of(then)
        text = f"{wanted} {how}" if wanted >= 0 else f"{how} {room_text(wanted)}"
        yield f"{now.hop.name} hop: room {room_of(now)}, {text}"
