"""``load_design``: a TOML file to a ``Design``, or all its faults at once, each with line and column.

syntax fault -> tomllib says where
shape        -> all faults of keys and their values (``table``); ``places`` finds line and column
meaning      -> all faults that keys make together, once the shape is right
"""

import re
import tomllib
from decimal import Decimal, InvalidOperation
from functools import lru_cache
from os import PathLike
from pathlib import Path as FilePath
from typing import Any

from lowpanbudget.arguments import value_of
from lowpanbudget.design.meaning import Design, to_design
from lowpanbudget.design.shape import DesignShape
from lowpanbudget.design.table import json_schema
from lowpanbudget.design.takes import MOST_SHOWN, ShapeFlaw, ValuePlace
from lowpanbudget.errors import DesignError, Fault, repeated
from lowpanbudget.payload.flaws import Path

MOST_OCTETS = 4 << 20  # a design is written by hand; more is a mistaken file
MOST_DEPTH = 80
MOST_BITS = 4096  # of a whole number
MOST_FAULTS = 200  # that are listed; a person mends some and reads the file again
_DIGITS = r"[0-9A-Fa-f_]{1000,}"  # the number with too many, or very nearly
# a key of hundreds of parts, which takes its reader quadratic time
_CHAIN = re.compile(r"(?:^|[\[{,])(?:[^.\n=,\[\]{}]{1,99}+\.){200}", re.MULTILINE)


def load_design(path: "str | PathLike[str]") -> Design:
    """Return the design in a TOML file.

    Raises ``DesignError`` whose ``faults`` name file, line, column, key, what is allowed, and a hint: all faults of
    shape, or when there are none all faults of meaning.
    """
    return read_design(_octets(path), str(path))


def read_design(octets: bytes, file: str) -> Design:
    """Return the design in the octets of a file, or in more of them than one may have; raises as ``load_design``."""
    return parse_design(_text(octets, file), file)


def parse_design(text: str, file: str = "<text>") -> Design:
    """Return the design in a text; ``file`` names it in faults. Raises as ``load_design``."""
    if not isinstance(text, str):
        raise DesignError(f"a text is needed, not {type(text).__name__}")
    return _design(text, value_of(str, file))


@lru_cache(
    maxsize=16
)  # a design does not change, and is asked for again with every question about it
def _design(text: str, file: str) -> Design:
    data = _parse(text, file)
    wrong: list[ShapeFlaw] = []
    try:
        shape = DesignShape.read(data, ValuePlace((), wrong))
        if wrong:
            listed = _joined(wrong[:MOST_FAULTS])
            raise _design_error(listed, text, file, len(wrong) - MOST_FAULTS)
        design, flaws = to_design(shape, file)
    except RecursionError:
        raise DesignError(
            f"{file}: its fields are nested too deep",
            hint="Flatten it: groups in a message may stand 8 deep",
        ) from None
    if flaws or design is None:
        listed = [ShapeFlaw(flaw) for flaw in flaws[:MOST_FAULTS]]
        raise _design_error(listed, text, file, len(flaws) - MOST_FAULTS)
    return design


def _joined(flaws: list[ShapeFlaw]) -> list[ShapeFlaw]:
    """Return the faults with those of one value joined: it may be of several kinds and is of none."""
    joined: dict[Path, ShapeFlaw] = {}
    for found in flaws:
        flaw = found.flaw
        before = joined.get(flaw.path)
        if before is not None and before.flaw.message != flaw.message:
            flaw = flaw._replace(message=f"{before.flaw.message}, or it {flaw.message}")
        joined[flaw.path] = found._replace(flaw=flaw)
    return list(joined.values())


def design_schema() -> dict[str, Any]:
    """Return the JSON Schema of design files, for editors, as plain data; it never raises."""
    return json_schema(DesignShape)


def _octets(path: Any) -> bytes:
    if path == "":
        raise DesignError("no file is named", hint="Give the path of a design file")
    try:
        with FilePath(path).open("rb") as file:
            return file.read(MOST_OCTETS + 1)
    except OSError as error:
        raise DesignError(
            f"{path} cannot be read: {error.strerror or error}",
            hint="Check the name",
            file=str(path),
        ) from None
    except (TypeError, ValueError) as error:
        raise DesignError(
            f"{repeated(path)} is no file name", hint="Give the path of a design file"
        ) from error


def _text(octets: bytes, file: str) -> str:
    if len(octets) > MOST_OCTETS:
        raise DesignError(
            f"{file} has over {MOST_OCTETS} octets",
            hint="A design file is a small text",
            file=file,
        )
    try:
        return octets.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise DesignError(
            f"{file} is no UTF-8 text: octet {error.start} is {octets[error.start]:#04x}",
            hint="A design file is TOML, written in UTF-8",
            file=file,
        ) from None


