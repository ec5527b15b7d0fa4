"""What can be asked for: keys of files by paths, each name first as it is meant most, clauses by numbers."""

import ast
import json
import re
import tomllib
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from contract.entry import invoke

from lowpanbudget.cites import named_in
from lowpanbudget.cli.commands import COMMANDS
from lowpanbudget.design.load import design_schema
from lowpanbudget.errors import RequestError
from lowpanbudget.fields import Header
from lowpanbudget.findings.finding import Severity
from lowpanbudget.layers import catalogue
from lowpanbudget.payload.kinds.series import Series
from lowpanbudget.payload.message import Message
from lowpanbudget.report import clauses, csv_table, known_terms, terms
from lowpanbudget.report.design_keys import kind_names


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


def test_a_key_of_fields_names_the_kinds_that_have_it() -> None:
    """special is taken by numbers alone; a note by every kind."""
    for key, kinds in (("special", "number"), ("element", "array"), ("note", "every kind")):
        (found,) = explained(f"message.field.{key}")
        assert [row["kind"] for row in found["keys"]] == [kinds]


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


@pytest.mark.parametrize(
    ("asked", "term", "says"),
    [  # RFC 4919 section 2: "the maximum physical layer packet is 127 bytes", 102 of them for what is above the MAC
        ("MAC", "medium access control (MAC)", "acknowledged"),
        ("MAC layer", "medium access control (MAC)", "Above it stands 6LoWPAN, below it the PHY"),
        ("medium access control", "medium access control (MAC)", ""),
        ("MAC (MIC, FCS)", "medium access control (MAC)", ""),
        ("PHY", "physical layer (PHY)", "127 octets at most"),
        ("physical layer", "physical layer (PHY)", ""),
        ("o-qpsk-2450", "O-QPSK and DSSS (O-QPSK)", ""),
        ("bpsk-868", "BPSK", ""),
        ("sun-ofdm", "SUN (FSK)", ""),
        ("payload size", "room", ""),
        ("headroom", "room", ""),
        ("two frames", "cliff", "one more frame is needed"),
        ("second frame", "cliff", ""),
        ("fragments", "fragment", "does not fit in a single one"),
        ("DOES NOT", "holds (does not, open)", ""),
        ("holds", "holds (does not, open)", ""),
        ("NO", "fits (NO, does not fit)", ""),
        ("fits", "fits (NO, does not fit)", ""),
        ("spare", "fits (NO, does not fit)", ""),
        ("one-sided", "two-sided (one-sided)", ""),
        ("pseudo-header", "pseudo-header", "both addresses"),  # RFC 8200 section 8.1
        ("hop-by-hop options", "hop-by-hop options", ""),
        ("MessagePack", "MessagePack", ""),
        ("ASN.1 UPER", "ASN.1 UPER", ""),
        ("little-endian", "little-endian (big-endian)", "least significant one first"),
        ("CoAP", "constrained application protocol (CoAP)", ""),
        (
            "IPv6",
            "Internet Protocol version 6 (IPv6)",
            "40 octets",
        ),  # RFC 8200 section 3, its figure
        ("frame control", "MAC", ""),
    ],
)
def test_what_readers_without_radio_knowledge_ask_first_is_told(
    asked: str, term: str, says: str
) -> None:
    found = explained(asked)[0]
    assert found["term"].startswith(term)
    assert says in found["text"]


def test_a_key_that_people_ask_for_says_what_it_is_for() -> None:
    """RFC 8200 section 5: the MTU is "the maximum packet size in octets that can be conveyed over a link"."""
    (found,) = explained("MTU")[0]["keys"]
    assert "octets of the largest datagram" in found["meaning"]


