"""What a key of a design file takes: each kind of value reads one and says what is wrong, and has a JSON Schema."""

from collections.abc import Callable, Mapping
from decimal import Decimal
from types import MappingProxyType
from typing import Any, NamedTuple

from lowpanbudget.design.bounds import Bounds
from lowpanbudget.design.spelling import elsewhere, meant
from lowpanbudget.payload.flaws import Flaw, Path

_TABLE_INSIDE = "a table"  # as a table says it that has no name
A_TABLE = "should be a table: [name], or { key = value }"
SELDOM_S = 31_536_000  # a year
_OFTEN_S = Decimal("0.001")
_WHY = f"{_OFTEN_S} s are about as long as one frame is on the air, {SELDOM_S} s are a year"
_FEW = 3  # words beside one
_KINDS: Mapping[type, str] = {list: "a list", dict: "a table"}  # of values that are not shown
MOST_SHOWN = 60  # characters of a wrong value

Schema = dict[str, Any]


class ShapeFlaw(NamedTuple):
    """A fault of shape; ``at_key``: the key is wrong, not its value."""

    flaw: Flaw
    at_key: bool = False


class ValuePlace(NamedTuple):
    """Where a value stands in the file, the key that it is written under, and the faults found so far."""

    path: Path
    flaws: list[ShapeFlaw]
    name: str = ""
    key: "TableKey | None" = None

    def at(self, part: str | int, key: "TableKey | None" = None) -> "ValuePlace":
        """Return the place of what is inside, under a name or a number; under a ``key`` where it is a new one's."""
        if key is None:
            return self._replace(path=(*self.path, part))
        return ValuePlace((*self.path, part), self.flaws, str(part), key)

    def add(self, message: str, hint: str = "", *, at_key: bool = False) -> None:
        """Note a fault; how the key is written serves where no other hint does."""
        advice = hint or ("" if self.key is None else self.key.advice(self.name))
        self.flaws.append(ShapeFlaw(Flaw(self.path, message, advice), at_key))

    def refuse(self, wanted: str, value: Any, hint: str = "") -> None:
        """Note that another value is wanted, and name the one that is there."""
        self.add(f"{wanted}, not {_KINDS.get(type(value), '') or shown(value)}", hint)


def shown(value: object) -> str:
    """Return a value as the file has it, cut when it is long."""
    if isinstance(value, bool):
        text = str(value).lower()
    elif isinstance(value, int):
        text = str(value) if -(1 << 64) < value < 1 << 64 else hex(value)  # str() refuses long ones
    else:
        text = repr(value) if isinstance(value, str) else str(value)
    return text if len(text) <= MOST_SHOWN else f"{text[:MOST_SHOWN]}..."


class TableKey(NamedTuple):
    """A key of a table: what it takes, what it means, and its default where it may be left out.

    ``called`` are words that people take for it.
    """

    takes: "Takes"
    says: str
    default: Any
    called: tuple[str, ...] = ()

    def advice(self, name: str) -> str:
        """Return how the key is written under its name, and what it means."""
        return f"Write {self.takes.written(name)}: {self.says}".removesuffix(": ")


class Takes:
    """A kind of value."""

    def written(self, name: str) -> str:
        """Return how a key of this name is written."""
        raise NotImplementedError

    def read(self, value: Any, place: ValuePlace) -> Any:
        """Return what a value of the file stands for; where it is wrong its faults are noted, and there is none."""
        raise NotImplementedError

    def schema(self, tables: Schema) -> Schema:
        """Return the JSON Schema; that of a table goes into ``tables`` and is referred to."""
        raise NotImplementedError


class FreeText(Takes):
    """A text, not empty where ``needed``."""

    def __init__(self, *, needed: bool = False) -> None:
        self._needed = needed

    def read(self, value: Any, place: ValuePlace) -> Any:
        if not isinstance(value, str):
            place.refuse("should be a text in quotes", value)
        elif self._needed and not value:
            place.refuse("should be a text that is not empty", value)
        return value

    def written(self, name: str) -> str:
        return f'{name} = "a text in quotes"'

    def schema(self, tables: Schema) -> Schema:
        return {"type": "string"} | ({"minLength": 1} if self._needed else {})


class Flag(Takes):
    """True or false."""

    def read(self, value: Any, place: ValuePlace) -> Any:
        if not isinstance(value, bool):
            place.refuse("should be true or false", value)
        return value

    def written(self, name: str) -> str:
        return f"{name} = true or {name} = false"

    def schema(self, tables: Schema) -> Schema:
        return {"type": "boolean"}


class Whole(Takes):
    """A whole number from ``least`` to ``most``, or to the last one ``below``."""

    def __init__(
        self, least: int | None = None, most: int | None = None, *, below: int | None = None
    ) -> None:
        self._bounds = Bounds(None, least, below, most)

    def read(self, value: Any, place: ValuePlace) -> Any:
        if not isinstance(value, int) or isinstance(value, bool):
            place.refuse("should be a whole number", value)
        elif wrong := self._bounds.wrong(value):
            place.refuse(wrong, value)
        return value

    def written(self, name: str) -> str:
        _, first, below, last = self._bounds
        most = below - 1 if below is not None else last
        least = "" if first is None else f" from {first}"
        return f"{name} = a whole number{least}{'' if most is None else f' to {most}'}"

    def schema(self, tables: Schema) -> Schema:
        return {"type": "integer"} | self._bounds.schema()


