"""Frames as a page draws them: what comes again in many frames is told once and then named by its number.

A frame is its segments (runs of fields of one layer), a segment its fields, a field its texts. All text is made
harmless here, whatever it came from.
"""

from collections.abc import Hashable, Iterable, Sequence
from typing import Any, NamedTuple

from lowpanbudget.bits import Nature, Span, StandInOctets, Writer
from lowpanbudget.cites import Cite
from lowpanbudget.design.link import Link
from lowpanbudget.design.path import FlowPath
from lowpanbudget.fields import Restored
from lowpanbudget.layers.labels import place_of
from lowpanbudget.report import sightings, view
from lowpanbudget.report.screen import harmless
from lowpanbudget.report.svg.looks import LOOKS
from lowpanbudget.room.compute import ended_by_mtu
from lowpanbudget.room.states import restored_headers
from lowpanbudget.values import replace

COMPUTED = "computed over the contents"
STAND_IN = "differs from frame to frame"


class Pool:
    """Values that are told once; each has a number, in the order in which they were first met."""

    def __init__(self) -> None:
        self.values: list[Any] = []
        self._numbers: dict[Hashable, int] = {}

    def number(self, value: Hashable, told: Any = None) -> int:
        """Return the number of a value; ``told`` is what stands for it where it is not told as it is."""
        number = self.known(value)
        if number is None:
            number = self._numbers[value] = len(self.values)
            self.values.append(value if told is None else told)
        return number

    def known(self, value: Hashable) -> int | None:
        """Return the number of a value that was met before, or None."""
        return self._numbers.get(value)


class Filled(NamedTuple):
    """A frame: the numbers of its ``segments``, and of the list of fields that are ``restored`` from it."""

    segments: list[int]
    restored: int


