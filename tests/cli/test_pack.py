"""Values to octets on the command line: what ``unpack`` prints is packed again, and a given value is what is sent."""

import json
import tracemalloc
from collections.abc import Callable
from pathlib import Path
from random import Random

import pytest
from click.testing import Result

from lowpanbudget import load_design
from lowpanbudget.payload.kinds.group import drawn_values
from lowpanbudget.payload.message import Message

Invoke = Callable[..., Result]
FOOTBRIDGE, ARCHIVE = "examples/footbridge.toml", "examples/archive.toml"
MESSAGES = [
    (file, message.name) for file in (FOOTBRIDGE, ARCHIVE) for message in load_design(file).messages
]


def by_construct(message: Message, values: object) -> bytes:
    """Return the octets as the construct library builds them, from the message's declaration."""
    built: bytes = message.to_construct().build(values)
    return built


@pytest.mark.parametrize(("design", "name"), MESSAGES, ids=[name for _, name in MESSAGES])
@pytest.mark.parametrize("form", ["--csv", "--json"])
def test_what_unpack_prints_is_packed_again(
    invoke: Invoke, tmp_path: Path, design: str, name: str, form: str
) -> None:
    message = load_design(design).message(name)
    random = Random(name)
    cases = [message.example(case) for case in ("least", "typical", "greatest")]
    cases += [drawn_values(message.fields, random, {}) for _ in range(10)]
    lines = [message.pack(values).hex() for values in cases]
    (tmp_path / "hex.txt").write_text("\n".join(lines))
    table = invoke("unpack", design, name, tmp_path / "hex.txt", form).stdout
    (tmp_path / "values").write_text(table, "utf-8")
    done = invoke("pack", design, name, tmp_path / "values")
    assert done.stderr == ""
    assert done.stdout.split() == lines
    assert invoke("pack", design, name, "-", stdin=table).stdout.split() == lines


@pytest.mark.parametrize(
    "text", ["=1+2", "'=1+2", "''@a", "'a", "-5", "'-5", " +a", "'", "\t|", "a"]
)
def test_text_that_a_spreadsheet_would_run_is_packed_again(
    invoke: Invoke, tmp_path: Path, text: str
) -> None:
    """The apostrophe of the table is none of the text."""
    design, orders = (
        Path(FOOTBRIDGE).read_text("utf-8"),
        'byte_order = "big"\nbit_order = "msb-first"',
    )
    field = '{ kind = "text", name = "label", max_length = 20 }'
    message = f'name = "said"\n{orders}\nlayout = "octet-aligned"\nfield = [{field}]'
    (tmp_path / "d.toml").write_text(f"{design}\n[[message]]\n{message}\n", "utf-8")
    asked = (tmp_path / "d.toml", "said")
    octets = load_design(tmp_path / "d.toml").message("said").pack({"label": text}).hex()
    assert text.encode().hex() in octets
    (tmp_path / "t.csv").write_text(invoke("unpack", *asked, octets, "--csv").stdout)
    assert invoke("pack", *asked, tmp_path / "t.csv").stdout.split() == [octets]


def test_values_of_the_command_line(invoke: Invoke) -> None:
    """By hand: version 1, south 1 of 3 in 2 bits, open, 30 s, then at bit 16 the light in 17 bits, all msb-first."""
    given = ("door=south", "open=true", "open_for=1", "light=120")
    octets = bytes.fromhex(invoke("pack", ARCHIVE, "door_alarm", *given).stdout)
    bits = "".join(f"{octet:08b}" for octet in octets)
    assert bits[:7] == "0001011"
    assert len(octets) == 5
    read = json.loads(invoke("unpack", ARCHIVE, "door_alarm", octets.hex(), "--json").stdout)[
        "values"
    ]
    assert read == {"version": 1, "door": "south", "open": True, "open_for": 1, "light": 120}


