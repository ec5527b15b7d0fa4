"""How a payload is cut into frames, and what changes give: rows for tables, and pictures that both writers draw."""

from collections.abc import Iterator, Sequence
from itertools import groupby

from lowpanbudget.design.cut import CutFrame
from lowpanbudget.errors import plural
from lowpanbudget.report.chart import ChartBlock, ChartKind, ChartRow, RowChart, Tone
from lowpanbudget.room.savings import Saving

_LINK = ChartKind("the link's header and trailer", Tone.MAIN)
_CUT = ChartKind("fragment header", Tone.SECOND)
_HEADERS = ChartKind("other headers and codes", Tone.MAIN)
_DATA = ChartKind("octets of your own", Tone.THIRD)
_FREE = ChartKind("free", Tone.QUIET)
_GAIN, _LOSS = ChartKind("room more"), ChartKind("room less", Tone.ALARM)

COLUMNS = (
    "frame", "octets", "link", "fragment header", "other headers", "of your own", "free", "carries of the datagram",
)  # fmt: skip
_HEADERS_FIRST = (
    "The first has the compressed headers, which stand for longer ones of the datagram."
)
_EIGHTS = (
    "All but the last end at a multiple of 8 octets of the datagram, its headers in full, as where the next begins is "
    "told in units of 8 (RFC 4944 section 5.3): up to 7 octets of each may stay free."
)
_ANYWHERE = (
    "Places are those in the compressed datagram, at any octet (RFC 8931 section 5.1); what is free in the first is "
    "for headers that take more on the next hop (section 4.1)."
)


def cut_chart(flow: str, hop: str, frames: Sequence[CutFrame]) -> RowChart:
    """Return the frames of a payload beside each other, part by part, in octets; those that are alike once."""
    payload = plural(sum(one.payload for one in frames), "octet")
    rows = [ChartRow(name, tuple(_blocks(one)), carries) for name, one, carries in _alike(frames)]
    title = f"{payload} in {plural(len(frames), 'frame')}"
    where = f"{flow}, {hop} hop: " if flow else ""
    return RowChart(f"{where}{title}", words(frames), "octets", tuple(rows))


def saving_chart(savings: Sequence[Saving]) -> RowChart:
    """Return what changes give, each alone, in octets of room."""
    rows = tuple(
        ChartRow(
            one.text, (ChartBlock(0, abs(one.gain), _GAIN if one.gain >= 0 else _LOSS),), f"{one.gain:+d}",
        )
        for one in savings
    )  # fmt: skip
    says = "Octets of room that each change gives or takes, made alone, measured by encoding again."
    return RowChart("What changes give", says, "octets", rows)


def words(frames: Sequence[CutFrame]) -> str:
    """Return in words how a payload is cut."""
    if len(frames) == 1:
        return "One frame carries it whole, and needs no fragment header."
    first, *others = (one.cut for one in frames)
    each = f"{first} octets in the first frame, {others[0]} in others"
    how = _ANYWHERE if frames[0].unit == 1 else _EIGHTS
    return f"Each frame has the link's own octets again, and a fragment header: {each}. {_HEADERS_FIRST} {how}"


def cut_rows(frames: Sequence[CutFrame]) -> Iterator[list[str]]:
    """Yield what ``COLUMNS`` name for each frame; those that are alike stand together."""
    for name, one, carries in _alike(frames):
        numbers = (one.octets, one.front + one.trailer, one.cut, one.headers, one.payload, one.free)
        yield [name.partition(" ")[2], *map(str, numbers), carries]


def _alike(frames: Sequence[CutFrame]) -> Iterator[tuple[str, CutFrame, str]]:
    """Yield the first of frames that follow each other and are alike, their name before it, what they carry behind."""
    number = 1
    for _, members in groupby(frames, key=lambda one: one.alike):
        group = list(members)
        first, end, last = group[0], group[-1].end, number + len(group) - 1
        size, unit = first.end - first.start, first.unit
        carries = f"{first.start}-{end - 1}: {'each ' if len(group) > 1 else ''}{size}"
        if unit > 1 and end != frames[-1].end:  # the last one may end anywhere
            carries += f" = {size // unit} x {unit}"
        yield f"frame {number}" if last == number else f"frames {number}-{last}", first, carries
        number = last + 1


def _blocks(frame: CutFrame) -> Iterator[ChartBlock]:
    at = 0
    parts = (
        (frame.front, _LINK), (frame.cut, _CUT), (frame.headers, _HEADERS), (frame.payload, _DATA),
        (frame.trailer, _LINK), (frame.free, _FREE),
    )  # fmt: skip
    for size, kind in parts:
        if size:
            yield ChartBlock(at, at + size, kind)
        at += size
