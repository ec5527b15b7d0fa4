"""A survey for people: the octets on the air as one bar of layers, then each flow, node and kind to the same scale."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from rich.console import Console
from rich.text import Text

from lowpanbudget.bits import Nature
from lowpanbudget.capture.follow.networks import networks_text
from lowpanbudget.capture.room_left import room_assumed
from lowpanbudget.errors import plural
from lowpanbudget.layers.labels import label_of
from lowpanbudget.layers.link.security import LEFT_IN_CLEAR
from lowpanbudget.report import layout, series_text, strip
from lowpanbudget.report.audit_text import receptions
from lowpanbudget.report.layout import Line
from lowpanbudget.report.screen import Screen
from lowpanbudget.report.strip import Fill, Part
from lowpanbudget.report.terminal import heading, paragraph
from lowpanbudget.report.view import UNREAD

MOST = 8  # of a grouping, unless all were asked for
MOST_NAMED = 4  # captures in a heading
_FILLS, _OTHERS = 6, "other layers"  # a bar has six fills for headers
_INDENT, _GAP = 2, 2
_SECOND = 10**9
_TITLES = (
    ("flows", "Flows, the most octets first"),
    ("nodes", "Nodes that sent them, the most octets first"),
    ("kinds", "Kinds of frame"),
)
_EVENTS = (
    ("fragments", "fragment", "fragments"),
    ("retransmissions", "retransmission", "retransmissions"),
    ("duplicates", "duplicate under a new number", "duplicates under new numbers"),
    ("lost", "number missing in sequence", "numbers missing in sequence"),
    ("assembled", "datagram made whole of fragments", "datagrams made whole of fragments"),
    ("dropped", "datagram never whole", "datagrams never whole"),
    ("given_up", "of those given up for room", "of those given up for room"),
    ("cut", "datagram cut by the capture", "datagrams cut by the capture"),
    ("damaged", "damaged frame", "damaged frames"),
    ("unread", "frame not read to its end", "frames not read to their end"),
)


def survey(console: Console, screen: Screen, survey_data: dict[str, Any], *, whole: bool) -> None:
    """Print a survey; of each grouping the largest rows, or with ``whole`` all of them."""
    total = survey_data["total"]
    heading(console, screen, f"{_names(survey_data)}: {_amount(total)}{_while(total)}")
    for capture in survey_data["captures"]:
        for text in capture["ends"]:
            paragraph(console, screen, f"{_source(capture['capture'])}: {text}.")
    if len(survey_data["networks"]) > 1:
        told = [(one["name"], one["frames"]) for one in survey_data["networks"]]
        paragraph(console, screen, networks_text(told))
    if survey_data["outside"]:
        text = f"Left out as not asked for: {plural(survey_data['outside'], 'frame')}."
        paragraph(console, screen, text)
    for text in receptions(survey_data["receivers"]):
        paragraph(console, screen, text)
    if assumed := room_assumed(survey_data["assumed"]):
        paragraph(console, screen, assumed)
    if not total["frames"]:
        console.print()
        return
    console.print()
    natures = {layer: Nature(nature) for layer, nature in survey_data["natures"].items()}
    parts = parts_of(total, natures)
    # the bar leaves out what is empty, and so must those who share its fills
    looks = strip.fills([part.kind for part in parts if part.size], screen)
    strip.draw(console, screen, parts)
    console.print()
    for text in facts(total):
        paragraph(console, screen, text, indent=_INDENT)
    console.print()
    for key, title in _TITLES:
        if survey_data.get(key):
            _group(console, screen, title, survey_data[key], natures, looks, whole=whole)
    if "series" in survey_data:
        series_text.series(console, screen, survey_data["series"], whole=whole)
    _reasons(console, screen, survey_data["reasons"])


def parts_of(
    tally: dict[str, Any], natures: Mapping[str, Nature], kinds: Sequence[str | Nature] = ()
) -> list[Part]:
    """Return the parts of a bar of layers, in octets; ``natures`` are those of the layers.

    Headers come first, then what carries data, then what is sealed. There are only so many fills: the smallest layers
    are one part, "others". ``kinds`` are the kinds and the order of another bar, to draw this one alike.
    """
    sizes: dict[str | Nature, int] = {}
    for layer, bits in tally["layer_bits"].items():
        nature = natures.get(layer, Nature.HEADER)
        kind = layer if nature is Nature.HEADER else nature
        sizes[kind] = sizes.get(kind, 0) + bits
    if not kinds:
        headers = [kind for kind in sizes if not isinstance(kind, Nature)]
        largest = sorted(headers, key=lambda kind: -sizes[kind])
        own = set(headers if len(headers) <= _FILLS else largest[: _FILLS - 1])
        kinds = [kind for kind in headers if kind in own]
        kinds += [*([_OTHERS] if len(own) < len(headers) else []), Nature.PAYLOAD, *UNREAD]
    summed = dict.fromkeys(kinds, 0)
    for kind, bits in sizes.items():
        place = kind if kind in summed else _OTHERS
        summed[place] = summed.get(place, 0) + bits
    return [
        Part(kind, kind.value if isinstance(kind, Nature) else label_of(kind), (bits + 4) // 8)
        for kind, bits in summed.items()
    ]


def facts(tally: dict[str, Any]) -> Iterator[str]:
    """Yield sentences about what some frames cost and what happened to them; none about what did not happen."""
    if tally["datagrams"]:
        application, octets, text = tally["application"], tally["octets"], ""
        if tally["byte_code"]:  # then not all of it is on the air
            code = plural(tally["byte_code"], "octet")
            stand = "stands" if tally["byte_code"] == 1 else "stand"
            text = f"; {code} of byte code {stand} for {tally['expanded']}"
        elif application <= octets:
            text = f", {100 * application / max(octets, 1):.0f} % of the air"
        yield (
            f"{plural(tally['datagrams'], 'datagram')}, counted on each hop, of "
            f"{plural(tally['datagram_octets'], 'octet')} before compression; application data "
            f"{plural(application, 'octet')}{text}"
        )
    room = []
    if tally["unused"]:
        room.append(f"{plural(tally['unused'], 'octet')} of room left unused in data frames")
    if tally["avoidable"]:
        room.append(f"the shortest encoding saves {plural(tally['avoidable'], 'octet')}")
    if room:
        yield "; ".join(room)
    counts = {**tally, "dropped": tally["dropped"] - tally["cut"]}
    events = [
        f"{counts[key]} {single if counts[key] == 1 else several}"
        for key, single, several in _EVENTS
        if counts[key]
    ]
    if events:
        yield ", ".join(events)


def _group(
    console: Console,
    screen: Screen,
    title: str,
    rows: Sequence[dict[str, Any]],
    natures: Mapping[str, Nature],
    looks: dict[str | Nature, Fill],
    *,
    whole: bool,
) -> None:
    console.print(Text(title, "bold"))
    shown = rows if whole else rows[:MOST]
    largest = max(1, *(row["octets"] for row in rows))
    figures = max(len(_amount(row)) for row in shown)
    room = max(console.width - 2 * _INDENT - _GAP - figures, 1)
    for row in shown:
        drawable = parts_of(row, natures, list(looks))
        parts = [part for part in drawable if part.size > 0 and part.kind in looks]
        drawn = _cells([part.size for part in parts], max(1, round(row["octets"] * room / largest)))
        bar: Line = [
            (looks[part.kind].char * count, looks[part.kind].style)
            for part, count in zip(parts, drawn, strict=True)
        ]
        bar.append((" " * (room - sum(drawn) + _GAP), ""))
        layout.put(console, _entry(screen, row, bar, console.width))
    left = rows[len(shown) :]
    if left:
        rest = sum(row["octets"] for row in left)
        paragraph(
            console, screen, f"and {len(left)} more with {plural(rest, 'octet')}", "dim", _INDENT
        )
    console.print()


def _entry(screen: Screen, row: dict[str, Any], bar: Line, width: int) -> Iterator[Line]:
    """Yield a name, its bar with the figures beside it, and the facts."""
    name = row.get("address", row["name"])
    if row.get("in_design"):
        name = f"{row['in_design']}: {name}"
    name = series_text.named(name, row.get("network"))
    yield from layout.beside([[(screen.text(name), "bold")]], [width - _INDENT], indent=_INDENT)
    yield [(" " * 2 * _INDENT, ""), *bar, (_amount(row), "")]
    for text in facts(row):
        yield from layout.beside([[(screen.text(text), "dim")]], [width - 6], indent=6)


def _cells(sizes: Sequence[int], length: int) -> list[int]:
    """Return how ``length`` cells are shared out by size; what is smaller than half a cell may get none."""
    total = max(sum(sizes), 1)
    counts = [size * length // total for size in sizes]
    by_need = sorted(range(len(sizes)), key=lambda at: -(sizes[at] * length % total))
    for at in by_need[: length - sum(counts)]:
        counts[at] += 1
    return counts


def _reasons(console: Console, screen: Screen, reasons: dict[str, int]) -> None:
    if not reasons:
        return
    console.print(Text("Why frames were not read to their end", "bold"))
    shown = list(reasons.items())[:MOST]
    rows = [[str(count), screen.text(reason)] for reason, count in shown]
    layout.put(console, layout.table(("frames", "reason"), rows, console.width, right=(0,)))
    if len(reasons) > MOST:
        rest = sum(reasons.values()) - sum(count for _, count in shown)
        text = f"and {rest} more for {plural(len(reasons) - MOST, 'other reason')}"
        paragraph(console, screen, text, "dim", _INDENT)
    hidden = reasons.get(LEFT_IN_CLEAR, 0)
    if hidden:
        text = f"Payloads in the clear of {plural(hidden, 'frame')} are left out: "
        text += "if the key is the wrong one, a survey without it reads them, unchecked."
        paragraph(console, screen, text, "dim", _INDENT)
    console.print()


def _names(survey_data: dict[str, Any]) -> str:
    """Return what was surveyed, by name where the names are few."""
    names = [_source(capture["capture"]) for capture in survey_data["captures"]]
    return ", ".join(names) if len(names) <= MOST_NAMED else f"{len(names)} captures"


def _source(capture: str) -> str:
    return "standard input" if capture == "-" else capture


def _amount(tally: dict[str, Any]) -> str:
    return f"{plural(tally['frames'], 'frame')}, {plural(tally['octets'], 'octet')}"


def _while(tally: dict[str, Any]) -> str:
    """Return how long the frames took, where they have times."""
    if tally["first_ns"] is None or tally["last_ns"] == tally["first_ns"]:
        return ""
    seconds = (tally["last_ns"] - tally["first_ns"]) / _SECOND
    for unit, size in (("days", 86400), ("hours", 3600), ("minutes", 60)):
        if seconds >= 2 * size:
            return f" in {seconds / size:.1f} {unit}"
    return f" in {seconds:.3g} s"
