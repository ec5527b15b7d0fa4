"""What can be explained by its name: words, keys of files, headers and their fields, findings, clauses of standards."""

import difflib
import re
from collections.abc import Iterable, Iterator
from functools import partial
from itertools import chain
from typing import Any

from lowpanbudget.cites import named_in
from lowpanbudget.errors import RequestError, repeated
from lowpanbudget.findings.manual import every_manual
from lowpanbudget.layers import catalogue
from lowpanbudget.payload.kinds.keys import CALLED
from lowpanbudget.payload.registry import all_kinds
from lowpanbudget.report import clauses, design_keys
from lowpanbudget.report.columns import COLUMNS
from lowpanbudget.report.known_terms import (
    COLUMN,
    Term,
    all_terms,
    bare_name,
    by_form,
    form_of,
    forms_of,
    tables_by_subject,
    words,
)
from lowpanbudget.report.screen import Screen
from lowpanbudget.values import dataclass, field, frozen

_MOST_SHOWN = 6  # of things that share a name or a word; more are only named
_MOST_NEAR, _ALIKE, _FAR = 3, 0.75, 0.4  # names that a hint has, and how alike they are
_SHORT, _LEAST = 5, 3  # letters of a word in which one wrong letter makes another word
_SECTION = re.compile(r"(?:§|section|clause)\s*(\d[\d.]*)")
_HEADER = "header "  # before a name that a word or a key of design files has as well
_WORDS, _KEYS, _HEADERS, _COLUMNS, _FINDINGS = range(5)  # the groups of all_terms


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
    """Return the explanations of a term: a word, a table or key of design files, a header or its field, a finding.

    A clause of a standard ("RFC 6282 section 3.1.1", "802.15.4 7.2") is explained by what rests on it here. Several
    where it names several things: the exact name is looked for first, then names with the same words; ``terms()`` lists
    them. Raises ``RequestError`` with the nearest names.
    """
    if not isinstance(term, str) or not term.strip():
        raise RequestError(f"{repeated(term)} is no term", hint="terms() lists them all")
    return tuple(
        Explanation(found["term"], found["kind"], found.get("text", ""), frozen(found))
        for found in _found(term.strip())
    )


def _found(text: str) -> list[dict[str, Any]]:
    """Return the explanations as plain data.

    The exact name comes first, then names with the same words. Words and what stands in design files go before headers
    and their fields of the same name, which are named beside it. Raises ``RequestError`` with the nearest names.
    """
    clause = named_in(text)
    if clause is not None:
        return [clauses.explained(clause)]
    wanted = form_of(text)
    path = [term for term in all_terms()[_KEYS] if term.name == text] if "." in text else []
    if path:
        return _with_others(_explanations(path), _longer_paths(text))
    groups = by_form()
    exact = [group.get(wanted, []) for group in groups]
    if any(exact):
        return _preferred(exact, wanted)
    for kind, group in ((_HEADER, _HEADERS), (f"{COLUMN} ", _COLUMNS)):
        named = groups[group].get(form_of(text.lower().removeprefix(kind)))
        if named and text.lower().startswith(kind):
            return _explanations(named)
    close = _with_words(wanted, (*all_terms()[_WORDS], *all_terms()[_HEADERS]))
    if 0 < len(close) <= _MOST_SHOWN:
        return _explanations(close)
    if close:
        # several tables and fields have one name
        names = dict.fromkeys(term.name for term in close)
        raise RequestError(
            f"{text!r} is part of {len(names)} terms", hint=f"Which one: {', '.join(names)}?"
        )
    if section := _SECTION.fullmatch(text.lower()):
        raise RequestError(f"{text!r} names no standard", hint=clauses.with_section(section[1]))
    raise RequestError(f"there is no term {text!r}", hint=_in_messages(wanted) + _nearest(wanted))


def _with_words(wanted: str, terms: Iterable[Term]) -> list[Term]:
    """Return the terms whose names hold all these words."""
    asked = set(wanted.split())
    return [term for term in terms if asked and asked <= set(form_of(term.name).split())]


