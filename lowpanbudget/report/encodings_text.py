"""Messages in other encodings for people: sizes, what comes back, frames and room left on each hop."""

from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import Any

from rich.console import Console
from rich.text import Text

from lowpanbudget.errors import plural
from lowpanbudget.report import layout
from lowpanbudget.report.layout import Cell
from lowpanbudget.report.screen import Screen
from lowpanbudget.report.span_text import time_that_ends
from lowpanbudget.report.terminal import heading, paragraph

_LEGEND = (
    'Octets of the same values in each encoding, made and read back: "least" has the numbers nearest to 0, the fewest '
    "elements and no optional fields. The largest of any values is another message in each encoding "
    '("at most": a proved limit).'
)
_FRAMES = (
    "By flow, hop and its room: frames of typical values, to those of the largest, and what the largest leaves of one "
    "frame. NO: more frames than the flow allows; of collected readings, none in one frame."
)
_AT_MOST = "at most "
_CASES = ("least", "typical", "greatest")
_FIRST = 20  # columns for the name of an encoding
_EACH = 19  # columns for one hop


def encodings(console: Console, screen: Screen, alternatives: Sequence[dict[str, Any]]) -> None:
    """Print every message in all encodings, then what each of them takes for granted."""
    if alternatives:
        paragraph(console, screen, _LEGEND)
        if any(alternative["places"] for alternative in alternatives):
            paragraph(console, screen, _FRAMES)
        console.print()
    for name, group in groupby(alternatives, key=lambda alternative: alternative["message"]):
        encoded = list(group)
        heading(console, screen, f"Message {name} in {plural(len(encoded), 'encoding')}")
        console.print(Text("Octets", "bold"))
        layout.put(console, _sizes(screen, encoded, console.width))
        console.print()
        _reasons(console, screen, encoded)
        placed = [alternative for alternative in encoded if alternative["places"]]
        _hops(
            console,
            screen,
            placed,
            "Frames by hop",
            _frames,
        )
        if placed and placed[0]["batch_of"]:
            title = f"Elements of {placed[0]['batch_of']} that one frame carries, whatever they are"
            _hops(console, screen, placed, title, _batch)
            _spans(console, screen, placed)
    _assumed(console, screen, alternatives)


def _sizes(
    screen: Screen, alternatives: Sequence[dict[str, Any]], width: int
) -> Iterator[layout.Line]:
    rows: list[list[Cell]] = []
    for alternative in alternatives:
        sizes: list[Cell] = [str(alternative["octets"].get(case, "-")) for case in _CASES]
        rows.append(
            [
                [(screen.text(alternative["encoding"]), "bold")], *sizes, _largest(alternative),
                screen.text(_exactness(alternative)),
            ]
        )  # fmt: skip
    titles = ("encoding", *_CASES, "largest of any", "values come back")
    return layout.table(titles, rows, width, right=(1, 2, 3, 4))


def _largest(alternative: dict[str, Any]) -> str:
    if alternative["largest"] is None:
        return "-"
    return f"{_AT_MOST if alternative['largest_is'] == 'bound' else ''}{alternative['largest']}"


def _exactness(alternative: dict[str, Any]) -> str:
    if alternative["missing"]:
        return str(alternative["missing"])
    if not alternative["octets"]:
        return "cannot say them, see below"
    if alternative["errors"]:
        errors = (
            f"{e['field']} up to {e['error']} {e['unit']}".rstrip() for e in alternative["errors"]
        )
        return f"with errors: {', '.join(errors)}"
    return "exact, but not all, see below" if alternative["cannot"] else "exact"


def _reasons(console: Console, screen: Screen, alternatives: Sequence[dict[str, Any]]) -> None:
    printed = False
    for alternative in alternatives:
        for reason in dict.fromkeys(alternative["cannot"].values()):
            cases = [case for case in _CASES if alternative["cannot"].get(case) == reason]
            paragraph(
                console,
                screen,
                f"{alternative['encoding']}, {', '.join(cases)}: {reason}.",
                indent=2,
            )
            printed = True
    if printed:
        console.print()


def _hops(
    console: Console, screen: Screen, alternatives: Sequence[dict[str, Any]], title: str, cell: Any
) -> None:
    """Print a row for each encoding and a column for each hop, as many at once as the screen takes."""
    if not alternatives:
        return
    console.print(Text(screen.text(title), "bold"))
    at_once = max((console.width - _FIRST - 4) // _EACH, 1)
    places = alternatives[0]["places"]
    for start in range(0, len(places), at_once):
        shown = range(start, min(start + at_once, len(places)))
        titles = ["encoding", *(screen.text(_where(places[index])) for index in shown)]
        rows: list[list[Cell]] = [
            [
                [(screen.text(alternative["encoding"]), "bold")],
                *(cell(alternative["places"][index]) for index in shown),
            ]
            for alternative in alternatives
        ]
        layout.put(console, layout.table(titles, rows, console.width))
        console.print()


def _where(place: dict[str, Any]) -> str:
    return f"{place['flow']}, {place['hop']}: {place['room']}"


def _frames(place: dict[str, Any]) -> Cell:
    usual, most, left = place["frames"]["typical"], place["largest_frames"], place["largest_spare"]
    told = dict.fromkeys("-" if count is None else str(count) for count in (usual, most))
    text = " to ".join(told)
    if left is not None:
        text += f", {left} left" if left >= 0 else f", {-left} over"
    return [(text, "" if place["fits"] else "red"), ("" if place["fits"] else " NO", "bold red")]


def _batch(place: dict[str, Any]) -> Cell:
    return str(place["batch"] or "none")


def _spans(console: Console, screen: Screen, alternatives: Sequence[dict[str, Any]]) -> None:
    """Say which times end what goes together in every encoding: its values are those of the message."""
    ends = {
        place["flow"]: (field, place["batch"])
        for alternative in alternatives
        for place in alternative["places"]
        if (field := time_that_ends(place["batch_ends"]))
    }
    for flow, (field, batch) in ends.items():
        spans = "spans no more than the most of these" if batch else "does not span the fewest"
        text = f"On {flow} {field} {spans} at the flow's rhythm, whatever room there is"
        text += "." if batch else ": none can be made."
        paragraph(console, screen, text)
    if ends:
        console.print()


def _assumed(console: Console, screen: Screen, alternatives: Sequence[dict[str, Any]]) -> None:
    notes = dict.fromkeys(
        (alternative["encoding"], alternative["note"]) for alternative in alternatives
    )
    if not notes:
        return
    console.print(Text("What is taken for granted", "bold"))
    rows: list[list[Cell]] = [
        [[(screen.text(name), "bold")], screen.text(note)] for name, note in notes
    ]
    layout.put(console, layout.table(("", ""), rows, console.width))
