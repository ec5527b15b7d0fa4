"""Messages for people: does each fit, how its bits lie, and what would make it fit."""

from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import Any

from rich.console import Console
from rich.text import Text

from lowpanbudget.bits import Nature
from lowpanbudget.errors import plural
from lowpanbudget.report import layout, strip
from lowpanbudget.report.change_text import change_lines
from lowpanbudget.report.layout import Cell, Line, Run
from lowpanbudget.report.screen import Screen
from lowpanbudget.report.span_text import span_of_time, time_that_ends
from lowpanbudget.report.strip import Part
from lowpanbudget.report.terminal import heading, paragraph

_PADDING = "padding"


def fits(console: Console, screen: Screen, results: Sequence[dict[str, Any]]) -> None:
    """Print every message: its verdicts, its bits to scale and as a table, and advice."""
    for name, group in groupby(results, key=lambda fit: fit["message"]):
        message_fits = list(group)
        heading(console, screen, f"Message {name}: {_size(message_fits)}")
        layout.put(console, _verdicts(screen, message_fits, console.width))
        console.print()
        _spans(console, screen, message_fits)
        _advice(console, screen, message_fits)
        _depth(console, screen, message_fits)
        in_slot = message_fits[0]["in_slot"]
        if in_slot is not None:
            paragraph(console, screen, slot_ends(in_slot))
            console.print()
        first = message_fits[0]
        shown = f"as sent on {first['flow']}, {first['hop']} hop"
        several = len({fit["bits"] for fit in message_fits}) > 1
        console.print(Text(screen.text(f"Bits to scale{', ' + shown if several else ''}"), "bold"))
        strip.draw(console, screen, _parts(first["bitmap"]), "bit")
        console.print()
        layout.put(console, _bitmap(screen, first["bitmap"], console.width))
        wasted = first["padding_bits"]
        if wasted:
            text = "1 bit only fills" if wasted == 1 else f"{wasted} bits only fill"
            paragraph(console, screen, f"{text} up octets.", indent=2)
        console.print()
        _options(console, screen, first["options"])


def _size(fits: Sequence[dict[str, Any]]) -> str:
    least = min(fit["least_octets"] for fit in fits)
    most = max(fit["octets"] for fit in fits)
    return plural(most, "octet") if least == most else f"{least} to {plural(most, 'octet')}"


def _options(console: Console, screen: Screen, options: Sequence[dict[str, Any]]) -> None:
    """Print what the message takes with each option of its unions, a table for each tag."""
    for tag, group in groupby(options, key=lambda option: option["tag"]):
        rows: list[list[Cell]] = [
            [screen.text(option["option"]), _octets(option["least_octets"], option["octets"])]
            for option in group
        ]
        layout.put(console, layout.table((screen.text(tag), "octets in all"), rows, console.width))
        console.print()


def _octets(least: int, most: int) -> str:
    return f"{least}" if least == most else f"{least} to {most}"


def _verdicts(screen: Screen, fits: Sequence[dict[str, Any]], width: int) -> Iterator[Line]:
    titles = ["flow", "hop", "verdict", "octets", "room", "frames", "in one frame"]
    rows: list[list[Cell]] = [
        [
            screen.text(fit["flow"]),
            screen.text(fit["hop"]),
            [verdict(fit)],
            str(fit["octets"]),
            str(fit["room"]),
            _frames(fit),
            screen.text(_batch(fit)),
        ]
        for fit in fits
    ]
    rows = layout.first_together(rows)
    if not any(row[-1] for row in rows):  # nothing is collected
        titles, rows = titles[:-1], [row[:-1] for row in rows]
    return layout.table(titles, rows, width, right=(3, 4, 5))


def _frames(fit: dict[str, Any]) -> str:
    """Return how many frames a message takes, and how many it may take where that is not one for one."""
    if fit["frames"] is None:
        return "-"
    allowed = fit["most_frames"]
    return "1" if fit["frames"] == allowed == 1 else f"{fit['frames']}, allowed {allowed}"


def verdict(fit: dict[str, Any]) -> Run:
    """Return whether the message fits, in words that need no colour, and its style."""
    if fit["fits"]:
        return f"fits, {fit['spare']} spare" if fit["spare"] >= 0 else "fits, in fragments", "green"
    if fit["unmade"]:
        return "CANNOT BE MADE at its rhythm", "bold red"
    if fit["frames"] is None:
        return "DOES NOT FIT: larger than any datagram", "bold red"
    if fit["most_frames"] == 1:
        return f"DOES NOT FIT: {-fit['spare']} too many", "bold red"
    return "DOES NOT FIT: too many frames", "bold red"


def over_mtu(one: dict[str, Any]) -> str:
    """Return in words what helps a message whose datagram would be longer than the MTU: no number of frames does."""
    return (
        f"its datagram would have {plural(one['datagram'], 'octet')}, the MTU is {one['mtu']}, however many frames it "
        "takes. Make the message smaller, or send it in blocks; or raise network.mtu, where every link on the way "
        "carries such datagrams."
    )


def slot_ends(in_slot: int) -> str:
    """Return in words that slots, and not the PHY, end frames."""
    return (
        f"A slot has time for frames of {plural(in_slot, 'octet')} at most (access.slots); the PHY's are longer. More "
        "goes in a template with a longer slot."
    )


def _batch(fit: dict[str, Any]) -> str:
    """Return how many readings go together; nothing of whole messages, which no receiver reads in a row."""
    if fit["batch_of"] == "whole message":
        return ""
    if not fit["batch"]:
        return "not one reading"
    text = f"{fit['batch']} of {fit['batch_of']}"
    return f"{text}, the first waits {span_of_time(fit['wait_s'])}" if fit["wait_s"] else text