class Exact(Takes):
    """The exact decimal of a number: read the file with ``tomllib.load(file, parse_float=Decimal)``.

    ``why`` says where its bounds come from.
    """

    def __init__(
        self,
        *,
        above: int | None = None,
        least: int | Decimal | None = None,
        below: int | None = None,
        most: int | None = None,
        why: str = "",
    ) -> None:
        self._bounds, self._why = Bounds(above, least, below, most), why

    def read(self, value: Any, place: ValuePlace) -> Any:
        if isinstance(value, bool) or not isinstance(value, int | float | Decimal):
            place.refuse("a number is wanted", value)
            return None
        number = value if isinstance(value, Decimal) else Decimal(repr(value))
        if not number.is_finite():
            place.refuse("should be a finite number", number)
        elif wrong := self._bounds.wrong(number):
            place.refuse(wrong, number, self._why)
        return number

    def written(self, name: str) -> str:
        words = zip((" above", " from", " below", " to"), self._bounds, strict=True)
        said = [f"{word} {bound}" for word, bound in words if bound is not None]
        return f"{name} = a number{''.join(said)}"

    def schema(self, tables: Schema) -> Schema:
        return {"type": "number"} | self._bounds.schema()


class Every(Exact):
    """The seconds after which something comes again and again."""

    def __init__(self) -> None:
        super().__init__(least=_OFTEN_S, most=SELDOM_S, why=_WHY)


class Words(Takes):
    """One of some words, or of some whole numbers; ``called`` are words that people take for one."""

    def __init__(self, *words: str | int, called: Mapping[str, str] = MappingProxyType({})) -> None:
        self._words = words
        self._called = called

    def read(self, value: Any, place: ValuePlace) -> Any:
        if type(value) not in {str, int} or value not in self._words:
            *others, last = map(repr, self._words)
            before = f"{', '.join(others)} or " if others else ""
            # how a key of many words is written would list them all again
            hint = place.key.says if place.key and len(others) > _FEW else ""
            if isinstance(value, str):
                usual = self._called.get(value.lower())
                known = elsewhere(value) or (f"Did you mean {usual}?" if usual else "")
                hint = known or meant(value, map(str, self._words)) or hint
            place.refuse(f"should be {before}{last}", value, hint)
        return value

    def written(self, name: str) -> str:
        words = [f'"{word}"' if isinstance(word, str) else str(word) for word in self._words]
        return f"{name} = {' or '.join(words)}"

    def schema(self, tables: Schema) -> Schema:
        kind = {"type": "string" if isinstance(self._words[0], str) else "integer"}
        if len(self._words) == 1:
            return {"const": self._words[0]} | kind
        return {"enum": list(self._words)} | kind


class Parsed(Takes):
    """A text, or also a number, that stands for something: ``parse`` returns it, or raises ``ValueError``.

    ``example`` is one as it is written.
    """

    def __init__(self, parse: Callable[[Any], Any], example: str, *types: str) -> None:
        self._parse = parse
        self._example = example
        self._types = types or ("string",)

    def read(self, value: Any, place: ValuePlace) -> Any:
        try:
            return self._parse(value)
        except ValueError as error:
            wanted = str(error)
        if repr(value) in wanted or wanted.endswith("?"):
            place.add(wanted)
        else:
            place.refuse(wanted, value)
        return None

    def written(self, name: str) -> str:
        return f"{name} = {self._example}"

    def schema(self, tables: Schema) -> Schema:
        types = self._types[0] if len(self._types) == 1 else list(self._types)
        return {"examples": [self._example.strip('"')], "type": types}


class Listed(Takes):
    """A list of one kind of value, not empty where ``needed``."""

    def __init__(self, inner: Takes, *, needed: bool = False) -> None:
        self._inner = inner
        self._needed = needed

    def read(self, value: Any, place: ValuePlace) -> Any:
        if not isinstance(value, list):
            tables = self._inner.written("").removeprefix(" = ").startswith(_TABLE_INSIDE)
            more = ", or [[name]] for tables" if tables else ""
            place.refuse(f"should be a list: [value, ...]{more}", value)
            return None
        if self._needed and not value:
            place.add("should have one entry at least")
        return [self._inner.read(item, place.at(index)) for index, item in enumerate(value)]

    def written(self, name: str) -> str:
        inner = self._inner.written("").removeprefix(" = ")
        if inner == _TABLE_INSIDE:
            return f"tables, each below a head [[{name}]]"
        return f"{name} = [a list], each {inner}"

    def schema(self, tables: Schema) -> Schema:
        items = {"items": self._inner.schema(tables), "type": "array"}
        return items | ({"minItems": 1} if self._needed else {})


class Numbers(Takes):
    """A table of names and whole numbers."""

    def read(self, value: Any, place: ValuePlace) -> Any:
        if not isinstance(value, dict):
            place.refuse(A_TABLE, value)
            return None
        return {name: Whole().read(number, place.at(name)) for name, number in value.items()}

    def written(self, name: str) -> str:
        return f"{name} = {{ name = number, ... }}"

    def schema(self, tables: Schema) -> Schema:
        return {"additionalProperties": {"type": "integer"}, "type": "object"}


class AnyOf(Takes):
    """One of several kinds of value: the first that fits; else the faults of all."""

    def __init__(self, *options: Takes) -> None:
        self._options = options

    def read(self, value: Any, place: ValuePlace) -> Any:
        flaws: list[list[ShapeFlaw]] = []
        for option in self._options:
            own: list[ShapeFlaw] = []
            read = option.read(value, place._replace(flaws=own))
            if not own:
                return read
            flaws.append(own)
        # of the kind that was meant only something inside is wrong
        inside = [own for own in flaws if all(one.flaw.path != place.path for one in own)]
        place.flaws.extend(flaw for own in inside[:1] or flaws for flaw in own)
        return None

    def written(self, name: str) -> str:
        return " or ".join(option.written(name) for option in self._options)

    def schema(self, tables: Schema) -> Schema:
        return {"anyOf": [option.schema(tables) for option in self._options]}
