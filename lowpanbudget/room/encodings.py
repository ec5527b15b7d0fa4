"""Messages in other encodings: the size of the same values, their frames on each hop, and the room left over."""

from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache, partial
from typing import Literal

from lowpanbudget.design.meaning import Design
from lowpanbudget.design.path import FlowPath
from lowpanbudget.payload.codec.nodes import CASES, Case
from lowpanbudget.payload.forms.encodings import (
    ENCODINGS,
    Coder,
    EncodedValues,
    Encoding,
    Inexact,
    PackedValues,
    largest,
    made_for,
)
from lowpanbudget.payload.forms.largest import Largest
from lowpanbudget.payload.forms.own_times import risen
from lowpanbudget.payload.message import Message
from lowpanbudget.room.measure import frames_of, room_of
from lowpanbudget.values import FrozenDict, dataclass, replace

_GUESSES = 6  # sizes grow evenly but for counts and lengths in front: two guesses and their neighbours are enough


@dataclass(frozen=True, slots=True)
class OnHop:
    """What one encoding of a message takes on one hop of a flow.

    ``frames`` by case; None where no datagram is so large, or the values cannot be said. ``spare``: the octets left in
    one frame by case, negative where they are missing. ``largest_frames`` and ``largest_spare``: the same of the
    largest size that any values take. ``fits``: all cases can be said, and no values take more frames than the flow
    allows; of a message that collects readings (``collects``) as many as one frame carries on every hop are sent, as
    ``fit`` counts them, and it fits where that is one at least. ``batch``: how many readings one frame of this hop
    carries whatever they are, None where nothing repeats; ``batch_ends`` is that of ``fit``.
    """

    flow: str
    hop: str
    direction: str
    room: int
    most_frames: int
    frames: Mapping[Case, int | None]
    spare: Mapping[Case, int | None]
    largest_frames: int | None
    largest_spare: int | None
    fits: bool
    batch: int | None
    collects: bool = False
    batch_ends: str = "octets"


@dataclass(frozen=True, slots=True)
class Alternative:
    """One message in one encoding, by case: ``wire`` has the octets, ``cannot`` why there are none.

    ``largest``: the octets that no values of the message exceed; ``largest_is`` "found" where ``largest_wire`` is a
    message of that size, "bound" where it is only near; None and empty where it cannot be told. ``errors``: the
    greatest error of each field that does not come back exactly, over all cases. ``missing``: what to install before
    anything can be said.
    """

    message: str
    encoding: str
    note: str
    missing: str
    wire: Mapping[Case, bytes]
    cannot: Mapping[Case, str]
    errors: tuple[Inexact, ...]
    batch_of: str
    places: tuple[OnHop, ...]
    largest: int | None = None
    largest_is: Literal["found", "bound", ""] = ""
    largest_wire: bytes | None = None

    @property
    def octets(self) -> dict[Case, int]:
        """Return the size of the message in octets, by case."""
        return FrozenDict({case: len(octets) for case, octets in self.wire.items()})

    @property
    def exact(self) -> bool:
        """Return whether every value of every case comes back as it was given."""
        return not self.errors and not self.missing and not self.cannot


def encodings(design: Design, message: str | None = None) -> list[Alternative]:
    """Return an ``Alternative`` for each encoding of the message of this name, or of all messages.

    Each holds what it takes on every hop of the flows that carry the message; all flows when none does. Raises
    ``RequestError`` for what is no design, or a message that the design does not have.
    """
    design = Design.of(design)
    messages = design.messages if message is None else (design.message(message),)
    rooms: dict[FlowPath, _Hop] = {}
    alternatives = []
    for candidate in messages:
        paths = [path for flow in design.carriers(candidate) for path in design.paths(flow)]
        hops = [rooms.setdefault(path, _Hop(path)) for path in paths]
        alternatives += [_alternative(candidate, encoding, hops) for encoding in ENCODINGS]
    return alternatives


class _Hop:
    """A path, its room, and the frames of the sizes that were asked for."""

    def __init__(self, path: FlowPath) -> None:
        self.path, self.room = path, room_of(path)
        self._frames: dict[int, int | None] = {}

    def frames(self, octets: int) -> int | None:
        if octets not in self._frames:
            self._frames[octets] = frames_of(self.path, octets)
        return self._frames[octets]


def _alternative(message: Message, encoding: Encoding, hops: list[_Hop]) -> Alternative:
    field = message.batch_field
    batch_of = "" if field is None else field.name
    named = (message.name, encoding.name, encoding.note, encoding.missing)
    if encoding.missing:
        return Alternative(*named, FrozenDict(), FrozenDict(), (), batch_of, ())
    results, most = _encoded(message, encoding)
    wire = {case: result.octets for case, result in results.items() if result.octets is not None}
    cannot: dict[Case, str] = {
        case: result.cannot for case, result in results.items() if result.cannot
    }
    collects, least = field is not None and field.batch, _least_rooms(hops)
    places = []
    for hop in hops:
        flow = hop.path.flow
        every_s = flow.every_s if collects else None
        batch = _batch(message, encoding, hop.room, every_s)
        passes = collects and bool(_batch(message, encoding, least[flow.name], every_s))
        ends = "" if field is None else field.ends(batch or 0, every_s)
        found = _on_hop(hop, wire, most.octets, collects=collects, passes=passes)
        fits = found.fits and (field is None or field.spanned(every_s) is None)
        places.append(replace(found, fits=fits, batch=batch, batch_ends=ends or "octets"))
    return Alternative(
        *named, FrozenDict(wire), FrozenDict(cannot), _greatest(list(results.values())), batch_of, tuple(places),
        most.octets, most.kind, most.wire,
    )  # fmt: skip


