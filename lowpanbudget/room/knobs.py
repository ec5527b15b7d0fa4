"""Turning knobs: each change is made alone, the frame encoded again, and the difference is the answer."""

from collections.abc import Sequence
from contextlib import suppress

from lowpanbudget.cites import Cite
from lowpanbudget.design.flow import Flow
from lowpanbudget.design.knob import Knob
from lowpanbudget.design.knobs import in_order, knobs, turned
from lowpanbudget.design.meaning import Design
from lowpanbudget.design.path import Path
from lowpanbudget.errors import LowpanError
from lowpanbudget.room.measure import room_of
from lowpanbudget.values import dataclass, field


@dataclass(frozen=True, slots=True)
class Loss:
    """What a change takes from another flow of the design: ``gain`` octets of room on a hop, below 0."""

    flow: str
    hop: str
    gain: int


@dataclass(frozen=True, slots=True)
class Saving:
    """What one change gives: ``gain`` octets of room (negative: it costs), for ``condition``, with ``caution``.

    ``id`` names the change (dimension and value) in a combination; ``knob`` the keys of the design file that it turns.
    ``elsewhere``: what it takes from other flows, since link keys, identifiers and contexts are the whole design's.
    ``path`` is the path as it then is.
    """

    knob: str
    text: str
    gain: int
    cite: Cite
    condition: str = ""
    caution: str = ""
    stronger: bool = False
    id: str = ""
    elsewhere: tuple[Loss, ...] = ()
    path: Path | None = field(default=None, repr=False, compare=False)


def turn_all(design: Design, path: Path) -> list[Saving]:
    """Return every change's gain on this path of the design, best first; changes that cannot be made are left out."""
    savings = []
    for knob in knobs(design, path.flow):
        saving = _turn(knob, design, (knob,), path)
        if saving is not None:
            savings.append(saving)
    savings.sort(key=lambda saving: -saving.gain)
    return savings


def _turn(
    knob: Knob[Design],
    before: Design,
    changes: Sequence[Knob[Design]],
    path: Path,
) -> Saving | None:
    """Return what ``changes`` give together, as the saving of ``knob``; None if they cannot be made."""
    try:
        design, then, gain = _gain(before, changes, path)
        elsewhere = tuple(_losses(before, design, path.flow))
    except LowpanError:
        return None
    return Saving(
        knob.key, knob.text, gain, knob.cite, knob.condition, knob.caution, knob.stronger, knob.id,
        elsewhere, then,
    )  # fmt: skip


def _gain(before: Design, changes: Sequence[Knob[Design]], path: Path) -> tuple[Design, Path, int]:
    """Return the design with ``changes``, the path as it then is, and its gain of room; raises if it cannot be."""
    design = turned(before, changes)
    then = _same_hop(design, path)
    return design, then, room_of(then) - room_of(_same_hop(before, path))


def _same_hop(design: Design, path: Path) -> Path:
    candidates = design.paths(design.flow(path.flow.name))
    return next((other for other in candidates if other.hop.name == path.hop.name), candidates[-1])


def _losses(before: Design, after: Design, flow: Flow) -> list[Loss]:
    """Return what the flows beside this one lose; raises where one of them can no longer be sent."""
    losses = []
    for other in before.flows:
        changed = after.flow(other.name)
        untouched = changed is other and _is_shared(before, after)
        if other.name == flow.name or untouched:
            continue
        for was, then in zip(before.paths(other), after.paths(changed), strict=False):
            gain = 0 if was == then else room_of(then) - room_of(was)
            if gain < 0:
                losses.append(Loss(other.name, was.hop.name, gain))
    return losses


def _is_shared(before: Design, after: Design) -> bool:
    """Return whether two designs have what holds for all their flows in common."""
    return after.link is before.link and after.contexts is before.contexts


def best_together(design: Design, path: Path, wanted: int, most: int = 4) -> list[Saving]:
    """Return the fewest changes that together give ``wanted`` octets of room on the path; none if they cannot.

    Chosen greedily: the best on top of those before, at last the least that is enough. They come in the fixed order in
    which changes are made together, and their gains are counted in it. No change that weakens protection is among them.
    """
    chosen: list[Knob[Design]] = []
    room, now = room_of(path), design
    while room < wanted and len(chosen) < most:
        here = _same_hop(now, path)
        taken = {knob.dimension for knob in chosen}
        advice = []
        for knob in knobs(now, here.flow):
            if knob.dimension in taken or knob.caution:
                continue
            with suppress(LowpanError):
                reached = room_of(path) + _gain(design, (*chosen, knob), path)[2]
                if reached > room:
                    advice.append((reached, knob))
        # what a change takes from other flows is asked of the best ones alone: it takes longest
        advice.sort(key=lambda pair: (pair[0] < wanted, abs(pair[0] - wanted)))
        for reached, knob in advice:
            if _turn(knob, design, (*chosen, knob), path) is not None:
                room = reached
                chosen.append(knob)
                break
        else:
            return []
        now = turned(design, chosen)
    return _one_on_another(design, chosen, path) if room >= wanted else []


def _one_on_another(design: Design, chosen: list[Knob[Design]], path: Path) -> list[Saving]:
    """Return the savings of changes made one on top of the other, each in the words that hold where it is made."""
    savings = []
    for knob in in_order(chosen):
        here = _same_hop(design, path)
        same = next((k for k in knobs(design, here.flow) if k.id == knob.id), knob)
        saving = _turn(same, design, (same,), path)
        assert saving is not None
        savings.append(saving)
        design = turned(design, (same,))
    return savings
