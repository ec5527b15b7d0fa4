"""Every header table of the layers by name, found by looking into their modules: what ``explain`` speaks of.

A header that a new module brings is here without being listed. Only names that people use and no table has (aliases),
and tables that are no ``Header``, are written down.
"""

import importlib
import pkgutil
from collections.abc import Iterator
from dataclasses import dataclass, fields, is_dataclass
from functools import cache
from types import ModuleType

from lowpanbudget import layers
from lowpanbudget.fields import Choice, Header, Patterns
from lowpanbudget.layers.listings import Listing, listings

# what people say -> the name of a table or field here
ALIASES = {
    "6cio": "6LoWPAN capability indication option",
    "6co": "6LoWPAN context option",
    "6lowpan": "6LoWPAN dispatch, page 0",
    "abro": "authoritative border router option",
    "aro": "address registration option",
    "auxiliary security header": "security control",
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
    "lowpan_iphc": "IPHC",
    "mhr": "MAC",
    "na": "neighbor advertisement",
    "ns": "neighbor solicitation",
    "ra": "router advertisement",
    "rs": "router solicitation",
    "nhc": "LOWPAN_NHC",
    "security level": "level",
    "udp compression": "UDP NHC",
    "generic header compression": "GHC",
}


Table = Header | Choice | Patterns | Listing


@dataclass(frozen=True, slots=True)
class Entry:
    """A table under its ``name``.

    ``form`` tells tables of one name apart (a header has a form for each edition); ``title`` says in a line what the
    module is about.
    """

    name: str
    form: str
    title: str
    table: Table


@cache
def entries() -> tuple[Entry, ...]:
    """Return every table, in the order of the modules, each once."""
    found: dict[int, Entry] = {}
    inside: set[int] = set()
    for module in _modules():
        title = _title(module)
        for variable, table in _tables(module):
            name = table.label if isinstance(table, Choice) else table.name
            form = variable.lower().replace("_", " ")
            found.setdefault(id(table), Entry(name, form, title, table))
            if isinstance(table, Header):
                inside.update(id(choice) for choice in table.choices)
    return (*(entry for key, entry in found.items() if key not in inside), *_listings())


def _modules() -> Iterator[ModuleType]:
    for info in pkgutil.walk_packages(layers.__path__, layers.__name__ + "."):
        if not info.ispkg and info.name != __name__:
            yield importlib.import_module(info.name)


def _tables(module: ModuleType) -> Iterator[tuple[str, Header | Choice | Patterns]]:
    """Yield the module's public tables with their variable names, those it keeps in records of its own included."""
    for name, value in vars(module).items():
        if name.startswith("_"):
            continue
        if isinstance(value, Header | Choice | Patterns):
            yield name, value
        elif is_dataclass(value) and not isinstance(value, type):
            for part in fields(value):
                held = getattr(value, part.name)
                if isinstance(held, Header | Choice | Patterns):
                    yield name, held


def _title(module: ModuleType) -> str:
    """Return the first sentence of a module's own words; empty when Python was told to drop them."""
    first = (module.__doc__ or "").strip().split("\n\n")[0]
    return " ".join(first.split())


def _listings() -> tuple[Entry, ...]:
    return tuple(Entry(found.name, title.lower(), title, found) for title, found in listings())