class Figures:
    """The frames of a page, with the pools that they share.

    ``kinds`` are the layers in the order in which they first stand in a frame, each with the place of its look, which
    is the same in all pictures.
    """

    def __init__(self) -> None:
        self.texts, self.cites, self.kinds = Pool(), Pool(), Pool()
        self.fields, self.segments = Pool(), Pool()
        self.absent, self.lists = Pool(), Pool()
        self.further_frames, self.links = Pool(), Pool()
        self._links: dict[tuple[Link, bytes, bytes], tuple[list[int], list[int]]] = {}
        self._carried: dict[tuple[FlowPath, int], tuple[list[int], int]] = {}

    def text(self, text: str) -> int:
        """Return the number of a text, made harmless."""
        return self.texts.number(harmless(text))

    def filled(self, path: FlowPath, room: int) -> "Filled":
        """Return the frame of a path that is filled to its room; below 0: the one that would carry the headers.

        What another payload would change in a header is told as computed. Links carry the same headers alike, and
        headers stand alike between what each link puts around them: either is encoded once.
        """
        link, hop = path.link, path.hop
        front, back = self._around(link, hop.source, hop.destination)
        inside, restored = self._inside(replace(path, link=link.bare), max(room, 0))
        return Filled([*front, *inside, *back], restored)

    def _around(self, link: Link, source: bytes, destination: bytes) -> tuple[list[int], list[int]]:
        """Return the numbers of the segments that a link puts before and behind what its frames carry."""
        key = link, source, destination
        known = self._links.get(key)
        if known is None:
            spans, other = (
                link.frame(source, destination, _payload(octets)).spans for octets in (b"\0", b"\1")
            )
            runs = view.segments(spans)
            at = next(n for n, run in enumerate(runs) if run["kind"] is Nature.PAYLOAD)
            before = sum(run["spans"] for run in runs[:at])
            known = self._links[key] = (
                self._segments(spans[:before], other[:before], runs[:at]),
                self._segments(spans[before + 1 :], other[before + 1 :], runs[at + 1 :]),
            )
        return known

    def _inside(self, path: FlowPath, size: int) -> tuple[list[int], int]:
        """Return the numbers of the segments of what a frame carries, and of what receivers restore from it."""
        key = path, size
        known = self._carried.get(key)
        if known is None:
            carried = path.carried(StandInOctets(size))
            # one octet alone that is not zero: sums of 16 bits cannot be the same again, whatever the size
            another = path.carried(b"\x01".ljust(size, b"\0")[:size])
            restored = restored_headers(path, bytes(carried.data))
            known = self._carried[key] = (
                self.frame(path.within(carried).spans, path.within(another).spans), self.restored(restored),
            )  # fmt: skip
        return known

    def frame(
        self, spans: Sequence[Span], other: Sequence[Span] = (), octets: bytes | None = None,
        sealed: tuple[int, int] = (0, 0),
    ) -> list[int]:  # fmt: skip
        """Return the numbers of the segments of a frame.

        ``other`` are the spans of the same frame with other contents: what differs is told as computed. ``octets`` are
        those of a captured frame; in the range ``sealed`` they went encrypted and are not shown.
        """
        return self._segments(spans, other, view.segments(spans), octets, sealed)

    def _segments(
        self, spans: Sequence[Span], other: Sequence[Span], runs: Iterable[view.Data],
        octets: bytes | None = None, sealed: tuple[int, int] = (0, 0),
    ) -> list[int]:  # fmt: skip
        others: Sequence[Span | None] = other if len(other) == len(spans) else [None] * len(spans)
        numbers = [
            self._field(span, octets, sealed, computed=_differs(span, twin))
            for span, twin in zip(spans, others, strict=True)
        ]
        start, frame = 0, []
        for run in runs:
            fields = tuple(numbers[start : start + run["spans"]])
            start += run["spans"]
            key = (run["label"], run["kind"], fields)
            number = self.segments.known(key)
            if number is None:
                kind = run["kind"]
                name = kind.value if isinstance(kind, Nature) else kind
                look = self._kind(harmless(name), plain=isinstance(kind, Nature))
                number = self.segments.number(key, [self.text(run["label"]), look, list(fields)])
            frame.append(number)
        return frame

    def _kind(self, name: str, *, plain: bool) -> int:
        """Return the number of a kind; ``plain`` is what is no header."""
        number = self.kinds.known(name)
        if number is None:
            taken = [place for _, no_header, place in self.kinds.values if not no_header]
            place = 0 if plain else place_of(name, taken, LOOKS)
            number = self.kinds.number(name, [name, plain, place])
        return number

    def restored(self, headers: Iterable[Restored]) -> int:
        """Return the number of the list of fields that receivers restore and that are not sent as they are."""
        rows = tuple(
            self._restored_field(header, span, width)
            for header in headers
            for span, width in header.fields()
            if span.bits < width
        )
        return self.lists.number(rows, list(rows))

    def _restored_field(self, header: Restored, span: Span, width: int) -> int:
        key = (header.name, span.bits, *span[3:])
        number = self.absent.known(key)
        if number is not None:
            return number
        told = sightings.restored_field(header, span, width)
        return self.absent.number(
            key,
            [
                self.text(told["header"]), self.text(told["name"]), self.text(told["says"]), width, span.bits,
                self.text(told["source"]), self._cite(told["cite"], _link(span)),
            ],
        )  # fmt: skip

    def further(self, cliffs: Sequence[tuple[int, int]], room: int) -> int:
        """Return the number of the cliffs behind the first frame, which ends at the room."""
        return self.further_frames.number(tuple(cliffs[1:] if room >= 0 else cliffs))

    def link(self, path: FlowPath, room: int) -> int:
        """Return the number of what a link leaves on a path: octets of its largest frame, and those left.

        Behind them the octets of the largest datagram, where that ends the room; 0 elsewhere.
        """
        mtu = path.link.mtu if ended_by_mtu(path, room) else 0
        told = (path.link.largest_sent, path.link_room, mtu)
        return self.links.number(told, list(told))

    def cite(self, cite: Cite) -> int:
        """Return the number of a cite, told as its text and its web address."""
        return self._cite(str(cite), cite.link)

    def data(self) -> dict[str, Any]:
        """Return the pools, as the page's script reads them."""
        return {
            "texts": self.texts.values, "cites": self.cites.values, "kinds": self.kinds.values, "looks": LOOKS,
            "fields": self.fields.values, "segments": self.segments.values, "absent": self.absent.values,
            "lists": self.lists.values, "further": self.further_frames.values,
            "links": self.links.values,
        }  # fmt: skip

    def _field(
        self, span: Span, octets: bytes | None, sealed: tuple[int, int], *, computed: bool
    ) -> int:
        key: tuple[Hashable, ...] = (computed, span.bits, *span[2:4], *span[5:])
        hidden = computed or span.stand_in
        if not hidden:
            first, last = span.offset_bits // 8, (span.offset_bits + span.bits + 7) // 8
            is_sealed = first < sealed[1] and last > sealed[0]
            shown = None if octets is None or is_sealed else octets[first:last]
            key = (span.offset_bits % 8, shown, *span[1:])
        number = self.fields.known(key)
        if number is not None:
            return number
        (row,) = view.rows((span,), octets, sealed)
        sent, says = ("", COMPUTED if computed else STAND_IN if span.stand_in else "")
        if not hidden:
            sent, says = row["sent"], row["says"]
        return self.fields.number(
            key,
            [
                span.bits, self.text(row["name"]), self.text(sent), self.text(says),
                self.text("" if computed else row["meaning"]), self._cite(row["cite"], _link(span)),
                self.text(row["removed_by"]), int(span.order == "little"),
            ],
        )  # fmt: skip

    def _cite(self, cite: str | None, link: str) -> int:
        text = harmless(cite or "")
        return self.cites.number((text, link), [text, link])


def _payload(octets: bytes) -> Writer:
    writer = Writer("payload")
    writer.octets(octets, "payload", nature=Nature.PAYLOAD)
    return writer


def _link(span: Span) -> str:
    return "" if span.cite is None else span.cite.link


def _differs(span: Span, other: Span | None) -> bool:
    """Return whether a field of a header depends on what the frame carries."""
    return other is not None and span.nature is Nature.HEADER and span.value != other.value
