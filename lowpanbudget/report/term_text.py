"""Explanations for people: a word in prose, a header drawn to scale with its fields and the rows of its choices."""

from collections.abc import Iterable, Sequence
from textwrap import wrap
from typing import Any

from rich.console import Console
from rich.text import Text

from lowpanbudget.errors import plural
from lowpanbudget.report import layout, strip
from lowpanbudget.report.layout import Cell
from lowpanbudget.report.screen import Screen
from lowpanbudget.report.strip import Part
from lowpanbudget.report.terminal import heading, paragraph

_FIRST = 8  # of many names that are listed where all have a list of their own


def explanation(console: Console, screen: Screen, entry: dict[str, Any]) -> None:
    """Print the explanation of a term, as the data of an ``Explanation`` have it."""
    title = entry["term"]
    if entry.get("inside"):
        title += f", a field of {entry['inside']}"
    heading(console, screen, title)
    if entry.get("text"):
        paragraph(console, screen, entry["text"], indent=2)
    _facts(console, screen, entry)
    console.print()
    for section in entry.get("sections", ()):
        console.print(Text(screen.text(section["name"]), "bold"))
        paragraph(console, screen, section["text"], indent=2)
        console.print()
    if entry["kind"] == "header":
        _header(console, screen, entry)
    elif entry.get("keys"):
        _keys(console, screen, entry)
        if entry.get("rows"):
            _rows(console, screen, entry["rows"])
    elif entry.get("values"):
        _grid(
            console,
            screen,
            ("value", "meaning"),
            ((v["value"], v["meaning"]) for v in entry["values"]),
        )
        console.print()
    elif entry.get("rows"):
        _rows(console, screen, entry["rows"])
    if entry.get("see"):
        paragraph(console, screen, f"See also: {'; '.join(entry['see'])}")
    if entry.get("others"):
        names = "; ".join(f"explain {name}" for name in entry["others"])
        paragraph(console, screen, f"Others of this name: {names}")
    if entry.get("see") or entry.get("others"):
        console.print()


def _keys(console: Console, screen: Screen, entry: dict[str, Any]) -> None:
    """Print the keys of a table of a design file, then the table as it is written."""
    titles, keys = ["key", "takes", "unless stated", "what it is"], entry["keys"]
    rows = [[key["key"], key["takes"], _unless_stated(key), key["meaning"]] for key in keys]
    if any("kind" in key for key in keys):  # one key of several kinds of fields
        titles[0] = "kind"
        rows = [[key["kind"], *row[1:]] for key, row in zip(keys, rows, strict=True)]
    _grid(console, screen, titles, rows)
    console.print()
    if "written" in entry:
        for line in entry["written"].split("\n"):
            for part in _as_toml(screen.text(line), console.width - 2):
                console.print(Text(f"  {part}"), soft_wrap=True)
        console.print()


def _as_toml(line: str, width: int) -> list[str]:
    """Return a line of a design file that is still one where it is too wide: its comment then stands above it."""
    said, mark, comment = line.partition("  # ")
    if len(line) <= width or not mark:
        return [line]
    return [*(f"# {part}" for part in wrap(comment, max(width - 2, 1))), said.rstrip()]


def _unless_stated(key: dict[str, Any]) -> str:
    value = key["default"]
    if key["needed"]:
        return "must be there"
    if isinstance(value, bool):
        return "true" if value else "false"
    return "" if value in (None, "", [], {}) else str(value)


def _facts(console: Console, screen: Screen, entry: dict[str, Any]) -> None:
    facts = [entry[key] for key in ("severity", "certainty") if key in entry]
    if entry.get("also"):
        facts.append(f"also: {', '.join(entry['also'])}")
    if "octets" in entry:
        facts.append(plural(entry["octets"], "octet") + _in_line(entry))
    if "bits" in entry:
        facts.append(plural(entry["bits"], "bit"))
    if entry.get("bit_order"):
        facts.append(f"bits counted {entry['bit_order']}")
    if entry.get("cite"):
        facts.append(entry["cite"])
    if entry.get("link"):
        facts.append(entry["link"])
    if facts:
        paragraph(console, screen, "; ".join(facts), "dim", 2)


