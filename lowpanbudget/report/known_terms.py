"""Every term that can be explained: its name, other names for it, and how its explanation is made.

Words of this program and of the trade, keys of files, headers and their fields, columns, findings: each is found where
it is used or declared.
"""

import re
from collections.abc import Callable, Iterable, Iterator
from functools import cache, lru_cache, partial
from typing import Any, NamedTuple

from lowpanbudget.fields import Choice, Gloss, Header
from lowpanbudget.findings.manual import Manual, every_manual
from lowpanbudget.layers import catalogue
from lowpanbudget.report import design_keys, header_terms
from lowpanbudget.report.columns import COLUMNS, explained_column
from lowpanbudget.report.glossary import WORDS

COLUMN = "column"  # the kind of terms that stand behind all others of their name
_ABBREVIATION = re.compile(r"\(([^)]*)\)")
_OF_ORDERS = ("message.byte_order", "message.bit_order")
_OF_PHYS = ("link.phy", "link.data_rate")  # the keys whose words stand for rows of a table


class Term(NamedTuple):
    """A name that can be explained, and how its explanation is made; ``path`` of a key, which its last part names."""

    name: str
    kind: str
    make: Callable[[], dict[str, Any]]
    path: bool = False
    also: tuple[str, ...] = ()


@cache
def words() -> dict[str, Gloss]:
    """Return every word: of this program, then of the trade."""
    own = {word: said if isinstance(said, Gloss) else Gloss(said) for word, said in WORDS.items()}
    return own | catalogue.words()


@cache
def all_terms() -> tuple[tuple[Term, ...], ...]:
    """Return every term in the order in which a name is looked for: what more people mean by it goes first.

    Words and tables, keys of files, headers and their fields, columns, findings.
    """
    groups = (_words_and_tables(), _keys_of_files(), _header_tables(), _columns(), _findings())
    return tuple(map(tuple, groups))


@cache
def by_form() -> tuple[dict[str, list[Term]], ...]:
    """Return each group of ``all_terms`` by all forms of the names in it, what people call headers included."""
    groups = tuple(map(_indexed, all_terms()))
    for alias, name in catalogue.ALIASES.items():
        for group in groups[1:]:  # tables and fields: a word says itself what it is also called
            if form_of(name) in group:
                group[form_of(alias)] = group[form_of(name)]
    return groups


def _indexed(terms: Iterable[Term]) -> dict[str, list[Term]]:
    found: dict[str, list[Term]] = {}
    for term in terms:
        for form in forms_of(term):
            found.setdefault(form, []).append(term)
    return found


@lru_cache(maxsize=8192)  # every name is compared for each term that is asked for
def form_of(text: str) -> str:
    """Return a name as it is compared: small letters, numbers and spaces."""
    # a keyboard has one of two letters for micro
    return " ".join(
        re.findall(r"[a-z0-9µ±]+", text.lower().replace("\N{GREEK SMALL LETTER MU}", "µ"))
    )


def forms_of(term: Term) -> frozenset[str]:
    """Return the forms of a name that count as the same: whole, without its abbreviation, the abbreviation alone.

    Of a path also its last part.
    """
    forms = [term.name, *term.also]
    if term.path:
        head, _, last = term.name.rpartition(".")
        # the key of all kinds of fields has a path of its own
        forms += [] if head in design_keys.kind_names() else [last]
        return frozenset(map(form_of, forms))
    bare = bare_name(term.name)
    if bare != term.name:
        forms.append(bare)
        for inside in _ABBREVIATION.findall(term.name):
            forms += [inside, *(part for part in inside.split() if len(part) > 1)]
    return frozenset(map(form_of, forms)) - {""}


def bare_name(name: str) -> str:
    """Return a name without its abbreviation."""
    return _ABBREVIATION.sub("", name).strip()