def test_values_inside_others_and_the_rest(invoke: Invoke) -> None:
    given = ("status=mains,tamper", "reading[0].temperature=-7.25", "reading[0].at=0", "reading[0].strain=5",
             "time=0", "sequence=9")  # fmt: skip
    done = invoke("pack", FOOTBRIDGE, "readings", *given, "--json")
    values = json.loads(done.stdout)["values"]
    assert values["status"] == ["mains", "tamper"]
    assert values["reading"] == [{"at": 0, "strain": 5, "temperature": -7.25}]
    done = invoke("pack", ARCHIVE, "label", "build.major=7", "--rest", "typical", "--json")
    typical = load_design(ARCHIVE).message("label").example("typical")
    build = json.loads(done.stdout)["values"]["build"]
    assert build == {"major": 7, "minor": typical["build"]["minor"]}
    readings = load_design(FOOTBRIDGE).message("readings")
    values = readings.example("typical")
    values["reading"] = [{**values["reading"][0], "temperature": 21.5}]
    packed = invoke(
        "pack", FOOTBRIDGE, "readings", "reading[0].temperature=21.5", "--rest", "typical"
    )
    assert bytes.fromhex(packed.stdout) == by_construct(readings, values)
    octets = bytes.fromhex(invoke("pack", ARCHIVE, "climate_batch", "--rest", "typical").stdout)
    batch = load_design(ARCHIVE).message("climate_batch")
    assert octets == by_construct(batch, batch.example("typical"))


def test_an_optional_field_is_left_out_where_the_rest_is_as_in_the_greatest(
    invoke: Invoke, tmp_path: Path
) -> None:
    """By hand: a presence bit, then 7 bits of what is there: 1 1111111, or 0 and the padding."""
    file = tmp_path / "one.toml"
    assert invoke("init", file).exit_code == 0
    fields = (
        '{ kind = "number", name = "rh", min = 0, max = 127, optional = true }',
        '{ kind = "boolean", name = "on" }',
    )
    with file.open("a", encoding="utf-8") as design:
        design.write(
            '\n[[message]]\nname = "one"\nbyte_order = "big"\nbit_order = "msb-first"\nlayout = "bit-packed"\n'
            f"field = [{', '.join(fields)}]\n"
        )
    asked = ("pack", file, "one", "--rest", "greatest")
    assert invoke(*asked).stdout == "ff80\n"
    assert invoke(*asked, "--without", "rh").stdout == "40\n"
    assert "only fields with optional = true" in invoke(*asked, "--without", "on").stderr
    assert "--without NAME" in invoke(*asked, "rh=").stderr
    # of a field that is empty alone: 200 is out of range, whatever the other one is
    assert "--without NAME" not in invoke("pack", file, "one", "rh=200", "on=").stderr
    (tmp_path / "v.csv").write_text("on\ntrue\n")
    done = invoke("pack", file, "one", tmp_path / "v.csv", "--without", "rh")
    assert (done.exit_code, "null in JSON" in done.stderr) == (2, True)


def test_a_time_is_given_as_it_is_shown(invoke: Invoke) -> None:
    shown = [
        invoke("pack", FOOTBRIDGE, "readings", f"time={time}", "--rest", "least").stdout
        for time in ("2001-09-09T01:46:40Z", "2001-09-09T03:46:40+02:00", "1000000000")
    ]
    assert len(set(shown)) == 1  # POSIX time 10^9, whose date is well known
    assert shown[0][4:12] == "3b9aca00"  # behind 4 + 4 + 8 bits
    done = invoke("pack", FOOTBRIDGE, "readings", "time=tomorrow", "--rest", "least")
    assert "the text 'tomorrow', no time" in done.stderr
    assert "or a date and time" in done.stderr


def test_a_time_counted_from_another_is_given_as_it_is_shown(invoke: Invoke) -> None:
    rest = ("reading[0].strain=5", "reading[0].temperature=-7.25", "--rest", "least")
    dated, counted, later = (
        invoke("pack", FOOTBRIDGE, "readings", "time=2001-09-09T01:46:40Z", f"reading[0].at={at}", *rest).stdout
        for at in ("2001-09-09T01:47:00Z", "1000000020", "1000000022")
    )  # fmt: skip
    assert dated
    assert dated == counted != later
    done = invoke("pack", FOOTBRIDGE, "readings", "reading[0].at=soon", "--rest", "least")
    assert "Give the time itself as time is given" in done.stderr


