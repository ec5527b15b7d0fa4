"""budget, fit and explain: the numbers are the library's, the words those of tables and design files."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result
from contract.entry import DESIGNS

Invoke = Callable[..., Result]

TOP = Path(__file__).parents[2]
EXAMPLES = [str(path) for path in DESIGNS]
FOOTBRIDGE = str(TOP / "examples/footbridge.toml")
ARCHIVE = str(TOP / "examples/archive.toml")


@pytest.mark.parametrize("path", EXAMPLES)
def test_budget_adds_up_to_the_frame(invoke: Invoke, path: str) -> None:
    """IEEE 802.15.4: a frame at 2.4 GHz has at most 127 octets (aMaxPHYPacketSize); headers and room fill it."""
    done = invoke("budget", path, "--json")
    assert done.exit_code == 0, done.stderr
    answer = json.loads(done.stdout)
    assert answer["version"] == 1
    for one in answer["budget"]:
        spans = one["ledger"]["spans"]
        assert sum(span["bits"] for span in spans) == 8 * one["ledger"]["octets"] <= 8 * 127
        payload = sum(span["bits"] for span in spans if span["layer"] == "payload")
        assert payload == 8 * one["room"]
        assert one["cliffs"][0] == [one["room"], 1]
        assert all(change["gain"] > 0 and not change["caution"] for change in one["savings"])
        assert all(change["caution"] for change in one["weaker"])


def test_budget_shows_every_flow_and_keeps_advice_and_weakening_apart(invoke: Invoke) -> None:
    shown = invoke("budget", ARCHIVE, COLUMNS="100").stdout
    answer = json.loads(invoke("budget", ARCHIVE, "--json").stdout)["budget"]
    for one in answer:
        assert (
            f"{one['flow']}, {one['hop']} hop, {one['direction']}: room for {one['room']}" in shown
        )
    flow = shown.split("room for")[1]
    advice, _, rest = flow.partition("they are no advice")
    for change in answer[0]["savings"]:
        assert change["text"] in advice
    for change in answer[0]["weaker"]:
        assert change["text"] not in advice
        assert change["text"] in rest
        assert "caution:" in rest


def test_the_ledger_is_there_for_one_flow(invoke: Invoke) -> None:
    all_flows = invoke("budget", FOOTBRIDGE).stdout
    one_flow = invoke("budget", FOOTBRIDGE, "--flow", "features").stdout
    assert "sequence number =" not in all_flows
    assert "sequence number =" in one_flow
    assert "--ledger shows every octet" in all_flows
    assert "sequence number =" in invoke("budget", FOOTBRIDGE, "--ledger").stdout


@pytest.mark.parametrize("path", EXAMPLES)
def test_fit_tiles_each_message(invoke: Invoke, path: str) -> None:
    done = invoke("fit", path, "--json")
    answer = json.loads(done.stdout)["fit"]
    assert done.exit_code == (0 if all(one["fits"] for one in answer) else 1)
    for one in answer:
        at = 0
        for entry in one["bitmap"]:
            assert entry["offset"] == at
            at += entry["bits"]
        assert at == 8 * one["octets"]
        assert one["spare"] == one["room"] - one["octets"]


def test_fit_of_one_flow(invoke: Invoke) -> None:
    """Its rows are those that all flows have, and what is said of the design is about its messages alone."""
    whole = json.loads(invoke("fit", ARCHIVE, "--json").stdout)
    one = json.loads(invoke("fit", ARCHIVE, "--flow", "alarm", "--json").stdout)
    assert one["fit"] == [row for row in whole["fit"] if row["flow"] == "alarm"] != []
    assert all("door_alarm" in found["subject"] for found in one["findings"])
    for args, says in (
        (("--flow", "alrm"), "no flow 'alrm'"),
        (("--flow", "alarm", "--message", "climate"), "It carries door_alarm"),
    ):
        done = invoke("fit", ARCHIVE, *args)
        assert (done.exit_code, done.stdout) == (2, "")
        assert says in done.stderr


def test_fit_says_no_and_what_would_help(invoke: Invoke, tmp_path: Path) -> None:
    """The snapshot of 1152 octets in one frame of at most 127: no, whatever is changed."""
    text = Path(FOOTBRIDGE).read_text("utf-8")
    lines = [line for line in text.splitlines() if not line.startswith("most_frames")]
    file = tmp_path / "design.toml"
    file.write_text("\n".join(lines), "utf-8")
    done = invoke("fit", str(file), "--message", "snapshot")
    assert done.exit_code == 1
    assert "DOES NOT FIT" in done.stdout
    assert "No change that keeps the protection gives that much" in " ".join(done.stdout.split())


def test_schema_is_a_schema_and_takes_json(invoke: Invoke) -> None:
    schema = json.loads(invoke("schema", "--json").stdout)
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert {"link", "flow", "message"} <= set(schema["properties"])


# --- explain ------------------------------------------------------------------------------------------


def explained(invoke: Invoke, *term: str) -> list[dict[str, object]]:
    done = invoke("explain", *term, "--json")
    assert done.exit_code == 0, done.stderr
    found: list[dict[str, object]] = json.loads(done.stdout)["found"]
    return found


def test_a_header_table_as_its_standard_prints_it(invoke: Invoke) -> None:
    """RFC 6282 section 3.1.1: fields and widths, and the octets of HLIM, SAM and the multicast forms."""
    (header,) = explained(invoke, "iphc")
    widths = [field["bits"] for field in header["fields"]]  # type: ignore[attr-defined]
    assert widths == [3, 2, 1, 2, 1, 3, 4]
    tables = {choice["name"]: choice["rows"] for choice in header["choices"]}  # type: ignore[attr-defined]
    octets = {name: [row["octets"] for row in rows] for name, rows in tables.items()}
    assert octets["hop limit form (HLIM)"] == [1, 0, 0, 0]
    assert octets["source address mode (SAC SAM)"] == [16, 8, 2, 0, 0, 8, 2, 0]
    multicast = tables["destination address mode (M DAC DAM)"][8:]
    assert [row["octets"] for row in multicast[:5]] == [16, 6, 4, 1, 6]
    assert [row["reserved"] for row in multicast] == [False] * 5 + [True] * 3
    assert header["link"] == "https://www.rfc-editor.org/rfc/rfc6282#section-3.1.1"


@pytest.mark.parametrize(
    ("term", "name"),
    [
        ("hlim", "hop limit form (HLIM)"),
        ("Hop Limit Form", "hop limit form (HLIM)"),
        ("sam", "source address mode (SAC SAM)"),
        ("source address mode (SAC SAM)", "source address mode (SAC SAM)"),
        ("datagram_tag", "datagram_tag"),
        ("nhc", "LOWPAN_NHC"),
        ("frame control", "MAC (control)"),
        ("room", "room"),
        ("design file", "design file"),
        ("DISPATCH", "6LoWPAN dispatch, page 0"),
    ],
)
def test_terms_are_found_under_the_names_that_people_use(
    invoke: Invoke, term: str, name: str
) -> None:
    assert explained(invoke, *term.split())[0]["term"] == name


def test_every_listed_term_can_be_asked_for(invoke: Invoke) -> None:
    listed = json.loads(invoke("explain", "--json").stdout)
    names = [*listed["words"], *(name for group in listed["tables"] for name in group["names"])]
    assert {"room", "IPHC", "FRAG1", "MAC"} <= set(names)
    for name in names:
        assert explained(invoke, name), name
        assert invoke("explain", name, COLUMNS="70").exit_code == 0


def test_the_message_language_can_be_asked_for(invoke: Invoke) -> None:
    listed = json.loads(invoke("explain", "--json").stdout)
    assert {"[link]", "[[flow]]", "[[message]]"} <= set(listed["design"])
    assert {"number", "series", "union"} <= set(listed["kinds"])
    for name in (*listed["design"], *listed["kinds"], "field"):
        assert explained(invoke, name), name
        shown = invoke("explain", name, COLUMNS="60")
        assert shown.exit_code == 0
        assert max(map(len, shown.stdout.splitlines())) <= 60, name
    (number,) = explained(invoke, "number")
    assert 'kind = "number"' in str(number["written"])
    word, table = explained(invoke, "message")
    assert word["kind"] == "word"
    needed = {key["key"] for key in table["keys"] if key["needed"]}  # type: ignore[attr-defined]
    assert needed == {"name", "byte_order", "bit_order", "layout", "field"}


def test_every_name_in_a_ledger_of_header_tables_is_explained(invoke: Invoke) -> None:
    answer = json.loads(invoke("budget", ARCHIVE, "--json").stdout)["budget"]
    names = {
        span["name"] for one in answer for span in one["ledger"]["spans"] if span["bits"] % 8 != 0
    }
    parts = {"source port", "destination port", "source context (SCI)", "destination context (DCI)"}
    parts |= {"option delta", "option length"}  # in a list, not in a header
    for name in names - parts:  # parts of what a row carries in line are told with their row
        assert invoke("explain", name).exit_code == 0, name


@pytest.mark.parametrize("term", ["zzz", "hop", "\x1b[2J", "§", "a" * 500])
def test_terms_that_are_none(invoke: Invoke, term: str) -> None:
    done = invoke("explain", term)
    assert done.exit_code == (0 if term == "hop" else 2)
    assert "\x1b" not in done.stderr
    assert len(done.stderr.splitlines()) <= 3
