"""The words of a page, as ``explain`` tells them: those that every page uses, and the short names that stand in it."""

import re
from collections.abc import Iterable
from functools import cache

from lowpanbudget.report import design_keys
from lowpanbudget.report.known_terms import Term, bare_name, by_form, form_of
from lowpanbudget.report.screen import harmless
from lowpanbudget.report.view import Data

_USED = (
    "octet", "frame", "datagram", "room", "flow", "message", "hop", "context", "in line", "fragment",
)  # fmt: skip
# two capital letters at least; what a number follows behind a point is the name of a standard
_SHORT_NAME = re.compile(r"\b(?=\w*[A-Z]\w*[A-Z])\w+(?:-\d+)?\b(?!\.\d)")
_SENTENCE = re.compile(r"(?<=\.) ")


def page_words(texts: str, labels: Iterable[str] = ()) -> list[Data]:
    """Return the words of a page in whose ``texts`` short names may stand, each with what it is.

    ``labels`` are those of the parts of its frames. What is said of a word may have short names too: they are told, and
    no further ones.
    """
    used = [(word, term) for word in _USED if (term := _term(word)) is not None]
    told = [{"name": word, "says": harmless(term.make()["text"])} for word, term in used]
    short: dict[str, tuple[list[str], Term]] = {}
    for label in labels:
        _add(short, label, _term(label))
    for name in sorted(set(_SHORT_NAME.findall(texts))):
        _add(short, name, _term(name))
    meant = " ".join(
        [*(one["says"] for one in told), *(_short(term) for _, term in short.values())]
    )
    known = set(short)
    for name in sorted(set(_SHORT_NAME.findall(meant))):
        term = _term(name)
        if term is not None and term.name not in known:
            _add(short, name, term)
    ordered = sorted(short.values(), key=lambda one: one[0][0].lower())
    for names, term in ordered:
        told.append({"name": ", ".join(names), "says": harmless(_short(term))})
    return told


def _add(short: dict[str, tuple[list[str], Term]], name: str, term: Term | None) -> None:
    """Add a name to those of its term; of names inside each other, as MIC-64 has MIC, the shortest."""
    if term is not None and term.name not in _USED:
        names = short.setdefault(term.name, ([], term))[0]
        if not any(other in name for other in names):
            names[:] = [*(other for other in names if name not in other), name]


def why_more_frames_cost() -> str:
    """Return what each frame more costs, as ``explain`` tells it of a cliff."""
    term = _term("cliff")
    assert term is not None
    return " ".join(_SENTENCE.split(term.make()["text"])[1:])


def _term(name: str) -> Term | None:
    """Return what people mean first by a name; None where it is no word and no header."""
    found = (term for group in by_form() for term in group.get(form_of(name), ()))
    return next((one for one in found if one.kind in {"word", "table"}), None)


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
