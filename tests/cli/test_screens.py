"""Answers fit a screen: three flows within 80 lines of 80 columns, hops by what differs, no word broken in two."""

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result
from contract.entry import DESIGNS

Invoke = Callable[..., Result]

GREENHOUSE = """
title = "A greenhouse"
link = { addresses = "short", pan_id = 0x3e08, security = { level = 5 } }
context = [{ id = 0, prefix = "2001:db8:9::/64" }, { id = 1, prefix = "2001:db8:a::/64" }]
station = [
  { name = "bench", role = "node", short = 0x0041, prefix = "2001:db8:9::/64" },
  { name = "door", role = "border", short = 0x0001, prefix = "2001:db8:9::/64" },
  { name = "grower", role = "outside", address = "2001:db8:a::5" },
]

[[flow]]
name = "humidity"
source = "bench"
destination = "grower"
hops = 6
source_port = 61616
destination_port = 5683
messages = ["humidity"]
every_s = 30
routing = { option_type = 0x23 }
coap = { code = "POST", path = "h" }

[[flow]]
name = "leaf"
source = "bench"
destination = "grower"
hops = 6
source_port = 0xf0b1
destination_port = 0xf0b2
messages = ["leaf"]
routing = { option_type = 0x23 }

[[flow]]
name = "shade-the-bench"
source = "grower"
destination = "bench"
hops = 6
source_port = 61616
destination_port = 5683
messages = ["shade"]
routing = { route = 5, tunnel = true, form = "extension-headers" }
coap = { code = "PUT", path = "s" }

[[message]]
name = "humidity"
byte_order = "big"
bit_order = "msb-first"
layout = "bit-packed"
field = [{ kind = "number", name = "humidity", min = 0, max = 1000 }]

[[message]]
name = "leaf"
byte_order = "big"
bit_order = "msb-first"
layout = "bit-packed"
field = [{ kind = "octets", name = "leaf", length = 51 }]

[[message]]
name = "shade"
byte_order = "big"
bit_order = "msb-first"
layout = "bit-packed"
field = [{ kind = "octets", name = "slats", length = 60 }]
"""


@pytest.fixture
def design(tmp_path: Path) -> Path:
    file = tmp_path / "greenhouse.toml"
    file.write_text(GREENHOUSE, "utf-8")
    return file


@pytest.mark.parametrize("columns", [80, 120])
def test_three_flows_fit_a_screen(invoke: Invoke, design: Path, columns: int) -> None:
    lines = invoke("budget", design, COLUMNS=str(columns)).stdout.splitlines()
    assert len(lines) <= 80
    assert max(map(len, lines)) <= columns
    for hop in ("first", "forwarded"):
        assert any(line.startswith(f"shade-the-bench, {hop} hop, down: room for") for line in lines)
    (differs,) = (line for line in lines if line.startswith("humidity, forwarded hop"))
    # RFC 6282 section 3.1.1: a relay's link address is not the sender's, and a hop limit of 63 has no short form
    # the octets of a hop limit and of a source identifier of 2 octets
    now, then = map(int, re.findall(r"\d+", differs.rpartition("IPHC")[2])[:2])
    assert now - then == 3


def test_the_longest_headers_fit_a_screen_too(invoke: Invoke, tmp_path: Path) -> None:
    """Extended addresses, OSCORE and source routes, of a design to begin with: two flows and an answer."""
    file = tmp_path / "mesh.toml"
    asked = (
        "--addresses",
        "extended",
        "--routing",
        "non-storing",
        "--hops",
        "5",
        "--transport",
        "oscore",
    )
    assert invoke("init", file, "--security", "6", *asked).exit_code == 0
    lines = invoke("budget", file).stdout.splitlines()
    assert len(lines) <= 80
    (caution,) = (line for line in lines if line.startswith("Caution"))  # of all three flows
    assert caution.startswith("Caution, also of settings, settings-answer: ")
    # what needs a second line has it once
    assert sum("of 2 octets" in line for line in lines) == 2
    assert any(line.startswith("settings-answer, first hop, up: room for") for line in lines)


def test_what_weakens_is_told_with_its_caution_before_any_other_flow(
    invoke: Invoke, design: Path
) -> None:
    told = " ".join(invoke("budget", design).stdout.partition("leaf, first hop")[0].split())
    assert "they are no advice; the same on flows that say nothing else" in told
    assert "caution: only where the upper layer permits it" in told


def test_a_change_is_told_once_for_the_hops_on_which_it_gives_the_same(
    invoke: Invoke, design: Path
) -> None:
    told = invoke("budget", design, "--flow", "leaf").stdout
    assert told.count("key id mode 0: no key identifier") == 1
    assert "Octets that are not as on the first hop" in told
    # --ledger asks for every octet of both
    assert (
        invoke("budget", design, "--flow", "leaf", "--ledger").stdout.count("UDP NHC  4 octets")
        == 2
    )
    assert told.count("UDP NHC  4 octets") == 1


def test_headings_are_short(invoke: Invoke, design: Path) -> None:
    told = invoke("budget", design, "--flow", "shade-the-bench").stdout
    assert "inner IPHC" in told
    assert "IPHC (dispatch" not in told


def test_frames_and_readings(invoke: Invoke, design: Path) -> None:
    lines = invoke("fit", design, COLUMNS="120").stdout.splitlines()
    assert not any("of 1 " in line for line in lines)
    (row, _) = (line for line in lines if line.startswith("  shade-the-bench"))
    assert "2, allowed 1" in row
    assert "message" not in row  # a command is not collected
    assert "shade-the-bench" in invoke("fit", design).stdout
    # nobody reads messages in a row: none is said to wait for others
    assert not any("messages" in line for line in lines if re.match(r" +humidity +first", line))


def test_a_later_hop_says_which_fields_it_has_in_line(invoke: Invoke) -> None:
    """RFC 6282 section 3.1.1: a hop limit of 63 and an identifier that the link no longer gives, 1 + 8 octets."""
    told = " ".join(invoke("budget", DESIGNS[1], "--flow", "features").stdout.split())
    assert (
        "not as on the first hop (hop limit +1, source address +8): `lowpanbudget explain second hop`"
        in told
    )
    csv = invoke("budget", DESIGNS[1], "--csv", "--table", "ledger").stdout.splitlines()
    assert csv[0].split(",")[-2:] == ["order", "stand_in"]
    assert any(line.split(",")[-2] == "little" for line in csv[1:])