@lru_cache(maxsize=256)  # a design is asked again with other flows, or for its page
def _encoded(message: Message, encoding: Encoding) -> tuple[Mapping[Case, EncodedValues], Largest]:
    """Return the examples of a message in an encoding, and the largest size of all."""
    coder = _coder(message, encoding)
    examples = {case: packed.encoded(coder) for case, packed in _examples(message).items()}
    return examples, largest(message, encoding, coder)


@lru_cache(maxsize=8)
def _examples(message: Message) -> Mapping[Case, PackedValues]:
    """Return the examples of a message, packed; of elements with a time each one comes after the other."""
    return {case: PackedValues(message, risen(message, message.example(case))) for case in CASES}


def _least_rooms(hops: Sequence[_Hop]) -> dict[str, int]:
    """Return the smallest room on the way of each flow, in octets: one message passes all hops."""
    least: dict[str, int] = {}
    for hop in hops:
        flow = hop.path.flow.name
        least[flow] = min(hop.room, least.get(flow, hop.room))
    return least


def _on_hop(
    hop: _Hop, wire: Mapping[Case, bytes], most: int | None, *, collects: bool, passes: bool
) -> OnHop:
    """Return what an encoding takes on a hop; ``passes``: one frame of each hop carries a reading or more."""
    flow = hop.path.flow
    largest_frames = None if most is None else hop.frames(most)
    frames = {case: hop.frames(len(wire[case])) if case in wire else None for case in CASES}
    spare = {case: hop.room - len(wire[case]) if case in wire else None for case in CASES}
    return OnHop(
        flow.name,
        hop.path.hop.name,
        flow.direction,
        hop.room,
        flow.most_frames,
        FrozenDict(frames),
        FrozenDict(spare),
        largest_frames,
        None if most is None else hop.room - most,
        len(wire) == len(CASES)
        and (passes or (largest_frames is not None and largest_frames <= flow.most_frames)),
        None,
        collects,
    )


@lru_cache(maxsize=512)  # several hops have the same room
def _batch(message: Message, encoding: Encoding, room: int, every_s: float | None) -> int | None:
    """Return how many readings fit whatever their values, counted as ``fit`` does and measured by encoding."""
    field = message.batch_field
    if field is None or encoding.writing is None:
        return message.batch(room, every_s=every_s)
    least, apart = min(max(field.least, 1), field.most), field.most_apart(every_s)
    if apart < least:
        return 0
    most = max(least, min(apart, 8 * room))  # no reading takes less than a bit
    return most_that_fit(partial(_size, message, encoding), room, least, most)


@lru_cache(maxsize=1024)  # rooms differ, and the first sizes asked for are the same
def _size(message: Message, encoding: Encoding, count: int) -> int | None:
    """Return the octets that no so many readings exceed; None where that cannot be told."""
    able = made_for(message, encoding, count)
    return largest(able, encoding, _coder(able, encoding), count).octets


@lru_cache(maxsize=64)
def _coder(message: Message, encoding: Encoding) -> Coder:
    return encoding.coder(message)


def most_that_fit(size: Callable[[int], int | None], room: int, least: int, most: int) -> int:
    """Return the largest count from ``least`` to ``most`` whose size is within ``room``, or 0 where there is none.

    ``size`` grows with the count; None is too large. The count is guessed by the growth from the largest that is known
    to fit to the smallest that is known not to, and proved by its neighbour; where guesses get no nearer, by halves.
    """
    sizes = {count: size(count) for count in {least, most}}
    fits = {count: octets is not None and octets <= room for count, octets in sizes.items()}
    if fits[most] or not fits[least]:
        return most if fits[most] else 0
    low, high, guesses = least, most, _GUESSES
    while high - low > 1:
        middle, below, above = (low + high) // 2, sizes[low], sizes[high]
        if guesses and below is not None and above is not None:
            guesses -= 1
            near = low + (room - below) * (high - low) // (above - below)
            middle = max(near, low + 1)  # below ``high``, whose size is over the room
        sizes[middle] = octets = size(middle)
        if octets is not None and octets <= room:
            low = middle
        else:
            high = middle
    return low


def _greatest(results: list[EncodedValues]) -> tuple[Inexact, ...]:
    worst: dict[str, Inexact] = {}
    for inexact in (inexact for result in results for inexact in result.errors):
        if inexact.field not in worst or inexact.error > worst[inexact.field].error:
            worst[inexact.field] = inexact
    return tuple(worst.values())
