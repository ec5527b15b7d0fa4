"""How a payload is cut into the frames of a hop: what each frame spends on what, from the spans of frames encoded."""

from collections.abc import Sequence

from lowpanbudget.bits import Nature, Span, StandInOctets, Writer
from lowpanbudget.design.path import FlowPath
from lowpanbudget.layers.lowpan import fragment, recovery
from lowpanbudget.values import dataclass

_CUTS = frozenset({fragment.CITE, recovery.CITE})  # whose fields say which part a frame carries


@dataclass(frozen=True, slots=True)
class CutFrame:
    """One frame of a payload, in octets: ``front`` and ``trailer`` of the link, and what stands between them.

    That is the fragment header (``cut``, 0 where one frame has all), ``headers`` (the datagram's own, compressed, and
    what they put behind the payload) and ``payload``; ``free`` are left of the largest frame. From ``start`` to before
    ``end`` it carries of the datagram, headers in full (RFC 4944 section 5.3), where only the last may end at no
    multiple of ``unit``, 8; of recoverable fragments these are places in the compressed form, and ``unit`` is 1
    (RFC 8931 section 5.1).
    """

    front: int
    cut: int
    headers: int
    payload: int
    trailer: int
    free: int
    start: int
    end: int
    unit: int

    @property
    def octets(self) -> int:
        """Return the octets of the frame."""
        return self.front + self.cut + self.headers + self.payload + self.trailer

    @property
    def alike(self) -> tuple[int, ...]:
        """Return what frames agree in that look alike, wherever in the datagram they stand."""
        return self.front, self.cut, self.headers, self.payload, self.trailer, self.free


def cut_frames(path: FlowPath, octets: int) -> tuple[CutFrame, ...]:
    """Return each frame of a payload of so many octets on a path, in order.

    Raises ``DoesNotFit`` where it cannot be sent.
    """
    made = min(octets, path.link.mtu)  # no octets of any number are made
    path.link.must_take(path.datagram_octets(made) + octets - made)
    frames = path.frames(StandInOctets(octets))
    link, hop = path.link, path.hop
    bare = link.frame(hop.source, hop.destination, b"\0").spans
    header = next(span.offset_bits // 8 for span in bare if span.nature is Nature.PAYLOAD)
    front = header + path.within(Writer()).pos
    trailer = sum(span.bits for span in bare) // 8 - header - 1
    parts = [_parts(frame.spans, front, len(frame.octets) - trailer) for frame in frames]
    carried = [headers + payload for _, headers, payload in parts]
    size = sum(carried) if link.recoverable else path.datagram_octets(octets)
    ends = [size - sum(carried[number:]) for number in range(1, len(frames) + 1)]
    unit = 1 if link.recoverable else fragment.UNIT
    return tuple(
        CutFrame(
            front, cut, headers, payload, trailer, link.largest_sent - len(frame.octets), start, end, unit
        )
        for frame, (cut, headers, payload), start, end in zip(
            frames, parts, (0, *ends), ends, strict=False
        )
    )  # fmt: skip


def _parts(spans: Sequence[Span], start: int, end: int) -> tuple[int, int, int]:
    """Return the octets of fragment header, other headers and payload between two octets of a frame."""
    cut = headers = payload = 0
    for span in spans:
        if not start * 8 <= span.offset_bits < end * 8:
            continue
        if span.cite in _CUTS:
            cut += span.bits
        elif span.nature is Nature.PAYLOAD:
            payload += span.bits
        else:
            headers += span.bits
    return cut // 8, headers // 8, payload // 8
