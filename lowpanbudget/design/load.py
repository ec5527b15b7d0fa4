"""``load_design``: a TOML file to a ``Design``, or all its faults at once, each with line and column.

syntax fault -> tomllib says where
shape        -> pydantic finds all; the place is found by marking the value in the text (``places``)
meaning      -> all faults that keys make together, once the shape is right
"""

import difflib
import re
import tomllib
from decimal import Decimal
from functools import cache
from os import PathLike
from pathlib import Path
from typing import Any, get_args

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from lowpanbudget.design.meaning import Design, to_design
from lowpanbudget.design.places import Places
from lowpanbudget.design.shape import DesignShape
from lowpanbudget.errors import DesignError, Fault
from lowpanbudget.payload.flaws import Flaw

MOST_OCTETS = 4 << 20  # a design is written by hand; more is a mistaken file


def load_design(path: "str | PathLike[str]") -> Design:
    """Return the design in a TOML file.

    Raises ``DesignError`` whose ``faults`` name file, line, column, key, what is allowed, and a
    hint: all faults of shape, or
    when there are none all faults of meaning.
    """
    return parse_design(_read(Path(path)), str(path))


def parse_design(text: str, file: str = "<text>") -> Design:
    """Return the design in a text; ``file`` names it in faults. Raises as ``load_design``."""
    data = _parse(text, file)
    try:
        shape = DesignShape.model_validate(data)
    except ValidationError as error:
        flaws = [_shape_flaw(detail, data) for detail in error.errors(include_url=False)]
        raise _design_error(flaws, text, file) from None
    design, flaws = to_design(shape, file)
    if flaws or design is None:
        raise _design_error(flaws, text, file)
    return design


def json_schema() -> dict[str, Any]:
    """Return the JSON Schema of design files, for editors."""
    schema = DesignShape.model_json_schema()
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}


def _read(path: Path) -> str:
    try:
        if path.is_file() and path.stat().st_size > MOST_OCTETS:
            raise DesignError(
                f"{path} has over {MOST_OCTETS} octets", hint="A design file is a small text"
            )
        return path.read_text(encoding="utf-8")
    except OSError as error:
        raise DesignError(
            f"{path} cannot be read: {error.strerror or error}", hint="Check the name"
        ) from None
    except UnicodeDecodeError as error:
        raise DesignError(
            f"{path} is no UTF-8 text: octet {error.start} is {error.object[error.start]:#04x}",
            hint="A design file is TOML, written in UTF-8",
        ) from None


def _parse(text: str, file: str) -> dict[str, Any]:
    try:
        # Decimal: ranges and steps are exact
        return tomllib.loads(text, parse_float=Decimal)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        found = re.search(r"\(at line (\d+), column (\d+)\)", str(error))
        line, column = (int(found[1]), int(found[2])) if found else (len(text.splitlines()) or 1, 1)
        message = re.sub(r" \(at .*\)$", "", str(error)) or "the text is nested too deep"
        fault = Fault(
            file=file, line=line, column=column, key="TOML", message=message,
            hint="Strings stand in quotes; tables start with [name] or [[name]]",
        )  # fmt: skip
        raise DesignError("the file is no TOML", faults=(fault,)) from None


def _design_error(flaws: list[Flaw], text: str, file: str) -> DesignError:
    places = Places(text)
    faults = []
    for flaw in flaws:
        line, column = places.of(flaw.path)
        faults.append(
            Fault(
                file=file, line=line, column=column, key=_key(flaw.path), message=flaw.message,
                hint=flaw.hint,
            )
        )  # fmt: skip
    faults.sort(key=lambda fault: (fault.line, fault.column))
    return DesignError(f"{file} has {len(faults)} faults", faults=tuple(faults))


def _key(path: tuple[str | int, ...]) -> str:
    """Return a path as people write it: flow[1].hops (the first is 1)."""
    text = ""
    for part in path:
        text += f"[{part + 1}]" if isinstance(part, int) else f".{part}" if text else part
    return text or "the file"


def _shape_flaw(detail: ErrorDetails, data: dict[str, Any]) -> Flaw:
    """Return pydantic's fault in the words of the project."""
    loc = detail["loc"]
    path = _in_data(loc, data)
    kind = detail["type"]
    if kind == "extra_forbidden":
        known = _keys_at(loc[:-1])
        close = difflib.get_close_matches(str(loc[-1]), known, n=1, cutoff=0.6)
        hint = f"Did you mean {close[0]}?" if close else f"Known here: {', '.join(known)}"
        return Flaw(path, "there is no such key", hint)
    if kind == "missing":
        return Flaw(path, "this key is missing", _describe(loc))
    message = detail["msg"].removeprefix("Value error, ").removeprefix("Input ")
    given = detail["input"]
    if isinstance(given, str | int | Decimal) and not isinstance(given, bool):
        message += f", not {str(given) if not isinstance(given, str) else repr(given)}"
    return Flaw(path, message, _describe(loc))


def _in_data(loc: tuple[str | int, ...], data: Any) -> tuple[str | int, ...]:
    """Return the path without the union tags that pydantic puts in; a last key may be missing."""
    path: list[str | int] = []
    here = data
    for index, part in enumerate(loc):
        try:
            here = here[part]
        except (KeyError, IndexError, TypeError):
            if index == len(loc) - 1 and isinstance(here, dict):
                path.append(part)
            continue
        path.append(part)
    return tuple(path)


def _walk(loc: tuple[str | int, ...]) -> tuple[type[BaseModel] | None, Any]:
    """Return the model that a place of the file has, and the field that led there."""
    model: type[BaseModel] | None = DesignShape
    field: Any = None
    for part in loc:
        if isinstance(part, int):
            continue
        tagged = _by_tag(field.annotation).get(part) if field is not None else None
        if tagged is not None:
            model, field = tagged, None
            continue
        if model is None or part not in model.model_fields:
            return model, None
        field = model.model_fields[part]
        models = _models(field.annotation)
        model = models[0] if models else None
    return model, field


def _models(annotation: Any) -> list[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [model for part in get_args(annotation) for model in _models(part)]


def _by_tag(annotation: Any) -> dict[str, type[BaseModel]]:
    tags = {}
    for model in _models(annotation):
        if "kind" in model.model_fields:
            tags.update(dict.fromkeys(get_args(model.model_fields["kind"].annotation), model))
    return tags


@cache
def _keys_at(loc: tuple[str | int, ...]) -> list[str]:
    model, _ = _walk(loc)
    return [] if model is None else list(model.model_fields)


def _describe(loc: tuple[str | int, ...]) -> str:
    _, field = _walk(loc)
    return "" if field is None else field.description or ""
