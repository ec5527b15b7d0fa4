"""What each field of a message costs and gives, for people, and the smaller messages that are possible."""

from collections.abc import Sequence
from typing import Any

from rich.console import Console
from rich.text import Text

from lowpanbudget.errors import plural
from lowpanbudget.report import layout
from lowpanbudget.report.layout import Cell
from lowpanbudget.report.screen import Screen
from lowpanbudget.report.terminal import heading, paragraph


def messages(console: Console, screen: Screen, weighed: Sequence[dict[str, Any]]) -> None:
    """Print the fields of each message, then the smaller messages within its tolerances."""
    for message in weighed:
        heading(
            console,
            screen,
            f"Message {message['message']}: {plural(message['octets'], 'octet')} at most",
        )
        least = "one octet less" if message["layout"] == "octet-aligned" else "one bit less"
        titles = ("field", "bits", "without it", "it gives", least)
        rows = []
        for field in message["fields"]:
            rows.append(_field(screen, field))
            rows += [_part(screen, part) for part in field["parts"]]
        layout.put(console, layout.table(titles, rows, console.width, right=(1,)))
        console.print()
        _smaller(console, screen, message)


def _field(screen: Screen, field: dict[str, Any]) -> list[Cell]:
    saves = field["saves_octets"]
    without = (
        "needed" if saves is None else f"-{plural(saves, 'octet')}" if saves else "no octet less"
    )
    total = field["total_bits"]
    bits = str(field["bits"])
    if total is not None and total != field["bits"]:
        bits += f" ({total})"
    words = field["told"]
    return [
        screen.text(field["path"]),
        bits,
        without,
        screen.text(words["gives"]),
        screen.text(words["less"]),
    ]


def _part(screen: Screen, part: dict[str, Any]) -> list[Cell]:
    """Return the row of what a field has many times, below that of the field."""
    less = part["less"]
    if saved := part["saves_bits"]:
        # with an escape a message may be greater: jumps that were differences are led by one
        bits, octets = plural(abs(saved), "bit"), plural(abs(part["saves_octets"]), "octet")
        word = "less" if saved > 0 else "more"
        less += f"; {bits} {word} in all, {octets} {word}"
    return [
        f"each {part['name']}",
        str(part["bits"]),
        "",
        screen.text(part["gives"]),
        screen.text(less),
    ]


def _smaller(console: Console, screen: Screen, message: dict[str, Any]) -> None:
    wanted, rest, packed = message["wanted"], message["smaller"][1:], message["bit_packed"]
    if wanted is not None and not message["reached"]:
        smallest = message["smaller"][-1]["octets"]
        text = (
            f"No loss within the tolerances of the file reaches {plural(wanted, 'octet')}: the smallest is "
            f"{plural(smallest, 'octet')}."
        )
        if not packed or packed[-1]["octets"] > wanted:
            text += (
                " Widen a tolerance, or state one (`tolerance` of a field: without one its steps stay), leave out a "
                "field, or send it less often."
            )
        paragraph(console, screen, text)
        console.print()
    elif wanted is not None and not rest:
        paragraph(console, screen, f"It has at most {plural(wanted, 'octet')} as it is.")
        console.print()
    _candidates(console, screen, "Smaller within the tolerances, the smallest loss first", rest)
    if packed and (wanted is None or message["octets"] > wanted):
        also = "".join(f", and {_words(change)}," for change in packed[0]["changes"])
        least = f"at most {plural(packed[0]['octets'], 'octet')}, without any loss"
        if packed[0]["octets"] >= message["octets"]:
            least = "as many octets, and fewer with some loss"
        paragraph(
            console, screen,
            f'Here every field takes whole octets. With layout = "bit-packed"{also} it has {least}; receivers need the '
            "new format as well.",
        )  # fmt: skip
        console.print()
        title = "Smaller bit-packed, the smallest loss first"
        _candidates(console, screen, title, packed[1:])


def _candidates(
    console: Console, screen: Screen, title: str, candidates: Sequence[dict[str, Any]]
) -> None:
    """Print smaller messages."""
    if not candidates:
        return
    console.print(Text(screen.text(title), "bold"))
    rows: list[list[Cell]] = []
    for candidate in candidates:
        changes = "; ".join(map(_words, candidate["changes"]))
        loss = float(candidate["loss"])
        share = f"{loss * 100:.0f} % of its tolerance at worst" if loss else "none"
        rows.append([plural(candidate["octets"], "octet"), share, screen.text(changes)])
    layout.put(console, layout.table(("size", "loss", "changes"), rows, console.width))
    console.print()


def _words(change: dict[str, Any]) -> str:
    """Return what becomes of a field, whose steps may stay."""
    parts = []
    if change["step_after"] != change["step_before"]:
        steps = f"steps of {change['step_after']} instead of {change['step_before']}"
        parts += [f"in {steps}", f"error up to {change['error']}"]
    elif change["bits_after"] != change["bits_before"]:
        parts.append(f"in {plural(change['bits_after'], 'bit')} instead of {change['bits_before']}")
    if change["also"]:
        parts.append(f"with {change['also']}")
    return f"{change['path']} {', '.join(parts)}"
