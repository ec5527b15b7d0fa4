"""Every name in the JSON of every command is explained: what a program reads need not be guessed."""

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from contract.entry import invoke

import lowpanbudget
from lowpanbudget.cli.commands import COMMANDS
from lowpanbudget.cli.json_names import names_told
from lowpanbudget.cli.json_table import NAMES
from lowpanbudget.fields import Choice, Header
from lowpanbudget.layers import catalogue
from lowpanbudget.payload.search.receiver import Outcome

ARCHIVE, FOOTBRIDGE = "examples/archive.toml", "examples/footbridge.toml"
CAPTURE, FULL = "examples/archive.pcap", "examples/footbridge.pcap"
QUICK = {"annotate", "compress", "decompress", "fit", "pack", "schema", "unpack", "weigh"}
SEEN: list[tuple[str, ...]] = [
    ("airtime", ARCHIVE), ("airtime", FOOTBRIDGE),
    ("annotate", FULL, "--design", FOOTBRIDGE), ("annotate", CAPTURE, "--list", "--design", ARCHIVE),
    ("annotate", CAPTURE, "--design", ARCHIVE, *(f"--frame={n}" for n in range(20, 50))),
    ("annotate", "nothing.pcap"), ("fit", "tests/cli/test_json_names.py"),
    ("audit", CAPTURE, "--design", ARCHIVE), ("audit", FULL), ("audit", CAPTURE, CAPTURE, "--together"),
    ("budget", ARCHIVE), ("budget", FOOTBRIDGE, "--octets", "60"), ("budget", ARCHIVE, "--hops", "1..4"),
    ("carry", ARCHIVE), ("carry", FOOTBRIDGE, "--burst", "hundred"),
    ("compatible", ARCHIVE, ARCHIVE),
    ("compress", "6000000000083a40fe800000000000000000000000000001fe8000000000000000000000000000020102030405060708"),
    ("decompress", "7e33f3121a2b48656c6c6f", "--source", "0001", "--destination", "0002"),
    ("encodings", ARCHIVE), ("expand", CAPTURE, "-o", "OUT/a.pcap"), ("fit", ARCHIVE), ("fit", FOOTBRIDGE),
    ("generate", ARCHIVE, "climate", "-o", "OUT/c"), ("init", "OUT/i.toml"),
    ("measure", CAPTURE, "--design", ARCHIVE), ("measure", FULL, "--design", FOOTBRIDGE, "--burst", "hundred"),
    ("pack", ARCHIVE, "door_alarm", "door=south", "open=true", "open_for=30", "light=120"),
    ("page", CAPTURE, "-o", "OUT/p.html"), ("page", ARCHIVE, "-o", "OUT/q.html"),
    ("shrink", "OUT/a.pcap", "--design", ARCHIVE, "--plain", "-o", "OUT/b.pcap"),
    ("survey", CAPTURE, "--design", ARCHIVE), ("survey", CAPTURE, "--by", "time", "--every", "10 min"),
    ("sweep", ARCHIVE), ("explain",), ("explain", "iphc"), ("explain", "link"), ("explain", "room"),
    ("explain", "uint"), ("explain", "tsch"), ("explain", "number"), ("explain", "header IPHC"),
    ("explain", "context-table-differs"), ("explain", "link.pan_id"),
    ("explain", "rfc6282 3.1.1"), ("explain", "measure"),
    ("unpack", ARCHIVE, "door_alarm", "1270fa0000"), ("weigh", ARCHIVE), ("schema",),
]  # fmt: skip
# what stands below is named by somebody else: the design, a standard, a reason in words, a number
OPEN = {
    "layers", "mac", "values", "units", "rounded", "layer_bits", "natures", "reasons", "received", "protection",
    "parts_ua", "fields", "memory", "given",
}  # fmt: skip
OPEN_IN = {
    ("expand", "left_out"),
    ("shrink", "left_out"),
    ("measure", "hops"),
    ("schema", "mapping"),
}
NAMED = {
    "$defs",
    "properties",
}  # the names right below are of a design file; below them the words of JSON Schema go on


def names(value: Any, command: str) -> Iterator[str]:
    """Yield the names in plain data, without those that others gave."""
    if isinstance(value, list):
        for item in value:
            yield from names(item, command)
    if isinstance(value, dict):
        for name, item in value.items():
            yield name
            if command == "schema" and name in NAMED and isinstance(item, dict):
                yield from names([*item.values()], command)
            elif name not in OPEN and (command, name) not in OPEN_IN:
                yield from names(item, command)