def test_a_time_offset_given_as_one_is_told_the_time(invoke: Invoke) -> None:
    done = invoke(
        "pack", FOOTBRIDGE, "readings", "time=1000", "reading[0].at=410", "--rest", "typical"
    )
    assert "410 s after time is 1410" in done.stderr


def test_a_file_of_octets(invoke: Invoke, tmp_path: Path) -> None:
    shown = invoke("pack", ARCHIVE, "door_alarm", "--rest", "typical").stdout
    done = invoke("pack", ARCHIVE, "door_alarm", "--rest", "typical", "-o", tmp_path / "alarm.bin")
    assert done.stdout == ""
    assert (tmp_path / "alarm.bin").read_bytes().hex() == shown.strip()


WRONG = [
    (("door_alarm",), "field door has no value"),
    (("door_alarm", "door=sud", "--rest", "least"), "Give one of north, south, vault"),
    (("door_alarm", "open=yes", "--rest", "least"), "Give true or false"),
    (("door_alarm", "light=x", "--rest", "least"), "not a number"),
    (("door_alarm", "light=1,5", "--rest", "least"), "with a point and no comma: 1.5"),
    (("door_alarm", "light=100001", "--rest", "least"), "outside"),
    (("door_alarm", "door=1", "--rest", "least"), "field door is 1\n"),
    (("door_alarm", "version=2", "--rest", "least"), "field version is 2\n"),
    (("door_alarm", "lamp=1", "--rest", "least"), "no field 'lamp'"),
    (("door_alarm", "door=north", "door=north"), "more than once"),
    (("climate_batch", "reading[1].at=0"), "the element before it is not"),
    (("climate_batch", "reading..at=0"), "no path"),
    (("climate_batch", "reading=1", "reading[0]=2"), "beside"),
    (("door_alarm", "door=north", "values.csv"), "has no value"),
    (("door_alarm", "values.csv"), "cannot be read"),
    (("door_alarm", "-", '{"door": "north"'), "no JSON"),
    (("climate", "-", '{"sequence": {"a": 1}}'), "a table of values, not a number"),
    (("climate", "-", '{"sequence": true}'), "true, not a number"),
    (("door_alarm", "-", "[5]"), "by the names of its fields"),
    (("door_alarm", "-", '{"message": "climate", "values": {}}'), "not of door_alarm"),
    (("door_alarm", "-", "door,open\nnorth,true\n"), "open_for has no value"),
]


@pytest.mark.parametrize(("args", "says"), WRONG, ids=[says for _, says in WRONG])
def test_what_cannot_be_packed_is_said(invoke: Invoke, args: tuple[str, ...], says: str) -> None:
    stdin = args[2] if len(args) > 2 and args[1] == "-" else None
    done = invoke("pack", ARCHIVE, *(args[:2] if stdin else args), stdin=stdin)
    assert done.exit_code == 2
    assert done.stdout == ""
    assert says in done.stderr
    assert not any(word in done.stderr for word in ("dict", "float", "int,", "None", "True"))


@pytest.mark.parametrize(
    ("message", "given", "says"),
    [
        ("strain_burst", "strain=[0,5]", "of a list 1,2,3"),
        ("strain_burst", "strain=0;5", "of a list 1,2,3"),
        ("strain_burst", "strain=[]", "nothing for an empty one"),
        ("readings", "reading=[]", "reading[0].temperature=21.5"),
    ],
)
def test_a_list_in_another_shape_is_told_how_it_is_written(
    invoke: Invoke, message: str, given: str, says: str
) -> None:
    done = invoke("pack", FOOTBRIDGE, message, given, "--rest", "least")
    assert done.exit_code == 2
    assert says in done.stderr


GOOD = {"door": "south", "open": True, "open_for": 1, "light": 120}