def _in_line(entry: dict[str, Any]) -> str:
    """Return how many octets follow a header's word by what its choices select; nothing where there are none."""
    sizes = [[row["octets"] for row in choice["rows"]] for choice in entry.get("choices", ())]
    least, most = sum(map(min, sizes)), sum(map(max, sizes))
    if not most:
        return ""
    between = f"{least} to {most}" if least < most else str(most)
    return f", then {between} in line, as the tables below say"


def _header(console: Console, screen: Screen, entry: dict[str, Any]) -> None:
    fields = entry["fields"]
    strip.draw(console, screen, [Part(f["name"], f["name"], f["bits"]) for f in fields], "bit")
    console.print()
    _grid(console, screen, ("bits", "field", "meaning", "clause"), _field_rows(fields))
    console.print()
    for choice in entry["choices"]:
        size = plural(choice["bits"], "bit")
        console.print(Text(screen.text(f"{choice['name']}, {size}"), "bold"))
        _rows(console, screen, choice["rows"])


def _field_rows(fields: Sequence[dict[str, Any]]) -> Iterable[tuple[str, ...]]:
    for field in fields:
        first, last = field["first_bit"], field["first_bit"] + field["bits"] - 1
        place = f"{first}" if first == last else f"{first}-{last}"
        meaning = field["meaning"]
        if field["fixed"] is not None:
            meaning = f"always {field['fixed']}" + (f": {meaning}" if meaning else "")
        lines = [f"{value['value']}: {value['meaning']}" for value in field["values"]]
        if meaning or not lines:
            lines.insert(0, meaning)
        yield place, field["name"], lines[0], field["cite"]
        for line in lines[1:]:
            yield "", "", line, ""


def _rows(console: Console, screen: Screen, rows: Sequence[dict[str, Any]]) -> None:
    if "octets" in rows[0] and "code" in rows[0]:
        _grid(
            console, screen, ("code", "octets", "used when", "clause"),
            ((r["code"], str(r["octets"]), r["meaning"] + _carries(r), r["cite"]) for r in rows),
        )  # fmt: skip
    else:
        columns = tuple(rows[0])
        titles = ["clause" if name == "cite" else name for name in columns]
        _grid(console, screen, titles, (tuple(str(row[name]) for name in columns) for row in rows))
    console.print()


def _carries(row: dict[str, Any]) -> str:
    if not row["carries"]:
        return ""
    parts = ", ".join(f"{part['name']} {plural(part['bits'], 'bit')}" for part in row["carries"])
    return f" (carries {parts})"


def _grid(
    console: Console, screen: Screen, titles: Sequence[str], rows: Iterable[Sequence[str]]
) -> None:
    """Print a table whose first column stands out."""
    cells: list[list[Cell]] = [
        [[(screen.text(first), "bold")], *(screen.text(cell) for cell in rest)]
        for first, *rest in rows
    ]
    layout.put(console, layout.table([screen.text(t) for t in titles], cells, console.width))


def contents(console: Console, screen: Screen, listing: dict[str, Any]) -> None:
    """Print what can be asked for, on one screen: short lists as they are, of long ones the beginning."""
    heading(console, screen, "lowpanbudget explain TERM")
    headers = list(dict.fromkeys(n for group in listing["tables"] for n in group["names"]))
    groups = (
        (
            "words",
            _first(listing["words"]),
            "; all: explain words; of screens: explain carry, explain used",
        ),
        ("designs", listing["design"], "; each key by its path: explain link.addresses"),
        ("keys", listing["key_files"], " in a key file"),
        ("fields", listing["kinds"], "; all: explain field"),
        ("headers", _first(headers), "; all: explain headers"),
        ("findings", _first(listing["findings"]), "; all: explain findings"),
        (
            "clauses",
            [f"of {len(listing['documents'])} standards"],
            "; what rests on one: explain rfc6282 3.1.1",
        ),
    )
    first = max(len(name) for name, *_ in groups)
    widths = (first, max(console.width - first - 4, 1))
    for name, names, more in groups:
        cells = [[(name, "bold")], [(screen.text(", ".join(names) + more), "")]]
        layout.put(console, layout.beside(cells, widths, gap=2, indent=2))


def _first(names: Sequence[str]) -> list[str]:
    """Return the first of many names, and how many there are more."""
    return [*names[:_FIRST], f"{len(names) - _FIRST} more"]