@pytest.mark.parametrize(
    ("key", "says"),
    [
        # RFC 6282 section 3.1.1: HLIM elides 1, 64 and 255; every router takes one (RFC 8200 section 3)
        ("hop_limit", "a packet from outside"),
        ("hop_limit", "none of 1, 64 and 255"),
        # RFC 8138 section 5.1: entries of 1, 2, 4, 8 and 16 octets; one that is written out may have no EUI-64
        ("routing.entry_octets", "2 where the node's is short or has no EUI-64 by it"),
    ],
)
def test_a_key_whose_number_is_not_counted_as_it_stands_says_so(key: str, says: str) -> None:
    (found,) = explained(f"flow.{key}")[0]["keys"]
    assert says in found["meaning"]


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
        ("RLP", "RPL"),  # of a short word one letter is wrong, or two changed places
        ("slto", "slot"),
        ("DAOO", "dao"),
        ("RTS", "RST"),
        ("tsc", "TSCH"),
        ("kelp", "All terms"),  # and else nothing is like it
        ("é", "All terms"),
        ("nonsense", "The nearest are"),
        ("zzzzzzzz", "All terms"),
        # what other languages call kinds of fields and their keys
        ("integer", "Of a field in a message that is number. "),
        ("resolution", "Of a field in a message that is message.field.step. "),
        ("sentinel", "Of a field in a message that is message.field.special. "),
    ],
)
def test_a_term_that_is_none_has_near_ones(asked: str, near: str) -> None:
    with pytest.raises(RequestError) as refused:
        terms.explain(asked)
    assert near in refused.value.hint
    if near[0].islower():
        assert near in refused.value.hint.split(" or ")[0].split(",")[0]


@pytest.mark.parametrize("asked", ["link.phy", "data_rate"])
def test_the_data_rates_stand_where_the_phy_is_explained(asked: str) -> None:
    """IEEE 802.15.4-2020 clause 10: 250 kb/s at 2.4 GHz, 20 at 868 MHz (BPSK), 50 of SUN FSK where none is stated."""
    rows = {row["PHY"]: row for row in explained(asked)[0]["rows"]}
    assert (rows["o-qpsk-2450"]["kb/s"], rows["o-qpsk-2450"]["µs an octet"]) == ("250", "32")
    assert (rows["bpsk-868"]["kb/s"], rows["bpsk-868"]["µs an octet"]) == ("20", "400")
    assert rows["sun-fsk"]["kb/s"].startswith("50 or ")


@pytest.mark.parametrize("columns", [40, 80])
def test_a_kind_that_is_written_out_can_be_copied_from_the_screen(columns: int) -> None:
    """TOML comments end with their line (TOML 1.0): a screen that is narrower must not make a line of the rest."""
    for kind in kind_names():
        told = invoke("explain", kind, COLUMNS=str(columns)).stdout
        block = told[told.index("  [[message.field]]") :].split("\n\nOthers of this name")[0]
        (field,) = tomllib.loads(block)["message"]["field"]
        (sent,) = tomllib.loads(explained(kind)[0]["written"])["message"]["field"]
        assert field == sent


@pytest.mark.parametrize("asked", ["byte_order", "bit_order"])
def test_where_the_odd_bits_of_a_number_go_is_shown(asked: str) -> None:
    """0xABC in 12 bits, then 0xD in 4, by hand.

    The first is how RFC 791 appendix B draws numbers, the last the bit fields of little-endian processors (common
    practice, no source): 0xD << 12 | 0xABC. The others: groups of 8 bits, odd bits first (big) or last (little).
    """
    found = explained(asked)[0]
    octets = {(row["byte_order"], row["bit_order"]): row["octets"] for row in found["rows"]}
    assert octets == {
        ("big", "msb-first"): "ab cd",
        ("big", "lsb-first"): "ca db",
        ("little", "msb-first"): "bc ad",
        ("little", "lsb-first"): "bc da",
    }
    assert "odd bits" in found["sections"][0]["text"]


@pytest.mark.parametrize("word", ["bit-packed", "octet-aligned", "msb-first", "lsb-first"])
def test_words_that_a_message_must_state_are_terms(word: str) -> None:
    assert explained(word)[0]["kind"] == "word"


