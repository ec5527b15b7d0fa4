"""Budgets for people: the room of each flow and hop at a glance, then where the octets go and what would free more.

A hop that follows another one of its flow is told by what differs there. Several flows are told in short.
"""

from collections.abc import Iterable, Iterator, Sequence
from typing import Any, NamedTuple

from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from lowpanbudget.bits import Nature
from lowpanbudget.errors import plural
from lowpanbudget.report import change_text, layout, ledger_text, strip, view
from lowpanbudget.report.fit_text import slot_ends
from lowpanbudget.report.hops_apart import WHY, ShownHop, added, contents, differences, runs_of
from lowpanbudget.report.invented import invented
from lowpanbudget.report.layout import Cell, Run
from lowpanbudget.report.screen import Screen
from lowpanbudget.report.strip import Part
from lowpanbudget.report.terminal import heading, paragraph
from lowpanbudget.room.compute import Budget

_BAR, _LEAST_BAR = 40, 12
_BESIDE_BAR = 33  # columns of hop, room and frame, with the gaps of the table
_MOST_CLIFFS, _MOST_SAVINGS, _MOST_ELSEWHERE = 4, 3, 1  # in short
_SAVINGS = "savings"
_SAME_ELSEWHERE = "; the same on flows that say nothing else"
# kinds of changes: what stands above them, on the first hop and where they are not as there
_CHANGES = (
    (
        _SAVINGS,
        "What would give more room, each change alone, measured by encoding again",
        "What the same changes give here, where it is not as on the first hop",
    ),
    (
        "weaker",
        "These give room and weaken protection; they are no advice",
        "These weaken protection and are no advice; what they give is not as on the first hop",
    ),
    (
        "stronger",
        "What more protection takes",
        "What more protection takes here, where it is not as on the first hop",
    ),
)


def budgets(
    console: Console, screen: Screen, results: Sequence[Budget], *, ledger: bool | None = None
) -> bool:
    """Print budgets flow by flow; return whether they were told in short, as several flows are without ledgers.

    ``ledger`` as ``flow`` has it.
    """
    hops = [
        ShownHop(
            view.budget(one) | {"invented": invented(one.path)},
            view.rows(one.ledger.spans),
            view.segments(one.ledger.spans),
        )
        for one in results
    ]
    overview(console, screen, [hop.result for hop in hops])
    flows, told = list(_by_flow(hops)), Told(set(), set(), set())
    in_short = len(flows) > 1 and not ledger
    for number, several in enumerate(flows, 1):
        if in_short:
            flow_in_short(console, screen, several, told, flows[number:])
        else:
            flow(console, screen, several, ledger=ledger)
    return in_short


def _by_flow(hops: Iterable[ShownHop]) -> Iterator[list[ShownHop]]:
    """Yield the hops of each flow; a hop that comes again is of another design."""
    several: list[ShownHop] = []
    for hop in hops:
        same = several and several[0].result["flow"] == hop.result["flow"]
        again = hop.result["hop"] in {other.result["hop"] for other in several}
        if several and (not same or again):
            yield several
            several = []
        several.append(hop)
    if several:
        yield several


def overview(console: Console, screen: Screen, budgets: Sequence[dict[str, Any]]) -> None:
    """Print one line a flow and hop: the room, and the frame as a bar of headers and room."""
    heading(console, screen, "Room: octets of your own data in one frame")
    longest = sum(
        max(len(name), *[len(screen.text(result[name])) for result in budgets])
        for name in ("flow", "direction")
    )
    # a bar stands where there is space for it beside names, hops and numbers
    width = min(_BAR, console.width - longest - _BESIDE_BAR)
    glyphs = screen.glyphs
    rows: list[list[Cell]] = []
    for result in budgets:
        frame = max(result["ledger"]["octets"] + min(result["room"], 0), 1)
        used = max(1, round((frame - min(result["room"], frame)) * width / frame))
        bar: list[Run] = [
            (glyphs.fills[0] * min(used, width), ""),
            (glyphs.payload * max(width - used, 0), "cyan"),
        ]
        names = [screen.text(result[name]) for name in ("flow", "hop", "direction")]
        rows.append([*names, [(str(result["room"]), "bold")], str(frame), bar])
    titles = ["flow", "hop", "direction", "room", "of frame", "headers, then room"]
    if width < _LEAST_BAR:
        titles, rows = titles[:-1], [row[:-1] for row in rows]
    layout.put(console, layout.table(titles, rows, console.width, right=(3, 4)))
    for result in budgets:
        if result["beyond_mtu"]:
            empty = f"{plural(result['beyond_mtu'], 'octet')} of it stay empty"
            where = f"{result['flow']}, {result['hop']} hop"
            text = f"{where}: the MTU ends the room (network.mtu) and not the frame: {empty}."
            paragraph(console, screen, text)
    in_slot = budgets[0]["in_slot"]
    if in_slot is not None:
        paragraph(console, screen, slot_ends(in_slot))
    console.print()


