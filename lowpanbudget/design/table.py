"""How a table of a design file is declared: its keys, what each takes and means. One declaration reads and is schema.

    class ContextShape(ShapeTable):
        \"\"\"A prefix shared by all nodes.\"\"\"

        id: int = key(Whole(0, 15), "The context's number; 0 costs no octet.")

Reading judges shape (keys, types, ranges, allowed words), all faults at once; the message of a fault goes on behind the
name of its key.
"""

import re
from collections.abc import Callable, Collection, Mapping
from decimal import Decimal
from typing import Any, ClassVar, Self

from lowpanbudget.design.estimate import Estimate
from lowpanbudget.design.spelling import elsewhere, meant, spelled
from lowpanbudget.design.takes import A_TABLE, Schema, TableKey, Takes, ValuePlace, shown

_NEEDED: Any = object()


def key(takes: Takes, says: str = "", default: Any = _NEEDED, called: tuple[str, ...] = ()) -> Any:
    """Return a key for a table; ``says`` may be empty where the table that it takes says it."""
    return TableKey(takes, says, default, called)


class ShapeTable:
    """A table of a design file; its attributes are what its keys stand for."""

    keys: ClassVar[dict[str, TableKey]] = {}
    given: frozenset[str] = frozenset()  # the keys that stand in the file

    def __init_subclass__(cls) -> None:
        """Gather the keys in the order in which they are declared."""
        cls.keys = {name: entry for name, entry in vars(cls).items() if isinstance(entry, TableKey)}

    @classmethod
    def read(cls, value: Any, place: ValuePlace) -> Self:
        """Return the table that a value of the file states; what is wrong is noted at its place and stays out."""
        table = cls()
        if not isinstance(value, dict):
            place.refuse(A_TABLE, value)
            return table
        table.given = frozenset(value)
        for name, entry in cls.keys.items():
            if name in value:
                setattr(table, name, entry.takes.read(value[name], place.at(name, entry)))
            elif entry.default is _NEEDED:
                place.at(name, entry).add("this key is missing")
            else:
                setattr(table, name, entry.default)
        for name in value:
            if name not in cls.keys:
                known = cls._called(name) or cls._inside(name)
                # a value that is there already was not meant; a table may be, of which another part has its name right
                free = [one for one in cls.keys if one not in value or isinstance(value[one], dict)]
                known = known or meant(name, free)
                hint = elsewhere(name) or known or f"Known here: {', '.join(cls.keys)}"
                place.at(name).add("there is no such key", hint, at_key=True)
        return table

    @classmethod
    def _called(cls, word: str) -> str:
        """Return which key people mean by a word, if any."""
        usual = (name for name, entry in cls.keys.items() if word.lower() in entry.called)
        return next((f"Did you mean {name}?" for name in usual), "")

    @classmethod
    def _inside(cls, word: str) -> str:
        """Return which table inside has a key of this name, if one alone has it."""
        tables = [
            name
            for name, entry in cls.keys.items()
            if isinstance(entry.takes, Subtable) and word in entry.takes.table.keys
        ]
        return f"It is a key of [{tables[0]}]: {tables[0]}.{word}" if len(tables) == 1 else ""

    @classmethod
    def of_defaults(cls) -> Self:
        """Return the table that holds no key, where none is needed."""
        return cls.read({}, ValuePlace((), []))

    @classmethod
    def schema(cls, tables: Schema) -> Schema:
        """Return the JSON Schema of the table; those of tables inside go into ``tables``."""
        needed = [name for name, entry in cls.keys.items() if entry.default is _NEEDED]
        return {
            "additionalProperties": False,
            "description": cls.__doc__,
            "properties": {
                name: _property(name, entry, tables) for name, entry in cls.keys.items()
            },
            **({"required": needed} if needed else {}),
            "title": cls.__name__,
            "type": "object",
        }


