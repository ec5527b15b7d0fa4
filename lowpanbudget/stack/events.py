"""What becomes of fragments: a datagram is whole, late or given up, or a frame changed nothing."""

from typing import Any

from lowpanbudget.stack.fragment_key import FragmentKey, KeyFields
from lowpanbudget.stack.incoming import Datagram
from lowpanbudget.values import dataclass


@dataclass(frozen=True, slots=True)
class Complete:
    """A datagram is whole; ``fragments`` frames brought it, from ``started_s`` to ``ended_s`` (of one frame its time).

    ``marks`` are what came with each of these frames, here as in the other events. ``of_two``: recoverable fragments of
    it contradicted another datagram under its tag, and there may be fragments of that among them.
    """

    datagram: Datagram
    key: FragmentKey | None
    fragments: int
    started_s: float
    ended_s: float
    marks: tuple[Any, ...] = ()
    of_two: bool = False


@dataclass(frozen=True, slots=True)
class TimedOut:
    """A datagram was not whole in time: ``received`` of its size in octets, ``missing`` ranges (start, end).

    ``again``: it is none more that never was whole. What was held belongs to one whose end was told before, or that was
    whole: copies that came late, or the rest of one whose tag another took.
    """

    key: FragmentKey
    received: int
    missing: tuple[tuple[int, int], ...]
    started_s: float
    marks: tuple[Any, ...] = ()
    again: bool = False


@dataclass(frozen=True, slots=True)
class Discarded:
    """What was collected for ``key`` was given up: ``reason`` says why, ``for_room`` that others needed its place.

    ``again`` as in ``TimedOut``. ``contradicted``: the fragment that came says otherwise than those before it.
    """

    key: FragmentKey
    received: int
    reason: str
    marks: tuple[Any, ...] = ()
    for_room: bool = False
    again: bool = False
    contradicted: bool = False


@dataclass(frozen=True, slots=True)
class Ignored:
    """The frame changed nothing: ``reason`` says why (no fragment, a duplicate, a fault)."""

    reason: str


Event = Complete | TimedOut | Discarded | Ignored


def timed_out(key: KeyFields, entry: Any) -> TimedOut:
    """Return the event that ends the time of what is held of a datagram."""
    marks, again = tuple(entry.marks), entry.told_before()
    missing, started_s = entry.missing(), entry.started_s
    return TimedOut(FragmentKey(*key), entry.received, missing, started_s, marks, again)


def discarded(key: KeyFields, entry: Any, reason: str, **why: bool) -> Discarded:
    """Return the event that gives up what is held of a datagram."""
    marks, again = tuple(entry.marks), entry.told_before()
    return Discarded(FragmentKey(*key), entry.received, reason, marks, again=again, **why)