@pytest.mark.parametrize(
    ("order", "octets", "says"),
    [
        # 10 bits 0; then 96 is 192: 0000 with 1 for more, 1100 with 0 for none
        (
            ("big", "msb-first"),
            "0020c0",
            "msb-first sends that bit before its group",
        ),  # 1 0000 0 1100
        (("little", "lsb-first"), "004006", "lsb-first behind it"),  # 0000 1 0011 0
    ],
)
def test_groups_of_a_series_lie_as_its_kind_tells(
    order: tuple[str, str], octets: str, says: str
) -> None:
    high, step = Decimal(1000), Decimal(1)
    field = Series(
        "s", min=Decimal(0), max=high, step=step, length=2, deltas="variable", group_bits=4
    )
    form = Message("m", (field,), byte_order=order[0], bit_order=order[1], layout="bit-packed")
    assert form.pack({"s": [0, 96]}).hex() == octets
    assert says in explained("series")[0]["sections"][0]["text"]


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


@pytest.mark.parametrize("command", ["carry", "carry --burst"])
def test_columns_of_files_are_explained_with_their_command(command: str) -> None:
    program, *options = command.split()
    columns = {"carry": csv_table.CARRY, "carry --burst": csv_table.BURST}[command]
    rows = json.loads(invoke("explain", program, "--json").stdout)["found"][0]["rows"]
    told = {row["column"] for row in rows}
    for name in columns:
        on_screen = " ".join([name, *options])
        assert {on_screen, f"{on_screen} --csv"} & told
        found = {one["term"] for one in explained(f"column {name}")}
        assert {f"{name}, a column of {command}{more}" for more in ("", " --csv")} & found


@pytest.mark.parametrize("asked", ["routing", "header"])
def test_a_word_of_several_terms_lists_as_many_as_it_counts(asked: str) -> None:
    with pytest.raises(RequestError) as refused:
        terms.explain(asked)
    names = refused.value.hint.removeprefix("Which one: ").removesuffix("?").split(", ")
    assert f"{asked!r} is part of {len(names)} terms" in refused.value.message


def test_a_section_without_its_standard_asks_for_it() -> None:
    """RFC 4944 section 5.3 has the fragment headers; no standard here has a section 99."""
    for asked, hint in (("§5.3", "Which one: RFC 4944 §5.3"), ("section 99", "Name it before")):
        with pytest.raises(RequestError) as refused:
            terms.explain(asked)
        assert refused.value.message == f"{asked!r} names no standard"
        assert refused.value.hint.startswith(hint)


@pytest.mark.parametrize(("asked", "command"), [("bugdet", "budget"), ("sruvey", "survey")])
def test_a_command_may_be_meant(asked: str, command: str) -> None:
    done = invoke("explain", asked)
    assert done.exit_code == 2
    assert f"Did you mean {command}?" in done.stderr


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


@pytest.mark.parametrize("name", ["copy_of", "heard_as", "layer_bits", "duplicates", "avoidable"])
def test_what_a_survey_writes_for_programs_is_explained(name: str) -> None:
    (found,) = explained(name)[:1]
    assert found["kind"] == "column"
    assert "survey --" in found["term"]


def test_a_column_stands_behind_a_key_or_a_word_of_its_name() -> None:
    (used,) = explained("used")
    assert used["kind"] == "column"
    assert explained("queue")[0]["others"] == ("column queue",)
    rows = json.loads(invoke("explain", "carry", "--json").stdout)["found"][0]["rows"]
    assert {"column": "used", "says": used["text"]} in rows