def _property(name: str, entry: TableKey, tables: Schema) -> Schema:
    takes = entry.takes.schema(tables)
    about: Schema = {"description": entry.says} if entry.says else {}
    if "$ref" not in takes:
        about["title"] = name.replace("_", " ").title()
    if entry.default is None:  # what may be left out says first what it takes
        return _sorted(takes) | _sorted(about)
    if isinstance(entry.default, Decimal):
        about["default"] = _plain(entry.default)
    elif isinstance(entry.default, Estimate):
        about["default"] = _plain(Decimal(entry.default.typical))
    elif isinstance(entry.default, str | int):
        about["default"] = entry.default
    elif isinstance(entry.default, bytes):
        about["default"] = entry.default.hex()
    return _sorted(takes | about)


def _plain(number: Decimal) -> int | float:
    return int(number) if number == int(number) else float(number)


def _sorted(schema: Schema) -> Schema:
    return dict(sorted(schema.items()))


def json_schema(root: type[ShapeTable]) -> Schema:
    """Return the JSON Schema of files that are such a table, for editors."""
    tables: Schema = {}
    schema = root.schema(tables)
    for table in (schema, *tables.values()):
        for name, about in table["properties"].items():
            if (
                "description" not in about
            ):  # a table says what it is, and so what the kind of a field is
                source = tables[_named(about["$ref"])] if "$ref" in about else table
                table["properties"][name] = about | {"description": source["description"]}
    draft = "https://json-schema.org/draft/2020-12/schema"
    return {"$schema": draft, "$defs": _sorted(tables), **schema}


def _reference(table: type[ShapeTable], tables: Schema) -> str:
    """Return the reference to a table's schema, which is added to ``tables`` once."""
    if table.__name__ not in tables:
        tables[table.__name__] = {}  # it may hold itself
        tables[table.__name__] = table.schema(tables)
    return f"#/$defs/{table.__name__}"


def _named(reference: str) -> str:
    return reference.removeprefix("#/$defs/")


class Subtable(Takes):
    """A table inside the table."""

    def __init__(self, table: type[ShapeTable]) -> None:
        self.table = table

    def read(self, value: Any, place: ValuePlace) -> Any:
        return self.table.read(value, place)

    def written(self, name: str) -> str:
        return f"a table, [{name}]" if name else "a table"

    def schema(self, tables: Schema) -> Schema:
        return {"$ref": _reference(self.table, tables)}


_WIDTH = r"[-_]?\d+(?:_t)?$"  # as in int16, uint16_t and crc-16


class ByKind(Takes):
    """One of several tables, chosen by the word under its ``kind``."""

    def __init__(
        self,
        kinds: Callable[[], Collection[str]],
        table: Callable[[str], type[ShapeTable]],
        usual_words: Callable[[], Mapping[str, str]],
    ) -> None:
        self._kinds = kinds
        self._table = table
        self._usual_words = usual_words  # what to write for words that people take for a kind

    def read(self, value: Any, place: ValuePlace) -> Any:
        if not isinstance(value, dict):
            place.refuse(A_TABLE, value)
            return None
        word = value.get("kind")
        if isinstance(word, str) and word in self._kinds():
            return self._table(word).read(value, place)
        self._refuse(word, value, place)
        return None

    def _refuse(self, word: Any, value: dict[str, Any], place: ValuePlace) -> None:
        """Note that the kind is unknown, mistyped or missing."""
        if word is not None:
            usual = self._usual_words().get(re.sub(_WIDTH, "", str(word).lower()))
            hint = usual or spelled(str(word), self._kinds())
            place.at("kind").add(f"there is no kind {shown(word)}", hint)
            return
        for name in value:
            if name == "type" or meant(name, ["kind"]):
                place.at(name).add("there is no such key", "Did you mean kind?", at_key=True)
                return
        place.at("kind").add("this key is missing", f"Kinds: {', '.join(self._kinds())}")

    def written(self, name: str) -> str:
        kind = '{ kind = "...", ... }'
        return f"{name} = {kind}" if name else f"a table {kind}"

    def schema(self, tables: Schema) -> Schema:
        references = {word: _reference(self._table(word), tables) for word in self._kinds()}
        return {
            "discriminator": {"mapping": _sorted(references), "propertyName": "kind"},
            "oneOf": [{"$ref": reference} for reference in references.values()],
        }
