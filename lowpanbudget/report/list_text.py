"""A list of frames for people and for programs: a line a frame, the findings in it behind."""

from collections import Counter
from collections.abc import Iterable, Iterator

from rich.console import Console

from lowpanbudget.capture.room_left import room_assumed
from lowpanbudget.env import link_text
from lowpanbudget.errors import plural
from lowpanbudget.findings.listing import FrameList, ListedFrame
from lowpanbudget.report import layout
from lowpanbudget.report.audit_text import receptions
from lowpanbudget.report.machine import MadeLate
from lowpanbudget.report.screen import Screen
from lowpanbudget.report.sightings import time_of
from lowpanbudget.report.terminal import paragraph
from lowpanbudget.report.view import Data, data_of, receivers

COLUMNS = (
    "number", "time_s", "time_ns", "from", "to", "carries", "octets", "room", "flow", "receiver",
    "heard_as", "findings", "network",
)  # fmt: skip
_SECOND = 10**9
_WIDE = 100  # columns that leave space for two addresses of eight octets
_LONG = 8  # octets of an address that is shortened where all begin alike
_LEAST = 2  # octets that are always shown of it, and left out at least
_NEARLY_ALL = 0.75  # of the addresses: others come of damaged frames, and of guests


def rows(listed: FrameList) -> MadeLate[Data]:
    """Return the frames as plain data; ``time_s`` counts in seconds from the capture's first frame.

    ``from`` and ``to`` are source and destination as they are shown and asked for everywhere.
    """
    return MadeLate(listed.frames, lambda one: _row(one, listed.first_ns))


def _row(one: ListedFrame, first_ns: int | None) -> Data:
    return {
        **data_of(one),
        "time_s": _seconds(one, first_ns),
        "from": None if one.source is None else link_text(one.source),
        "to": None if one.destination is None else link_text(one.destination),
    }


def frames(console: Console, screen: Screen, several: FrameList) -> None:
    """Print a list of frames, wherever they stand in the capture."""
    listed, first_ns = several.frames, several.first_ns
    begin = _common({link for one in listed for link in (one.source, one.destination)})
    if first_ns is not None:
        paragraph(console, screen, f"Times count from {time_of(first_ns)}.", "dim")
    if begin:
        text = f"Addresses that begin with {begin.hex(':')} are shown from there on."
        paragraph(console, screen, text, "dim")
    many = len({one.network for one in listed} - {None}) > 1
    titles = (
        "frame",
        "time",
        *(("network",) if many else ()),
        "from",
        "to",
        "size",
        "room",
        "carries",
    )
    halved = console.width < _WIDE
    cells = MadeLate(
        listed, lambda one: (*_cells(screen, one, begin, first_ns, halved=halved, many=many),)
    )
    below = MadeLate(listed, lambda one: _findings(screen, one))
    right = (0, 1, *range(len(titles) - 3, len(titles) - 1))
    table = layout.table(titles, cells, console.width, indent=0, right=right, below=below)
    layout.put(console, table)
    found = sum(bool(one.findings) for one in listed)
    all_of_them = plural(several.total, "frame")
    count = all_of_them if several.total == len(listed) else f"{len(listed)} of {all_of_them}"
    tail = f", {found} with findings: audit tells of them" if found else ""
    paragraph(console, screen, f"{count}{tail}.", "dim")
    if assumed := room_assumed(several.assumed):
        paragraph(console, screen, assumed, "dim")
    for text in receptions(receivers(several.receptions)):
        paragraph(console, screen, text)


def _cells(
    screen: Screen,
    one: ListedFrame,
    begin: bytes,
    first_ns: int | None,
    *,
    halved: bool,
    many: bool,
) -> Iterator[layout.Cell]:
    yield str(one.number)
    yield _seconds(one, first_ns) or ""
    if many:  # networks: a short address is one in its own alone
        yield one.network or "-"
    yield _link(one.source, begin, halved=halved)
    yield _link(one.destination, begin, halved=halved)
    yield str(one.octets)
    yield "" if one.room is None else str(one.room)
    yield screen.text(one.carries)


def _findings(screen: Screen, one: ListedFrame) -> list[layout.Run]:
    return [(screen.text(f"[{', '.join(one.findings)}]"), "bold yellow")] if one.findings else []


def _seconds(one: ListedFrame, first_ns: int | None) -> str | None:
    """Return the time since the first frame in seconds, to a microsecond."""
    if one.time_ns is None or first_ns is None:
        return None
    past = one.time_ns - first_ns
    sign = "-" if past < 0 else ""
    seconds, rest = divmod(abs(past), _SECOND)
    return f"{sign}{seconds}.{rest // 1000:06d}"


def _link(link: bytes | None, begin: bytes, *, halved: bool) -> layout.Cell:
    """Return a link address; with ``halved`` a long one that begins otherwise takes two lines."""
    if link is None:
        return "-"
    if begin and len(link) == _LONG and link.startswith(begin):
        return f"..{link[len(begin) :].hex()}"
    text = link_text(link)
    if halved and len(link) == _LONG:
        middle = len(text) // 2 + 1
        return [(text[:middle], ""), layout.BREAK, (text[middle:], "")]
    return text


def _common(links: Iterable[bytes | None]) -> bytes:
    """Return what nearly all extended addresses begin with, where that is worth leaving out."""
    long = [link for link in links if link is not None and len(link) == _LONG]
    for size in range(_LONG - _LEAST, _LEAST - 1, -1):
        for begin, count in Counter(link[:size] for link in long).most_common(1):
            if count >= len(long) * _NEARLY_ALL:
                return begin
    return b""
