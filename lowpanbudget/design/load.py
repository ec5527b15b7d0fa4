"""``load_design``: a TOML file to a ``Design``, or all its faults at once, each with line and column.

syntax fault -> tomllib says where
shape        -> pydantic finds all (``faults`` says them in our words, ``places`` finds line and column)
meaning      -> all faults that keys make together, once the shape is right
"""

import re
import tomllib
from decimal import Decimal, InvalidOperation
from os import PathLike
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from lowpanbudget.design.faults import shape_flaws
from lowpanbudget.design.meaning import Design, to_design
from lowpanbudget.design.places import Places
from lowpanbudget.design.shape import DesignShape
from lowpanbudget.errors import DesignError, Fault
from lowpanbudget.payload.flaws import Flaw

MOST_OCTETS = 4 << 20  # a design is written by hand; more is a mistaken file
MOST_DEPTH = 80
MOST_FAULTS = 200  # that are listed; a person mends some and reads the file again
# a key of hundreds of parts, which takes its reader quadratic time
_CHAIN = re.compile(r"(?:^|[\[{,])(?:[^.\n=,\[\]{}]{1,99}+\.){200}", re.MULTILINE)


def load_design(path: "str | PathLike[str]") -> Design:
    """Return the design in a TOML file.

    Raises ``DesignError`` whose ``faults`` name file, line, column, key, what is allowed, and a hint: all faults of
    shape, or when there are none all faults of meaning.
    """
    return parse_design(_read(path), str(path))


def parse_design(text: str, file: str = "<text>") -> Design:
    """Return the design in a text; ``file`` names it in faults. Raises as ``load_design``."""
    data = _parse(text, file)
    try:
        shape = DesignShape.model_validate(data)
        design, flaws = to_design(shape, file)
    except ValidationError as error:
        details = error.errors(include_url=False, include_context=False)
        listed = shape_flaws(details[:MOST_FAULTS], data)
        raise _design_error(listed, text, file, len(details) - MOST_FAULTS) from None
    except RecursionError:
        raise DesignError(f"{file}: its fields are nested too deep") from None
    if flaws or design is None:
        listed = [(flaw, False) for flaw in flaws[:MOST_FAULTS]]
        raise _design_error(listed, text, file, len(flaws) - MOST_FAULTS)
    return design


def json_schema() -> dict[str, Any]:
    """Return the JSON Schema of design files, for editors."""
    schema: dict[str, Any] = _without_null(DesignShape.model_json_schema())
    tables = schema["$defs"]
    for table in (schema, *tables.values()):
        for key in table.get("properties", {}).values():
            if "description" not in key and "$ref" in key:
                about = tables[key["$ref"].removeprefix("#/$defs/")]
                key["description"] = about["description"]
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}


def _without_null(part: Any) -> Any:
    """Return a part of the schema as TOML knows it: without null, exact numbers as numbers, every key described."""
    if isinstance(part, list):
        return [_without_null(item) for item in part]
    if not isinstance(part, dict):
        return part
    part = {key: _without_null(value) for key, value in part.items()}
    if part.get("default", 0) is None:
        del part["default"]
    elif part.get("type") == "number" and isinstance(part.get("default"), str):
        part["default"] = float(part["default"])
    options = [option for option in part.get("anyOf", ()) if option != {"type": "null"}]
    if len(options) == 1:
        del part["anyOf"]
        part = options[0] | part
    for key, value in part.get("properties", {}).items():
        if key == "kind" and "const" in value:
            value.setdefault("description", part.get("description", ""))
    return part


def _read(path: Any) -> str:
    if path == "":
        raise DesignError("no file is named", hint="Give the path of a design file")
    try:
        with Path(path).open("rb") as file:
            octets = file.read(MOST_OCTETS + 1)
    except OSError as error:
        raise DesignError(
            f"{path} cannot be read: {error.strerror or error}", hint="Check the name"
        ) from None
    except (TypeError, ValueError) as error:
        raise DesignError(f"{path!r} is no file name: {error}") from None
    if len(octets) > MOST_OCTETS:
        raise DesignError(
            f"{path} has over {MOST_OCTETS} octets", hint="A design file is a small text"
        )
    try:
        return octets.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise DesignError(
            f"{path} is no UTF-8 text: octet {error.start} is {octets[error.start]:#04x}",
            hint="A design file is TOML, written in UTF-8",
        ) from None


def _parse(text: str, file: str) -> dict[str, Any]:
    try:
        return _toml(text)
    except (ValueError, RecursionError) as error:
        place = re.search(r"\(at line (\d+), column (\d+)\)", str(error))
        line, column = (int(place[1]), int(place[2])) if place else (len(text.splitlines()) or 1, 1)
        message = re.sub(r" \(at .*\)$", "", str(error))
        hint = "Strings stand in quotes; tables start with [name] or [[name]]"
        if isinstance(error, RecursionError):
            message, hint = (
                "the text is nested too deep",
                "Flatten it: groups in a message may stand 8 deep",
            )
        elif not isinstance(error, tomllib.TOMLDecodeError):  # Python refuses over 4300 digits
            message, hint = "a number has too many digits", "Use at most 30 digits"
        fault = Fault(file=file, line=line, column=column, key="TOML", message=message, hint=hint)
        raise DesignError("the file is no TOML", faults=(fault,)) from None


def _toml(text: str) -> dict[str, Any]:
    """Return the values of a TOML text; raises ``RecursionError`` when they are nested too deep."""
    if _CHAIN.search(text):
        raise RecursionError
    data = tomllib.loads(text, parse_float=_decimal)
    if _is_deep(data):
        raise RecursionError
    return data


def _is_deep(data: dict[str, Any]) -> bool:
    """Return whether values are nested deeper than any message; later steps recurse once for each level."""
    level: list[Any] = [data]
    for _ in range(MOST_DEPTH):
        level = [
            inner
            for value in level
            for inner in (value.values() if isinstance(value, dict) else value)
            if isinstance(inner, dict | list)
        ]
    return bool(level)


def _decimal(text: str) -> Decimal:
    """Return the exact number, as ranges and steps want it; NaN for an exponent beyond all bounds."""
    try:
        return Decimal(text)
    except InvalidOperation:  # an exponent beyond all bounds
        return Decimal("nan")


def _design_error(
    flaws: list[tuple[Flaw, bool]], text: str, file: str, unlisted: int
) -> DesignError:
    """Return the error that lists all flaws; True beside a flaw means that its key is wrong, not the value."""
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