# what a practitioner means first by a word, and something that the cited source says of it
MEANT = [
    ("tsch", "word", "time-slotted channel hopping", "slots"),  # RFC 7554 appendix A
    ("asn", "word", "absolute slot number", "slots have passed"),  # RFC 7554 appendix A.6
    ("dodag", "word", "destination-oriented directed acyclic graph", "one root"),  # RFC 6550 section 2
    ("keys", "word", "key file", "owner"),
    ("key file", "word", "key file", "owner"),
    ("nonce", "word", "nonce", "Twice the same"),  # common practice, no source
    ("o-qpsk", "word", "O-QPSK", "250 kb/s"),  # IEEE 802.15.4-2020 clause 12, from memory
    ("µs", "word", "µs", "millionth of a second"),
    ("\N{GREEK SMALL LETTER MU}s", "word", "µs", "millionth of a second"),
    ("acknowledgement", "word", "acknowledgement", "sent again"),  # RFC 7554 appendix A.1
    ("nh", "word", "next header", "LOWPAN_NHC"),  # RFC 6282 section 3.1.1
    ("dac", "word", "destination address compression", "context"),  # RFC 6282 section 3.1.1
    ("cid", "word", "context identifier extension", "SCI"),  # RFC 6282 section 3.1.1
    ("csma-ca", "word", "CSMA-CA", "random time"),
    ("macMinBE", "word", "backoff exponent", "2^BE - 1"),  # RFC 7554 appendix A.5 has 2^BE - 1
    ("fcs", "word", "frame check sequence", "2 or 4"),  # IEEE 802.15.4-2015 clause 7.2.10, from memory
    ("enc-mic-32", "word", "message integrity code", "5 ENC-MIC-32"),  # table 9-6, from memory
    ("6lbr", "word", "border router", "prefix"),  # RFC 6775 section 2
    ("rank", "word", "rank", "objective function"),  # RFC 6550 section 3.5
    ("mrhof", "word", "objective function", "hysteresis"),  # RFC 6719 section 3
    ("ACK_TIMEOUT", "word", "ACK_TIMEOUT", "2 s"),  # RFC 7252 section 4.8
    ("exchange_lifetime", "word", "EXCHANGE_LIFETIME", "247 s"),  # RFC 7252 section 4.8.2
    ("reassembly", "word", "reassembly", "60 s"),  # RFC 4944 section 5.3
    ("1280", "word", "largest datagram", "1280 octets"),  # RFC 8200 section 5
    ("partial iv", "word", "partial IV", "sequence number"),  # RFC 8613 section 6.1
    ("senml", "word", "SenML", "bn"),  # RFC 8428 section 4.3
    ("association", "word", "association", "short address"),  # IEEE 802.15.4-2015 clause 6.4, from memory
    ("lifetime", "word", "lifetime", "in minutes"),  # RFC 6775 section 4.1: "units of 60 seconds"
    ("ie", "word", "information element", "header IE"),  # IEEE 802.15.4-2015 clause 7.4, from memory
    ("information element", "word", "information element", "payload IE"),
    ("energy detection", "word", "energy detection", "how strong"),  # clause 10.2.5, from memory
    ("active scan", "word", "scan", "beacon request"),  # clause 6.3.1, from memory
    ("orphan scan", "word", "scan", "orphan notification"),
    ("sniffer", "word", "sniffer", "sends nothing"),
    ("get", "word", "method of CoAP", "FETCH"),  # RFC 7252 section 5.8, RFC 8132 section 2
    ("post", "word", "method of CoAP", "POST"),
    ("2.05", "word", "success code", "2.05 Content"),  # RFC 7252 section 5.9.1.5
    ("4.04", "word", "client error", "4.04 Not Found"),  # RFC 7252 section 5.9.2.5
    ("5.03", "word", "server error", "5.03 Service Unavailable"),  # RFC 7252 section 5.9.3.4
    ("404", "word", "client error", "4.04 Not Found"),
    ("proxy", "word", "proxy", "reverse-proxy"),  # RFC 7252 section 5.7
    ("salt", "word", "master salt", "empty"),  # RFC 8613 section 3.2
    ("common iv", "word", "common IV", "XOR"),  # RFC 8613 section 5.2
    ("slaac", "word", "stateless address autoconfiguration", "prefix"),  # RFC 4862 section 5.5
    ("snr", "word", "signal-to-noise ratio", "decibels"),
    ("jitter", "word", "jitter", "differ"),
    ("goodput", "word", "goodput", "without headers"),
    ("bit rate", "word", "bit rate", "250 kb/s"),  # IEEE 802.15.4-2020 clause 12, from memory
    ("dao", "word", "destination advertisement object", "parent"),  # RFC 6550 section 6.4
    ("dio", "word", "DODAG information object", "choose parents"),  # RFC 6550 section 6.3
    ("header destination advertisement object", "listing", "destination advertisement object", ""),
    ("frame counter", "word", "frame counter", "grow with each frame"),  # 9.4 and 9.2.3, from memory
    ("encryption", "word", "encryption", "4 to 7"),  # table 9-6, from memory
    ("privacy", "word", "encryption", "can be seen"),  # common practice, no source
    ("commissioning", "word", "commissioning", "tool"),  # RFC 7102 section 2
    ("interference", "word", "interference", "other senders"),  # the rest: common practice, no source
    ("bandwidth", "word", "bandwidth", "hertz"),
    ("link margin", "word", "link margin", "decibels"),
    ("utilization", "word", "utilisation", "share"),
    ("battery life", "word", "battery life", "limits.battery_days"),
    ("give or take", "word", "confidence", "95 of 100"),
    ("too close to tell", "word", "confidence", "limit"),
    ("hlim", "field", "hop limit form", ""),
    ("security level", "key", "link.security.level", ""),
    ("mtu", "key", "network.mtu", ""),
    *((name, "word", "timeslot template", "how long it may be on the air")
      for name in ("macTsMaxTx", "macTsTxOffset", "in_slot", "sun-fsk-50")),
]  # fmt: skip


