"""Every header table of the layers by name, found by looking into their modules: what ``explain`` speaks of.

A header that a new module brings is here without being listed. Only names that people use and no table has (aliases)
are written down.
"""

import importlib
import pkgutil
from collections.abc import Iterator
from dataclasses import is_dataclass
from functools import cache
from types import ModuleType
from typing import Any

from lowpanbudget import layers
from lowpanbudget.cites import rfc
from lowpanbudget.fields import (
    Choice,
    Gloss,
    Header,
    Layout,
    ListedLayout,
    Listing,
    Patterns,
    Selection,
    Tagged,
    has_layout,
    layout_of,
    of_layout,
    of_selection,
    of_tagged,
)
from lowpanbudget.values import dataclass, fields

# of the first field of the headers of a datagram, which may carry another datagram (RFC 2473): one that begins again is
# inside the one before, where anything else that does stands beside it
CARRY_THEIR_KIND = frozenset({rfc(6282, "5"), rfc(8200, "3")})

# what people say -> the name of a table or field here
ALIASES = {
    "6cio": "6LoWPAN capability indication option",
    "6co": "6LoWPAN context option",
    "6lowpan": "6LoWPAN dispatch, page 0",
    "abro": "authoritative border router option",
    "aro": "address registration option",
    "coap message": "CoAP",
    "dac": "duplicate address confirmation",
    "dao": "destination advertisement object",
    "dao-ack": "destination advertisement object acknowledgement",
    "dar": "duplicate address request",
    "dio": "DODAG information object",
    "dis": "DODAG information solicitation",
    "dispatch": "6LoWPAN dispatch, page 0",
    "dispatch octet": "6LoWPAN dispatch, page 0",
    "earo": "address registration option",
    "fcf": "MAC",
    "frame control": "MAC",
    "lowpan_bc0": "BC0",
    "lowpan_iphc": "IPHC",
    "na": "neighbor advertisement",
    "ns": "neighbor solicitation",
    "ra": "router advertisement",
    "rs": "router solicitation",
    "nhc": "LOWPAN_NHC",
    "paging dispatch": "page switch",
    "security level": "level",
    "udp compression": "UDP NHC",
    "generic header compression": "GHC",
}


Table = Header | Choice | Patterns | Listing


@dataclass(frozen=True, slots=True)
class TableEntry:
    """A table under its ``name``.

    ``form`` tells tables of one name apart (a header has a form for each edition); ``title`` says in a line what its
    module or family is about, which others share.
    """

    name: str
    form: str
    title: str
    table: Table

    @property
    def term(self) -> str:
        """Return the name, with the form where others have it too."""
        shared = sum(other.name == self.name for other in entries()) > 1
        return f"{self.name} ({self.form})" if shared else self.name

    @property
    def text(self) -> str:
        """Return what this table alone is for; what its module is about where nothing says that."""
        return sentences().get(self.term, self.title)


@cache
def entries() -> tuple[TableEntry, ...]:
    """Return every table, in the order of the modules, each once; listings come behind."""
    tables: dict[int, TableEntry] = {}
    listings: dict[tuple[str, str], TableEntry] = {}
    # layouts by name, for those that no family or list has, nor a table of their own word
    alone: dict[str, tuple[TableEntry, Layout[Any]]] = {}
    inside: set[int] = set()
    seen: set[int] = set()
    for module in _modules():
        title = _title(module)
        for variable, value in vars(module).items():
            if variable.startswith("_"):
                continue
            form = variable.lower().replace("_", " ")
            for table in _held(value):
                name = table.label if isinstance(table, Choice) else table.name
                tables.setdefault(id(table), TableEntry(name, form, title, table))
                if isinstance(table, Header):
                    inside.update(id(choice) for choice in table.choices)
            for listing in _listings(value) if id(value) not in seen else ():
                about = listing.about or title
                entry = TableEntry(listing.name, about.lower(), about, listing)
                listings.setdefault((listing.name, about), entry)
            seen.add(id(value))  # other modules import it
            layout = _layout(module, value)
            if layout is not None:
                listing = of_layout(layout)
                entry = TableEntry(layout.name, form, title, listing)
                alone.setdefault(layout.name, (entry, layout))
    names = {name for name, _ in listings}
    return (
        *(entry for key, entry in tables.items() if key not in inside),
        *listings.values(),
        *(
            entry
            for name, (entry, layout) in alone.items()
            if name not in names
            and not any(part.name == name and id(part) in tables for part in layout.parts)
        ),
    )


@cache
def words() -> dict[str, Gloss]:
    """Return the words of all layers that no table has as its name, in the order of the modules."""
    held: dict[str, Gloss] = _stated("WORDS")
    return held


@cache
def sentences() -> dict[str, str]:
    """Return what each table is for, by its term; of fields that say more of each value, ``HEADER.FIELD``."""
    held: dict[str, str] = _stated("ABOUT")
    return held


def _stated(variable: str) -> dict[str, Any]:
    """Return what the modules state in a dictionary of this name."""
    held = (getattr(module, variable, {}) for module in _modules())
    return {name: said for stated in held for name, said in stated.items()}


def _modules() -> Iterator[ModuleType]:
    for info in pkgutil.walk_packages(layers.__path__, layers.__name__ + "."):
        if not info.ispkg and info.name != __name__:
            yield importlib.import_module(info.name)


def _held(value: object) -> Iterator[Header | Choice | Patterns]:
    """Yield a table, or those that a module keeps in a record of its own."""
    if isinstance(value, Header | Choice | Patterns):
        yield value
    elif is_dataclass(value) and not isinstance(value, type):
        for part in fields(value):
            held = getattr(value, part.name)
            if isinstance(held, Header | Choice | Patterns):
                yield held


def _listings(value: object) -> Iterator[Listing]:
    """Yield what is printed of a family, a selection, or a list of numbers."""
    if isinstance(value, Listing):
        yield value
    elif isinstance(value, ListedLayout) and not isinstance(value, type):
        yield from value.listings()
    elif isinstance(value, Tagged):
        yield from of_tagged(value)
    elif isinstance(value, Selection):
        yield of_selection(value)


def _layout(module: ModuleType, value: object) -> Layout[Any] | None:
    """Return a layout, or that of a class that the module declares."""
    if isinstance(value, Layout):
        return None if has_layout(value.value) else value
    if isinstance(value, type) and value.__module__ == module.__name__ and has_layout(value):
        return layout_of(value)
    return None


def _title(module: ModuleType) -> str:
    """Return the first sentence of a module's own words; empty when Python was told to drop them."""
    first = (module.__doc__ or "").strip().split("\n\n")[0]
    return " ".join(first.split())
