"""Messages into frames: does each fit each flow on each hop, how many readings go together, what would make it fit."""

from collections.abc import Callable, Iterable
from contextlib import suppress
from functools import lru_cache
from itertools import count
from typing import TYPE_CHECKING, NamedTuple

from lowpanbudget.arguments import function_or_none, whole_number, with_flags
from lowpanbudget.design.meaning import Design
from lowpanbudget.design.path import FlowPath
from lowpanbudget.errors import LowpanError, RequestError
from lowpanbudget.payload.bitmap import BitmapEntry
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.search.options import OptionSize, option_sizes
from lowpanbudget.room.measure import deepest, frames_of, room_of
from lowpanbudget.room.savings import Saving
from lowpanbudget.values import dataclass, field, replace

if TYPE_CHECKING:
    from lowpanbudget.room.sets import SetSearch

Tell = Callable[[int, int], None]  # how many messages are done, of how many


@dataclass(frozen=True, slots=True)
class Fit:
    """How one message fits one hop of one flow.

    ``octets`` and ``bits`` are of the greatest message, or, when it collects readings, of one with as many as every hop
    of the flow carries in one frame. ``fits``: it can be made, and takes no more frames than the flow allows. ``spare``
    octets are left in one frame (negative: missing). ``frames`` is None when no datagram can be so large. ``batch``:
    how many ``batch_of`` one frame carries; the first of them waits ``wait_s`` seconds for the last (None: the flow
    does not say how often, or these are elements of one reading);
    ``batch_ends``: what keeps one more out: "octets", "length" (the field holds no more), or the field whose range its
    time would leave (``reading[].at``). ``padding_bits`` only fill up octets. ``advice``: changes that together make
    one frame enough on every hop of the flow, none when none can, or nobody looked. ``deepest``: the longest source
    route with which one frame is enough (None: the flow has none). ``readings``: how many the message of ``octets``
    collects; one message is sent each ``sends_every_s`` seconds, while the node takes a reading each ``every_s`` of its
    flow (None: that is not said). ``datagram``: the octets of the datagram that carries it, headers restored, of which
    ``mtu`` is the most. ``in_slot``: the octets of the longest frame that a slot has time for, where the PHY's is
    longer (None elsewhere): frames are cut to it. ``spanned``: how many readings their times span where that is fewer
    than any message has, so that none can be made; ``unmade`` is that in words. ``options``: what it takes with
    each option of its unions; empty where it collects readings.
    """

    message: str
    flow: str
    hop: str
    direction: str
    octets: int
    least_octets: int
    bits: int
    room: int
    fits: bool
    frames: int | None
    most_frames: int
    batch: int
    batch_of: str
    padding_bits: int
    bitmap: tuple[BitmapEntry, ...] = field(repr=False)
    advice: tuple[Saving, ...] = ()
    deepest: int | None = None
    wait_s: float | None = None
    readings: int = 1
    sends_every_s: float | None = None
    datagram: int = 0
    mtu: int = 0
    in_slot: int | None = None
    batch_ends: str = "octets"
    spanned: int | None = None
    options: tuple[OptionSize, ...] = ()

    @property
    def spare(self) -> int:
        """Return the octets of room left over, negative when they are missing."""
        return self.room - self.octets

    @property
    def unmade(self) -> str:
        """Return why no message can be made at its rhythm; nothing where one can."""
        if self.spanned is None:
            return ""
        fewest = f"{self.readings} of {self.batch_of}, the fewest of a message"
        return f"{self.batch_ends} does not span {fewest}"


@with_flags
def fit(
    design: Design,
    message: str | None = None,
    flow: str | None = None,
    *,
    spare: int = 0,
    advised: bool = True,
    tell: Tell | None = None,
) -> list[Fit]:
    """Return a ``Fit`` for each hop of each flow that carries a message: of the message of this name, or of all.

    ``flow`` leaves the other flows out. A message that no flow names is tried on all. ``spare`` octets of a frame are
    kept free of collected readings, as a node does that is built for it. Without ``advised`` nobody looks for advice,
    which takes most of the time. ``tell`` is called with how many messages are done, each once for every flow that
    carries it, and of how many. Raises ``RequestError`` for what is no design, a message or a flow that the design does
    not have, and a flow that does not carry the message, or none at all.
    """
    design = Design.of(design)
    spare = whole_number(spare, "spare")
    function_or_none(tell, "tell")
    messages = design.messages if message is None else (design.message(message),)
    if flow is not None:
        _require_carried(design, messages, flow)
    paths = {one.name: design.paths(one) for one in design.flows if flow in {None, one.name}}
    pairs = [
        (sent, paths[carrier.name])
        for sent in map(_Sent, messages)
        for carrier in design.carriers(sent.message)
        if carrier.name in paths
    ]
    done = count(1)
    fits: list[list[Fit]] = []
    lacking: dict[str, list[int]] = {}  # by flow which of the fits lack room on some hop
    for place, (sent, hops) in enumerate(pairs):
        fits.append(_fits(sent, hops, spare))
        if advised and any(one.spare < 0 for one in fits[-1]):
            lacking.setdefault(hops[0].flow.name, []).append(place)
        elif tell is not None:
            tell(next(done), len(pairs))
    if lacking:
        from lowpanbudget.room.sets import SetSearch  # noqa: PLC0415  # most messages fit

    for name, places in lacking.items():
        search = SetSearch(design, name)
        for place in places:
            fits[place] = _advised(search, pairs[place][1], fits[place])
            if tell is not None:
                tell(next(done), len(pairs))
    return [one for hops in fits for one in hops]