@pytest.mark.parametrize(("asked", "kind", "name", "says"), MEANT)
def test_a_word_of_the_trade_means_first_what_practitioners_mean(
    asked: str, kind: str, name: str, says: str
) -> None:
    found = terms.explain(asked)[0]
    assert found.kind == kind
    assert name in found.term
    assert says in found.text


@pytest.mark.parametrize(
    ("asked", "others"),
    [
        ("dac", {"header duplicate address confirmation"}),
        ("cid", {"flow.dtls.cid", "header context octet (CID)"}),
        ("acknowledgement", {"destination advertisement object acknowledgement"}),
        ("tsch", {"TSCH timeslot IE", "TSCH synchronization IE"}),
        ("remark", {"column remark"}),
    ],
)
def test_the_other_meanings_of_a_word_are_named_as_they_are_asked_for(
    asked: str, others: set[str]
) -> None:
    named = explained(asked)[-1]["others"]
    assert others <= set(named)
    assert all(explained(name) for name in named)


def test_all_names_of_a_word_lead_to_it_and_it_leads_on() -> None:
    for word, gloss in known_terms.words().items():
        for name in (word, *gloss.also):
            assert explained(name)[0]["term"] == word
        for name in gloss.see:
            assert explained(name)[0]["term"] != word, (word, name)


@pytest.mark.parametrize("word", ["failure", "risk", "waste", "remark"])
def test_a_severity_is_a_word_and_severity_names_them_all(word: str) -> None:
    (found,) = (one for one in terms.explain(word) if one.kind == "word")
    assert found.text.startswith(Severity[word.upper()].meaning)
    assert word in explained("severity")[0]["text"]


# --- clauses ------------------------------------------------------------------------------------------


def resting(asked: str) -> dict[tuple[str, str], set[str]]:
    """Return names by clause and by what they are."""
    (found,) = explained(asked)
    assert found["kind"] == "clause"
    return {
        (row["clause"], row["is the source of"]): set(row["name"].split("; "))
        for row in found["rows"]
    }


ASKED = [
    "rfc6282 3.1.1", "RFC 6282 section 3.1.1", "RFC 6282 §3.1.1", "rfc 6282, sec. 3.1.1", "[RFC6282] Section 3.1.1",
    "Section 3.1.1 of RFC 6282", "https://www.rfc-editor.org/rfc/rfc6282#section-3.1.1",
]  # fmt: skip


