"""unpack: values with units, for people, as CSV and as JSON lines; what is wrong is told with its place.

The octets are laid out here by hand with the standard library's struct: the archive's climate message is
little-endian and octet-aligned, led by an octet of presence bits (bit 0 carbon dioxide, bit 1 light).
"""

import csv
import io
import json
import struct
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result

Invoke = Callable[..., Result]

TOP = Path(__file__).parents[2]
ARCHIVE = str(TOP / "examples/archive.toml")
FOOTBRIDGE = str(TOP / "examples/footbridge.toml")

# presence, version, sequence, temperature in 0.01 Cel, humidity in 0.01 %RH, CO2, doors, battery in 0.5 %EL
CLIMATE = struct.pack("<BBHhHHBB", 1, 2, 513, -1825, 4550, 640, 0b101, 175)
NO_CO2 = struct.pack("<BBHhHBB", 0, 2, 514, -32768, 0, 0, 0)


def test_values_for_people(invoke: Invoke) -> None:
    done = invoke("unpack", ARCHIVE, "climate", CLIMATE.hex(":"))
    assert done.exit_code == 0, done.stderr
    rows = {
        line.split()[0]: line.split()[1:]
        for line in done.stdout.splitlines()
        if line.startswith("  ")
    }
    assert rows["temperature"][:2] == ["-18.25", "Cel"]
    assert rows["humidity"][:2] == ["45.5", "%RH"]
    assert rows["co2"][:2] == ["640", "ppm"]
    assert rows["doors"][:2] == ["north", "vault"]
    assert rows["battery"][:2] == ["87.5", "%EL"]
    assert "light" not in rows
    assert "12 octets" in done.stdout.splitlines()[0]


def test_special_codes_and_empty_sets_are_told(invoke: Invoke) -> None:
    shown = invoke("unpack", ARCHIVE, "climate", NO_CO2.hex()).stdout
    assert "a special code, no number" in shown
    assert "no flag is set" in shown


