"""The message language as it is told: every kind has a field written out, a row in the README, a place in the examples.

``python tests/design/test_kinds.py`` writes the table of the README anew.
"""

import re
import tomllib
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from lowpanbudget.design.messages import MessageShape, to_message
from lowpanbudget.design.table import json_schema
from lowpanbudget.design.takes import ShapeFlaw, ValuePlace
from lowpanbudget.payload.registry import all_kinds
from lowpanbudget.report.design_keys import kinds, tables

ROOT = Path(__file__).parents[2]
README = ROOT / "README.md"
START, END = (
    "<!-- kinds of fields: `python tests/design/test_kinds.py` writes them -->\n",
    "<!-- end of kinds -->",
)
WRITTEN = {word: kind.written for word, kind in all_kinds().items()}
HEAD = (
    '[[message]]\nname = "m"\nbyte_order = "big"\nbit_order = "msb-first"\nlayout = "bit-packed"\n'
)
BEFORE = {"time-offset": "time", "union": "enumeration"}  # what it refers to
SHARED = {"name", "note", "optional", "typically_present", "at"}


def table() -> str:
    lines = ["| kind | must have | may have | what it is |", "|---|---|---|---|"]
    for kind in kinds():
        needed, other = (
            ", ".join(
                f"`{key['key']}`"
                for key in kind["keys"]
                if key["needed"] is must and key["key"] not in SHARED
            )
            for must in (True, False)
        )
        lines.append(f"| `{kind['name']}` | {needed} | {other} | {kind['text']} |")
    return "\n".join(lines) + "\n"


def test_the_readme_has_the_table() -> None:
    text = README.read_text(encoding="utf-8")
    assert text.partition(START)[2].partition(END)[0] == table()


def test_every_kind_is_told() -> None:
    """Against the schema that judges design files; and what its bits are, for who reads them without this tool."""
    assert all(kind["sections"][0]["text"] for kind in kinds())
    mapping = json_schema(MessageShape)["properties"]["field"]["items"]["discriminator"]["mapping"]
    assert {kind["name"] for kind in kinds()} == set(mapping)
    assert {"[link]", "[[station]]", "[[flow]]", "[[message]]", "[flow.coap]"} <= {
        one["name"] for one in tables()
    }


@pytest.mark.parametrize("kind", WRITTEN)
def test_what_is_written_out_is_a_message(kind: str) -> None:
    before = BEFORE.get(kind)
    parts = [HEAD] + [
        f"[[message.field]]\n{WRITTEN[one]}\n"
        for one in (before, "boolean" if before is None else None, kind)
        if one
    ]
    if kind == "boolean":
        parts.pop()
    data = tomllib.loads("".join(parts), parse_float=Decimal)
    flaws: list[ShapeFlaw] = []
    made = to_message(MessageShape.read(data["message"][0], ValuePlace((), flaws)))
    assert not flaws
    assert any(field.kind == kind for field in made.fields)
    values = made.example("typical")
    assert made.unpack(made.pack(values)) == values


def used() -> set[tuple[str, str, Any]]:
    """Return every kind and key in the messages of the examples, with the values of those that are words."""
    found: set[tuple[str, str, Any]] = set()

    def field(one: dict[str, Any]) -> None:
        for key, value in one.items():
            found.add(
                (one["kind"], key, value if isinstance(value, str | bool) else type(value).__name__)
            )
        for inner in (*one.get("field", ()), *([one["element"]] if "element" in one else [])):
            field(inner)
        for option in one.get("option", ()):
            for inner in option.get("field", ()):
                field(inner)

    for name in ("archive.toml", "footbridge.toml"):
        data = tomllib.loads(
            (ROOT / "examples" / name).read_text(encoding="utf-8"), parse_float=Decimal
        )
        for message in data["message"]:
            found |= {
                ("message", key, message[key]) for key in ("byte_order", "bit_order", "layout")
            }
            for one in message["field"]:
                field(one)
    return found


def test_the_examples_use_the_whole_language_between_them() -> None:
    """Every kind, every key of its own, every choice of words, against the schema that judges design files."""
    there = used()
    pairs = {(kind, key) for kind, key, _ in there}
    missing = []
    for kind in kinds():
        for key in kind["keys"]:
            name = key["key"]
            if name not in SHARED and (kind["name"], name) not in pairs:
                missing.append(f"{kind['name']}.{name}")
            if name not in SHARED and key["takes"].startswith('"'):
                words = re.findall(r'"([^"]+)"', key["takes"])
                missing += [
                    f"{kind['name']}.{name} = {word}"
                    for word in words
                    if (kind["name"], name, word) not in there and word != key["default"]
                ]
    assert not missing, missing
    for key in ("optional", "typically_present", "note", "at"):
        assert any(name == key for _, name in pairs), key
    for orders in (
        ("byte_order", "big"),
        ("byte_order", "little"),
        ("bit_order", "msb-first"),
        ("bit_order", "lsb-first"),
        ("layout", "bit-packed"),
        ("layout", "octet-aligned"),
    ):
        assert ("message", *orders) in there
    # special codes and names both ways: a list, and codes of the author's own
    for pair in (("number", "special"), ("enumeration", "names")):
        assert {(*pair, "list"), (*pair, "dict")} <= there


def write() -> None:
    head, _, rest = README.read_text(encoding="utf-8").partition(START)
    README.write_text(f"{head}{START}{table()}{END}{rest.partition(END)[2]}", encoding="utf-8")


if __name__ == "__main__":
    write()


def test_no_word_of_other_languages_is_a_kind_or_means_two() -> None:
    words = [word for kind in all_kinds().values() for word in kind.called]
    assert len(set(words)) == len(words)
    assert not {*words} & {*all_kinds()}