def _nearest(wanted: str) -> str:
    """Return a hint with the nearest names: those spelled nearly so, else those that share words, else any."""
    forms = {form_of(alias): alias for alias in catalogue.ALIASES}
    # words and headers first, then paths of keys: the first of a form is named
    for group in (_WORDS, _HEADERS, _KEYS, _FINDINGS, _COLUMNS):
        for term in all_terms()[group]:
            forms |= {form_of(alias): alias for alias in term.also if form_of(alias) not in forms}
            for form in forms_of(term):
                forms.setdefault(form, term.name)
    forms |= {form_of(document): document for document in clauses.documents()}
    is_short = len(wanted) <= _SHORT
    close = partial(difflib.get_close_matches, wanted, forms)
    slips = [form for form in forms if is_short and _is_a_slip(wanted, form)]
    # of few letters most are alike by chance
    alike = slips[:_MOST_NEAR] if is_short else close(_MOST_NEAR, _ALIKE)
    if alike:
        return f"Did you mean {' or '.join(dict.fromkeys(forms[form] for form in alike))}?"
    asked = {word for word in wanted.split() if len(word) > 2}
    sharing = sorted(
        (form for form in forms if asked & set(form.split())),
        key=lambda form: (-len(asked & set(form.split())), len(form), form),
    )
    if is_short:
        begun = (one for one in forms if wanted and one.startswith(wanted))
        sharing = sharing or sorted(begun, key=len)
    elif not sharing:
        sharing = close(_MOST_NEAR, _FAR)
    near = dict.fromkeys(forms[form] for form in sharing[:_MOST_NEAR])
    nearest = f"The nearest are {', '.join(near)}; all of them" if near else "All terms"
    return f"{nearest}: lowpanbudget explain"


def _in_messages(wanted: str) -> str:
    """Return the kinds and keys of fields that people call so, for a hint; nothing where there are none."""
    word = wanted.replace(" ", "_")
    kinds = [name for name, kind in all_kinds().items() if word in kind.called]
    keys = [f"message.field.{name}" for name, called in CALLED.items() if word in called]
    named = [*kinds, *keys][:_MOST_NEAR]
    return f"Of a field in a message that is {' or '.join(named)}. " if named else ""


def _is_a_slip(wanted: str, form: str) -> bool:
    """Return whether a short word is another but for one letter, or two that changed places, and not the first."""
    if wanted[:1] != form[:1] or len(form) < _LEAST or abs(len(wanted) - len(form)) > 1:
        return False
    if len(wanted) == len(form):
        wrong = [at for at in range(len(form)) if wanted[at] != form[at]]
        first, last = wrong[0], wrong[-1]
        return first == last or (last == first + 1 and wanted[first:][:2] == form[first:][:2][::-1])
    short, long = sorted((wanted, form), key=len)
    return any(short == long[:at] + long[at + 1 :] for at in range(len(long)))


def _preferred(exact: list[list[Term]], wanted: str) -> list[dict[str, Any]]:
    """Return the explanations of the first of these groups that has terms; the others are named beside them.

    Beside a word also the few headers that have it in their names.
    """
    first, *others = [group for group in exact if group]
    explanations = _explanations(first)
    beside = [_asked_for(term) for term in chain.from_iterable(others)]
    if first[0].kind == "word":
        named = {term.name for term in chain.from_iterable(exact)}
        parts = [term.name for term in _with_words(wanted, all_terms()[_HEADERS])]
        within = dict.fromkeys(name for name in parts if name not in named)
        beside += within if len(within) <= _MOST_SHOWN else ()
    return _with_others(explanations, beside)


def _with_others(explanations: list[dict[str, Any]], names: Iterable[str]) -> list[dict[str, Any]]:
    """Return explanations of which the last names others of this name, those that it does not point to anyway."""
    beside = [name for name in names if name not in explanations[-1].get("see", ())]
    if beside:
        explanations[-1] = explanations[-1] | {"others": list(dict.fromkeys(beside))}
    return explanations


def _longer_paths(path: str) -> Iterator[str]:
    """Yield the keys of design files whose path ends like this one: a table of a key file may have its name inside."""
    return (term.name for term in all_terms()[_KEYS] if term.name.endswith(f".{path}"))


def _asked_for(term: Term) -> str:
    """Return the words that ask for a term whose bare name means another first."""
    if term.kind == COLUMN:
        return f"{COLUMN} {bare_name(term.name)}"
    return f"{_HEADER}{term.name}" if term.kind in {"table", "field"} else term.name


def _explanations(matches: list[Term]) -> list[dict[str, Any]]:
    """Return the explanations of these terms; those that are equal stand there once."""
    explanations = []
    for term in matches:
        explained = term.make()
        if explained not in explanations:
            explanations.append(explained)
    return explanations


def terms() -> dict[str, Any]:
    """Return the names of words, columns of screens, headers, findings and all else that is explained, read-only.

    ``tables`` has the headers under what they are about. ``documents`` are the standards whose clauses can be asked
    for. Fields of headers and keys of files can be explained as well, and are not listed. It never raises.
    """
    listed = {
        "words": list(words()),
        "columns": list(dict.fromkeys(name for columns in COLUMNS.values() for name in columns)),
        "design": [keys["name"] for keys in design_keys.tables()],
        "key_files": [keys["name"] for keys in design_keys.key_files()],
        "kinds": [kind["name"] for kind in design_keys.kinds()],
        "headers": list(dict.fromkeys(chain.from_iterable(tables_by_subject().values()))),
        "tables": [
            {"about": about, "names": names} for about, names in tables_by_subject().items()
        ],
        "findings": [manual.name for manual in every_manual()],
        "documents": list(clauses.documents()),
    }
    found: dict[str, Any] = frozen(listed)
    return found
