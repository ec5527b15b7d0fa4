"""Header tables and their fields as explanations: plain data made of the tables that read and write them."""

from collections.abc import Iterator
from typing import Any

from lowpanbudget.fields import Bits, Choice, Header, Listing, Patterns, Row
from lowpanbudget.layers.catalogue import TableEntry, sentences

_MOST_GROUPS = 40
_WIDEST_LISTED = 8


def table(entry: TableEntry) -> dict[str, Any]:
    """Return a header table as plain data."""
    base: dict[str, Any] = {"term": entry.term, "text": entry.text}
    layout = entry.table
    if isinstance(layout, Header):
        return base | {
            "kind": "header",
            "cite": str(layout.cite),
            "link": layout.cite.link,
            "octets": layout.octets,
            "bit_order": "least significant first" if layout.order == "little" else "most significant first",
            "fields": list(_places(layout)),
            "choices": [_choice(choice) for choice in layout.choices],
        }  # fmt: skip
    if isinstance(layout, Patterns):
        rows = [
            {"code": row.bits, "meaning": row.name, "cite": str(row.cite)}
            for row in layout.patterns
        ]
        cite = {"kind": "first octet", "cite": str(layout.cite), "link": layout.cite.link}
        return base | cite | {"rows": rows}
    if isinstance(layout, Choice):
        return base | {"kind": "field", **_choice(layout)}
    return base | _listing(layout)


def _listing(listing: Listing) -> dict[str, Any]:
    rows = [dict(zip(listing.columns, row, strict=True)) for row in listing.rows]
    return {"kind": "listing", "cite": str(listing.cite), "link": listing.cite.link, "rows": rows}


def _places(header: Header) -> Iterator[dict[str, Any]]:
    at = 0
    for part in header.fields:
        yield {"first_bit": at, **_part(header, part)}
        at += part.width


def _part(header: Header, part: Bits | Choice) -> dict[str, Any]:
    if isinstance(part, Choice):
        return {
            "name": part.label, "bits": part.width, "meaning": f"{len(part.rows)} rows, below",
            "fixed": None, "values": [], "cite": str(part.cite),
        }  # fmt: skip
    return {
        "name": part.name,
        "bits": part.width,
        "meaning": sentences().get(f"{header.name}.{part.name}")
        or (part.meaning if isinstance(part.meaning, str) else ""),
        "fixed": None if part.fixed is None else f"{part.fixed:0{part.width}b}",
        "values": _values(part),
        "cite": str(part.cite or header.cite),
    }


def _values(part: Bits) -> list[dict[str, str]]:
    """Return what the values of a field mean, equal neighbours together; empty where each has its own text."""
    if isinstance(part.meaning, str) or part.width > _WIDEST_LISTED or part.fixed is not None:
        return []
    groups: list[tuple[int, int, str]] = []
    for value in range(1 << part.width):
        text = _says(part, value)
        if groups and groups[-1][2] == text:
            groups[-1] = (groups[-1][0], value, text)
        else:
            groups.append((value, value, text))
    if len(groups) > _MOST_GROUPS:
        return []
    return [
        {"value": f"{first}" if first == last else f"{first}-{last}", "meaning": text}
        for first, last, text in groups
    ]


def _says(part: Bits, value: int) -> str:
    """Return what a value means; where the words come from a list of the values in use, the others are reserved."""
    try:
        return part.says(value)
    except LookupError:
        return "reserved"


def _choice(choice: Choice) -> dict[str, Any]:
    return {
        "name": choice.label,
        "bits": choice.width,
        "cite": str(choice.cite),
        "link": choice.cite.link,
        "rows": [_row(choice, row) for row in choice.rows],
    }


def _row(choice: Choice, row: Row) -> dict[str, Any]:
    return {
        "code": f"{row.code:0{choice.width}b}",
        "octets": row.inline,
        "meaning": row.needs,
        "reserved": row.restore is None,
        "carries": [{"name": part.name, "bits": part.width} for part in row.parts],
        "cite": str(row.cite),
    }


def field(entry: TableEntry, part: Bits | Choice) -> dict[str, Any]:
    """Return a field of a header as plain data."""
    assert isinstance(entry.table, Header)
    base = {"kind": "field", "inside": entry.name}
    if isinstance(part, Choice):
        return base | {"term": part.label, "text": "", **_choice(part)}
    place = _part(entry.table, part)
    text = place["meaning"] or (f"always {place['fixed']}" if place["fixed"] is not None else "")
    return base | {
        "term": part.name, "text": text, "bits": part.width, "cite": place["cite"],
        "values": place["values"],
    }  # fmt: skip