def unexplained(calls: list[tuple[str, ...]], folder: str) -> dict[str, set[str]]:
    """Return the names that these calls print and nothing explains, by command."""
    found: dict[str, set[str]] = {}
    for command, *arguments in calls:
        done = invoke(command, *(one.replace("OUT", folder) for one in arguments), "--json")
        assert done.stdout, (command, done.stderr)
        missing = set(names(json.loads(done.stdout), command)) - names_told(command)
        if missing:
            found.setdefault(command, set()).update(missing)
    return found


def test_names_of_quick_commands_are_explained(tmp_path: Path) -> None:
    assert unexplained([call for call in SEEN if call[0] in QUICK], str(tmp_path)) == {}


def test_names_of_headers_are_told_or_are_those_of_their_tables() -> None:
    """RFC 6282 sections 3.1.1 and 4.3, and what the decoder makes of their bits: contexts, NH, byte code (RFC 7400)."""
    hex_, *ends = next(call[1:] for call in SEEN if call[0] == "decompress")
    fields = {
        (part.label if isinstance(part, Choice) else part.name).lower().replace(" ", "_")
        for entry in catalogue.entries()
        if isinstance(entry.table, Header)
        for part in entry.table.fields
    }
    layers = json.loads(invoke("decompress", hex_, *ends, "--json").stdout)["layers"]
    found = {name for layer in layers for name in layer}
    assert {"nhc", "contexts", "generic", "source_port"} < found
    assert found <= fields | names_told("decompress")
    assert found <= fields | names_told("annotate")


@pytest.mark.long
def test_every_name_is_explained(tmp_path: Path) -> None:
    assert {call[0] for call in SEEN} == set(NAMES)
    assert unexplained(SEEN, str(tmp_path)) == {}


def test_every_command_is_there() -> None:
    assert set(NAMES) == set(COMMANDS)


# draft-bhutton-json-schema-01 sections 8 and 10, draft-bhutton-json-schema-validation-01 sections 6 and 9 (from memory)
VOCABULARY = (
    "$schema $id $ref $defs $comment allOf anyOf oneOf not if then else properties patternProperties "
    "additionalProperties propertyNames prefixItems items contains type enum const multipleOf maximum exclusiveMaximum "
    "minimum exclusiveMinimum maxLength minLength pattern maxItems minItems uniqueItems required title description "
    "default examples"
)
DISCRIMINATOR = {"discriminator", "propertyName", "mapping"}  # OpenAPI 3.1 section 4.8.25


def test_words_of_a_schema_are_those_of_its_standard() -> None:
    told = set(NAMES["schema"].other)
    assert told == set(names(json.loads(invoke("schema").stdout), "schema"))
    assert told - set(VOCABULARY.split()) == DISCRIMINATOR


def test_words_of_the_table_are_names_of_python() -> None:
    """Each ``Class.name`` in it is there: where JSON and Python differ, the table says how Python calls it."""
    words = " ".join(text for told in NAMES.values() for text in told.other.values())
    pairs = re.findall(r"\b([A-Z][a-z]\w+)\.([a-z_]\w*)", words)
    assert len(pairs) > 30
    for kind, name in pairs:
        assert hasattr(getattr(lowpanbudget, kind), name), f"{kind}.{name}"


@pytest.mark.parametrize("command", ["measure", "fit"])
def test_names_are_explained_by_the_command(command: str) -> None:
    (found,) = json.loads(invoke("explain", "json", command, "--json").stdout)["found"]
    rows = {(row["of"], row["name"]): row["says"] for row in found["rows"]}
    if command == "measure":
        assert rows["", "outside_plan"].startswith("Measurement.is_outside")
        assert "no MAC header" in rows["Measurement", "without_header"]
    shown = invoke("explain", "json", command).stdout
    assert f"JSON of lowpanbudget {command}" in shown
    assert "version" in shown


def test_each_name_of_a_comparison_has_a_text_of_its_own() -> None:
    """What a program must compare with stands there as well."""
    (found,) = json.loads(invoke("explain", "json", "compatible", "--json").stdout)["found"]
    rows = {(row["of"], row["name"]): row["says"] for row in found["rows"] if row["of"]}
    assert all(rows.values())
    assert len(set(rows.values())) >= len(rows) - 1  # a change and all of them are read alike
    assert not any("'" in said for said in rows.values())  # none speaks of another name
    for outcome in Outcome:
        assert outcome.value in rows["Change", "outcome"]


def test_who_asks_for_all_is_told_how_to_ask() -> None:
    assert "explain json COMMAND" in " ".join(invoke("explain", "json").stdout.split())
