"""Which settings carry a payload of so many octets: as the design is, or with the fewest changes, each set proven."""

from contextlib import suppress

from lowpanbudget.arguments import whole_number, with_flags
from lowpanbudget.design.flow import Flow
from lowpanbudget.design.meaning import Design
from lowpanbudget.design.path import FlowPath
from lowpanbudget.errors import LowpanError
from lowpanbudget.room.measure import cliffs, frames_of, room_of
from lowpanbudget.room.savings import Loss, Saving
from lowpanbudget.room.sets import ChangeSet, savings_of, smallest_sets
from lowpanbudget.values import dataclass

_MOST_SETS = 12  # of a flow that are worked out; there may be hundreds that are as small


@dataclass(frozen=True, slots=True)
class EnoughChanges:
    """Changes that together are enough, in the order in which they are made.

    ``ids`` name them in a combination. ``savings`` are those of the hop that decides, one on top of the other.
    ``carries``: the octets of the largest payload that every hop then carries in the frames allowed. ``elsewhere``:
    what other flows lose.
    """

    ids: tuple[str, ...]
    savings: tuple[Saving, ...]
    carries: int
    elsewhere: tuple[Loss, ...]


@dataclass(frozen=True, slots=True)
class Carrying:
    """Whether a flow carries a payload of ``octets`` in at most ``most_frames`` frames on every hop.

    ``carries``: the octets of the largest payload that it does carry so, below 0 by how many the headers alone are
    over; ``hop`` is the one that decides, ``room`` what one frame has there. ``sets``: the smallest sets of changes
    with which it ``fits``, best first, none where it does or none can; ``more_sets`` are as small and not worked out.
    ``weaker``: sets with changes that cost protection, no advice, where they were asked for. ``datagram``: how many
    octets the datagram of the payload has, headers restored, of which ``mtu`` is the most. ``in_slot``: the octets of
    the longest frame that a slot has time for, where the PHY's is longer (None elsewhere).
    """

    flow: str
    direction: str
    hop: str
    octets: int
    most_frames: int
    carries: int
    room: int
    fits: bool
    sets: tuple[EnoughChanges, ...]
    more_sets: int
    weaker: tuple[EnoughChanges, ...]
    datagram: int
    mtu: int
    in_slot: int | None


@with_flags
def carrying(
    design: Design,
    octets: int,
    flow: str | None = None,
    *,
    most_frames: int = 1,
    weaker: bool = False,
) -> list[Carrying]:
    """Return a ``Carrying`` for the flow of this name, or for each; no message is needed.

    ``weaker`` asks for sets that cost protection as well, apart. Raises ``RequestError`` for what is no design, a flow
    that it does not have, and numbers that are no numbers of octets or frames.
    """
    design = Design.of(design)
    octets = whole_number(octets, "octets")
    most_frames = whole_number(most_frames, "most_frames", 1)
    flows = design.flows if flow is None else (design.flow(flow),)
    return [_carrying(design, one, octets, most_frames, weaker=weaker) for one in flows]


def _carrying(
    design: Design, flow: Flow, octets: int, most_frames: int, *, weaker: bool
) -> Carrying:
    paths = design.paths(flow)
    worst = min(paths, key=lambda path: largest_payload(path, most_frames))
    carries = largest_payload(worst, most_frames)
    fits = carries >= octets
    wanted = min(octets, worst.link.mtu)  # which no payload fills: its headers are in it
    found = [] if fits else smallest_sets(design, flow.name, wanted, most_frames=most_frames)
    sets = _worked_out(design, worst, found[:_MOST_SETS], most_frames)
    apart: list[ChangeSet] = []
    if weaker and not fits:
        every = smallest_sets(design, flow.name, wanted, most_frames=most_frames, weaker=True)
        apart = [chosen for chosen in every if any(knob.caution for knob in chosen.changes)]
    return Carrying(
        flow.name, flow.direction, worst.hop.name, octets, most_frames, carries, room_of(worst), fits,
        sets, max(len(found) - _MOST_SETS, 0), _worked_out(design, worst, apart[:_MOST_SETS], most_frames),
        worst.datagram_octets(wanted) + octets - wanted,  # no payload of any size is built
        worst.link.mtu, worst.link.in_slot,
    )  # fmt: skip


def _worked_out(
    design: Design, path: FlowPath, sets: list[ChangeSet], most_frames: int
) -> tuple[EnoughChanges, ...]:
    enough = []
    for chosen in sets:
        with suppress(LowpanError):
            savings = tuple(savings_of(design, chosen.changes, path))
            carries = min(largest_payload(path, most_frames) for path in chosen.paths)
            enough.append(EnoughChanges(chosen.ids, savings, carries, chosen.elsewhere))
    return tuple(enough)


def largest_payload(path: FlowPath, most_frames: int) -> int:
    """Return the octets of the largest payload that goes in so many frames; the room, below 0, where none does."""
    room = room_of(path)
    if most_frames == 1 or (room < 0 and frames_of(path, 0) is None):
        return room
    steps = [size for size, frames in cliffs(path, room, most_frames) if frames <= most_frames]
    return max(steps, default=room)
