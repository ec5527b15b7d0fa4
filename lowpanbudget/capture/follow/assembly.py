"""Fragments put together, with the frames that brought them and the flow they belong to."""

from collections import OrderedDict
from typing import NamedTuple

from lowpanbudget.capture.follow.packet import FlowKey, flow_of
from lowpanbudget.env import Env
from lowpanbudget.layers.lowpan.fragment import Fragment
from lowpanbudget.layers.lowpan.recovery import Rfrag
from lowpanbudget.stack.frame import Frame
from lowpanbudget.stack.reassembly import Complete, Event, FragmentKey, Ignored, Reassembler

_MOST_OPEN = 512
_MOST_PARTS = 512


class Outcome(NamedTuple):
    """An event of reassembly, the frames that brought its fragments, and their flow where it is known."""

    event: Event
    numbers: tuple[int, ...]
    flow: FlowKey | None


class Fed(NamedTuple):
    """What a frame caused: outcomes, the datagram it completes with all its frames, and the flow it belongs to."""

    outcomes: tuple[Outcome, ...]
    datagram: bytes | None = None
    parts: tuple[int, ...] = ()
    flow: FlowKey | None = None


class _Held(NamedTuple):
    numbers: list[int]
    flow: FlowKey | None


class Assembly:
    """A reassembler that remembers, in bounded memory, which frames brought what it holds."""

    def __init__(self, timeout_s: float) -> None:
        self._reassembler = Reassembler(timeout_s=timeout_s)
        self._held: OrderedDict[FragmentKey, _Held] = OrderedDict()

    def know(self, env: Env) -> None:
        """Expand what recoverable fragments bring with these contexts and this root from now on."""
        self._reassembler.env = env

    def feed(self, frame: Frame, number: int, time_s: float, flow: FlowKey | None) -> Fed:
        """Return what frame ``number`` causes: a fragment of ``flow`` (if that is known), or an acknowledgement."""
        key = _key_of(frame)
        events = self._reassembler.feed(frame, time_s)
        if key is None:
            events = [event for event in events if not isinstance(event, Ignored)]
        outcomes = tuple(self._outcome(event, key, number) for event in events)
        if key is None:
            return Fed(outcomes)
        for outcome in outcomes:
            if isinstance(outcome.event, Complete):
                octets = outcome.event.datagram.octets
                known = outcome.flow or flow or flow_of(octets)
                return Fed(outcomes, octets, outcome.numbers, known)
        if not any(isinstance(outcome.event, Ignored) for outcome in outcomes):
            self._hold(key, number, flow)
        held = self._held.get(key)
        return Fed(outcomes, flow=flow or (None if held is None else held.flow))

    def close(self) -> list[Outcome]:
        """Return what ends with the capture."""
        return [self._outcome(event, None, 0) for event in self._reassembler.close()]

    def _hold(self, key: FragmentKey, number: int, flow: FlowKey | None) -> None:
        held = self._held.get(key)
        numbers = [] if held is None else held.numbers
        if len(numbers) < _MOST_PARTS:
            numbers.append(number)
        self._held[key] = _Held(numbers, flow or (None if held is None else held.flow))
        while len(self._held) > _MOST_OPEN:
            self._held.popitem(last=False)

    def _outcome(self, event: Event, current: FragmentKey | None, number: int) -> Outcome:
        """Return an event with the frames it speaks of; a completing frame is the last of them."""
        key = None if isinstance(event, Ignored) else event.key
        held = None if key is None else self._held.pop(key, None)
        numbers = () if held is None else tuple(held.numbers)
        if isinstance(event, Complete) and current is not None:
            numbers = (*numbers, number)
        return Outcome(event, numbers, None if held is None else held.flow)


def _key_of(frame: Frame) -> FragmentKey | None:
    fragment = frame.fragment
    if isinstance(fragment, Fragment):
        return frame.link_source, frame.link_destination, fragment.size, fragment.tag
    if isinstance(fragment, Rfrag):
        return frame.link_source, frame.link_destination, None, fragment.tag
    return None
