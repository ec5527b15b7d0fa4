"""The tables of a design file as plain data, from the schema that judges it: keys, what they take, what they mean."""

from collections.abc import Iterator
from functools import cache
from typing import Any

_TYPES = {
    "string": "text",
    "integer": "whole number",
    "number": "number",
    "boolean": "true or false",
    "object": "table of names and whole numbers",
}
_BOUNDS = (
    ("minimum", ">="),
    ("exclusiveMinimum", ">"),
    ("maximum", "<="),
    ("exclusiveMaximum", "<"),
)
_KEY_TABLE = "key table"
_MOST_WORDS = 8  # of a choice that are printed in full


def tables() -> Iterator[dict[str, Any]]:
    """Yield every table of a design file outside of message fields: its name, its text, its keys."""
    schema = _schema()
    yield from _below(schema, schema, "", listed=False)


@cache
def kinds(*, whole: bool = False) -> tuple[dict[str, Any], ...]:
    """Return every kind of field: its name, its text, its keys, and one as it is written.

    ``whole``: long lists of words are not cut.
    """
    from lowpanbudget.payload.registry import all_kinds as declared  # noqa: PLC0415

    schema = _schema()
    mapping = schema["$defs"]["MessageShape"]["properties"]["field"]["items"]["discriminator"][
        "mapping"
    ]
    return tuple(
        {
            "name": word,
            "text": kind.about,
            "sections": [{"name": "On the wire", "text": " ".join(kind.wire.split())}],
            "keys": _keys(schema, _target(schema, mapping[word]), whole=whole),
            "written": f"[[message.field]]\n{kind.written}",
        }
        for word, kind in declared().items()
    )


def every_key() -> Iterator[dict[str, Any]]:
    """Yield every key of design and key files by its path, with its row and the table that it stands in.

    Keys of fields stand for all kinds that have them, and again for each kind (``number.step``).
    """
    schema = _schema()
    top = {"name": "a design file", "keys": _keys(schema, schema, whole=True)}
    for table in (top, *_below(schema, schema, "", listed=False, whole=True), *key_files()):
        for row in table["keys"]:
            if row["takes"] not in {"table", "tables"}:
                head = table["name"].strip("[]")
                path = row["key"] if table is top else f"{head}.{row['key']}"
                yield {"path": path, "inside": table["name"], "keys": [row]}
    by_name: dict[str, list[dict[str, Any]]] = {}
    all_kinds = kinds(whole=True)
    for kind in all_kinds:
        for row in kind["keys"]:
            inside = f"the kind {kind['name']}"
            yield {"path": f"{kind['name']}.{row['key']}", "inside": inside, "keys": [row]}
            by_name.setdefault(row["key"], []).append({"kind": kind["name"]} | row)
    for name, rows in by_name.items():
        keys = list(_merged(rows, len(all_kinds)))
        yield {"path": f"message.field.{name}", "inside": "[[message.field]]", "keys": keys}


def _merged(rows: list[dict[str, Any]], all_kinds: int) -> Iterator[dict[str, Any]]:
    """Yield rows of several kinds of fields, those that say the same once; ``all_kinds``: how many there are."""
    names: dict[str, list[str]] = {}
    for row in rows:
        names.setdefault(str(row | {"kind": ""}), []).append(row["kind"])
    for row in rows:
        same = names.pop(str(row | {"kind": ""}), None)
        if same is not None:
            yield row | {"kind": ", ".join(same) if len(same) < all_kinds else "every kind"}


def key_files() -> Iterator[dict[str, Any]]:
    """Yield the tables of key files."""
    from lowpanbudget.capture.files.key_file import DEVICES, TABLES  # noqa: PLC0415

    for name, text, table in TABLES:
        keys = [
            {"key": key, "takes": row.takes, "needed": row.needed, "default": row.default, "meaning": row.says}
            for key, row in table.items()
        ]  # fmt: skip
        yield {"name": f"[[{name}]]", "text": text, "keys": keys}
    yield {"name": "[devices]", "text": DEVICES, "keys": []}


def phys() -> list[dict[str, str]]:
    """Return the PHYs with their data rates, the one that is meant where none is named first."""
    from lowpanbudget.layers.link.phy import PHYS  # noqa: PLC0415

    unknown = "no timing is known here"
    return [
        {
            "PHY": phy.name,
            "kb/s": " or ".join(map(str, phy.rates)) or unknown,
            "µs an octet": " or ".join(f"{float(one.octet):g}" for one in phy.rates.values()),
            "largest frame": str(phy.largest),
            "FCS": str(phy.fcs),
        }
        for phy in PHYS.values()
    ]


ODD_BITS = (
    "Up to 8 bits a number has no byte order. A longer one is one unbroken run of bits where both orders agree. Where "
    "they do not it is cut into groups of 8 bits from its least significant one on, and the odd bits of its upper end "
    "are a group: byte order says which group goes first, bit order which bit of a group. The table shows 0xABC in 12 "
    "bits, then 0xD in 4."
)
_ODD = {
    ("big", "msb-first"): "A, B, C, each from its upper bit on",
    ("big", "lsb-first"): "the odd bits A, then BC, each from its lower bit on",
    ("little", "msb-first"): "BC, then the odd bits A, each from its upper bit on",
    ("little", "lsb-first"): "C, B, A, each from its lower bit on",
}


