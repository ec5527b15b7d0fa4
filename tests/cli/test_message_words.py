"""What commands about messages say to people."""

from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result

Invoke = Callable[..., Result]
_DESIGN = """
title = "a probe"

[link]
phy = "o-qpsk-2450"
pan_id = 0x5a17

[[station]]
name = "probe"
role = "node"
short = 0x0103
prefix = "2001:db8:77:4::/64"

[[station]]
name = "gate"
role = "border"
short = 0x0001
prefix = "2001:db8:77:4::/64"

[[flow]]
name = "up"
messages = ["m"]
every_s = 60
source = "probe"
destination = "gate"
source_port = 61617
destination_port = 61616

[[message]]
name = "m"
byte_order = "big"
bit_order = "msb-first"
layout = "bit-packed"
field = [
  { kind = "number", name = "t", min = -20, max = 60, step = 0.1, unit = "Cel" },
  { kind = "number", name = "h", min = 0, max = 100, optional = true },
  { kind = "octets", name = "o", max_length = 50 },
]

[[message]]
name = "doors"
byte_order = "big"
bit_order = "msb-first"
layout = "bit-packed"
field = [
  { kind = "array", name = "door", max_length = 3, element = { kind = "group", field = [
    { kind = "boolean", name = "open" },
  ] } },
]
"""


@pytest.fixture
def design(tmp_path: Path) -> Path:
    file = tmp_path / "design.toml"
    file.write_text(_DESIGN, "utf-8")
    return file


def test_frames_of_an_encoding_stand_beside_what_they_leave(invoke: Invoke, design: Path) -> None:
    """As designed at most 1 + 10 + 7 bits, 6 of a count, and 50 octets are 53; 50 are 67 characters of base64url."""
    told = invoke("encodings", design).stdout
    rows = {
        line[2:20].strip(): line
        for line in told.split("Frames by hop\n")[1].split("\n\n")[0].splitlines()
    }
    room = int(rows["encoding"].split("up, first: ")[1].split()[0])
    assert f" 1, {room - 53} left" in rows["as designed"]
    assert " 1 to 2, " in rows["JSON, compact"]
    assert " over NO" in rows["JSON, compact"]
    words = " ".join(told.split())
    assert (
        '"least" has the numbers nearest to 0, the fewest elements and no optional fields' in words
    )
    # 0, no h and no octets: {"t":0,"o":""} has 14 characters
    row = next(line for line in told.splitlines() if line.startswith("  JSON, compact"))
    assert row.split()[2] == "14"


def test_without_a_tolerance_it_is_told_how_to_state_one(invoke: Invoke, design: Path) -> None:
    done = invoke("weigh", design, "--octets", "3")
    assert done.exit_code == 1
    assert "state one (`tolerance` of a field: without one its steps stay)" in " ".join(
        done.stdout.split()
    )


@pytest.mark.parametrize(
    ("given", "number"),
    [("1C", "1"), ("-3.5 °C", "-3.5"), ("30 %", "30"), ("3000mV", "3000"), ("2.50 m/s2", "2.50")],
)
def test_a_number_with_its_unit_is_asked_for_without(
    invoke: Invoke, design: Path, given: str, number: str
) -> None:
    done = invoke("pack", design, "m", f"t={given}", "o=")
    assert done.exit_code == 2
    assert done.stderr.rstrip().endswith(
        f"Give the number without its unit, which is that of the message: {number}"
    )


@pytest.mark.parametrize("given", ["warm", "0x10", "1,2", "1;2", "C1", "1 2"])
def test_what_is_no_number_with_a_unit_is_not_taken_for_one(
    invoke: Invoke, design: Path, given: str
) -> None:
    done = invoke("pack", design, "m", f"t={given}", "o=")
    assert done.exit_code == 2
    assert "without its unit" not in done.stderr


@pytest.mark.parametrize(
    ("given", "hint"),
    [
        ("door=[]", "nothing for an empty list: reading="),
        ("door.0.open=true", "its elements by paths as reading[0].temperature=21.5"),
    ],
)
def test_how_elements_are_given_is_told(
    invoke: Invoke, design: Path, given: str, hint: str
) -> None:
    done = invoke("pack", design, "doors", given)
    assert done.exit_code == 2
    assert hint in done.stderr
    # a count of two bits, and a bit for each door
    assert invoke("pack", design, "doors", "door=").stdout.strip() == "00"
    assert invoke("pack", design, "doors", "door[0].open=true").stdout.strip() == "60"