def _words_and_tables() -> Iterator[Term]:
    """Yield the terms of words, of what stands in design and key files, and of the lists of all terms."""
    for word, gloss in words().items():
        yield Term(word, "word", partial(_word, word, gloss), also=gloss.also)
    for kind in design_keys.kinds():
        yield Term(
            kind["name"], "kind of field", partial(design_keys.explained, kind, "kind of field")
        )
    yield Term("field", "kinds of fields", design_keys.all_kinds)
    for of, tables in (("design", design_keys.tables()), ("key", design_keys.key_files())):
        for keys in tables:
            explain = partial(design_keys.explained, keys, f"{of} table")
            yield Term(keys["name"], f"{of} table", explain)
    yield Term("words", "list", _words_listed)
    yield Term("headers", "list", _headers_listed)
    yield Term("findings", "list", _findings_listed)


def _keys_of_files() -> Iterator[Term]:
    """Yield the terms of all keys of design and key files, by their paths."""
    for entry in design_keys.every_key():
        yield Term(entry["path"], "key", partial(_design_key, entry), path=True)


def _header_tables() -> Iterator[Term]:
    """Yield the terms of all header tables and their fields."""
    for entry in catalogue.entries():
        yield Term(entry.name, "table", partial(header_terms.table, entry))
        if isinstance(entry.table, Header):
            for part in entry.table.fields:
                name = part.label if isinstance(part, Choice) else part.name
                yield Term(name, "field", partial(header_terms.field, entry, part))


def _columns() -> Iterator[Term]:
    """Yield the terms of the columns that commands show."""
    for command, columns in COLUMNS.items():
        for name, text in columns.items():
            yield Term(name, COLUMN, partial(explained_column, name, command, text))


def _findings() -> Iterator[Term]:
    """Yield the terms of all findings, from their pages in the manual."""
    for manual in every_manual():
        yield Term(manual.name, "finding", partial(_finding, manual))


def tables_by_subject() -> dict[str, list[str]]:
    """Return the names of header tables under what they are about."""
    tables: dict[str, list[str]] = {}
    for entry in catalogue.entries():
        names = tables.setdefault(entry.title, [])
        if entry.name not in names:
            names.append(entry.name)
    return tables


def _word(word: str, gloss: Gloss) -> dict[str, Any]:
    found: dict[str, Any] = {"term": word, "kind": "word", "text": gloss.text}
    if gloss.also:
        found["also"] = list(gloss.also)
    if gloss.cite is not None:
        found |= {"cite": str(gloss.cite), "link": gloss.cite.link}
    return found | ({"see": list(gloss.see)} if gloss.see else {})


def _design_key(entry: dict[str, Any]) -> dict[str, Any]:
    rows = entry["keys"]
    text = f"A key of {entry['inside']}."
    found = {"term": entry["path"], "kind": "key", "text": text, "keys": rows}
    if entry["path"] in _OF_PHYS:
        found["rows"] = design_keys.phys()
    if entry["path"] in _OF_ORDERS:
        found["sections"] = [{"name": "On the wire", "text": design_keys.ODD_BITS}]
        found["rows"] = design_keys.orders()
    return found


def _words_listed() -> dict[str, Any]:
    rows = [
        {"ask for": ", ".join([word, *gloss.also]), "says": re.split(r"(?<=\.) ", gloss.text)[0]}
        for word, gloss in words().items()
    ]
    text = "Words of this program, then of the trade; each is told further where it is asked for."
    return {"term": "words", "kind": "list", "text": text, "rows": rows}


def _headers_listed() -> dict[str, Any]:
    rows = [
        {"ask for": ", ".join(names), "about": about}
        for about, names in tables_by_subject().items()
    ]
    text = "Headers and tables; their fields can be asked for by name too."
    return {"term": "headers", "kind": "list", "text": text, "rows": rows}


def _findings_listed() -> dict[str, Any]:
    rows = [{"ask for": manual.name, "says": manual.title} for manual in every_manual()]
    text = "Findings, of captures and designs."
    return {"term": "findings", "kind": "list", "text": text, "rows": rows}


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
