"""encodings: the program's numbers are the library's, tables hold at 80 and 120 columns, nothing is cut."""

import json
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import cbor2
import pytest
from click.testing import Result
from contract import entry
from contract.entry import DESIGNS

Invoke = Callable[..., Result]

TOP = Path(__file__).parents[2]
EXAMPLES = [str(path) for path in DESIGNS]
FOOTBRIDGE = str(TOP / "examples/footbridge.toml")
ARCHIVE = str(TOP / "examples/archive.toml")
CASES = ("least", "typical", "greatest")


@cache
def in_json(path: str) -> Result:
    """Return what the command says of a whole design: a second of work."""
    return entry.invoke("encodings", path, "--json")


@pytest.mark.long
@pytest.mark.parametrize("path", EXAMPLES)
def test_octets_are_shown_as_they_were_counted(path: str) -> None:
    done = in_json(path)
    assert done.exit_code == 0, done.stderr
    answer = json.loads(done.stdout)
    assert answer["version"] == 1
    for one in answer["encodings"]:
        assert {case: len(text) // 2 for case, text in one["wire"].items()} == one["octets"]
        if one["encoding"].startswith("CBOR"):
            for text in one["wire"].values():
                cbor2.loads(bytes.fromhex(text))
        # of any values: never less than a message shown, and the octets are shown of one that takes it
        assert one["largest_is"] == "found"
        assert one["largest"] == len(one["largest_wire"]) // 2
        assert one["largest"] >= max(one["octets"].values())
        if one["encoding"] == "JSON, compact":
            for text in one["wire"].values():
                assert json.loads(bytes.fromhex(text))


def test_tables_hold_every_number(invoke: Invoke) -> None:
    answer = json.loads(in_json(ARCHIVE).stdout)["encodings"]
    for columns in (40, 80, 120):
        shown = invoke("encodings", ARCHIVE, COLUMNS=str(columns)).stdout
        assert_holds(shown, answer, columns)


def assert_holds(shown: str, answer: list[dict[str, Any]], columns: int) -> None:
    assert all(len(line) <= columns for line in shown.splitlines())
    for one in answer if columns > 40 else ():
        sizes = "  ".join(f"{one['octets'][case]}" for case in CASES).split()
        lines = [
            line.split() for line in shown.splitlines() if line.strip().startswith(one["encoding"])
        ]
        sizes.append(str(one["largest"]))
        assert any(sizes == [word for word in line if word.isdigit()][:4] for line in lines)
        for place in one["places"]:
            counts = (place["frames"]["typical"], place["largest_frames"])
            told = dict.fromkeys("-" if count is None else f"{count}" for count in counts)
            frames = " to ".join(told)
            spare = place["largest_spare"]
            left = f"{spare} left" if spare >= 0 else f"{-spare} over"
            verdict = f"{frames}, {left}{'' if place['fits'] else ' NO'}"
            assert verdict in shown.replace("  ", " ")


def test_one_message_alone_and_what_is_assumed(invoke: Invoke) -> None:
    shown = invoke("encodings", FOOTBRIDGE, "--message", "features", COLUMNS="120").stdout
    assert "Message features in" in shown
    assert "Message readings" not in shown
    words = " ".join(shown.split())
    answer = json.loads(invoke("encodings", FOOTBRIDGE, "--message", "features", "--json").stdout)
    assert len(answer["encodings"]) > 5
    for one in answer["encodings"]:
        assert " ".join(one["note"].split()) in words


def test_a_message_that_is_not_there_is_a_wrong_request(invoke: Invoke) -> None:
    done = invoke("encodings", ARCHIVE, "--message", "climte")
    assert done.exit_code == 2
    assert "climate" in done.stderr


def test_what_cannot_be_said_and_what_errs_is_told(invoke: Invoke, tmp_path: Path) -> None:
    text = Path(ARCHIVE).read_text(encoding="utf-8")
    extra = """
[[message]]
name = "odd"
byte_order = "big"
bit_order = "msb-first"
layout = "bit-packed"

[[message.field]]
kind = "number"
name = "ticks"
min = 0
max = 9007199254740993
unit = "count"

[[message.field]]
kind = "array"
name = "r"
max_length = 3
optional = true
typically_present = false

[message.field.element]
kind = "group"

[[message.field.element.field]]
kind = "boolean"
name = "b"
optional = true
"""
    path = tmp_path / "odd.toml"
    path.write_text(text + extra, encoding="utf-8")
    shown = invoke("encodings", str(path), "--message", "odd", COLUMNS="120").stdout
    # 2**53 + 1 is the first whole number that a double cannot hold (IEEE 754)
    assert "with errors: ticks up to 1 count" in shown
