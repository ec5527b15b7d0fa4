"""A frame beyond its octets: restored headers beside what carried them, the shortest form, the message."""

from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import Any

from rich.console import Console
from rich.text import Text

from lowpanbudget.errors import plural
from lowpanbudget.report import layout, ledger_text, sightings, terminal, values_text
from lowpanbudget.report.layout import Cell
from lowpanbudget.report.screen import Screen
from lowpanbudget.report.terminal import heading, hex_block, paragraph

_NOTHING = "nothing"
_PLACE, _INDENT = 15, 2  # as a ledger has them
_GAIN = 16


def frame(console: Console, screen: Screen, frame: dict[str, Any], facts: dict[str, Any]) -> None:
    """Print a frame, as ``sightings.drawn`` describes it, and what is known beyond its octets (``details``)."""
    terminal.frame(console, screen, **frame)
    _about(console, screen, sightings.facts(facts))
    _explained(console, screen, facts)


def _about(console: Console, screen: Screen, texts: Sequence[str]) -> None:
    """Print what the capture says about a frame: when it was received, in which flow, what it repeats."""
    for text in texts:
        paragraph(console, screen, text)
    if texts:
        console.print()


def _explained(console: Console, screen: Screen, details: dict[str, Any]) -> None:
    """Print what is known of a frame beyond its octets: ``details`` as ``sightings.details`` returns them."""
    _datagram(console, screen, details)
    _restored(console, screen, details)
    _contents(console, screen, details["contents"])
    _joined(console, screen, details.get("whole_contents"))
    shortest(console, screen, details["shortest"])
    _message(console, screen, details["message"])


def _datagram(console: Console, screen: Screen, details: dict[str, Any]) -> None:
    carried = details.get("whole_datagram")
    if not carried:
        return
    numbers = ", ".join(map(str, details["brought_by"]))
    text = f"The datagram that frames {numbers} bring, {plural(len(carried) // 2, 'octet')}:"
    paragraph(console, screen, text)
    hex_block(console, carried)
    console.print()


def _restored(console: Console, screen: Screen, details: dict[str, Any]) -> None:
    if not details["restored"]:
        return
    place = ""
    if details["restored_in"] is not None and details["restored_in"] != details.get("number"):
        place = f", which frame {details['restored_in']} carries"
    heading(console, screen, f"Headers restored{place}")
    for (name, _), rows in groupby(details["restored"], lambda row: (row["header"], row["depth"])):
        fields = list(rows)
        full, line = (sum(row[key] for row in fields) for key in ("bits", "carried"))
        size = f": {size_of(full)} from {size_of(line)} in line" if full else ""
        console.print(Text(screen.text(f"{name}{size}"), "bold"))
        if screen.wide:
            titles = ("carried", "field", "restored to", "from", "clause")
            cells = [list(_cells(screen, row)) for row in fields]
            layout.put(console, layout.table(titles, cells, console.width))
        else:
            layout.put(console, _entries(screen, fields, console.width))
        console.print()


def _joined(console: Console, screen: Screen, contents: dict[str, Any] | None) -> None:
    if contents is None:
        return
    first = contents["segments"][0]["offset_bits"] // 8
    heading(console, screen, f"What the headers carry, from octet {first} of the datagram")
    ledger_text.draw(console, screen, contents["spans"], contents["segments"])
    console.print()


def _contents(console: Console, screen: Screen, contents: dict[str, Any] | None) -> None:
    if contents is None:
        return
    first = contents["segments"][0]["offset_bits"] // 8
    heading(console, screen, f"What the byte code stands for, from octet {first} of the datagram")
    code, expanded = contents["byte_code"], contents["expanded"]
    if code:
        gain = f"{expanded - code} fewer" if code <= expanded else f"{code - expanded} more"
        octets = plural(code, "octet")
        paragraph(
            console,
            screen,
            f"{octets} of byte code {'stands' if code == 1 else 'stand'} for {expanded}: {gain}.",
        )
    ledger_text.draw(console, screen, contents["spans"], contents["segments"])
    console.print()


def _cells(screen: Screen, row: dict[str, Any]) -> Iterator[Cell]:
    yield [_place(row)]
    yield [(screen.text(row["name"]), "bold")]
    yield screen.text(row["says"])
    yield screen.text(row["source"])
    yield [(screen.text(row["cite"] or ""), "dim")]


def _entries(screen: Screen, fields: Sequence[dict[str, Any]], width: int) -> Iterator[layout.Line]:
    """Yield fields as entries of two columns: what was carried, and what it was restored to."""
    widths = (_PLACE, max(width - _PLACE - _INDENT - 1, 1))
    for row in fields:
        _, name, value, source, cite = (screen.text(text or "") for text in _texts(row))
        description = [(name, "bold"), (f" = {value}" if value else "", ""), layout.BREAK]
        description += [(source, ""), (f", {cite}" if cite else "", "dim")]
        yield from layout.beside([[_place(row)], description], widths, gap=1, indent=_INDENT)


def _texts(row: dict[str, Any]) -> Sequence[str | None]:
    return [None, *(row[key] for key in ("name", "says", "source", "cite"))]