def test_times_are_told_as_dates(invoke: Invoke) -> None:
    """2025-06-15T15:06:40Z is 1750000000 seconds after 1970 (date -u -d @1750000000); an offset counts from there,
    61 steps of 2 s.
    """
    bits = f"{1:04b}{0:04b}{7:08b}{1_750_000_000:032b}{0:05b}0{61:012b}{3000:013b}{4000:014b}"
    octets = int(bits.ljust(-(-len(bits) // 8) * 8, "0"), 2).to_bytes(-(-len(bits) // 8), "big")
    done = invoke("unpack", FOOTBRIDGE, "readings", octets.hex(), COLUMNS="140")
    assert done.exit_code == 0, done.stderr
    assert "2025-06-15T15:06:40Z" in done.stdout
    assert "2025-06-15T15:08:42Z, 122 s after time" in done.stdout


def test_json_is_an_object_a_line_with_exact_numbers(invoke: Invoke, tmp_path: Path) -> None:
    file = tmp_path / "received.txt"
    file.write_text(f"# two of them\n{CLIMATE.hex(' ')}\n\n{NO_CO2.hex()}  # cold\n")
    done = invoke("unpack", ARCHIVE, "climate", str(file), "--json")
    assert done.exit_code == 0, done.stderr
    first, second = map(json.loads, done.stdout.splitlines())
    assert first["version"] == second["version"] == 1
    assert first["values"] == {
        "version": 2, "sequence": 513, "temperature": -18.25, "humidity": 45.5, "co2": 640,
        "doors": ["north", "vault"], "battery": 87.5,
    }  # fmt: skip
    assert '"temperature": -18.25,' in done.stdout
    assert first["units"]["temperature"] == "Cel"
    assert (first["place"], second["place"]) == (f"{file}:2", f"{file}:4")
    assert second["values"]["temperature"] == "not_available"
    assert first["octets"] == CLIMATE.hex()


def test_csv_has_a_column_for_every_value(invoke: Invoke, tmp_path: Path) -> None:
    file = tmp_path / "received.txt"
    file.write_text(f"{NO_CO2.hex()}\n{CLIMATE.hex()}\n")
    done = invoke("unpack", ARCHIVE, "climate", str(file), "--csv")
    assert done.exit_code == 0, done.stderr
    rows = list(csv.DictReader(io.StringIO(done.stdout)))
    assert list(rows[0]) == [
        "read from", "version", "sequence", "temperature [Cel]", "humidity [%RH]", "co2 [ppm]", "doors",
        "battery [%EL]",
    ]  # fmt: skip
    assert rows[0]["co2 [ppm]"] == ""
    assert rows[1]["co2 [ppm]"] == "640"
    assert rows[1]["temperature [Cel]"] == "-18.25"
    assert rows[1]["doors"] == "north vault"
    assert done.stdout_bytes.count(b"\r\n") == 3


def test_no_field_has_the_head_of_the_column_of_places(invoke: Invoke, tmp_path: Path) -> None:
    """RFC 4180 section 2: as many fields in each line; a field may be called as that column once was.

    By hand: a presence bit, 8 of the number, 3 of the length, the octets: 1 00000101 101 and "north" (RFC 20).
    """
    text = Path(ARCHIVE).read_text(encoding="utf-8") + TOWN
    design, table = tmp_path / "town.toml", tmp_path / "read.csv"
    design.write_text(text, encoding="utf-8")
    bits = f"1{5:08b}{5:03b}" + "".join(f"{letter:08b}" for letter in b"north")
    octets = int(bits.ljust(56, "0"), 2).to_bytes(7, "big").hex()
    (tmp_path / "in.txt").write_text(f"{octets}\n{octets}\n", encoding="utf-8")
    done = invoke("unpack", str(design), "town", str(tmp_path / "in.txt"), "--csv")
    head = next(csv.reader(io.StringIO(done.stdout)))
    assert head == ["read from", "a", "place"]
    table.write_text(done.stdout, encoding="utf-8", newline="")
    own = tmp_path / "own.csv"
    own.write_text("a,place\n5,north\n", encoding="utf-8")
    assert invoke("pack", str(design), "town", str(table)).stdout.split() == [octets, octets]
    assert invoke("pack", str(design), "town", str(own)).stdout.split() == [octets]
    old = (
        tmp_path / "old.csv"
    )  # as it was written once: the first column would be taken for the field
    old.write_text("place,a,place\np1:1,5,\n", encoding="utf-8")
    done = invoke("pack", str(design), "town", str(old))
    assert (done.exit_code, done.stdout) == (2, "")
    assert "'place' stands in it twice" in done.stderr
    old.write_text("place,door,open,open_for,light\np1:1,south,true,1,120\n", encoding="utf-8")
    told = ("door=south", "open=true", "open_for=1", "light=120")
    plain = invoke("pack", ARCHIVE, "door_alarm", *told).stdout
    assert invoke("pack", ARCHIVE, "door_alarm", str(old)).stdout == plain


TOWN = """
[[message]]
name = "town"
byte_order = "big"
bit_order = "msb-first"
layout = "bit-packed"
field = [
  { kind = "number", name = "a", min = 0, max = 255 },
  { kind = "text", name = "place", max_length = 6, optional = true },
]
"""


def test_elements_and_options_stand_in_the_order_of_the_message(
    invoke: Invoke, tmp_path: Path
) -> None:
    """Three events (version 1): a door, an overload of strain code 4005 (10 above 8000 below 0), a heartbeat."""
    door = int(f"{1:04b}{2:04b}{1:08b}1".ljust(24, "0"), 2).to_bytes(3, "big")
    overload = int(f"{1:04b}{1:04b}{2:08b}{4005:013b}".ljust(32, "0"), 2).to_bytes(4, "big")
    beat = int(f"{1:04b}{7:04b}{3:08b}", 2).to_bytes(2, "big")
    file = tmp_path / "events.txt"
    file.write_text("\n".join(octets.hex() for octets in (door, overload, beat)))
    done = invoke("unpack", FOOTBRIDGE, "event", str(file), "--csv")
    rows = list(csv.reader(io.StringIO(done.stdout)))
    assert [name.split(" [")[0] for name in rows[0]] == [
        "read from", "version", "what", "sequence", "detail.strain", "detail.open",
    ]  # fmt: skip
    assert [row[2:] for row in rows[1:]] == [
        ["door", "1", "", "true"], ["overload", "2", "10", ""], ["heartbeat", "3", "", ""],
    ]  # fmt: skip


@pytest.mark.parametrize("form", [(), ("--json",), ("--csv",)])
def test_wrong_octets_are_told_with_their_place_and_the_others_are_shown(
    invoke: Invoke, tmp_path: Path, form: tuple[str, ...]
) -> None:
    file = tmp_path / "received.txt"
    short, wrong = CLIMATE[:-1], CLIMATE[:1] + b"\x09" + CLIMATE[2:]
    file.write_text(f"{CLIMATE.hex()}\n{short.hex()}\n{wrong.hex()}\n{NO_CO2.hex()}\n")
    done = invoke("unpack", ARCHIVE, "climate", str(file), *form)
    assert done.exit_code == 3
    assert f"{file}:2: octet 11, message climate: field battery" in done.stderr
    assert f"{file}:3: octet 1, message climate: field version is 9" in done.stderr
    assert "-18.25" in done.stdout
    assert "not_available" in done.stdout
    if form == ("--json",):
        lines = [json.loads(line) for line in done.stdout.splitlines()]
        assert [line["values"] is None for line in lines] == [False, True, True, False]
        assert lines[1]["fault"]["offset"] == 11


def test_bits_that_fill_up_the_last_octet_are_told_where_they_are_set(invoke: Invoke) -> None:
    """The archive's door alarm has 33 bits: 7 are left of its fifth octet."""
    sound, odd = (
        invoke("unpack", ARCHIVE, "door_alarm", f"1270fa00{last}") for last in ("00", "01")
    )
    assert (odd.exit_code, odd.stdout, sound.stderr) == (0, sound.stdout, "")
    assert "the last 7 bits, which only fill up the octet, are 0000001, not zero" in odd.stderr
    told = json.loads(invoke("unpack", ARCHIVE, "door_alarm", "1270fa0001", "--json").stdout)
    assert told["notice"].startswith("the last 7 bits")


def test_many_wrong_ones_are_counted(invoke: Invoke, tmp_path: Path) -> None:
    file = tmp_path / "received.txt"
    file.write_text("00\n" * 50)
    done = invoke("unpack", ARCHIVE, "climate", str(file))
    assert done.exit_code == 3
    assert "50 of 50 messages are wrong" in done.stderr
    assert len(done.stderr.splitlines()) < 15


@pytest.mark.parametrize(
    ("arguments", "code", "says"),
    [
        (("climate", "0g"), 2, "is neither hex"),
        (("climate", "012"), 2, "half an octet too many"),
        (("climate", ""), 2, "no octets are given"),
        (("climat", "00"), 2, "no message 'climat'"),
        (("climate", "00", "--csv", "--json"), 2, "two ways"),
        (("climate", "00"), 3, "octet 1, message climate"),
        (("climate", CLIMATE.hex() + "00"), 3, "octet 12, message climate: the message ends here"),
    ],
)
def test_bad_requests_and_bad_octets(
    invoke: Invoke, arguments: tuple[str, ...], code: int, says: str
) -> None:
    done = invoke("unpack", ARCHIVE, *arguments)
    assert done.exit_code == code
    assert says in done.stderr


def test_a_file_of_no_message_is_told_as_such(invoke: Invoke, tmp_path: Path) -> None:
    file = tmp_path / "empty.txt"
    file.write_text("# none yet\n", "ascii")
    done = invoke("unpack", ARCHIVE, "climate", file)
    assert done.exit_code == 2
    assert "has no message in it" in done.stderr
    assert "Write one message a line" in done.stderr


@pytest.mark.parametrize("form", [(), ("--json",)])
def test_text_from_the_air_steers_no_terminal(invoke: Invoke, form: tuple[str, ...]) -> None:
    """The label of the archive: a text with its length, two numbers, a float; an optional double is absent."""
    text = b"\x1b[2J\x07room"
    octets = (
        b"\0"
        + bytes([len(text)])
        + text
        + struct.pack(">B", 1)
        + struct.pack(">H", 2)
        + struct.pack(">f", 1.5)
    )
    done = invoke("unpack", ARCHIVE, "label", octets.hex(), *form)
    assert done.exit_code == 0, done.stderr
    assert "\x1b" not in done.stdout
    assert "\x07" not in done.stdout
    assert "room" in done.stdout