def _parse(text: str, file: str) -> dict[str, Any]:
    try:
        return _toml(text)
    except (ValueError, RecursionError) as error:
        place = re.search(r"\(at line (\d+), column (\d+)\)", str(error))
        lines = text.removesuffix("\n").split("\n")  # TOML has no other ends of lines
        line, column = (int(place[1]), int(place[2])) if place else (len(lines), 1)
        message, hint = _in_words(str(error), lines[line - 1 : line], column)
        if isinstance(error, RecursionError):
            message, hint = (
                "the text is nested too deep",
                "Flatten it: groups in a message may stand 8 deep",
            )
        elif not isinstance(error, tomllib.TOMLDecodeError):  # Python refuses over 4300 digits
            message, hint = "a number has too many digits", "Use at most 30 digits"
            number = re.search(_DIGITS, text)
            if number is not None:
                before = text[: number.start()]
                line, column = before.count("\n") + 1, number.start() - before.rfind("\n")
        fault = Fault(file=file, line=line, column=column, key="TOML", message=message, hint=hint)
        raise DesignError("the file is no TOML", faults=(fault,)) from None


def _in_words(said: str, lines: list[str], column: int) -> tuple[str, str]:
    """Return what is wrong with the TOML of a line and what to write, from what its reader said of it."""
    from lowpanbudget.design.toml_slips import slip  # noqa: PLC0415  # most files have none

    said = re.sub(r" \(at .*\)$", "", said)
    known = slip(said, lines[0], column) if lines else None
    if known is not None:
        return known
    line = lines[0].strip() if lines else ""
    table = re.match(r"\[+([^\]]*)\]", line)
    if table and said.startswith(("Cannot declare", "Cannot overwrite")):
        name = table[1].strip()
        several = f"A table that comes several times is written [[{name}]], each time"
        return (
            f"the table {name} is there already",
            several if _comes_again(name) else "It stands once: put all its keys in one place",
        )
    if said.startswith("Cannot overwrite"):
        name = line.partition("=")[0].strip()
        return f"{name} is there already in this table", "Leave one of the two out"
    if said == "Invalid value":
        return (
            f"{line.partition('=')[2].strip()[:MOST_SHOWN]!r} is no value",
            'Write "texts" in quotes, numbers as 12, 0.5 or 0x1a, and true or false in small letters',
        )
    return said, "Strings stand in quotes; tables start with [name] or [[name]]"


def _comes_again(name: str) -> bool:
    """Return whether a design has several tables of this name, ``flow.answer`` being one of each flow."""
    schema = design_schema()
    table, several = schema, False
    for part in name.split("."):
        table = table.get("properties", {}).get(part, {})
        several = "items" in table
        reference = table.get("items", table).get("$ref", "")
        table = schema["$defs"].get(reference.rpartition("/")[2], {})
    return several


def _toml(text: str) -> dict[str, Any]:
    """Return the values of a TOML text; raises ``ValueError``, or ``RecursionError`` when they are nested too deep."""
    if _CHAIN.search(text):
        raise RecursionError
    data = tomllib.loads(text, parse_float=_decimal)
    _judge(data)
    return data


def _judge(data: dict[str, Any]) -> None:
    """Raise ``RecursionError`` for values nested deeper than any message: later steps recurse once for each level.

    ``ValueError`` for a whole number that could not even be shown: in hex the reader takes any length.
    """
    level: list[Any] = [data]
    for _ in range(MOST_DEPTH):
        values = [
            inner
            for value in level
            for inner in (value.values() if isinstance(value, dict) else value)
        ]
        if any(isinstance(value, int) and value.bit_length() > MOST_BITS for value in values):
            raise ValueError
        level = [value for value in values if isinstance(value, dict | list)]
    if level:
        raise RecursionError


def _decimal(text: str) -> Decimal:
    """Return the exact number, as ranges and steps want it; NaN for an exponent beyond all bounds."""
    try:
        return Decimal(text)
    except InvalidOperation:  # an exponent beyond all bounds
        return Decimal("nan")


def _design_error(flaws: list[ShapeFlaw], text: str, file: str, unlisted: int) -> DesignError:
    """Return the error that lists all flaws."""
    from lowpanbudget.design.places import Places  # noqa: PLC0415  # only a design with faults

    places = Places(text)
    faults = []
    for flaw, at_key in flaws:
        line, column = places.of(flaw.path, key=at_key)
        faults.append(
            Fault(
                file=file, line=line, column=column, key=_shown(_key(flaw.path)),
                message=_shown(flaw.message), hint=_shown(flaw.hint),
            )
        )  # fmt: skip
    faults.sort(key=lambda fault: (fault.line, fault.column))
    count = len(flaws)
    if unlisted > 0:
        message = f"{unlisted} faults more are not listed"
        faults.append(Fault(file=file, line=1, column=1, key=_key(()), message=message))
        count += unlisted
    return DesignError(f"{file} has {count} fault{'s' * (count > 1)}", faults=tuple(faults))


def _shown(text: str) -> str:
    """Return a text with escapes for what a terminal would obey instead of showing: names come from the file."""
    return "".join(sign if sign.isprintable() else repr(sign)[1:-1] for sign in text)


def _key(path: tuple[str | int, ...]) -> str:
    """Return a path as people write it: flow[1].hops (the first is 1)."""
    text = ""
    for part in path:
        text += f"[{part + 1}]" if isinstance(part, int) else f".{part}" if text else part
    return text or "the file"