def _place(row: dict[str, Any]) -> layout.Run:
    """Return where the octets or bits stand that were carried for a field."""
    if not row["carried"]:
        return (_NOTHING, "dim")
    first, bit = divmod(row["offset"], 8)
    last = (row["offset"] + row["carried"] - 1) // 8
    octet = f"{first}" if first == last else f"{first}-{last}"
    if bit or row["carried"] % 8:
        end = bit + row["carried"] - 1
        return (f"{octet} bits {bit}-{end}" if end > bit else f"{octet} bit {bit}", "")
    return (f"octet {octet}" if first == last else f"octets {octet}", "")


def size_of(bits: int) -> str:
    """Return a number of bits in octets where that is whole."""
    if bits % 8:
        return plural(bits, "bit")
    return plural(bits // 8, "octet")


def shortest(console: Console, screen: Screen, comparison: dict[str, Any] | None) -> None:
    """Print the shortest form of a datagram beside the one that was sent, as ``sightings.compared`` describes them."""
    if comparison is None:
        return
    heading(console, screen, "The same datagram in its shortest form")
    if comparison["reason"]:
        paragraph(console, screen, f"There is none: {comparison['reason']}.")
        console.print()
        return
    if comparison["saved"] <= 0:
        paragraph(console, screen, _no_gain(comparison))
        _assumption(console, screen, comparison)
        console.print()
        return
    frames = ""
    if comparison["frames_here"] > 1:
        frames = f" in {plural(comparison['frames_shortest'], 'frame')} instead of {comparison['frames_here']}"
    text = (
        f"{plural(comparison['shortest'], 'octet')} instead of {comparison['here']}{frames}: "
        f"{comparison['saved']} fewer on the air."
    )
    paragraph(console, screen, text)
    _assumption(console, screen, comparison)
    layout.put(console, _differences(screen, comparison["differences"], console.width))
    console.print()
    uncut = " in one piece" if comparison["frames_shortest"] > 1 else ""
    console.print(f"The shortest form{uncut}, {plural(len(comparison['octets']) // 2, 'octet')}:")
    hex_block(console, comparison["octets"])
    console.print()


def _no_gain(comparison: dict[str, Any]) -> str:
    """Return why the shortest form saves nothing, or would take more."""
    more = plural(-comparison["saved"], "octet")
    if not comparison["saved"]:
        plain = "" if comparison["with_byte_code"] else ", without byte code"
        return f"The form that was sent is the shortest between these addresses with these contexts{plain}."
    if comparison["frames_shortest"] > comparison["frames_here"]:
        return (
            f"The form that was sent goes in {plural(comparison['frames_here'], 'frame')}; with frames of at most "
            f"{comparison['largest']} octets it takes {comparison['frames_shortest']}, {more} more on the air."
        )
    return (
        f"It has {more} more: the form that was sent is one that is no longer written, or follows the older rule for "
        "identifiers."
    )


def _assumption(console: Console, screen: Screen, comparison: dict[str, Any]) -> None:
    """Print what the largest frame was taken to be, where no design tells it and it counts."""
    if comparison["assumed"]:
        largest, why = comparison["largest"], comparison["assumed"]
        text = f"No design tells the largest frame: {largest} octets are assumed, as {why}."
        paragraph(console, screen, text)


def _differences(
    screen: Screen, differences: Sequence[dict[str, Any]], width: int
) -> Iterator[layout.Line]:
    """Yield what each field saves, and what it would be restored from then."""
    widths = (_GAIN, max(width - _GAIN - _INDENT - 1, 1))
    for difference in differences:
        saved = difference["here"] - difference["shortest"]
        gain = f"{size_of(saved)} fewer" if saved >= 0 else f"{size_of(-saved)} more"
        names = dict.fromkeys(
            (difference["header"], difference["name"])
        )  # some have one field of their name
        name = " ".join(filter(None, names))
        description = [
            (screen.text(name), "bold"),
            (f": {size_of(difference['here'])} here, {size_of(difference['shortest'])} then", ""),
        ]
        if difference["source"]:
            cite = f", {difference['cite']}" if difference["cite"] else ""
            description += [
                layout.BREAK,
                (screen.text(difference["source"]), ""),
                (screen.text(cite), "dim"),
            ]
        yield from layout.beside([[(gain, "bold")], description], widths, gap=1, indent=_INDENT)


def _message(console: Console, screen: Screen, matched: dict[str, Any] | None) -> None:
    if matched is None:
        return
    if matched["message"] is None:
        heading(console, screen, f"Flow {matched['flow']} of the design")
        if matched["sealed"]:
            paragraph(console, screen, "Its messages are protected end to end: none is read.")
        for fault in matched["faults"]:
            text = (
                f"It is no message {fault['format']}: octet {fault['offset']}: {fault['message']}"
            )
            paragraph(console, screen, text)
        console.print()
        return
    rows = [
        {"path": value["place"], "text": value["value"], "unit": value["unit"], "remark": ""}
        for value in matched["values"]
    ]
    values_text.values(
        console, screen, f"Message {matched['message']} of flow {matched['flow']}", rows
    )
    if matched["others"]:
        others = ", ".join(matched["others"])
        paragraph(
            console, screen, f"The octets read as {others} as well: nothing tells them apart."
        )
        console.print()
