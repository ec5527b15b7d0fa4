"""A new kind of field is one file: here it is put beside the others, and nothing else is touched."""

import ast
import json
import subprocess
import sys
from pathlib import Path

from house import MODULES, PACKAGE, nodes_of, tree_of

from lowpanbudget.payload.registry import all_kinds

ROOT = Path(__file__).parents[2]
MESSAGE = """

[[message]]
name = "vane"
byte_order = "big"
bit_order = "msb-first"
layout = "bit-packed"

[[message.field]]
kind = "version"
name = "version"
value = 1

[[message.field]]
kind = "bearing"
name = "wind_from"
"""

# `kinds` is the folder of kinds with one more place to look for them
PROBE = """
import json, sys
from lowpanbudget.payload import kinds
kinds.__path__.append(sys.argv[1])
from lowpanbudget import fit, load_design
from lowpanbudget.bits import Reader
from lowpanbudget.cli.main import run
from lowpanbudget.payload.c.source import generate
from lowpanbudget.payload.forms.encodings import ENCODINGS, encoded
from lowpanbudget.payload.search.worth import worths

design = load_design(sys.argv[2])
message = design.message("vane")
octets = message.pack({"wind_from": 200})
reader = Reader(octets)
message.read(reader)
form = message.to_construct()
print(json.dumps({
    "octets": octets.hex(),
    "values": {name: float(value) for name, value in message.unpack(octets).items()},
    "construct": form.build({"version": 1, "wind_from": 200}).hex(),
    "spans": [[span.offset_bits, span.bits, span.name] for span in reader.spans],
    "fits": [result.octets for result in fit(design, "vane")],
    "c": generate(message).header.text,
    "cddl": message.cddl(),
    "encodings": {
        e.name: (encoded(message, e.coder(message), {"wind_from": 200}).octets or b"").hex()
        for e in ENCODINGS if not e.missing
    },
    "worth": worths(message)[1].told.gives,
}), flush=True)
sys.argv = ["lowpanbudget", "explain", "bearing"]
run()
"""


def test_a_kind_is_added_with_one_file(tmp_path: Path) -> None:
    text = (ROOT / "tests/payload/bearing_kind.txt").read_text(encoding="utf-8")
    (tmp_path / "bearing.py").write_text(text, encoding="utf-8")
    design = tmp_path / "design.toml"
    example = (ROOT / "examples/archive.toml").read_text(encoding="utf-8")
    design.write_text(example + MESSAGE, encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", PROBE, str(tmp_path), str(design)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    line, _, explained = done.stdout.partition("\n")
    told = json.loads(line)
    # version 0001; 200 degrees are 8.9 sectors of 22.5, so sector 9: 1001
    assert told["octets"] == told["construct"] == "19"
    assert told["values"] == {"version": 1, "wind_from": 202.5}
    assert told["spans"] == [[0, 4, "version"], [4, 4, "wind_from"]]
    assert set(told["fits"]) == {1}
    assert "wind_from" in told["c"]
    assert "wind_from: 0..15" in told["cddl"]
    # JSON: RFC 8259; the version is a number as well
    assert bytes.fromhex(told["encodings"]["JSON, compact"]) == b'{"version":1,"wind_from":202.5}'
    assert all(told["encodings"].values())
    assert told["worth"] == "16 directions"
    assert "A direction, in equal sectors." in explained
    assert "sectors" in explained


MOST_TYPE_TESTS = 40


def test_few_places_ask_for_the_kind_of_a_field() -> None:
    """What differs from kind to kind stands in the kinds; counted over the whole package."""
    classes = {
        node.name
        for path in (PACKAGE / "payload/kinds").glob("*.py")
        for node in tree_of(path).body
        if isinstance(node, ast.ClassDef)
    }
    assert {kind.__name__ for kind in all_kinds().values()} <= classes
    found = []
    for path in MODULES:
        in_kinds = path.parent.name == "kinds"
        if not in_kinds and ".payload.kinds." not in path.read_text(encoding="utf-8"):
            continue
        known = {
            alias.asname or alias.name
            for node in nodes_of(path, ast.ImportFrom)
            if ".payload.kinds." in str(node.module)
            for alias in node.names
            if alias.name in classes
        }
        if in_kinds:
            known |= {node.name for node in tree_of(path).body if isinstance(node, ast.ClassDef)}
        for call in nodes_of(path, ast.Call):
            asks = getattr(call.func, "id", "") in {"isinstance", "issubclass"}
            if asks and any(
                isinstance(part, ast.Name) and part.id in known for part in ast.walk(call.args[1])
            ):
                found.append(f"{path.relative_to(PACKAGE)}:{call.lineno}")
    assert len(found) <= MOST_TYPE_TESTS, found
    assert found  # the count sees something
