"""Faults of shape, as pydantic reports them, in words for someone who writes a design file."""

import re
from decimal import Decimal
from functools import cache
from typing import Any, get_args

from pydantic import BaseModel
from pydantic_core import ErrorDetails

from lowpanbudget.design.shape import DesignShape
from lowpanbudget.design.spelling import meant, spelled
from lowpanbudget.payload.flaws import Flaw, Path

MOST_SHOWN = 60  # characters of a wrong value


def shape_flaws(details: list[ErrorDetails], data: dict[str, Any]) -> list[tuple[Flaw, bool]]:
    """Return pydantic's faults in the words of the project; alternatives of one value are joined in one fault."""
    flaws: dict[Path, tuple[Flaw, bool]] = {}
    for detail in details:
        flaw, at_key = _shape_flaw(detail, data)
        before = flaws.get(flaw.path)
        if before is not None and before[0].message != flaw.message:
            flaw = flaw._replace(message=f"{before[0].message}, or it {flaw.message}")
        flaws[flaw.path] = flaw, at_key
    return list(flaws.values())


def _shape_flaw(detail: ErrorDetails, data: dict[str, Any]) -> tuple[Flaw, bool]:
    loc, kind, value = detail["loc"], detail["type"], detail["input"]
    path = _in_data(loc, data, missing=kind == "missing")
    if kind == "extra_forbidden":
        return Flaw(path, "there is no such key", spelled(str(loc[-1]), _keys_at(loc[:-1]))), True
    if kind == "missing":
        return Flaw(path, "this key is missing", _describe(loc)), False
    if kind in {"union_tag_invalid", "union_tag_not_found"}:
        return _kind_flaw(path, value, list(_by_tag(_walk(loc)[1].annotation)))
    message = _WANTED.get(kind) or detail["msg"].removeprefix("Value error, ")
    message = message.removeprefix("Input ")
    said = kind == "value_error" and (repr(value) in message or message.endswith("?"))
    if isinstance(value, str | int | Decimal) and not said:
        message += f", not {_shown(value)}"
    hint = _describe(loc)
    if kind == "literal_error" and isinstance(value, str):
        allowed = re.findall(r"'([^']*)'", detail["msg"])
        hint = meant(value, allowed) or hint
    return Flaw(path, message, hint), False


_WANTED = {
    "model_type": "should be a table: [name], or { key = value }",
    "list_type": "should be a list: [value, ...], or [[name]] for tables",
    "dict_type": "should be a table: [name], or { key = value }",
}


def _kind_flaw(path: Path, value: Any, kinds: list[str]) -> tuple[Flaw, bool]:
    """Return the fault of a field whose kind is unknown or missing."""
    word = value.get("kind") if isinstance(value, dict) else None
    if word is not None:
        hint = spelled(str(word), kinds)
        return Flaw((*path, "kind"), f"there is no kind {_shown(word)}", hint), False
    for key in value if isinstance(value, dict) else ():
        if meant(key, ["kind"]):
            return Flaw((*path, key), "there is no such key", spelled(key, ["kind"])), True
    return Flaw((*path, "kind"), "this key is missing", f"Kinds: {', '.join(kinds)}"), False


def _shown(value: object) -> str:
    """Return a value as the file has it, cut when it is long."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int):
        text = str(value) if -(1 << 64) < value < 1 << 64 else hex(value)  # str() refuses long ones
    else:
        text = repr(value) if isinstance(value, str) else str(value)
    return text if len(text) <= MOST_SHOWN else f"{text[:MOST_SHOWN]}..."


def _in_data(loc: Path, data: Any, *, missing: bool) -> Path:
    """Return a path without the union tags that pydantic adds; the last key of a missing value stays."""
    path: list[str | int] = []
    here = data
    for index, part in enumerate(loc):
        try:
            here = here[part]
        except (KeyError, IndexError, TypeError):
            if missing and index == len(loc) - 1:
                path.append(part)
            continue
        path.append(part)
    return tuple(path)


def _walk(loc: Path) -> tuple[type[BaseModel] | None, Any]:
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
def _keys_at(loc: Path) -> list[str]:
    model, _ = _walk(loc)
    return [] if model is None else list(model.model_fields)


def _describe(loc: Path) -> str:
    """Return the description of the key at a place, or of the key whose value has several kinds."""
    for end in (len(loc), len(loc) - 1):
        _, field = _walk(loc[:end])
        if field is not None:
            return field.description or ""
    return ""
