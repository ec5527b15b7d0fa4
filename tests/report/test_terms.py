"""What can be asked for: every key of design and key files by its path, and each name first as design files mean it."""

import ast
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from contract.entry import invoke

from lowpanbudget.cli.commands import COMMANDS
from lowpanbudget.design.load import design_schema
from lowpanbudget.errors import RequestError
from lowpanbudget.report import terms


def explained(term: str) -> list[dict[str, Any]]:
    return [one.data for one in terms.explain(term)]


def paths(table: dict[str, Any], schema: dict[str, Any], at: str = "") -> Iterator[tuple[str, str]]:
    """Yield path and description of every key, from the schema that editors use."""
    for name, about in table["properties"].items():
        path = f"{at}.{name}".strip(".")
        reference = about.get("$ref") or about.get("items", {}).get("$ref", "")
        options = about.get("items", about).get("oneOf", [])
        for inner in [reference] if reference else [option["$ref"] for option in options]:
            if at.count("field") < 1:  # fields hold fields
                yield from paths(schema["$defs"][inner.rpartition("/")[2]], schema, path)
        if not reference and not path.endswith("kind"):
            yield path, about["description"]


def test_every_key_of_a_design_is_explained_by_its_path() -> None:
    schema = design_schema()
    known = list(paths(schema, schema))
    assert {"title", "link.addresses", "flow.every_s", "flow.coap.block2.size", "message.field.step"} <= {
        path for path, _ in known
    }  # fmt: skip
    for path, about in known:
        (found,) = explained(path)
        assert found["term"] == path
        assert about in {row["meaning"] for row in found["keys"]}


@pytest.mark.parametrize(
    "path", ["key.octets", "key.key_id_mode", "key.index", "key.source", "devices"]
)
def test_so_is_every_key_of_a_key_file(path: str) -> None:
    (found,) = explained(path)
    assert found["term"] in {path, f"[{path}] in a key file"}


@pytest.mark.parametrize(
    ("word", "term", "other"),
    [
        ("title", "title", ""),
        ("short", "station.short", ""),
        ("hops", "flow.hops", ""),
        ("every_s", "flow.every_s", ""),
        ("MTU", "network.mtu", ""),
        ("level", "link.security.level", "header level"),
        ("hop limit", "flow.hop_limit", "header hop limit"),
    ],
)
def test_a_name_means_first_what_design_files_mean(word: str, term: str, other: str) -> None:
    found = explained(word)
    assert found[0]["term"] == term
    if other:
        assert other in found[-1]["others"]
        assert explained(other)[0]["kind"] in {"field", "header", "listing"}


def test_modes_of_routing_are_words_and_say_what_to_write() -> None:
    """RFC 6550 section 6.3.1: non-storing, storing."""
    assert "no route" in explained("storing")[0]["text"]
    assert "route, which counts" in explained("non-storing")[0]["text"]


def test_without_a_term_it_fits_a_screen() -> None:
    for columns in ("80", "120"):
        lines = invoke("explain", COLUMNS=columns).stdout.splitlines()
        assert len(lines) <= 24
        assert max(map(len, lines)) <= int(columns)
    listed = json.loads(invoke("explain", "--json").stdout)
    names = {name for group in listed["tables"] for name in group["names"]}
    (found,) = json.loads(invoke("explain", "headers", "--json").stdout)["found"]
    assert set(", ".join(row["ask for"] for row in found["rows"]).split(", ")) == set(
        ", ".join(names).split(", ")
    )
    findings = invoke("explain", "findings").stdout
    assert all(name in findings for name in listed["findings"])


@pytest.mark.parametrize("figure", ["127", "102", "81"])
def test_figures_of_the_standard_are_terms(figure: str) -> None:
    """RFC 4944 section 4: 127 - 25 = 102, and 102 - 21 = 81."""
    (found,) = terms.explain(figure)
    assert all(number in found.text for number in ("127", "25", "102", "21", "81"))


@pytest.mark.parametrize(
    ("asked", "near"),
    [
        ("link.adresses", "link.addresses"),
        ("adresses", "link.addresses"),
        ("fragmnt", "fragment"),
        ("hop lmit", "hop limit"),
        ("nothing-to-judg", "nothing-to-judge"),
        ("checksum elision", "checksum"),  # a word of it is a term
        ("nonsense", "The nearest are"),
        ("zzzzzzzz", "All terms"),
    ],
)
def test_a_term_that_is_none_has_near_ones(asked: str, near: str) -> None:
    with pytest.raises(RequestError) as refused:
        terms.explain(asked)
    assert near in refused.value.hint
    if near[0].islower():
        assert near in refused.value.hint.split(" or ")[0].split(",")[0]


@pytest.mark.parametrize("asked", ["phy", "data_rate"])
def test_the_data_rates_stand_where_the_phy_is_explained(asked: str) -> None:
    """IEEE 802.15.4-2020 clause 10: 250 kb/s at 2.4 GHz, 20 at 868 MHz (BPSK), 50 of SUN FSK where none is stated."""
    rows = {row["PHY"]: row for row in explained(asked)[0]["rows"]}
    assert (rows["o-qpsk-2450"]["kb/s"], rows["o-qpsk-2450"]["µs an octet"]) == ("250", "32")
    assert (rows["bpsk-868"]["kb/s"], rows["bpsk-868"]["µs an octet"]) == ("20", "400")
    assert rows["sun-fsk"]["kb/s"].startswith("50 or ")


def written(title: ast.expr) -> str:
    """Return the title of a column as a module writes it; a unit that is put in stands as s."""
    if isinstance(title, ast.JoinedStr):
        values = [one.value if isinstance(one, ast.Constant) else "s" for one in title.values]
    else:
        values = [title.value] if isinstance(title, ast.Constant) else []
    return "".join(value for value in values if isinstance(value, str))


def titles() -> Iterator[str]:
    """Yield the titles of tables as the modules of screens write them."""
    for path in sorted((Path(terms.__file__).parent).glob("*_text.py")):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            table = None
            if isinstance(node, ast.Assign):
                name = ast.unparse(node.targets[0]).lower()
                table = node.value if name.endswith(("titles", "_cases")) else None
            elif isinstance(node, ast.Call) and ast.unparse(node.func).endswith(".table"):
                table = node.args[0]
            if isinstance(table, ast.List | ast.Tuple):
                yield from filter(None, map(written, table.elts))


# of explanations themselves
WRITTEN_OUT = {"key", "takes", "unless stated", "what it is"}


def test_every_column_and_every_command_is_explained() -> None:
    shown = set(titles()) - WRITTEN_OUT
    assert {"used", "half s", "µJ", "±", "95 % sure", "made smaller by"} <= shown
    assert not [
        title
        for title in shown
        if not all(one["kind"] == "column" for one in explained(f"column {title}"))
    ]
    for command, does in COMMANDS.items():
        found = json.loads(invoke("explain", command, "--json").stdout)["found"]
        assert (found[0]["kind"], found[0]["text"]) == ("command", does)


def test_a_column_stands_behind_a_key_or_a_word_of_its_name() -> None:
    (used,) = explained("used")
    assert used["kind"] == "column"
    assert explained("queue")[0]["others"] == ("column queue",)
    rows = json.loads(invoke("explain", "carry", "--json").stdout)["found"][0]["rows"]
    assert {"column": "used", "says": used["text"]} in rows