def _require_carried(design: Design, messages: Iterable[Message], name: str) -> None:
    """Raise ``RequestError`` when the flow of this name is none of the design's, or carries none of the messages."""
    flow = design.flow(name)
    if any(flow in design.carriers(message) for message in messages):
        return
    carried = [one.name for one in design.messages if flow in design.carriers(one)]
    raise RequestError(
        f"flow {name} does not carry {'that message' if carried else 'a message of the design'}",
        hint=f"It carries {', '.join(carried)}" if carried else "budget says what room it has",
    )


class _Greatest(NamedTuple):
    """What a node sends at most: its octets, how many readings it collects (1 where it collects none), its bits."""

    octets: int
    readings: int
    bitmap: tuple[BitmapEntry, ...]
    options: tuple[OptionSize, ...]


class _Sent:
    """A message as nodes send it at most: the greatest, or as many readings as every hop of a flow carries."""

    def __init__(self, message: Message) -> None:
        self.message = message
        self._greatest: dict[int, _Greatest] = {}  # by the readings, 0 where none are collected

    def over(self, room: int, every_s: float | None) -> _Greatest:
        """Return what is sent over hops of which the smallest has this room: one message passes all of them."""
        collected = self.message.batch_field
        if collected is None or not collected.batch:
            return self._of(0)
        most = max(collected.most_apart(every_s), collected.least)  # in several frames
        return self._of(_batch(self.message, room, every_s).number or most)

    def _of(self, readings: int) -> _Greatest:
        if readings not in self._greatest:
            message = self.message
            values = message.batch_example(readings) if readings else message.example("greatest")
            octets = len(message.pack(values))
            options = () if readings else option_sizes(message)
            bitmap = message.bitmap_of(values)
            self._greatest[readings] = _Greatest(octets, readings or 1, bitmap, options)
        return self._greatest[readings]


def _advised(search: "SetSearch", paths: list[FlowPath], fits: list[Fit]) -> list[Fit]:
    """Return the fits of a flow's hops with the one set of changes that makes one frame enough on each of them."""
    octets = fits[0].octets
    advice: dict[str, tuple[Saving, ...]] = {}
    short = [path for path, found in zip(paths, fits, strict=True) if found.spare < 0]
    for chosen in search.smallest(octets):
        with suppress(LowpanError):
            advice = {path.hop.name: tuple(search.savings(chosen, path)) for path in short}
            break
    return [replace(found, advice=advice.get(found.hop, ())) for found in fits]


def _fits(sent: _Sent, paths: list[FlowPath], kept: int) -> list[Fit]:
    """Return how a message fits the hops of a flow."""
    greatest = sent.over(max(min(map(room_of, paths)) - kept, 0), paths[0].flow.every_s)
    return [_fit(sent.message, greatest, path, kept) for path in paths]


def _fit(
    message: Message,
    greatest: _Greatest,
    path: FlowPath,
    kept: int,
) -> Fit:
    octets, readings, bitmap, options = greatest
    room = room_of(path)
    batch = _batch(message, max(room - kept, 0), path.flow.every_s)
    frames = frames_of(path, octets)
    collected = message.batch_field
    spanned = None if collected is None else collected.spanned(path.flow.every_s)
    fits = frames is not None and frames <= path.flow.most_frames and spanned is None
    return Fit(
        message.name,
        path.flow.name,
        path.hop.name,
        path.flow.direction,
        octets,
        message.min_octets,
        sum(entry.bits - entry.padding for entry in bitmap),
        room,
        fits,
        frames,
        path.flow.most_frames,
        batch.number,
        batch.of,
        sum(entry.padding for entry in bitmap),
        bitmap,
        (),
        deepest(path, octets),
        (batch.number - 1) * path.flow.every_s
        if path.flow.every_s is not None and batch.number and _collects(message)
        else None,
        readings,
        None if path.flow.every_s is None else readings * path.flow.every_s,
        path.datagram_octets(octets),
        path.link.mtu,
        path.link.in_slot,
        batch.ends,
        spanned,
        options,
    )


def _collects(message: Message) -> bool:
    """Return whether what one frame carries is taken one after the other: marked readings, or whole messages."""
    return message.batch_field is None or message.batch_field.batch


class _Batch(NamedTuple):
    """How many go into one frame, of what, and what keeps one more out."""

    number: int
    of: str
    ends: str


@lru_cache(maxsize=512)  # hops, flows and designs have the same room
def _batch(message: Message, room: int, every_s: float | None) -> _Batch:
    """Return how many readings fit: elements of the message, one taken each ``every_s``, or whole messages."""
    field = message.batch_field
    if field is None:
        octets = message.max_octets
        return _Batch(room // octets if octets else 0, "whole message", "octets")
    apart = every_s if field.batch else None
    number = message.batch(room, every_s=apart) or 0
    return _Batch(number, field.name, field.ends(number, apart) or "octets")
