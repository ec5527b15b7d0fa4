"""Beyond the octets of a frame: the headers restored beside what carried them, and the shortest form."""

from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import Any

from rich.console import Console
from rich.text import Text

from lowpanbudget.report import layout, values_text
from lowpanbudget.report.layout import Cell
from lowpanbudget.report.screen import Screen
from lowpanbudget.report.terminal import heading, hex_block, octets, paragraph

_NOTHING = "nothing"
_PLACE, _INDENT = 15, 2  # as a ledger has them
_GAIN = 16


def about(console: Console, screen: Screen, texts: Sequence[str]) -> None:
    """Print what a capture tells of a frame."""
    for text in texts:
        paragraph(console, screen, text)
    if texts:
        console.print()


def explained(console: Console, screen: Screen, told: dict[str, Any]) -> None:
    """Print what is told of a frame beyond its octets."""
    _whole(console, screen, told)
    _restored(console, screen, told)
    _shortest(console, screen, told["shortest"])
    _message(console, screen, told["message"])


def _whole(console: Console, screen: Screen, told: dict[str, Any]) -> None:
    carried = told.get("whole_datagram")
    if not carried:
        return
    numbers = ", ".join(map(str, told["brought_by"]))
    text = f"The datagram that frames {numbers} bring, {octets(len(carried) // 2)}:"
    paragraph(console, screen, text)
    hex_block(console, carried)
    console.print()


def _restored(console: Console, screen: Screen, told: dict[str, Any]) -> None:
    if not told["restored"]:
        return
    place = ""
    if told["restored_in"] is not None and told["restored_in"] != told.get("number"):
        place = f", which frame {told['restored_in']} carries"
    heading(console, screen, f"Headers restored{place}")
    for (name, _), rows in groupby(told["restored"], lambda row: (row["header"], row["depth"])):
        fields = list(rows)
        whole, line = (sum(row[key] for row in fields) for key in ("bits", "carried"))
        size = f": {size_of(whole)} from {size_of(line)} in line" if whole else ""
        console.print(Text(screen.text(f"{name}{size}"), "bold"))
        if screen.wide:
            titles = ("carried", "field", "restored to", "from", "clause")
            cells = [list(_cells(screen, row)) for row in fields]
            layout.put(console, layout.table(titles, cells, console.width))
        else:
            layout.put(console, _entries(screen, fields, console.width))
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
        told = [(name, "bold"), (f" = {value}" if value else "", ""), layout.BREAK]
        told += [(source, ""), (f", {cite}" if cite else "", "dim")]
        yield from layout.beside([[_place(row)], told], widths, gap=1, indent=_INDENT)


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
        return f"{bits} bit" if bits == 1 else f"{bits} bits"
    return octets(bits // 8)


def _shortest(console: Console, screen: Screen, told: dict[str, Any] | None) -> None:
    if told is None:
        return
    heading(console, screen, "The same datagram in its shortest form")
    if told["reason"]:
        paragraph(console, screen, f"There is none: {told['reason']}.")
        console.print()
        return
    if told["saved"] <= 0:
        text = "The form that was sent is the shortest between these addresses with these contexts."
        if told["saved"] < 0:
            text = (
                f"It has {octets(-told['saved'])} more: the form that was sent is an older one, whose rules for "
                "identifiers are others."
            )
        paragraph(console, screen, text)
        console.print()
        return
    frames = ""
    if told["frames_here"] > 1:
        frames = f" in {_frames(told['frames_shortest'])} instead of {told['frames_here']}"
    text = f"{octets(told['shortest'])} instead of {told['here']}{frames}: {told['saved']} fewer on the air."
    paragraph(console, screen, text)
    layout.put(console, _differences(screen, told["differences"], console.width))
    console.print()
    whole = " before it is cut" if told["frames_shortest"] > 1 else ""
    console.print(f"The shortest form{whole}, {octets(len(told['octets']) // 2)}:")
    hex_block(console, told["octets"])
    console.print()


def _differences(
    screen: Screen, differences: Sequence[dict[str, Any]], width: int
) -> Iterator[layout.Line]:
    """Yield what each field saves, and what it would be restored from then."""
    widths = (_GAIN, max(width - _GAIN - _INDENT - 1, 1))
    for one in differences:
        saved = one["here"] - one["shortest"]
        gain = f"{size_of(saved)} fewer" if saved >= 0 else f"{size_of(-saved)} more"
        name = f"{one['header']} {one['name']}".strip()
        told = [
            (screen.text(name), "bold"),
            (f": {size_of(one['here'])} here, {size_of(one['shortest'])} then", ""),
        ]
        if one["source"]:
            cite = f", {one['cite']}" if one["cite"] else ""
            told += [layout.BREAK, (screen.text(one["source"]), ""), (screen.text(cite), "dim")]
        yield from layout.beside([[(gain, "bold")], told], widths, gap=1, indent=_INDENT)


def _frames(count: int) -> str:
    return "1 frame" if count == 1 else f"{count} frames"


def _message(console: Console, screen: Screen, told: dict[str, Any] | None) -> None:
    if told is None:
        return
    if told["message"] is None:
        heading(console, screen, f"Flow {told['flow']} of the design")
        if told["sealed"]:
            paragraph(console, screen, "Its messages are protected end to end: none is read.")
        for fault in told["faults"]:
            text = (
                f"It is no message {fault['format']}: octet {fault['offset']}: {fault['message']}"
            )
            paragraph(console, screen, text)
        console.print()
        return
    rows = [
        {"path": one["place"], "text": one["value"], "unit": one["unit"], "remark": ""}
        for one in told["values"]
    ]
    values_text.values(console, screen, f"Message {told['message']} of flow {told['flow']}", rows)
    if told["others"]:
        others = ", ".join(told["others"])
        paragraph(
            console, screen, f"The octets read as {others} as well: nothing tells them apart."
        )
        console.print()