@pytest.mark.parametrize("asked", ASKED)
def test_a_clause_tells_what_rests_on_it_however_it_is_written(asked: str) -> None:
    """RFC 6282 section 3.1.1: the base format, with its fields TF to DAM."""
    rests = resting(asked)
    assert explained(asked)[0]["term"] == "RFC 6282 §3.1.1"
    assert rests["§3.1.1", "header"] == {"IPHC"}
    assert "hop limit form (HLIM)" in rests["§3.1.1", "field of IPHC"]
    assert "hop-limit-in-line" in rests["§3.1.1", "finding"]
    assert "flow.hop_limit" in rests["§3.1.1", "key of design files"]
    assert "destination address compression (DAC)" in rests["§3.1.1", "word"]


def test_every_cite_of_a_table_a_manual_or_a_knob_is_found_by_its_clause() -> None:
    assert "checksum-elided-without-cover" in resting("rfc 6282 4.3.2")["§4.3.2", "finding"]
    assert resting("RFC 6282 section 4.3.3")["§4.3.3", "header"] == {"UDP NHC"}
    key = "key of design files"
    assert resting("802.15.4-2015 table 9-6")["table 9-6", key] == {"link.security.level"}
    assert resting("rfc8446 appendix b.4")["appendix B.4", key] == {"flow.dtls.suite"}
    for rest in clauses.every_rest():
        if (named := named_in(str(rest.cite))) is not None and rest.cite.section[:1].isdigit():
            assert named == rest.cite


def test_clauses_inside_one_belong_to_it_in_all_editions() -> None:
    sections = {clause for clause, _ in resting("802.15.4 7.2")}
    assert {"2015 §7.2.2.9", "2006 §7.2.1.1.5"} <= sections
    assert all(re.fullmatch(r"\d{4} §7\.2(\.\d+)*", section) for section in sections)
    assert {clause for clause, _ in resting("IEEE 802.15.4-2015 7.2")} == {
        section.removeprefix("2015 ") for section in sections if section.startswith("2015")
    }
    assert "from memory" in explained("802.15.4 7.2")[0]["text"]


def test_a_clause_on_which_nothing_rests_leads_to_the_one_around_it() -> None:
    (found,) = explained("rfc6282 3.1.1.9")
    assert found["term"] == "RFC 6282 §3.1.1"
    assert "Nothing rests on RFC 6282 §3.1.1.9 itself" in found["text"]


@pytest.mark.parametrize(
    ("asked", "near"), [("rfc6282 9.9", "3.1.1, 3.1.2"), ("rfc 9999", "RFC 6282"), ("6282", "RFC 6282")]
)  # fmt: skip
def test_a_clause_that_is_not_known_has_near_ones(asked: str, near: str) -> None:
    with pytest.raises(RequestError) as refused:
        terms.explain(asked)
    assert near in refused.value.hint


# RFC 7400: a sender "needs to know that the neighbor implements it" (section 3.3), and "redundancy information
# disclosed by compression" may tell of secrets (section 5)
@pytest.mark.parametrize(
    ("clause", "name", "says"),
    [
        (
            "rfc7400 3.3",
            "generic header compression (GHC)",
            "must know that the neighbour reads it",
        ),
        (
            "rfc7400 5",
            "length of compressed contents",
            "an attacker who can have octets of his choice sent",
        ),
    ],
)
def test_what_byte_code_asks_of_those_who_use_it(clause: str, name: str, says: str) -> None:
    (found,) = explained(clause)
    assert name in [row["name"] for row in found["rows"]]
    assert says in explained(name)[0]["text"]


def test_that_designs_plan_no_byte_code_is_told_where_it_is_asked_for() -> None:
    assert "Designs do not plan it" in explained("ghc")[0]["text"]


def test_a_key_of_a_file_names_the_longer_paths_that_end_like_it() -> None:
    """``dtls.suite`` is a key of key files, and of a flow's table in design files."""
    (told,) = terms.explain("dtls.suite")
    assert told.data["others"] == ("flow.dtls.suite",)
    assert "others" not in terms.explain("flow.dtls.suite")[-1].data
    # where filling bits stand is said once, in the word for it
    assert "explain octet-aligned" in terms.explain("message.layout")[0].data["keys"][0]["meaning"]