def flow(
    console: Console, screen: Screen, hops: Sequence[ShownHop], *, ledger: bool | None
) -> None:
    """Print one flow: its first hop, then what differs on the others.

    ``ledger``: every octet of the headers of each hop; None: of the first hop, and what differs on the others.
    """
    first = hops[0]
    for hop in hops:
        _heading(console, screen, hop)
        _bar(console, screen, hop)
        console.print()
        _cautions(console, screen, hop.result)
        if ledger is not False:
            _ledger(console, screen, hop, first if ledger is None else hop)
            if hop.result["invented"]:
                paragraph(console, screen, hop.result["invented"])
                console.print()
        _cliffs(console, hop.result["cliffs"])
        for key, title, other_title in _CHANGES:
            changes = hop.result[key] if hop is first else _others(hop, first, key)
            shown = title if hop is first else other_title
            change_text.changes(console, screen, shown, changes, hop.result["room"])


class Told(NamedTuple):
    """What flows before have told: cautions, changes, and what those of protection give."""

    cautions: set[str]
    changes: set[str]
    protection: set[tuple[str, int]]


def flow_in_short(
    console: Console, screen: Screen, hops: Sequence[ShownHop], told: Told, later: Sequence[Sequence[ShownHop]] = ()
) -> None:  # fmt: skip
    """Print one flow of several: the best changes, and of later hops what differs.

    A caution names the flows ``later`` that have it too, and is not told there again.

    Changes of protection are of the whole design: a later flow tells those alone that give it something else.
    """
    first, *others = hops
    _heading(console, screen, first)
    _bar(console, screen, first)
    cautions = first.result["cautions"]
    for caution in dict.fromkeys(one for one in cautions if one not in told.cautions):
        same = [one[0].result["flow"] for one in later if caution in one[0].result["cautions"]]
        of = f", also of {', '.join(same)}" if same else ""
        paragraph(console, screen, f"Caution{of}: {caution}", "bold")
    told.cautions.update(cautions)
    least = min(hops, key=lambda hop: hop.result["room"])
    cliffs = [
        f"{frames} up to {largest}" for largest, frames in least.result["cliffs"][:_MOST_CLIFFS]
    ]
    if cliffs:
        cliffs[0] += " octets"
        hops_told = "Frames on every hop" if others else "Frames"
        paragraph(console, screen, f"{hops_told}: {', '.join(cliffs)}")
    for key, title, _ in _CHANGES:
        changes = first.result[key]
        if key != _SAVINGS:
            changes = [c for c in changes if (c["text"], c["gain"]) not in told.protection]
        if changes:
            says = key != _SAVINGS and not told.protection
            paragraph(console, screen, title + (_SAME_ELSEWHERE if says else ""), "bold")
            _in_short(console, screen, changes, told, _MOST_SAVINGS)
    for key, *_ in _CHANGES[1:]:
        told.protection.update((change["text"], change["gain"]) for change in first.result[key])
    for hop in others:
        differs = differences(hop, first)
        paragraph(console, screen, f"{_says(hop.result)}: {differs}", "bold")
        for key, *_ in _CHANGES:
            _in_short(console, screen, _others(hop, first, key), told, _MOST_ELSEWHERE)
    console.print()


def _says(result: dict[str, Any]) -> str:
    room = result["room"]
    says = (
        f"room for {plural(room, 'octet')}"
        if room >= 0
        else f"the headers alone are {plural(-room, 'octet')} over"
    )
    return f"{result['flow']}, {result['hop']} hop, {result['direction']}: {says}"