def orders() -> list[dict[str, str]]:
    """Return how the octets of a message lie in each pair of orders, as they are packed."""
    from decimal import Decimal  # noqa: PLC0415

    from lowpanbudget.payload.kinds.number import Number  # noqa: PLC0415
    from lowpanbudget.payload.message import Message  # noqa: PLC0415

    fields = tuple(
        Number(name, min=Decimal(0), max=Decimal(most), coding="offset")
        for name, most in (("long", 4095), ("short", 15))
    )
    rows = []
    for (first, bits), says in _ODD.items():
        form = Message("odd", fields, byte_order=first, bit_order=bits, layout="bit-packed")
        octets = form.pack({"long": 0xABC, "short": 0xD}).hex(" ")
        rows.append({"byte_order": first, "bit_order": bits, "octets": octets, "the number": says})
    return rows


@cache
def kind_names() -> frozenset[str]:
    """Return the names of all kinds of fields."""
    return frozenset(kind["name"] for kind in kinds())


def explained(entry: dict[str, Any], kind: str) -> dict[str, Any]:
    """Return a table or a kind of field as the explanation of a term."""
    titled = (
        f"{entry['name']}, a kind of field"
        if kind == "kind of field"
        else f"{entry['name']} in a {'key' if kind == _KEY_TABLE else 'design'} file"
    )
    return {
        "term": titled,
        "kind": kind,
        "text": entry["text"],
        **{key: entry[key] for key in ("sections", "keys", "written") if key in entry},
    }


def all_kinds() -> dict[str, Any]:
    """Return all kinds of fields with the keys that each must have."""
    rows = [
        {
            "kind": kind["name"],
            "must have": ", ".join(key["key"] for key in kind["keys"] if key["needed"]),
            "what it is": kind["text"],
        }
        for kind in kinds()
    ]
    text = (
        "What a message is made of. Each [[message.field]] says its kind, and all but elements of arrays and "
        "reserved bits have a name. Ask for a kind to see its keys and one that is written out."
    )
    return {
        "term": "field, [[message.field]] in a design file",
        "kind": "kinds of fields",
        "text": text,
        "rows": rows,
    }


@cache
def _schema() -> dict[str, Any]:
    from lowpanbudget.design.load import design_schema  # noqa: PLC0415

    return design_schema()


def _target(schema: dict[str, Any], reference: str) -> dict[str, Any]:
    target: dict[str, Any] = schema["$defs"][reference.removeprefix("#/$defs/")]
    return target


def _below(
    schema: dict[str, Any],
    table: dict[str, Any],
    path: str,
    *,
    listed: bool,
    whole: bool = False,
) -> Iterator[dict[str, Any]]:
    if path:
        head = f"[[{path}]]" if listed else f"[{path}]"
        yield {
            "name": head,
            "text": table.get("description", ""),
            "keys": _keys(schema, table, whole=whole),
        }
    for name, key in table["properties"].items():
        inner = f"{path}.{name}" if path else name
        if "$ref" in key:
            yield from _below(
                schema, _target(schema, key["$ref"]), inner, listed=False, whole=whole
            )
        elif "$ref" in key.get("items", {}):
            yield from _below(
                schema, _target(schema, key["items"]["$ref"]), inner, listed=True, whole=whole
            )


def _keys(
    schema: dict[str, Any], table: dict[str, Any], *, whole: bool = False
) -> list[dict[str, Any]]:
    """Return the keys of a table, required ones first."""
    needed = table.get("required", [])
    keys = [
        {
            "key": name,
            "takes": _takes(key, whole=whole),
            "needed": name in needed,
            "default": key.get("default"),
            "meaning": key.get("description", "") or _about(schema, key),
        }
        for name, key in table["properties"].items()
        if name != "kind"
    ]
    return sorted(keys, key=lambda row: not row["needed"])


def _about(schema: dict[str, Any], key: dict[str, Any]) -> str:
    reference = key.get("$ref") or key.get("items", {}).get("$ref")
    return _target(schema, reference).get("description", "") if reference else ""


def _takes(key: dict[str, Any], *, whole: bool = False) -> str:
    if "oneOf" in key or "oneOf" in key.get("items", {}):
        return "fields" if "items" in key else "a field"
    if "$ref" in key:
        return "table"
    if "anyOf" in key and key["anyOf"][-1].get("items") == key["anyOf"][0]:
        return (
            f"{_takes(key['anyOf'][0], whole=whole)}, or a list of {key['anyOf'][-1]['minItems']}"
        )
    if "anyOf" in key:
        return " or ".join(_takes(option, whole=whole) for option in key["anyOf"])
    if "enum" in key:
        words = [f'"{word}"' if isinstance(word, str) else str(word) for word in key["enum"]]
        if whole or len(words) <= _MOST_WORDS:
            return " or ".join(words)
        return " or ".join([*words[:_MOST_WORDS], f"{len(words) - _MOST_WORDS} more"])
    if "const" in key:
        return str(key["const"])
    if key.get("type") == "array":
        return "tables" if "$ref" in key.get("items", {}) else f"list of {_takes(key['items'])}"
    types = key.get("type", "")
    names = " or ".join(_TYPES[option] for option in ([types] if isinstance(types, str) else types))
    bounds = [f"{sign} {key[bound]}" for bound, sign in _BOUNDS if bound in key]
    if bounds == [">= 0"]:  # a count, as every whole number here that has no other bound
        bounds = []
    examples = [f'such as "{example}"' for example in key.get("examples", ())]
    return ", ".join([f"{names} {', '.join(bounds)}".rstrip(), *examples])
