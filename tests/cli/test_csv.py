"""Tables for other programs: the standard library's reader gives back what --json has, and nothing runs."""

import csv
import io
import json
from pathlib import Path

import pytest
from contract import air, shelf
from contract.entry import DESIGNS, invoke
from hypothesis import given
from hypothesis import strategies as st

from lowpanbudget.report.csv_table import csv_of, lines_of


def table(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text, newline=""), strict=True))


@given(st.lists(st.lists(st.text("=+-@\t\r\n;,\"' a1.%|", max_size=6), min_size=2, max_size=2)))
def test_quotes_and_formulas(rows: list[list[str]]) -> None:
    """RFC 4180 section 2, rules 5 to 7; what a spreadsheet would run begins with an apostrophe.

    So does a text of apostrophes alone, since one alone is the cell of a text that is there and empty.
    """
    read = list(csv.reader(io.StringIO(lines_of(rows), newline=""), strict=True))
    assert len(read) == len(rows)
    for line, wanted in zip(read, rows, strict=True):
        for cell, text in zip(line, wanted, strict=True):
            assert cell in {text, f"'{text}"}
            bare = text.lstrip("'")
            is_number = bare == bare.strip() and _is_float(bare)
            is_run = not is_number and bare.strip(" ")[:1] in {*"=+-@%|\t\r\n"}
            assert (cell != text) == (is_run or (not bare and bool(text)))


def _is_float(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def test_what_cells_hold() -> None:
    rows = [{"a": None, "b": -5, "c": 0.25, "d": True, "e": ["=1", 2], "f": {"g": "@x"}}]
    assert csv_of(("a", "b", "c", "d", "e", "f.g", "h.i"), rows) == (
        "a,b,c,d,e,f.g,h.i\r\n,-5,0.25,true,'=1; 2,'@x,\r\n"
    )


@pytest.mark.parametrize(
    ("command", "key"),
    [
        (("budget", DESIGNS[0]), "budget"),
        (("fit", DESIGNS[0], "--message", "climate"), "fit"),
        (("encodings", DESIGNS[0], "--message", "climate"), "encodings"),
        (("audit", "examples/archive.pcap"), "audit"),
        (("survey", "examples/archive.pcap"), "survey"),
        (("annotate", "examples/archive.pcap", "--list", "--until", "300"), "list"),
    ],
    ids=lambda value: value[0] if isinstance(value, tuple) else value,
)
def test_a_table_has_what_json_has(command: tuple[str, ...], key: str) -> None:
    done, whole = invoke(*command, "--csv"), invoke(*command, "--json")
    assert done.exit_code == whole.exit_code
    rows, wanted = table(done.stdout), json.loads(whole.stdout)[key]
    if key == "audit":
        wanted = [{"capture": one["capture"], **row} for one in wanted for row in one["findings"]]
    if key == "survey":
        parts = ("flows", "nodes", "kinds")
        wanted = [wanted["total"], *(row for part in parts for row in wanted[part])]
        wanted = [row | {"name": row["address"]} if "address" in row else row for row in wanted]
    assert len(rows) == len(wanted) > 0
    for row, facts in zip(rows, wanted, strict=True):
        told = {name: text for name, text in row.items() if name in facts and text}
        assert len(told) > 2
        for name, text in told.items():
            value = facts[name]
            if isinstance(value, str):
                assert text in {value, f"'{value}"}
            elif isinstance(value, int | float) and not isinstance(value, bool):
                assert text == str(value)
            elif isinstance(value, list):
                assert text == "; ".join(map(str, value))


def test_tables_of_a_budget_have_what_json_has() -> None:
    """Ledger and changes are tables of their own; the bits of a frame's spans are those of the frame."""
    budgets = json.loads(invoke("budget", DESIGNS[0], "--json").stdout)["budget"]
    ledger = table(invoke("budget", DESIGNS[0], "--csv", "--table", "ledger").stdout)
    spans = [(one["flow"], one["hop"], span) for one in budgets for span in one["ledger"]["spans"]]
    assert len(ledger) == len(spans) > 0
    for row, (flow, hop, span) in zip(ledger, spans, strict=True):
        assert (row["flow"], row["hop"], row["layer"], row["name"]) == (
            flow,
            hop,
            span["layer"],
            span["name"],
        )
        assert (int(row["offset_bits"]), int(row["bits"])) == (span["offset_bits"], span["bits"])
        assert row["cite"] == (span["cite"] or "")
    assert ledger == table(invoke("budget", DESIGNS[0], "--csv", "--ledger").stdout)
    changes = table(invoke("budget", DESIGNS[0], "--csv", "--table", "changes").stdout)
    wanted = [
        (one["flow"], kind, change["id"], str(change["gain"]))
        for one in budgets
        for kind in ("savings", "weaker", "stronger")
        for change in one[kind]
    ]
    assert [(row["flow"], row["kind"], row["id"], row["gain"]) for row in changes] == wanted
    assert all(row["caution"] for row in changes if row["kind"] == "weaker")
    assert invoke("budget", DESIGNS[0], "--table", "ledger").exit_code == 2


def test_a_table_of_the_settings_that_carry_a_payload() -> None:
    asked = ("budget", DESIGNS[0], "--octets", "90")
    done, whole = invoke(*asked, "--csv"), invoke(*asked, "--json")
    assert done.exit_code == whole.exit_code
    flows = json.loads(whole.stdout)["carrying"]
    wanted = [
        (one["flow"], "" if several is None else "; ".join(several["ids"]))
        for one in flows
        for several in (one["sets"] or [None])
    ]
    assert [(row["flow"], row["set.ids"]) for row in table(done.stdout)] == wanted
    assert any(ids for _, ids in wanted)


def test_two_forms_at_once_are_refused() -> None:
    for command in ("budget", "fit", "encodings", "audit", "survey", "measure", "annotate"):
        done = invoke(command, "x", "--csv", "--json")
        assert done.exit_code == 2, command
        assert "two ways" in done.stderr
    assert invoke("annotate", "examples/archive.pcap", "--csv").exit_code == 2


def test_a_name_that_would_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The name of a file is somebody else's text."""
    shelf.written(tmp_path / "=1+1.pcap", air.mixed(30))
    monkeypatch.chdir(tmp_path)
    rows = table(invoke("audit", "=1+1.pcap", "--csv").stdout)
    assert {row["capture"] for row in rows} == {"'=1+1.pcap"}
