"""Clauses of standards, and what rests on each here: header tables, fields, findings, keys of design files, words.

Nothing is listed for it: the cites stand beside the rows, manuals, knobs and words that they belong to, and are read
from there. Of keys and manuals also those that their texts name.
"""

import re
from collections.abc import Iterator
from functools import cache
from itertools import cycle
from typing import Any, NamedTuple, get_args

from lowpanbudget.cites import FROM_MEMORY, Cite, named_in
from lowpanbudget.design import knobs, skeleton
from lowpanbudget.design.link import AddressForm
from lowpanbudget.design.load import parse_design
from lowpanbudget.errors import RequestError
from lowpanbudget.fields import Bits, Choice, Header, Patterns
from lowpanbudget.findings.manual import every_manual
from lowpanbudget.layers import catalogue
from lowpanbudget.layers.catalogue import TableEntry
from lowpanbudget.report import design_keys

_IN_TEXT = re.compile(r"(RFC \d+)(?: sections? (\d[\d.]*\d|\d))?")


class Rest(NamedTuple):
    """What rests on a clause: what it is, and the name that asks for it."""

    cite: Cite
    what: str
    name: str


def explained(asked: Cite) -> dict[str, Any]:
    """Return what rests on a clause and on those inside it, as the explanation of a term.

    Where nothing rests on it, on the nearest clause that it stands in. Raises ``RequestError`` where there is none.
    """
    document, section = asked
    rests = sorted((rest for rest in every_rest() if _is_of(document, rest.cite)), key=_place)
    found = [rest for rest in rests if _inside(section, rest.cite)]
    while not found and "." in section:
        section = section.rpartition(".")[0]
        found = [rest for rest in rests if _inside(section, rest.cite)]
    if not found:
        known = dict.fromkeys(_section(rest.cite) for rest in rests) if rests else documents()
        raise RequestError(
            f"nothing here rests on {asked}",
            hint=f"Known{f' of {document}' if rests else ''}: {', '.join(filter(None, known))}",
        )
    here = Cite(document, section)
    text = (
        f"What rests here on {here}{' and on clauses inside it' if section[:1].isdigit() else ''}."
    )
    if here != asked:
        text += f" Nothing rests on {asked} itself."
    if not here.link:
        text += f" {FROM_MEMORY}"
    rows: dict[tuple[str, str], dict[str, None]] = {}
    for rest in found:
        rows.setdefault((_shown(document, rest.cite), rest.what), {})[rest.name] = None
    return {
        "term": str(here),
        "kind": "clause",
        "text": f"{text} `lowpanbudget explain NAME` tells more of each name.",
        "link": here.link,
        "rows": [
            {"clause": clause, "is the source of": what, "name": "; ".join(names)}
            for (clause, what), names in rows.items()
        ],
    }


def with_section(section: str) -> str:
    """Return a hint with the standards of which something here rests on a section of this number."""
    found = dict.fromkeys(str(rest.cite) for rest in every_rest() if rest.cite.section == section)
    asked = [cite for cite in found if named_in(cite)]
    return f"Which one: {', '.join(asked)}?" if asked else "Name it before, such as RFC 6282 §3.1.1"


@cache
def documents() -> tuple[str, ...]:
    """Return the standards that something here rests on, those whose clauses can be asked for."""
    named = dict.fromkeys(rest.cite.document for rest in sorted(every_rest(), key=_place))
    return tuple(document for document in named if named_in(document))


@cache
def every_rest() -> tuple[Rest, ...]:
    """Return all that rests on any clause."""
    return (*_tables(), *_keys(), *_findings(), *_words())


def _tables() -> Iterator[Rest]:
    for entry in catalogue.entries():
        table = entry.table
        if isinstance(table, Choice):
            yield from _field(entry, table, table)
            continue
        yield Rest(table.cite, "header" if isinstance(table, Header) else "table", entry.name)
        if isinstance(table, Header):
            for part in table.fields:
                yield from _field(entry, part, table)
        elif isinstance(table, Patterns):
            for pattern in table.patterns:
                yield Rest(pattern.cite, f"code of {entry.name}", pattern.bits)


def _field(entry: TableEntry, part: Bits | Choice, table: Header | Choice) -> Iterator[Rest]:
    """Yield the cite of a field, and those of rows that are other clauses than the field's own."""
    label = part.label if isinstance(part, Choice) else part.name
    yield Rest(part.cite or table.cite, f"field of {entry.name}", label)
    if isinstance(part, Choice):
        for row in part.rows:
            if row.cite != part.cite:
                yield Rest(row.cite, f"rows of {label}", f"{row.code:0{part.width}b}")


def _keys() -> Iterator[Rest]:
    """Yield the keys that knobs of usual designs turn, and those whose meaning names an RFC."""
    kinds = (cycle(get_args(kind)) for kind in (skeleton.RoutingMode, AddressForm))
    for transport, routing, addresses, network in zip(
        get_args(skeleton.Transport), *kinds, cycle((None, "slots")), strict=False
    ):
        begun = skeleton.Skeleton(
            transport=transport, routing=routing, addresses=addresses, network=network
        )
        design = parse_design(skeleton.text_of(begun))
        for flow in design.flows:
            for knob in knobs.positions(design, flow):
                for key in knob.key.split(", "):
                    yield Rest(knob.cite, "key of design files", key.partition(" ")[0])
    for entry in design_keys.every_key():
        for row in entry["keys"]:
            yield from _in_text(row["meaning"], "key of design files", entry["path"])


def _findings() -> Iterator[Rest]:
    for manual in every_manual():
        yield Rest(manual.cite, "finding", manual.name)
        for text in manual.sections.values():
            yield from _in_text(text, "finding", manual.name)


def _in_text(text: str, what: str, name: str) -> Iterator[Rest]:
    for document, section in _IN_TEXT.findall(text):
        yield Rest(Cite(document, section), what, name)


def _words() -> Iterator[Rest]:
    for word, gloss in catalogue.words().items():
        if gloss.cite is not None:
            yield Rest(gloss.cite, "word", word)


def _is_of(document: str, cite: Cite) -> bool:
    """Return whether a cite is of a document; a standard without its edition stands for all of them."""
    return cite.document == document or cite.document.startswith(f"{document}-")


def _section(cite: Cite) -> str:
    return cite.section.removeprefix("clause ")


def _inside(section: str, cite: Cite) -> bool:
    own = _section(cite)
    return not section or own == section or own.startswith(f"{section}.")


def _shown(document: str, cite: Cite) -> str:
    """Return a section as a table shows it, with its edition where several are in it."""
    edition = cite.document.removeprefix(document).removeprefix("-")
    section = _section(cite)
    sign = "§" if section[:1].isdigit() else ""
    return " ".join(filter(None, (edition, f"{sign}{section}"))) or "all of it"


def _place(rest: Rest) -> tuple[object, ...]:
    """Return where a clause stands among all: numbers by their size, tables behind clauses."""
    numbers = [int(number) for number in re.findall(r"\d+", rest.cite.section)]
    document = rest.cite.document
    number = int(document.removeprefix("RFC ")) if document.startswith("RFC ") else 0
    return number, document, not _section(rest.cite)[:1].isdigit(), numbers
