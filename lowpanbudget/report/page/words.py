"""The words of a page, as ``explain`` tells them: those that every page uses, and the short names that stand in it."""

import re
from functools import cache

from lowpanbudget.report import design_keys
from lowpanbudget.report.known_terms import Term, bare_name, by_form, form_of
from lowpanbudget.report.screen import harmless
from lowpanbudget.report.view import Data

_USED = ("octet", "frame", "room", "flow", "message", "hop", "context", "in line", "fragment")
_SHORT_NAME = re.compile(
    r"\b[A-Z]{2,}\b(?!\.\d)"
)  # what a number follows is the name of a standard
_SENTENCE = re.compile(r"(?<=\.) ")


def page_words(texts: str) -> list[Data]:
    """Return the words of a page in whose ``texts`` short names may stand, each with what it is."""
    short: dict[str, tuple[list[str], Term]] = {}
    for name in sorted(set(_SHORT_NAME.findall(texts))):
        term = _term(name)
        if term is not None:
            short.setdefault(term.name, ([], term))[0].append(name)
    used = [(word, term) for word in _USED if (term := _term(word)) is not None]
    return [
        *({"name": word, "says": harmless(term.make()["text"])} for word, term in used),
        *(
            {"name": ", ".join(names), "says": harmless(_short(term))}
            for names, term in short.values()
        ),
    ]


def _term(name: str) -> Term | None:
    """Return what people mean first by a name; None where it is no word and no header."""
    found = (term for group in by_form() for term in group.get(form_of(name), ()))
    return next((one for one in found if one.kind == "word" or _is_header(one, name)), None)


def _is_header(term: Term, name: str) -> bool:
    """Return whether a term is a header whose text says what is meant by its name."""
    return term.kind == "table" and name in term.make()["text"].partition(":")[0]


def _short(term: Term) -> str:
    """Return the full name of a word, and its first sentence."""
    says = _SENTENCE.split(term.make()["text"])[0]
    full = bare_name(term.name)
    return says if full == term.name else f"{full[:1].upper()}{full[1:]}. {says}"


def key_meaning(key: str) -> str:
    """Return what the keys of a setting are; of a whole table what stands in it."""
    names = (name.partition(" ")[0] for name in key.split(", "))
    return " ".join(_meanings().get(name, "") for name in names).strip()


@cache
def _meanings() -> dict[str, str]:
    tables = {one["name"].strip("[]"): one["text"] for one in design_keys.tables()}
    keys = {one["path"]: one["keys"][0]["meaning"] for one in design_keys.every_key()}
    return {name: _SENTENCE.split(says or "")[0] for name, says in (tables | keys).items()}