@pytest.mark.parametrize(
    ("name", "text", "places"),
    [
        ("v.csv", "door,open,open_for,light\nsouth,true,1,5\nwest,true,1,5\nnorth,true,1,5,6\n",
         ["v.csv:3:1: row 2: message door_alarm: field door is 'west'",
          "v.csv:4:1: row 3: 5 values stand below a head of 4"]),
        ("v.jsonl", f'{json.dumps(GOOD)}\n\n{json.dumps(GOOD | {"light": "x"})}\n{{"door":\n',
         ["v.jsonl:3:1: object 2: message door_alarm: field light is the text 'x'",
          "v.jsonl:4:1: object 3: line 4 is no JSON"]),
        ("v.json", json.dumps([GOOD, GOOD | {"door": 7}]), ["v.json:1:1: object 2: "]),
        ("whole.json", '[\n{"door": "south"\n"open": true}]', ["whole.json:3:1: the text: line 3 is no JSON"]),
        # RFC 8259 section 9: "An implementation may set limits on the maximum depth of nesting", and on numbers
        ("deep.json", "[" * 100_000, ["deep.json:1:1: the text: line 1 is nested too deep"]),
        ("deep.jsonl", f'{json.dumps(GOOD)}\n{"[" * 100_000}\n',
         ["deep.jsonl:2:1: object 2: line 2 is nested too deep"]),
        ("digits.json", f'{{"light": {"9" * 5000}}}',
         ["digits.json:1:1: the text: line 1 holds a number with too many"]),
        ("huge.json", json.dumps(GOOD).replace("120", "1e99999999999999999999"),
         ["huge.json:1:1: object 1: message door_alarm: field light is NaN"]),
        ("long.csv", f"door,open\nsouth,{'x' * 200_000}\n", ["long.csv:2:1: row 1: the row is none of a table"]),
        ("head.csv", "door,opn\nsouth,true\n", ["head.csv: line 1", "no field 'opn'", "Did you mean 'open'?"]),
        ("semicolons.csv", "door;open\nsouth;true\n", ["semicolons.csv: line 1", "with commas"]),
        ("unit.csv", "door,open,open_for [s],light [klx]\nsouth,true,1,0.12\n",
         ["unit.csv: line 1: light is given in 'klx', and message door_alarm has it in lx"]),
        ("mode.csv", "door [m],open,open_for,light\n", ["mode.csv: line 1: door is given in 'm'", "without a unit"]),
        ("unit.json", json.dumps({"message": "door_alarm", "values": GOOD, "units": {"open_for": "min"}}),
         ["unit.json:1:1: object 1: open_for is given in 'min', and message door_alarm has it in s"]),
        ("none.csv", "door,open\n", ["none.csv has no message in it"]),
    ],
    ids=lambda value: value if isinstance(value, str) and "\n" not in value else "",
)  # fmt: skip
def test_rows_that_cannot_be_packed_are_located(
    invoke: Invoke,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    name: str,
    text: str,
    places: list[str],
) -> None:
    """Whole or not at all: lines of octets and rows stay the same."""
    design = Path(ARCHIVE).resolve()
    monkeypatch.chdir(tmp_path)
    Path(name).write_text(text)
    done = invoke("pack", design, "door_alarm", name)
    assert (done.exit_code, done.stdout) == (2, "")
    for place in places:
        assert place in done.stderr
    told = json.loads(invoke("pack", design, "door_alarm", name, "--json").stdout)["fault"]
    if "cannot be packed" in done.stderr:
        lines = [int(place.split(":")[1]) for place in places]
        assert [fault["line"] for fault in told["faults"]] == lines


def test_a_unit_may_have_the_name_that_people_give_it(invoke: Invoke, tmp_path: Path) -> None:
    """RFC 8428 section 12.1 calls it lx."""
    (tmp_path / "v.csv").write_text("door,open,open_for,light [lux]\nsouth,true,1,120\n")
    plain = invoke(
        "pack", ARCHIVE, "door_alarm", *(f"{name}={GOOD[name]}".lower() for name in GOOD)
    )
    done = invoke("pack", ARCHIVE, "door_alarm", tmp_path / "v.csv")
    assert (done.exit_code, done.stdout) == (0, plain.stdout)