def _spans(console: Console, screen: Screen, fits: Sequence[dict[str, Any]]) -> None:
    """Say on which flows the readings' own times, and not the room, end what waits for each other."""
    for flow, group in groupby(fits, key=lambda fit: fit["flow"]):
        fit = min(group, key=lambda fit: fit["batch"])
        field = time_that_ends(fit["batch_ends"])
        if not field:
            continue
        each = (
            f"of {fit['batch_of']}, one each {span_of_time(fit['sends_every_s'] / fit['readings'])}"
        )
        if not fit["unmade"]:
            text = f"{field} spans {fit['batch']} {each}, and no more, whatever room there is"
        else:
            least = f"{fit['readings']} {each}, are the fewest of a message"
            text = f"{least}, and {field} does not span them: none can be made"
        cure = "A greater max spans more, with a coarser step in no more bits."
        paragraph(console, screen, f"On {flow}, {text}. {cure}")
        console.print()


def _advice(console: Console, screen: Screen, fits: Sequence[dict[str, Any]]) -> None:
    told: set[str] = set()  # flows whose datagrams would be too long, on every hop
    for fit in fits:
        if fit["spare"] >= 0:
            continue
        missing = plural(-fit["spare"], "octet")
        where = (
            f"On {fit['flow']}, {fit['hop']} hop, {missing} more of room would make it one frame. "
        )
        if not fit["advice"]:
            if fit["fits"]:
                continue
            text = "No change that keeps the protection gives that much: make the message smaller or allow more frames."
            if fit["frames"] is None:
                if fit["flow"] in told:
                    continue
                told.add(fit["flow"])
                where, text = f"On {fit['flow']} ", over_mtu(fit)
            paragraph(console, screen, where + text)
            console.print()
            continue
        console.print(Text(screen.text(where + "Together these give it:"), "bold"))
        room = fit["room"]
        for change in fit["advice"]:
            layout.put(console, change_lines(screen, [change], room, console.width))
            room += change["gain"]
        console.print()


def _depth(console: Console, screen: Screen, fits: Sequence[dict[str, Any]]) -> None:
    """Say how deep a source route reaches while one frame is still enough; the least of all hops counts."""
    for flow, group in groupby(fits, key=lambda fit: fit["flow"]):
        depths = [fit["deepest"] for fit in group if fit["deepest"] is not None]
        if not depths:
            continue
        least = min(depths)
        routers = plural(least, "router")
        reach = (
            f"One frame is enough for source routes over up to {routers}"
            if least >= 0
            else "No source route fits"
        )
        paragraph(console, screen, f"{reach} on {flow}.")
        console.print()


def _parts(bitmap: Sequence[dict[str, Any]]) -> list[Part]:
    """Return the fields of a message as parts of a bar: one a field, what only fills up octets apart."""
    parts: list[Part] = []
    for entry in bitmap:
        name = entry["name"].split(".")[0].split("[")[0] or entry["kind"]
        for kind, size in _split(entry, name):
            if parts and parts[-1].kind == kind:
                parts[-1] = Part(kind, parts[-1].label, parts[-1].size + size)
            elif size:
                words = _PADDING if kind == Nature.PADDING else name
                parts.append(Part(kind, words, size))
    return parts


def _split(entry: dict[str, Any], name: str) -> Iterator[tuple[Any, int]]:
    """Yield what stands before the bits that only fill up octets, these, and the rest; of elements all together."""
    spare = entry["padding"]
    before = entry["padding_at"] - entry["offset"] if spare else 0
    if entry["elements"] > 1 and before:
        before = entry["bits"] - spare
    yield name, before
    yield Nature.PADDING, spare
    yield name, entry["bits"] - spare - before


def _bitmap(screen: Screen, bitmap: Sequence[dict[str, Any]], width: int) -> Iterator[Line]:
    rows: list[list[Cell]] = []
    for entry in bitmap:
        last = entry["offset"] + entry["bits"] - 1
        place = f"{entry['offset']}" if entry["bits"] == 1 else f"{entry['offset']}-{last}"
        name: Run = (screen.text(entry["name"] or entry["kind"]), "bold")
        rows.append([place, str(entry["bits"]), [name], screen.text(_contents(entry))])
    return layout.table(("bits", "size", "field", "what"), rows, width, right=(1,))


def _is_number(text: str) -> bool:
    return not text.strip("-+.0123456789/e")


def _contents(entry: dict[str, Any]) -> str:
    """Return what a run of bits holds: kind, range, step and unit, note."""
    unit = f" {entry['unit']}" if entry["unit"] else ""
    text = str(entry["kind"])
    if entry["range"]:
        text += f": {entry['range']}{unit}"
    if entry["step"]:
        text += f", step {entry['step']}" if _is_number(entry["step"]) else f", {entry['step']}"
    if entry["elements"] > 1:
        text += f"; {entry['elements']} elements"
    if entry["note"]:
        text += f"; {entry['note']}"
    if entry["padding"] and entry["kind"] != _PADDING:
        first, last = entry["padding_at"], entry["padding_at"] + entry["padding"] - 1
        where = f"bit {first}" if first == last else f"bits {first}-{last}"
        some = where if entry["elements"] == 1 else f"{entry['padding']} of the bits"
        text += f"; {some} only {'fills' if first == last else 'fill'} up octets"
    return text