def _heading(console: Console, screen: Screen, hop: ShownHop) -> None:
    heading(console, screen, _says(hop.result))


def _bar(console: Console, screen: Screen, hop: ShownHop) -> None:
    parts = ledger_text.parts_of(hop.segments)
    labelled = [
        Part(p.kind, "room" if p.kind is Nature.PAYLOAD else p.label, p.size) for p in parts
    ]
    strip.draw(console, screen, labelled)


def _cautions(console: Console, screen: Screen, result: dict[str, Any]) -> None:
    for caution in result["cautions"]:
        paragraph(console, screen, f"Caution: {caution}", "bold")
    if result["cautions"]:
        console.print()


def _ledger(console: Console, screen: Screen, hop: ShownHop, before: ShownHop) -> None:
    """Print the octets of the headers; those of another hop ``before`` that are the same are left out."""
    # the octets of a frame that was filled to measure it tell nothing
    shown = [
        row | {"says": ""} if row["nature"] == Nature.PAYLOAD.value else row for row in hop.rows
    ]
    if before is hop:
        ledger_text.draw(console, screen, shown, hop.segments)
    else:
        known = [contents(run) for run in runs_of(before)]
        new = [
            index
            for index, run in enumerate(runs_of(hop))
            if hop.segments[index]["kind"] is not Nature.PAYLOAD and contents(run) not in known
        ]
        title = "All octets are as on the first hop."
        if new:
            more = added(hop, before)
            title = "Octets that are not as on the first hop" + (
                f" ({more}): {WHY}" if more else ""
            )
        paragraph(console, screen, title, "bold" if new else "")
        if new:
            ledger_text.draw(console, screen, shown, hop.segments, new)
    console.print()


def _others(hop: ShownHop, before: ShownHop, key: str) -> list[dict[str, Any]]:
    """Return the changes of a kind that do not give as much as on the hop before; those that give nothing here too."""
    known = {(change["id"], change["gain"]) for change in before.result[key]}
    here = {change["id"] for name, *_ in _CHANGES for change in hop.result[name]}
    gone = [change | {"gain": 0} for change in before.result[key] if change["id"] not in here]
    changed = [c for c in hop.result[key] if (c["id"], c["gain"]) not in known]
    return [*changed, *gone]


def _in_short(
    console: Console, screen: Screen, changes: Sequence[dict[str, Any]], told: Told, most: int
) -> None:
    """Print the best changes, a line each: what it gives, what it is, and details and a caution the first time."""
    shown = changes[:most] if len(changes) > most + 1 else changes
    gains = [f"{change['gain']:+d}" for change in shown]
    columns = max(map(len, gains), default=0)
    widths = (columns, max(console.width - columns - 4, 1))
    for change, gain in zip(shown, gains, strict=True):
        text = (
            change["text"].partition(", ")[0] if change["text"] in told.changes else change["text"]
        )
        told.changes.add(change["text"])
        runs: list[Run] = [(screen.text(text), "")]
        if change["caution"]:
            says = "as above" if change["caution"] in told.cautions else change["caution"]
            runs.append((screen.text(f"; caution: {says}"), "dim"))
            told.cautions.add(change["caution"])
        if change is shown[-1] and len(shown) < len(changes):
            runs.append((f"; {len(changes) - len(shown)} more", "dim"))
        line = layout.beside([[(gain, "bold")], runs], widths, gap=2, indent=2, right=(0,))
        layout.put(console, line)


def _cliffs(console: Console, cliffs: Sequence[Sequence[int]]) -> None:
    if not cliffs:
        return
    console.print(Text("Frames a payload takes", "bold"))
    parts = []
    start = 0
    for largest, frames in cliffs:
        end = f"{start}-{largest}" if largest > start else f"{largest}"
        parts.append(f"{end} octet{'' if end == '1' else 's'}: {frames}")
        start = largest + 1
    console.print(Padding(_flow(parts, console.width - 2), (0, 0, 0, 2)))
    console.print()


def _flow(parts: Sequence[str], width: int) -> Text:
    """Return short texts side by side, broken only between them."""
    lines: list[str] = [""]
    for part in parts:
        joined = f"{lines[-1]}   {part}" if lines[-1] else part
        if len(joined) > width and lines[-1]:
            lines.append(part)
        else:
            lines[-1] = joined
    return Text("\n".join(lines))