@pytest.mark.parametrize("true", ["true", "TRUE", "True"])
def test_a_spreadsheet_writes_true_in_capitals(invoke: Invoke, tmp_path: Path, true: str) -> None:
    """As OpenDocument 1.2 part 2 section 6.15 names its logical functions: TRUE, FALSE."""
    false = {"TRUE": "FALSE", "True": "False"}.get(true, "false")
    (tmp_path / "v.csv").write_text(
        f"door,open,open_for,light\nsouth,{true},1,120\nsouth,{false},1,120\n"
    )
    done = invoke("pack", ARCHIVE, "door_alarm", tmp_path / "v.csv")
    # the seventh bit, after 4 of the version and 2 of the door
    assert [f"{int(line, 16):040b}"[6] for line in done.stdout.split()] == ["1", "0"]
    (tmp_path / "v.csv").write_text("door,open,open_for,light\nsouth,TRU,1,120\n")
    assert "Give true or false" in invoke("pack", ARCHIVE, "door_alarm", tmp_path / "v.csv").stderr


def test_signs_that_part_lines_elsewhere_stand_in_texts(invoke: Invoke, tmp_path: Path) -> None:
    # RFC 8259 section 7: of all that is no quote or reverse solidus only U+0000 to U+001F "MUST be escaped"
    file = tmp_path / "v.jsonl"
    rows = [GOOD | {"door": "so\u2028uth"}, GOOD]
    file.write_text("\n".join(json.dumps(row, ensure_ascii=False) for row in rows))
    done = invoke("pack", ARCHIVE, "door_alarm", file)
    assert "1 of 2 messages" in done.stderr
    assert f"{file}:1:1: object 1: message door_alarm: field door is" in done.stderr


def test_a_small_file_takes_little_memory(invoke: Invoke, tmp_path: Path) -> None:
    """Room for the largest file that is taken, asked for at once, is refused where memory is short."""
    file = tmp_path / "one.json"
    file.write_text(json.dumps(GOOD))
    assert invoke("pack", ARCHIVE, "door_alarm", file).exit_code == 0  # what it imports is there
    tracemalloc.start(1)
    try:
        assert invoke("pack", ARCHIVE, "door_alarm", file).exit_code == 0
        assert tracemalloc.get_traced_memory()[1] < 8e6
    finally:
        tracemalloc.stop()


def test_a_rounded_number_is_told(invoke: Invoke, tmp_path: Path) -> None:
    """30.4 in steps of 0.5 is 30.5: elementary; equal numbers written otherwise are no rounding."""
    file = tmp_path / "mesh.toml"
    assert invoke("init", file).exit_code == 0
    asked = ("pack", file, "reading", "--rest", "least")
    done = invoke(*asked, "humidity=30.4")
    assert done.stdout == invoke(*asked, "humidity=30.50").stdout
    assert "humidity is sent as 30.5 %RH, not 30.4" in done.stderr
    (tmp_path / "v.csv").write_text("humidity\n" + "30.4\n" * 7)
    told = invoke(*asked, tmp_path / "v.csv").stderr
    # one line of names stands before five rows
    assert f"{tmp_path / 'v.csv'}:6: row 5: humidity is sent as" in told
    assert "2 more numbers" in told
    whole = json.loads(invoke(*asked, "humidity=30.4", "--json").stdout)
    assert whole["rounded"] == [{"path": "humidity", "given": "30.4", "sent": "30.5"}]
    assert invoke(*asked, "humidity=30.50", "temperature=-39.9").stderr == ""


def test_what_is_no_number_is_not_rounded(invoke: Invoke, tmp_path: Path) -> None:
    """IEEE 754 section 6.2: a NaN is sent as one (0x7e00 of a half), though it equals nothing, itself included."""
    file = tmp_path / "half.toml"
    assert invoke("init", file).exit_code == 0
    with file.open("a", encoding="utf-8") as design:
        design.write(
            '\n[[message]]\nname = "half"\nbyte_order = "big"\nbit_order = "msb-first"\nlayout = "bit-packed"\n'
            'field = [{ kind = "float", name = "level", bits = 16 }]\n'
        )
    done = invoke("pack", file, "half", "level=nan")
    assert (done.stdout, done.stderr) == ("7e00\n", "")
    # as programs and spreadsheets write them; of a half 0x7c00 is infinity (IEEE 754 section 3.4)
    for text, octets in (("NaN", "7e00"), ("Infinity", "7c00"), ("-INF", "fc00")):
        assert invoke("pack", file, "half", f"level={text}").stdout == f"{octets}\n"
