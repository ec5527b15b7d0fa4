"""What can be explained, by its name: words of this program, tables of a design file, headers and their fields."""

import difflib
import re
from collections.abc import Callable, Iterator
from functools import cache, partial
from typing import Any, NamedTuple

from lowpanbudget.errors import RequestError
from lowpanbudget.fields import Bits, Choice, Header, Listing, Patterns, Row
from lowpanbudget.findings.manual import Manual, every_manual
from lowpanbudget.layers import catalogue
from lowpanbudget.layers.catalogue import TableEntry
from lowpanbudget.report import design_keys
from lowpanbudget.report.glossary import WORDS
from lowpanbudget.report.screen import Screen
from lowpanbudget.values import dataclass, field, frozen

_MOST_SHOWN = 6  # of things that share a name or a word; more are only named
_MOST_GROUPS = 40
_WIDEST_LISTED = 8
_ABBREVIATION = re.compile(r"\(([^)]*)\)")


class Term(NamedTuple):
    """A name that can be explained, and how its explanation is made."""

    name: str
    kind: str
    make: Callable[[], dict[str, Any]]


@dataclass(frozen=True, slots=True)
class Explanation:
    """What one term is: its name, its kind ("word", "header", "field", "finding" ...) and a text, where it has one.

    ``data`` is all that is told, read-only and as ``lowpanbudget explain --json`` has it: bits and rows of a header,
    keys of a table of design files, sections of a finding's manual, cites. ``str`` gives what the terminal shows.
    """

    term: str
    kind: str
    text: str
    data: dict[str, Any] = field(repr=False)

    def __str__(self) -> str:
        """Return the explanation in words and tables, 80 columns wide."""
        from lowpanbudget.report import term_text  # noqa: PLC0415  # heavy: it draws

        return Screen().draw(lambda console: term_text.explanation(console, Screen(), self.data))


def explain(term: str) -> tuple[Explanation, ...]:
    """Return the explanations of a term: a word, a table of design files, a header, one of its fields, or a finding.

    Several where it names several things: the exact name is looked for first, then names with the same words;
    ``terms()`` lists them. Raises ``RequestError`` with the nearest names.
    """
    if not isinstance(term, str) or not term.strip():
        raise RequestError(f"{term!r} is no term", hint="terms() lists them all")
    return tuple(
        Explanation(found["term"], found["kind"], found.get("text", ""), frozen(found))
        for found in _found(term.strip())
    )


def _found(text: str) -> list[dict[str, Any]]:
    """Return the explanations as plain data."""
    wanted = _key(text)
    everything = all_terms()
    alias = catalogue.ALIASES.get(" ".join(text.lower().split()))
    key = _key(alias) if alias else wanted
    exact = [term for term in everything if key in _keys(term.name)]
    if exact:
        return _explanations(exact)
    named = list(_findings())
    exact = [term for term in named if wanted == _key(term.name)]
    if exact:
        return _explanations(exact)
    words = set(wanted.split())
    close = [term for term in everything if words and words <= set(_key(term.name).split())]
    if 0 < len(close) <= _MOST_SHOWN:
        return _explanations(close)
    if close:
        names = ", ".join(dict.fromkeys(term.name for term in close))
        raise RequestError(f"{text!r} is part of {len(close)} terms", hint=f"Which one: {names}?")
    names_of_all = (*(t.name for t in (*everything, *named)), *catalogue.ALIASES)
    by_key = {_key(name): name for name in names_of_all}
    near = [by_key[key] for key in difflib.get_close_matches(wanted, by_key, 3, 0.6)]
    hint = f"Did you mean {' or '.join(near)}?" if near else "All terms: lowpanbudget explain"
    raise RequestError(f"there is no term {text!r}", hint=hint)


def _explanations(matches: list[Term]) -> list[dict[str, Any]]:
    """Return the explanations of these terms; those that are equal stand there once."""
    explanations = []
    for term in matches:
        explained = term.make()
        if explained not in explanations:
            explanations.append(explained)
    return explanations


@cache
def all_terms() -> tuple[Term, ...]:
    """Return every term: words, what stands in a design file, tables, fields."""
    return tuple(_terms())


def _terms() -> Iterator[Term]:
    for word, text in WORDS.items():
        yield Term(word, "word", lambda word=word, text=text: _word(word, text))  # type: ignore[misc]
    for kind in design_keys.kinds():
        yield Term(
            kind["name"], "kind of field", partial(design_keys.explained, kind, "kind of field")
        )
    yield Term("field", "kinds of fields", design_keys.all_kinds)
    for keys in design_keys.tables():
        yield Term(
            keys["name"], "design table", partial(design_keys.explained, keys, "design table")
        )
    for entry in catalogue.entries():
        yield Term(entry.name, "table", lambda entry=entry: table(entry))  # type: ignore[misc]
        if isinstance(entry.table, Header):
            for part in entry.table.fields:
                name = part.label if isinstance(part, Choice) else part.name
                yield Term(name, "field", lambda e=entry, p=part: _field(e, p))  # type: ignore[misc]


def _findings() -> Iterator[Term]:
    """Yield the terms of all findings, from their pages in the manual."""
    for manual in every_manual():
        yield Term(manual.name, "finding", partial(_finding, manual))


def terms() -> dict[str, Any]:
    """Return the names of all words and findings and, under what they are about, of all tables, read-only.

    Fields of headers can be explained as well, and are not listed. It never raises.
    """
    tables: dict[str, list[str]] = {}
    for entry in catalogue.entries():
        names = tables.setdefault(entry.title, [])
        if entry.name not in names:
            names.append(entry.name)
    listed = {
        "words": list(WORDS),
        "design": [keys["name"] for keys in design_keys.tables()],
        "kinds": [kind["name"] for kind in design_keys.kinds()],
        "tables": [{"about": about, "names": names} for about, names in tables.items()],
        "findings": [manual.name for manual in every_manual()],
    }
    found: dict[str, Any] = frozen(listed)
    return found


def _key(text: str) -> str:
    return " ".join(re.findall(r"[a-z0-9]+", text.lower()))


@cache
def _keys(name: str) -> frozenset[str]:
    """Return the forms of a name that count as the same: whole, without its abbreviation, the abbreviation alone."""
    forms = [name]
    bare = _ABBREVIATION.sub("", name)
    if bare != name:
        forms.append(bare)
        for inside in _ABBREVIATION.findall(name):
            forms += [inside, *(part for part in inside.split() if len(part) > 1)]
    return frozenset(map(_key, forms))


def _word(word: str, text: str) -> dict[str, Any]:
    return {"term": word, "kind": "word", "text": text}


def _finding(manual: Manual) -> dict[str, Any]:
    return {
        "term": manual.name,
        "kind": "finding",
        "text": manual.title,
        "severity": manual.severity.word,
        "certainty": manual.certainty.value,
        "cite": str(manual.cite),
        "link": manual.cite.link,
        "sections": [{"name": name, "text": text} for name, text in manual.sections.items()],
    }


def table(entry: TableEntry) -> dict[str, Any]:
    """Return a header table as plain data."""
    shared = sum(other.name == entry.name for other in catalogue.entries()) > 1
    base: dict[str, Any] = {
        "term": f"{entry.name} ({entry.form})" if shared else entry.name,
        "text": entry.title,
    }
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
        "meaning": part.meaning if isinstance(part.meaning, str) else "",
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


def _field(entry: TableEntry, part: Bits | Choice) -> dict[str, Any]:
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
