"""Turning knobs: each change is made alone, the frame encoded again, and the difference is the answer."""

from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from itertools import chain

from lowpanbudget.design.knob import Knob
from lowpanbudget.design.knobs import knobs, protections, turned
from lowpanbudget.design.meaning import Design
from lowpanbudget.design.path import FlowPath
from lowpanbudget.errors import LowpanError
from lowpanbudget.room.measure import room_of
from lowpanbudget.room.savings import Loss, Saving


class Turning:
    """The changes of one design: what each makes of the whole design is found once, for all its flows and hops."""

    def __init__(self, design: Design) -> None:
        self._design = design
        self._paths = {flow.name: design.paths(flow) for flow in design.flows}
        self._after: dict[tuple[str, ...], _After | LowpanError] = {}
        self._knobs: dict[str, tuple[Knob[Design], ...]] = {}

    def all(self, path: FlowPath) -> list[Saving]:
        """Return every change's gain on this path, best first; changes that cannot be made are left out."""
        name = path.flow.name
        if name not in self._knobs:  # they are the same on each hop
            several = knobs(self._design, path.flow), protections(path.flow)
            self._knobs[name] = tuple(chain(*several))
        savings = []
        for knob in self._knobs[name]:
            with suppress(LowpanError):
                savings.append(self.saving(knob, (knob,), path))
        savings.sort(key=lambda saving: -saving.gain)
        return savings

    def saving(self, knob: Knob[Design], changes: Sequence[Knob[Design]], path: FlowPath) -> Saving:
        """Return what ``changes`` give together, as the saving of ``knob``; raises where they cannot be made."""
        then, gain = self._gain(changes, path)
        elsewhere = self.losses(changes, path.flow.name)
        return Saving(
            knob.key, knob.text, gain, knob.cite, knob.condition, knob.caution, knob.stronger, knob.id,
            elsewhere, then,
        )  # fmt: skip

    def paths(self, changes: Sequence[Knob[Design]], flow: str) -> tuple[FlowPath, ...]:
        """Return the paths of a flow with ``changes``; raises where they cannot be made."""
        return tuple(self._turned(changes).paths(flow) if changes else self._paths[flow])

    def losses(self, changes: Sequence[Knob[Design]], flow: str) -> tuple[Loss, ...]:
        """Return what ``changes`` take from the flows beside this one; raises where one can no longer be sent."""
        return tuple(self._turned(changes).losses(flow))

    def _gain(self, changes: Sequence[Knob[Design]], path: FlowPath) -> tuple[FlowPath, int]:
        """Return the path as it is with ``changes``, and its gain of room; raises where they cannot be made."""
        name = path.flow.name
        then = _same_hop(self._turned(changes).paths(name), path)
        return then, room_of(then) - room_of(_same_hop(self._paths[name], path))

    def _turned(self, changes: Sequence[Knob[Design]]) -> "_After":
        key = tuple(knob.id for knob in changes)
        after = self._after.get(key)
        if after is None:
            try:
                after = _After(turned(self._design, changes), self._design, self._paths)
            except LowpanError as fault:
                after = fault
            self._after[key] = after
        if isinstance(after, LowpanError):
            raise after
        return after


class _After:
    """A design with changes, beside the paths of its flows ``before`` them."""

    def __init__(self, design: Design, before: Design, paths: Mapping[str, list[FlowPath]]) -> None:
        self._design, self._before, self._paths = design, before, paths
        self._is_shared = design.link is before.link and design.contexts is before.contexts
        self._changed: dict[str, list[FlowPath]] = {}
        self._losses: dict[str, list[Loss] | LowpanError] = {}

    def paths(self, flow: str) -> list[FlowPath]:
        """Return the paths of the flow of this name as they now are."""
        if flow not in self._changed:
            changed = self._design.flow(flow)
            untouched = self._is_shared and changed is self._before.flow(flow)
            self._changed[flow] = self._paths[flow] if untouched else self._design.paths(changed)
        return self._changed[flow]

    def losses(self, flow: str) -> Iterator[Loss]:
        """Yield what the flows beside this one lose; raises where one of them can no longer be sent."""
        for other in self._paths:
            if other == flow:
                continue
            if other not in self._losses:
                try:
                    self._losses[other] = list(self._losses_of(other))
                except LowpanError as fault:
                    self._losses[other] = fault
            losses = self._losses[other]
            if isinstance(losses, LowpanError):
                raise losses
            yield from losses

    def _losses_of(self, flow: str) -> Iterator[Loss]:
        for was, then in zip(self._paths[flow], self.paths(flow), strict=False):
            gain = 0 if was is then or was == then else room_of(then) - room_of(was)
            if gain < 0:
                yield Loss(flow, was.hop.name, gain)


def _same_hop(candidates: Sequence[FlowPath], path: FlowPath) -> FlowPath:
    return next((other for other in candidates if other.hop.name == path.hop.name), candidates[-1])
