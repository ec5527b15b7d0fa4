"""Counts of frames that add up, whatever they are grouped by."""

from collections.abc import Sequence
from operator import attrgetter

from lowpanbudget.arguments import explains
from lowpanbudget.values import FrozenDict, dataclass, field, fields, filling, settled


@settled
@dataclass(slots=True)
class Tally:
    """What some frames cost.

    ``octets`` are those of the frames, FCS included (also where the receiver took it off); ``layer_bits`` the bits
    of each layer, together all of these: what was not captured, or not read, is a layer of its own. ``application``
    octets are what applications sent in whole datagrams: behind UDP or CoAP. ``unused`` is the room left to the
    largest frame (the design's, or what each frame tells of its PHY) and the MTU, ``avoidable`` what the shortest legal
    encoding of the same datagrams would have saved.
    ``byte_code`` are octets of generic compression (RFC 7400) in the frames, and ``expanded`` what they stand for.
    ``retransmissions`` keep their sequence number, ``duplicates`` have the contents of another frame under a new
    one (a copy by ``capture/follow/repeats.py``), ``lost`` numbers of a sequence are missing: the frame, or its
    reception here. Of the datagrams that were
    begun in fragments, ``assembled`` counts those that became whole, ``dropped`` those that never did, ``given_up``
    those of them that made room for others, and ``cut`` those of which the capture itself cut a fragment off: nobody
    knows whether they became whole. ``unread`` counts frames that could not be read to their end,
    ``damaged`` those with a wrong FCS. Times are in nanoseconds.
    """

    frames: int = 0
    octets: int = 0
    layer_bits: dict[str, int] = field(default_factory=FrozenDict)
    datagrams: int = 0
    datagram_octets: int = 0
    application: int = 0
    unused: int = 0
    avoidable: int = 0
    byte_code: int = 0
    expanded: int = 0
    fragments: int = 0
    retransmissions: int = 0
    duplicates: int = 0
    lost: int = 0
    assembled: int = 0
    dropped: int = 0
    given_up: int = 0
    unread: int = 0
    damaged: int = 0
    first_ns: int | None = None
    last_ns: int | None = None
    cut: int = 0

    @explains
    def __add__(self, other: "Tally") -> "Tally":
        """Return both together."""
        return together((self, other))


def together(tallies: Sequence[Tally]) -> Tally:
    """Return the sum of tallies; the order of layers is that of their first frames."""
    layers: dict[str, int] = {}
    for tally in tallies:
        for layer, bits in tally.layer_bits.items():
            layers[layer] = layers.get(layer, 0) + bits
    first = [tally.first_ns for tally in tallies if tally.first_ns is not None]
    last = [tally.last_ns for tally in tallies if tally.last_ns is not None]
    counts = map(sum, zip(*map(_counts, tallies), strict=True))
    return Tally(
        layer_bits=FrozenDict(layers), first_ns=min(first, default=None), last_ns=max(last, default=None),
        **dict(zip(_COUNTS, counts, strict=False)),  # there are none where nothing is added up
    )  # fmt: skip


_RunningTally = filling(Tally)


def running() -> Tally:
    """Return a tally that is still counted in; added to another it gives one that cannot be changed."""
    return _RunningTally(layer_bits={})


def see(tally: Tally, time_ns: int | None) -> None:
    """Widen the time of a running tally from first to last frame."""
    if time_ns is None:
        return
    if tally.first_ns is None or time_ns < tally.first_ns:
        tally.first_ns = time_ns
    if tally.last_ns is None or time_ns > tally.last_ns:
        tally.last_ns = time_ns


_COUNTS = tuple(f.name for f in fields(Tally) if f.type in (int, "int"))
_counts = attrgetter(*_COUNTS)
