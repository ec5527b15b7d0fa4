"""What a frame shares with others: what each brought of a datagram, and the one whose contents it has."""

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from lowpanbudget.capture.follow.flows import FlowKey
from lowpanbudget.capture.follow.templates import Template
from lowpanbudget.stack.events import Discarded, Event, TimedOut


class DatagramPart(NamedTuple):
    """What one frame brought of a datagram: the frame's number, octets of its payload, its template, its own octets."""

    number: int
    octets: int
    template: Template | None = None
    frame_octets: int = 0

    @property
    def flow(self) -> FlowKey | None:
        """Return the flow of the datagram, where this part tells it."""
        return None if self.template is None else self.template.flow


_new = tuple.__new__


# how long retries of one frame may last, with a slot schedule too; our choice
REPEAT_NS = 8 * 10**9


class Copied(NamedTuple):
    """The frame whose contents another one has: its numbers in the capture and of its sender, and how long before."""

    number: int
    sequence: int | None
    before_ns: int


class Suspect(NamedTuple):
    """A frame that may be old: its ``number``, and the ``first`` frame that had all of it, so long before."""

    number: int
    first: int
    sequence: int
    past_ns: int


class Settled(NamedTuple):
    """What a frame says of those of its sender before it that were set aside; ``is_aside``: it is itself."""

    suspects: Sequence[Suspect] = ()
    are_old: bool = False
    is_aside: bool = False


ASIDE = Settled(is_aside=True)


def part_of(
    number: int, payload: bytes | None, template: Template | None, octets: bytes
) -> DatagramPart:
    """Return what a frame brings of a datagram; what a later fragment is like nobody asks any more."""
    fragment = None if template is None else template.example.fragment
    if fragment is not None and not fragment.first:
        template = None  # thousands may be held
    return _new(DatagramPart, (number, len(payload or b""), template, len(octets)))


def flow_of_parts(parts: Sequence[DatagramPart]) -> FlowKey | None:
    """Return the flow that the parts of a datagram tell; None where none does."""
    for part in reversed(parts):  # a generator takes twice the time, for every fragment
        if part.template is not None and part.template.flow is not None:
            return part.template.flow
    return None


def headers_template_of(parts: Sequence[DatagramPart]) -> Template | None:
    """Return the template of the part that brought the headers of a datagram; None where none tells them."""
    return next((one for part in parts if (one := part.template) and one.flow), None)


def given_up(events: Iterable[Event]) -> list[TimedOut | Discarded]:
    """Return the events of datagrams that never became whole."""
    return [event for event in events if isinstance(event, TimedOut | Discarded)]