@pytest.mark.parametrize(
    ("header", "says"),
    [
        # RFC 4944 section 5.2: two addresses of 16 or 64 bits behind an octet
        ("header mesh", "1 octet, then 4 to 16 in line"),
        # RFC 6282 section 3.1.1: two octets; CID 1, TF 4, NH 1, HLIM 1 and two addresses of 16 at most
        ("iphc", "2 octets, then 0 to 39 in line"),
        ("header bc0", "2 octets; bits"),
    ],
)
def test_what_follows_a_word_in_line_is_counted(header: str, says: str) -> None:
    assert says in invoke("explain", header, COLUMNS="200").stdout


def test_the_address_of_a_group_in_a_mesh_rests_on_its_clause() -> None:
    """RFC 4944 section 9, figure 8."""
    assert "group address in a mesh" in invoke("explain", "rfc4944", "9").stdout
    assert "up to 255" in invoke("explain", "deep").stdout  # section 5.2: an 8-bit Deep Hops Left


def test_each_header_is_told_by_a_sentence_of_its_own() -> None:
    """None shares its sentence, none is told by what its module is about, and none is told that is no table's."""
    told = catalogue.sentences()
    known = {entry.term for entry in catalogue.entries()}
    fields = {
        f"{entry.name}.{part.name}"
        for entry in catalogue.entries()
        if isinstance(entry.table, Header)
        for part in entry.table.fields
    }
    assert known <= told.keys() <= known | fields
    assert len({told[term] for term in known}) == len(known)


@pytest.mark.parametrize(
    ("asked", "says"),
    [
        ("page switch", "1111xxxx that makes page x the one by which all that follows is read"),  # RFC 8025 section 3
        ("paging dispatch", "until another such octet"),
        ("0xf1", "mesh and fragment headers go before it"),  # RFC 8025 section 4
        ("page 1", "routing headers of RPL, then IPHC"),
        ("critical routing header", "must drop the packet"),  # RFC 8138 section 4.2
        ("elective routing header", "skips it and reads on"),  # RFC 8138 section 4.1
        ("MHR", "frame control (2 octets, which say what follows), sequence number"),
        ("auxiliary security header", "security control 1 octet"),
        ("third fragment", "85 free octets hold 80"),  # RFC 4944 section 5.3: units of 8 octets
        ("datagram_offset", "in units of 8 octets"),
        ("Fragment_Offset", "the size of the whole compressed datagram"),  # RFC 8931 section 5.1
        ("second hop", "the hop limit is 63"),  # RFC 6282 section 3.1.1: HLIM leaves out 1, 64, 255
        ("U/L bit", "(0x02)"),  # RFC 4291 appendix A
        ("0000:00ff:fe00", "a short address"),  # RFC 6282 section 3.2.2
        ("0xf0b0", "half an octet in line"),  # RFC 6282 section 4.3.1
        ("udp ports", "half an octet in line"),
        ("coap token", "0 to 8 octets"),
        ("PHY header", "tell its length"),
        ("storing mode", "routers know the way down"),
        ("LOWPAN_BC0", "broadcast header"),
        ("HbH", "Options of an IPv6 packet"),
        ("context 0", "both addresses take it"),
        ("stand-in", "only show how many there are"),
        ("stand_in", "only show how many there are"),
        # RFC 4944 section 4: 127 - 25 = 102, 102 - 21 = 81, 81 - 40 = 41, 41 - 8 = 33
        *((number, "127 octets, less 25") for number in ("25", "21", "40", "41", "33", "aMaxFrameOverhead")),
    ],
)  # fmt: skip
def test_what_newcomers_ask_for_is_told_first(asked: str, says: str) -> None:
    assert any(says.lower() in found["text"].lower() for found in explained(asked))
