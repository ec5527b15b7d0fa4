"""What can be explained, by its name: words of this program, keys of its files, headers and their fields, findings."""

import difflib
import re
from collections.abc import Callable, Iterable, Iterator
from functools import cache, partial
from typing import Any, NamedTuple

from lowpanbudget.errors import RequestError
from lowpanbudget.fields import Choice, Header
from lowpanbudget.findings.manual import Manual, every_manual
from lowpanbudget.layers import catalogue
from lowpanbudget.report import design_keys, header_terms
from lowpanbudget.report.columns import COLUMNS, explained_column
from lowpanbudget.report.glossary import WORDS
from lowpanbudget.report.screen import Screen
from lowpanbudget.values import dataclass, field, frozen

_MOST_SHOWN = 6  # of things that share a name or a word; more are only named
_ABBREVIATION = re.compile(r"\(([^)]*)\)")
_MOST_NEAR, _ALIKE, _FAR = 3, 0.75, 0.4  # names that a hint has, and how alike they are
_OF_PHYS = ("link.phy", "link.data_rate")  # the keys whose words stand for rows of a table
_COLUMN = "column"  # the kind of terms that stand behind all others of their name
_HEADER = "header "  # before a name that a key of design files has as well


class Term(NamedTuple):
    """A name that can be explained, and how its explanation is made; ``path`` of a key, which its last part names."""

    name: str
    kind: str
    make: Callable[[], dict[str, Any]]
    path: bool = False


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
    """Return the explanations of a term: a word, a table or key of design files, a header or its field, or a finding.

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
    """Return the explanations as plain data.

    The exact name comes first, then names with the same words. What stands in design files goes before headers and
    their fields of the same name, which are named beside it. Raises ``RequestError`` with the nearest names.
    """
    wanted = _key(text)
    own, keys, headers = all_terms()
    by_form = _by_form()
    name = text.strip()
    path = [term for term in keys if term.name == name] if "." in name else []
    if path:
        return _explanations(path)
    alias = catalogue.ALIASES.get(" ".join(text.lower().split()))
    key = _key(alias) if alias else wanted
    exact = [group.get(key, []) for group in (*by_form, _columns_by_form())]
    if any(exact):
        return _preferred(exact)
    column = text.lower().removeprefix(f"{_COLUMN} ")
    if column != text.lower() and (of_screens := _columns_by_form().get(_key(column))):
        return _explanations(of_screens)
    after = _key(text.lower().removeprefix(_HEADER))
    exact_header = by_form[-1].get(after)
    if exact_header:
        return _explanations(exact_header)
    exact_finding = _findings_by_form().get(wanted)
    if exact_finding:
        return _explanations(exact_finding)
    everything = (*own, *headers)
    words = set(wanted.split())
    close = [term for term in everything if words and words <= set(_key(term.name).split())]
    if 0 < len(close) <= _MOST_SHOWN:
        return _explanations(close)
    if close:
        names = ", ".join(dict.fromkeys(term.name for term in close))
        raise RequestError(f"{text!r} is part of {len(close)} terms", hint=f"Which one: {names}?")
    raise RequestError(
        f"there is no term {text!r}",
        hint=_nearest(wanted, (*everything, *keys, *_findings(), *_columns())),
    )


def _nearest(wanted: str, terms: Iterable[Term]) -> str:
    """Return a hint with the nearest names: those spelled nearly so, else those that share words, else any."""
    by_form = {_key(alias): alias for alias in catalogue.ALIASES}
    for term in terms:
        for form in _keys(term.name, path=term.path):
            by_form.setdefault(form, term.name)
    by_form.pop("", None)
    close = partial(difflib.get_close_matches, wanted, by_form)
    alike = close(_MOST_NEAR, _ALIKE)
    if alike:
        return f"Did you mean {' or '.join(dict.fromkeys(by_form[form] for form in alike))}?"
    words = {word for word in wanted.split() if len(word) > 2}
    sharing = sorted(
        (form for form in by_form if words & set(form.split())),
        key=lambda form: (-len(words & set(form.split())), len(form), form),
    )
    near = dict.fromkeys(by_form[form] for form in sharing[:_MOST_NEAR] or close(_MOST_NEAR, _FAR))
    nearest = f"The nearest are {', '.join(near)}; all of them" if near else "All terms"
    return f"{nearest}: lowpanbudget explain"


def _preferred(exact: list[list[Term]]) -> list[dict[str, Any]]:
    """Return the explanations of the first of these groups that has terms; the others are named beside them."""
    first, *others = [group for group in exact if group]
    explanations = _explanations(first)
    beside = [_asked_for(term) for group in others for term in group]
    if beside:
        explanations[-1] = explanations[-1] | {"others": list(dict.fromkeys(beside))}
    return explanations


def _asked_for(term: Term) -> str:
    """Return the words that ask for a term whose bare name means another first."""
    if term.kind == _COLUMN:
        return f"{_COLUMN} {_ABBREVIATION.sub('', term.name).strip()}"
    return term.name if term.path else f"{_HEADER}{term.name}"


def _explanations(matches: list[Term]) -> list[dict[str, Any]]:
    """Return the explanations of these terms; those that are equal stand there once."""
    explanations = []
    for term in matches:
        explained = term.make()
        if explained not in explanations:
            explanations.append(explained)
    return explanations


@cache
def all_terms() -> tuple[tuple[Term, ...], ...]:
    """Return every term but findings: words and tables, keys of files, headers and their fields."""
    return tuple(map(tuple, (_words_and_tables(), _keys_of_files(), _header_tables())))


@cache
def _by_form() -> tuple[dict[str, list[Term]], ...]:
    """Return each group of ``all_terms`` by all forms of the names in it."""
    return tuple(map(_indexed, all_terms()))


@cache
def _findings_by_form() -> dict[str, list[Term]]:
    return _indexed(_findings())


@cache
def _columns_by_form() -> dict[str, list[Term]]:
    return _indexed(_columns())


def _indexed(terms: Iterable[Term]) -> dict[str, list[Term]]:
    found: dict[str, list[Term]] = {}
    for term in terms:
        for form in _keys(term.name, path=term.path):
            found.setdefault(form, []).append(term)
    return found


def _words_and_tables() -> Iterator[Term]:
    """Yield the terms of words, of what stands in design and key files, and of the lists of all terms."""
    for word, text in WORDS.items():
        yield Term(word, "word", partial(_word, word, text))
    for kind in design_keys.kinds():
        yield Term(
            kind["name"], "kind of field", partial(design_keys.explained, kind, "kind of field")
        )
    yield Term("field", "kinds of fields", design_keys.all_kinds)
    for of, tables in (("design", design_keys.tables()), ("key", design_keys.key_files())):
        for keys in tables:
            explain = partial(design_keys.explained, keys, f"{of} table")
            yield Term(keys["name"], f"{of} table", explain)
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
            yield Term(name, _COLUMN, partial(explained_column, name, command, text))


def _findings() -> Iterator[Term]:
    """Yield the terms of all findings, from their pages in the manual."""
    for manual in every_manual():
        yield Term(manual.name, "finding", partial(_finding, manual))


def terms() -> dict[str, Any]:
    """Return the names of words, columns of screens, findings and, under what they are about, of tables, read-only.

    Fields of headers and keys of files can be explained as well, and are not listed. It never raises.
    """
    listed = {
        "words": list(WORDS),
        "columns": list(dict.fromkeys(name for columns in COLUMNS.values() for name in columns)),
        "design": [keys["name"] for keys in design_keys.tables()],
        "key_files": [keys["name"] for keys in design_keys.key_files()],
        "kinds": [kind["name"] for kind in design_keys.kinds()],
        "tables": [{"about": about, "names": names} for about, names in _by_subject().items()],
        "findings": [manual.name for manual in every_manual()],
    }
    found: dict[str, Any] = frozen(listed)
    return found


def _by_subject() -> dict[str, list[str]]:
    tables: dict[str, list[str]] = {}
    for entry in catalogue.entries():
        names = tables.setdefault(entry.title, [])
        if entry.name not in names:
            names.append(entry.name)
    return tables


def _key(text: str) -> str:
    return " ".join(re.findall(r"[a-z0-9µ±]+", text.lower()))


@cache
def _keys(name: str, *, path: bool) -> frozenset[str]:
    """Return the forms of a name that count as the same: whole, without its abbreviation, the abbreviation alone.

    Of a path also its last part.
    """
    forms = [name]
    if path:
        head, _, last = name.rpartition(".")
        # the key of all kinds of fields has a path of its own
        return frozenset(map(_key, forms if head in design_keys.kind_names() else [*forms, last]))
    bare = _ABBREVIATION.sub("", name)
    if bare != name:
        forms.append(bare)
        for inside in _ABBREVIATION.findall(name):
            forms += [inside, *(part for part in inside.split() if len(part) > 1)]
    return frozenset(map(_key, forms))


def _word(word: str, text: str) -> dict[str, Any]:
    return {"term": word, "kind": "word", "text": text}


def _design_key(entry: dict[str, Any]) -> dict[str, Any]:
    rows = entry["keys"]
    text = f"A key of {entry['inside']}."
    found = {"term": entry["path"], "kind": "key", "text": text, "keys": rows}
    if entry["path"] in _OF_PHYS:
        found["rows"] = design_keys.phys()
    return found


def _headers_listed() -> dict[str, Any]:
    rows = [{"ask for": ", ".join(names), "about": about} for about, names in _by_subject().items()]
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
