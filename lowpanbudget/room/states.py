"""The states of a flow's settings: every combination of its changes, each really encoded.

What single changes give must not be added up: a context is made for the address that then holds, and a change may
change nothing beside another. So whoever shows combinations shows states.
"""

from collections.abc import Iterable, Iterator
from itertools import combinations, product
from math import prod

from lowpanbudget.design.flow import Flow
from lowpanbudget.design.knob import Knob
from lowpanbudget.design.knobs import in_order, knobs, turned
from lowpanbudget.design.meaning import Design
from lowpanbudget.design.path import FlowPath
from lowpanbudget.errors import LowpanError
from lowpanbudget.fields import Restored
from lowpanbudget.room.knobs import Turning
from lowpanbudget.room.measure import room_of
from lowpanbudget.stack.frame import decode_lowpan
from lowpanbudget.values import dataclass, field, replace

MOST_STATES = 4096  # of a flow, that are all encoded
_MOST_IN_ALL = 4 * MOST_STATES  # of a design with many flows: a minute or two


@dataclass(frozen=True, slots=True)
class Setting:
    """One dimension of a design that may change for a flow: its name, and what it may be beside what it is.

    ``lent_by``: for each of ``changes`` the flow whose change it is; empty where the flow would make it itself.
    """

    dimension: str
    changes: tuple[Knob[Design], ...]
    lent_by: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SettingsState:
    """A flow with some changes made, by their ``ids`` in the order in which they are made.

    ``rooms`` are those of its ``paths``, in octets, below 0 by how many the headers alone are over. Both are empty
    where the changes cannot be made together: ``refusal`` says why. ``offered`` are the changes of other dimensions
    that the design then has, in the words that hold there.
    """

    ids: tuple[str, ...]
    paths: tuple[FlowPath, ...] = field(default=(), repr=False)
    rooms: tuple[int, ...] = ()
    refusal: str = ""
    offered: tuple[Knob[Design], ...] = field(default=(), repr=False)


def settings_of(design: Design, flow: Flow) -> tuple[Setting, ...]:
    """Return the dimensions of the flow in which the design may change, in the order in which changes are made."""
    return settings_by_flow(design)[flow.name]


def settings_by_flow(design: Design) -> dict[str, tuple[Setting, ...]]:
    """Return the settings of each flow by its name.

    Link keys, identifiers and contexts are the whole design's: what one flow would change is a setting as well of each
    flow whose rooms it alone changes, though that flow has nothing to gain by it.
    """
    turning = Turning(design)
    own = {flow.name: tuple(knobs(design, flow)) for flow in design.flows}
    every: dict[str, tuple[Knob[Design], str]] = {}
    for name, several in own.items():
        for knob in several:
            every.setdefault(knob.id, (knob, name))
    found = {}
    for name, several in own.items():
        changes = [(knob, "") for knob in several]
        others = every.keys() - {knob.id for knob in several}
        lent = (
            one for key, one in every.items() if key in others and _bears(turning, one[0], name)
        )
        found[name] = tuple(_settings([*changes, *((_lent(*one), one[1]) for one in lent)]))
    return found


def _settings(changes: Iterable[tuple[Knob[Design], str]]) -> list[Setting]:
    dimensions: dict[str, list[tuple[Knob[Design], str]]] = {}
    for knob, of in changes:
        dimensions.setdefault(knob.dimension, []).append((knob, of))
    made = [
        Setting(name, tuple(knob for knob, _ in several), tuple(of for _, of in several))
        for name, several in dimensions.items()
    ]
    return sorted(made, key=lambda setting: setting.changes[0].stage)


def _bears(turning: Turning, knob: Knob[Design], flow: str) -> bool:
    """Return whether a change alone changes the rooms of a flow, or leaves it no way to be sent."""
    try:
        then = turning.paths((knob,), flow)
        now = turning.paths((), flow)
        return then is not now and list(map(room_of, then)) != list(map(room_of, now))
    except LowpanError:
        return True


def _lent(knob: Knob[Design], flow: str) -> Knob[Design]:
    """Return a change in words that tell for which flow it is made."""
    return replace(knob, text=f"for {flow}: {knob.text}")


def combinations_of(settings: Iterable[Setting]) -> int:
    """Return how many combinations these settings have."""
    return prod(len(setting.changes) + 1 for setting in settings)


def most_of(design: Design) -> int:
    """Return how many states of each flow are all encoded, where nobody says: the more flows, the fewer."""
    return min(MOST_STATES, max(_MOST_IN_ALL // len(design.flows), 1))


def count_of(settings: tuple[Setting, ...], most: int = MOST_STATES) -> int:
    """Return how many states ``states`` yields of these settings."""
    return sum(1 for _ in _choices(settings, most))


def states(
    design: Design, flow: Flow, settings: tuple[Setting, ...], most: int = MOST_STATES
) -> Iterator[SettingsState]:
    """Yield a ``SettingsState`` for each combination of the flow's settings, the design as it is first.

    Where there are more than ``most``: only that, each change alone, and each two together.
    """
    lent = [
        (knob, of)
        for setting in settings
        for knob, of in zip(setting.changes, setting.lent_by, strict=True)
        if of
    ]
    for choice in _choices(settings, most):
        yield _state(design, flow, tuple(knob for knob in choice if knob is not None), lent)


def restored_headers(path: FlowPath, carried: bytes) -> tuple[Restored, ...]:
    """Return the headers that a receiver restores from what a frame of the path carries, with what each came from."""
    return decode_lowpan(carried, path.env).restored


def _choices(settings: tuple[Setting, ...], most: int) -> Iterable[tuple[Knob[Design] | None, ...]]:
    if combinations_of(settings) <= most:
        return product(*((None, *setting.changes) for setting in settings))
    return _few(settings)


def _few(settings: tuple[Setting, ...]) -> Iterator[tuple[Knob[Design], ...]]:
    yield ()
    for setting in settings:
        yield from ((knob,) for knob in setting.changes)
    for one, other in combinations(settings, 2):
        yield from product(one.changes, other.changes)


def _state(
    design: Design,
    flow: Flow,
    changes: tuple[Knob[Design], ...],
    lent: Iterable[tuple[Knob[Design], str]],
) -> SettingsState:
    changes = tuple(in_order(changes))
    ids = tuple(knob.id for knob in changes)
    try:
        now = turned(design, changes)
        changed = now.flow(flow.name)
        paths = tuple(now.paths(changed))
        rooms = tuple(map(room_of, paths))
    except LowpanError as fault:
        return SettingsState(ids, refusal=fault.message)
    taken = {knob.dimension for knob in changes}
    offered = [*knobs(now, changed), *(_then(now, *one) for one in lent)]
    left = tuple(knob for knob in offered if knob.dimension not in taken)
    return SettingsState(ids, paths, rooms, "", left)


def _then(now: Design, knob: Knob[Design], of: str) -> Knob[Design]:
    """Return a change that another flow lends, in the words that now hold there."""
    same = (one for one in knobs(now, now.flow(of)) if one.id == knob.id)
    return next((_lent(one, of) for one in same), knob)
