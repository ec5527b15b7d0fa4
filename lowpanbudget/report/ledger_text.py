"""The ledger for people: a table where the screen is wide, stacked entries where it is not; nothing is ever cut off.

Wide: one line a span, its layer named where it begins. Narrow: place in the margin, everything else beside it; there a
clause is not told again at a single bit behind another, and of a header that comes again each field takes one line.
"""

from collections.abc import Collection, Iterable, Iterator, Sequence
from typing import Any

from rich.console import Console

from lowpanbudget.errors import plural
from lowpanbudget.report import layout, strip
from lowpanbudget.report.layout import Line, Run
from lowpanbudget.report.screen import Screen
from lowpanbudget.report.strip import Fill, Part

_FILL = 3  # characters of a heading's fill
_PLACE = 15  # columns of the margin of stacked entries
_INDENT, _GAP = 2, 2
_TITLES = ("octet", "bits", "sent", "name", "value and meaning", "clause", "made smaller by")
_LEAST = (7, 5, 12, 19, 26, 18, 20)  # with the gaps, TABLE_FROM columns
_GROWS = (0, 0, 12, 6, 40, 12, 20)  # what a wider screen gives each, the clause first
_TURNS = (5, 4, 6, 2, 3)


def parts_of(segments: Sequence[dict[str, Any]]) -> list[Part]:
    """Return the parts of a bar, in octets, from the segments of a ledger."""
    return [Part(run["kind"], run["label"], (run["bits"] + 7) // 8) for run in segments]


def draw(
    console: Console,
    screen: Screen,
    rows: Sequence[dict[str, Any]],
    segments: Sequence[dict[str, Any]],
    only: Collection[int] | None = None,
) -> None:
    """Print every span of a ledger with place, size, octets, value, meaning, clause, and what makes it smaller.

    ``only``: the numbers of the segments that are shown.
    """
    shown = range(len(segments)) if only is None else only
    layout.put(console, _lines(screen, rows, segments, console.width, shown))


def _lines(
    screen: Screen,
    rows: Sequence[dict[str, Any]],
    segments: Sequence[dict[str, Any]],
    width: int,
    only: Collection[int],
) -> Iterator[Line]:
    looks = strip.fills([run["kind"] for run in segments], screen)
    columns = _columns(width)
    if screen.wide:
        yield from layout.beside([[(title, "dim")] for title in _TITLES], columns, gap=_GAP)
    start = 0
    told: set[tuple[str, ...]] = set()
    for index, run in enumerate(segments):
        if index in only:
            own = rows[start : start + run["spans"]]
            yield from _heading(screen, run, looks[run["kind"]], width, own)
        above = None  # the clause of the line before
        for row in rows[start : start + run["spans"]] if index in only else ():
            if screen.wide:
                yield from layout.beside(_cells(screen, row), columns, gap=_GAP)
                continue
            again = _what(row) in told
            is_flag = row["bits"] == 1 and row["cite"] is not None and row["cite"] == above
            yield from _entry(screen, row, width, again=again, is_flag=is_flag)
            told.add(_what(row))
            above = row["cite"]
        start += run["spans"]


def _what(row: dict[str, Any]) -> tuple[str, ...]:
    """Return what a span is of a header, and all that is said of it but its value."""
    return row["layer"], row["name"], row["cite"] or "", row["removed_by"]


def _heading(
    screen: Screen, run: dict[str, Any], look: Fill, width: int, rows: Iterable[dict[str, Any]]
) -> Iterator[Line]:
    octets = (run["bits"] + 7) // 8
    counted = ", bits counted from the least significant one" if any(map(_is_little, rows)) else ""
    label: list[Run] = [
        (screen.text(run["label"]), f"bold {look.style}"),
        (f"  {plural(octets, 'octet')}{counted}", "dim"),
    ]
    fill: list[Run] = [(look.char * _FILL, look.style)]
    line = [*fill, (" ", ""), *label]
    if sum(len(text) for text, _ in line) <= width:
        yield line
    else:
        yield from layout.beside([fill, label], (_FILL, max(width - _FILL - 1, 1)), gap=1)


def _is_little(row: dict[str, Any]) -> bool:
    """Return whether a row is of bits whose first one is the least significant."""
    return bool(row["part"]) and row["order"] == "little"


def size(row: dict[str, Any]) -> str:
    """Return how much a span takes, in octets or bits."""
    count, unit = (row["bits"], "bit") if row["octets"] is None else (row["octets"], "octet")
    return plural(count, unit)


def _value_text(screen: Screen, row: dict[str, Any]) -> str:
    """Return value and meaning as one text; a value that its meaning begins with, such as one with a unit, once."""
    if row["says"] and row["meaning"].startswith(f"{row['says']} "):
        return screen.text(row["meaning"])
    return screen.text(": ".join(text for text in (row["says"], row["meaning"]) if text))


def _entry(
    screen: Screen, row: dict[str, Any], width: int, *, again: bool, is_flag: bool
) -> Iterator[Line]:
    """Yield the lines of a stacked entry: of one that is told ``again`` where, what and which octets alone.

    ``is_flag``: a single bit, which its value shows as it was sent, under the clause of the entry before.
    """
    place = f"octet{'s' if '-' in row['octet'] else ''} {row['octet']}"
    if row["part"]:
        place = f"{row['octet']} bit{'s' if '-' in row['part'] else ''} {row['part']}"
    head: list[Run] = [(screen.text(row["name"]), "bold")]
    description = _value_text(screen, row)
    if description:
        head.append(((" = " if row["says"] else ": ") + description, ""))
    if again and row["octets"] is not None and row["sent"]:
        head.append((f", sent {row['sent']}", ""))
    widths = (_PLACE, max(width - _PLACE - 1 - _INDENT, 1))
    yield from layout.beside([[(place, "")], head], widths, gap=1, indent=_INDENT)
    if again:
        return
    margin = _INDENT + _PLACE + 1
    if not is_flag:
        yield from layout.beside([_facts(screen, row)], widths[1:], indent=margin)
    if row["removed_by"]:
        smaller = f"smaller: {screen.text(row['removed_by'])}"
        yield from layout.beside([[(smaller, "italic")]], widths[1:], indent=margin)


def _facts(screen: Screen, row: dict[str, Any]) -> list[Run]:
    """Return what was sent, in how many bits or octets, and by which clause."""
    # digits begin with the most significant one, which goes last where bits are counted from the other end
    how = "binary" if row["bits"] > 1 and _is_little(row) else "sent"
    facts = [f"{how} {row['sent']}"] if row["sent"] else []
    facts.append(size(row))
    body: list[Run] = [(", ".join(facts), "")]
    if row["cite"]:
        body.append((f", {screen.text(row['cite'])}", "dim"))
    return body


def _columns(width: int) -> list[int]:
    """Return the width of each column of the table; together they fill the screen."""
    widths = list(_LEAST)
    spare = width - sum(widths) - _GAP * (len(widths) - 1)
    for column in _TURNS:
        more = max(min(spare, _GROWS[column]), 0)
        widths[column] += more
        spare -= more
    return widths


def _cells(screen: Screen, row: dict[str, Any]) -> list[list[Run]]:
    return [
        [(row["octet"], "")],
        [(row["part"], "")],
        [(row["sent"], "")],
        [(screen.text(row["name"]), "bold")],
        [(_value_text(screen, row), "")],
        [(screen.text(row["cite"] or ""), "dim")],
        [(screen.text(row["removed_by"]), "italic")],
    ]
