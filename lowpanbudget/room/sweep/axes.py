"""The axes of a sweep: for each dimension of a design its positions, chosen by name from those that the knobs have."""

from collections.abc import Iterable, Mapping, Sequence

from lowpanbudget.arguments import several
from lowpanbudget.design.flow import Flow
from lowpanbudget.design.knob import Knob, Share
from lowpanbudget.design.knobs import hops_position, positions
from lowpanbudget.design.meaning import Design
from lowpanbudget.design.spelling import spelled
from lowpanbudget.errors import RequestError, repeated
from lowpanbudget.values import dataclass, field, replace

HOPS = "hops"
MOST_HOPS = 254  # of a flow in a design file
Values = Iterable[str | int] | str | int  # one of them is meant as a list of it


@dataclass(frozen=True, slots=True)
class Axis:
    """One dimension of a design: its ``values`` that are swept, and ``now``, the one that the design has.

    ``changes`` are the changes that make them, None for ``now``. ``given``: no setting, but what a place in the network
    decides; a setting must do for all its values.
    """

    name: str
    dimension: str
    now: str
    values: tuple[str, ...]
    changes: tuple[Knob[Design] | None, ...] = field(repr=False)
    given: bool = False

    @property
    def shares(self) -> tuple[Share, ...]:
        """Return what of a frame the axis bears on; nothing where it has no other value than now."""
        return next((change.shares for change in self.changes if change is not None), ())

    @property
    def apart(self) -> bool:
        """Return whether settings with different values of it are not compared: frames of another radio are others."""
        return Share.LARGEST in self.shares and not any(map(any, self.protection))

    @property
    def respects(self) -> int:
        """Return in how many respects a value protects."""
        return max((len(protects) for protects in self.protection), default=1)

    @property
    def weaker(self) -> list[bool]:
        """Return which values protect less than now in some respect."""
        return [min(protects, default=0) < 0 for protects in self.protection]

    @property
    def protection(self) -> list[tuple[int, ...]]:
        """Return how much more than now each value protects."""
        return [() if change is None else change.protection for change in self.changes]


def axes_of(
    design: Design, flow: Flow, wanted: Mapping[str, Values] | None = None, *, weaker: bool = False
) -> list[Axis]:
    """Return the axes of a flow, those ``wanted`` with these values alone.

    A name is a dimension or its end (``level``). The number of hops and the largest frame stay as they are unless they
    are wanted; values that protect less than now are among them with ``weaker``, or where they are wanted by name.
    Raises ``RequestError`` for an axis or a value that is not there, and an axis without values.
    """
    every = _every(design, flow)
    chosen: dict[str, list[str]] = {}
    for name, values in _wanted(wanted).items():
        axis = _named(name, every, design, flow)
        if axis.name in chosen:
            raise RequestError(
                f"the axis {axis.name} is given twice", hint="Give all its values together"
            )
        chosen[axis.name] = _listed(name, values, axis)
    return [_swept(axis, chosen.get(axis.name), weaker=weaker) for axis in every.values()]


def _wanted(wanted: object) -> Mapping[str, Values]:
    if wanted is None:
        return {}
    if not isinstance(wanted, Mapping) or not all(isinstance(name, str) for name in wanted):
        raise RequestError(
            f"axes {repeated(wanted)} do not give values by name", hint='Such as {"level": [6, 7]}'
        )
    return wanted


def _swept(axis: Axis, chosen: Sequence[str] | None, *, weaker: bool) -> Axis:
    """Return the axis with the values chosen, or those that are swept where none are."""
    if chosen is not None:
        return _with_values(axis, chosen)
    if axis.given or Share.LARGEST in axis.shares:
        return _with_values(axis, [axis.now])
    values = zip(axis.values, axis.weaker, strict=True)
    return _with_values(axis, [value for value, is_weaker in values if weaker or not is_weaker])


def axis_values(design: Design, flow: Flow) -> dict[str, tuple[str, ...]]:
    """Return the axes that a flow has by their names, with all their values."""
    return {name: axis.values for name, axis in _every(design, flow).items()}


def _every(design: Design, flow: Flow) -> dict[str, Axis]:
    """Return every axis by name, with all its positions; of the hops those up to the flow's own."""
    found: dict[str, list[Knob[Design]]] = {}
    for knob in positions(design, flow):
        found.setdefault(knob.dimension, []).append(knob)
    found[f"flow[{flow.name}].{HOPS}"] = [
        hops_position(flow, hops) for hops in range(1, MOST_HOPS + 1)
    ]
    axes = {}
    for dimension, knobs in found.items():
        name, now = dimension.removeprefix(f"flow[{flow.name}]."), knobs[0].now
        changes: dict[str, Knob[Design] | None] = {now: None}
        for knob in knobs:
            changes.setdefault(knob.value, knob)
        axes[name] = Axis(
            name, dimension, now, tuple(changes), tuple(changes.values()), name == HOPS
        )
    return axes


def _named(name: str, every: Mapping[str, Axis], design: Design, flow: Flow) -> Axis:
    """Return the axis of this name, or of the one whose name ends with it."""
    if name in every:
        return every[name]
    ending = [axis for axis in every.values() if name in _short_names(axis)]
    if len(ending) == 1:
        return ending[0]
    if ending:
        names = ", ".join(axis.name for axis in ending)
        raise RequestError(f"{name!r} may be several axes", hint=f"Give one of {names}")
    elsewhere = [
        other.name for other in design.flows if other is not flow and _has(name, design, other)
    ]
    if elsewhere:
        raise RequestError(
            f"the flow {flow.name} has no axis {repeated(name)}",
            hint=f"Flows that have it: {', '.join(elsewhere)}",
        )
    raise RequestError(
        f"the flow {flow.name} has no axis {repeated(name)}",
        hint=spelled(name, sorted(every), "Its axes"),
    )


def _has(name: str, design: Design, flow: Flow) -> bool:
    return any(
        name == axis.name or name in _short_names(axis) for axis in _every(design, flow).values()
    )


def _short_names(axis: Axis) -> set[str]:
    """Return the whole dimension and the ends of an axis' name, behind each full stop."""
    parts = axis.name.split(".")
    return {axis.dimension, *(".".join(parts[start:]) for start in range(1, len(parts)))}


def _listed(name: str, values: Values, axis: Axis) -> list[str]:
    listed: list[str] = []
    for value in map(str, [values] if isinstance(values, str | int) else several(values, name)):
        # a value may hold a comma itself, as a pair of ports does
        listed += [value] if value in axis.values else [one.strip() for one in value.split(",")]
    listed = list(dict.fromkeys(one for one in listed if one))
    if not listed:
        raise RequestError(f"the axis {name} has no values", hint=f"Give some of {_shown(axis)}")
    for value in listed:
        if value not in axis.values:
            raise RequestError(
                f"the axis {axis.name} has no value {repeated(value)}",
                hint=f"Its values: {_shown(axis)}",
            )
    return listed


def _shown(axis: Axis) -> str:
    return f"1 to {MOST_HOPS}" if axis.given else ", ".join(axis.values)


def _with_values(axis: Axis, values: Sequence[str]) -> Axis:
    """Return the axis with these values alone."""
    changes = dict(zip(axis.values, axis.changes, strict=True))
    return replace(axis, values=tuple(values), changes=tuple(changes[value] for value in values))
