"""The commands about message formats: the gate of ``fit``, ``weigh`` and ``compatible``."""

import json
import subprocess
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
from contract.entry import invoke

FOOTBRIDGE = str(Path(__file__).parents[2] / "examples" / "footbridge.toml")


def run(*args: str) -> subprocess.CompletedProcess[str]:
    done = invoke(*args)
    return subprocess.CompletedProcess(args, done.exit_code, done.stdout, done.stderr)


def test_gate_passes_and_says_one_line_a_hop() -> None:
    done = run("fit", FOOTBRIDGE, "--message", "features", "--max-frames", "1", "--spare", "4")
    assert done.returncode == 0
    assert [line.split()[0] for line in done.stdout.splitlines()] == ["ok", "ok"]


def test_gate_fails_with_the_reason_first() -> None:
    done = run("fit", FOOTBRIDGE, "--message", "snapshot", "--max-frames", "1")
    assert done.returncode == 1
    # 256 samples of three axes in 12 bits are 1152 octets
    assert done.stdout.splitlines()[0].startswith(
        "NO  snapshot on snapshot, first hop: 1152 octets"
    )


def test_spare_is_what_the_frame_has_left() -> None:
    shown = json.loads(run("fit", FOOTBRIDGE, "--message", "features", "--json").stdout)["fit"]
    least = min(one["room"] - one["octets"] for one in shown)
    assert run("fit", FOOTBRIDGE, "--message", "features", "--spare", str(least)).returncode == 0
    assert (
        run("fit", FOOTBRIDGE, "--message", "features", "--spare", str(least + 1)).returncode == 1
    )


def test_a_batch_leaves_what_is_to_be_spare() -> None:
    """A reading takes 48 bits at most (1+12+13+14+8): with 73 of 75 octets taken, one less leaves 8."""
    asked = ("fit", FOOTBRIDGE, "--message", "readings", "--spare", "4")
    done = run(*asked)
    assert done.returncode == 0
    assert "67 octets in one frame, 8 spare" in done.stdout
    shown = json.loads(run(*asked, "--json").stdout)["fit"]
    assert [(one["hop"], one["octets"], one["batch"]) for one in shown] == [
        ("first", 67, 12),  # 80 octets of 84: 79
        ("forwarded", 67, 10),
    ]


def test_junit_file_counts_cases_and_failures(tmp_path: Path) -> None:
    file = tmp_path / "fit.xml"
    done = run("fit", FOOTBRIDGE, "--max-frames", "1", "--junit", str(file))
    suite = ET.parse(file).getroot()
    lines = done.stdout.splitlines()
    assert suite.tag == "testsuite"
    assert int(suite.get("tests", "")) == len(suite.findall("testcase")) == len(lines)
    bad = sum(line.startswith("NO") for line in lines)
    assert int(suite.get("failures", "")) == len(suite.findall("testcase/failure")) == bad > 0


def test_junit_in_a_folder_that_is_not_there(tmp_path: Path) -> None:
    done = run("fit", FOOTBRIDGE, "--junit", str(tmp_path / "no" / "fit.xml"))
    assert done.returncode == 2
    assert "cannot be written" in done.stderr


def test_waiting_is_the_interval_times_the_readings_before_the_last() -> None:
    shown = json.loads(run("fit", FOOTBRIDGE, "--message", "readings", "--json").stdout)["fit"]
    for one in shown:
        assert one["wait_s"] == (one["batch"] - 1) * 600  # every_s of the example
    # a node makes one message for all its hops: the octets are those of as many readings as the worst hop carries
    (readings,) = {one["readings"] for one in shown}
    assert readings == min(one["batch"] for one in shown)
    assert {one["sends_every_s"] for one in shown} == {readings * 600}


def test_times_that_end_what_goes_together_are_told(tmp_path: Path) -> None:
    """In an hour there are 7 readings, one each 600 s, and no encoding of the same values says more."""
    text = Path(FOOTBRIDGE).read_text(encoding="utf-8").replace("max = 7200  ", "max = 3600  ")
    design = tmp_path / "hour.toml"
    design.write_text(text, encoding="utf-8")
    told = " ".join(run("fit", str(design), "--message", "readings").stdout.split())
    assert "7 of reading, the first waits 1 h" in told
    assert "reading[].at spans 7 of reading, one each 10 min, and no more" in told
    told = " ".join(run("encodings", str(design), "--message", "readings").stdout.split())
    assert "reading[].at spans no more than the most of these" in told
    design.write_text(text.replace("min_length = 1", "min_length = 8", 1), encoding="utf-8")
    told = " ".join(run("fit", str(design), "--message", "readings").stdout.split())
    assert "8 of reading, one each 10 min, are the fewest of a message" in told
    assert "CANNOT BE MADE" in told
    gate = run("fit", str(design), "--message", "readings", "--max-frames", "1")
    assert gate.returncode == 1
    assert gate.stdout.count("NO  readings on features") == 2
    assert "reading[].at does not span 8 of reading, the fewest of a message" in gate.stdout
    told = " ".join(run("encodings", str(design), "--message", "readings").stdout.split())
    assert "reading[].at does not span the fewest at the flow's rhythm" in told
    assert "none can be made" in told
    page = tmp_path / "hour.html"
    quickly = ("--no-network", "--combinations", "1")
    assert run("page", str(design), "-o", str(page), *quickly).returncode == 0
    shown = page.read_text(encoding="utf-8")
    assert "none can be made: reading[].at does not span 8 of reading" in shown
    assert "fewest-readings-not-spanned" in shown
    for command in ("fit", "encodings"):
        assert "spans" not in run(command, FOOTBRIDGE, "--message", "readings").stdout


def test_weigh_tells_fields_and_smaller_messages() -> None:
    done = run("weigh", FOOTBRIDGE, "--message", "features", "--json")
    assert done.returncode == 0
    (one,) = json.loads(done.stdout)["weigh"]
    sizes = [candidate["octets"] for candidate in one["smaller"]]
    assert sizes == sorted(sizes, reverse=True)
    assert len(set(sizes)) == len(sizes)
    strain = next(field for field in one["fields"] if field["path"] == "strain")
    assert strain["bits"] == 16  # stated in the file
    assert strain["saves_octets"] == 2


@pytest.mark.parametrize(("octets", "code"), [(32, 0), (31, 0), (20, 1)])
def test_weigh_reaches_a_size_or_says_that_it_cannot(octets: int, code: int) -> None:
    done = run("weigh", FOOTBRIDGE, "--message", "features", "--octets", str(octets))
    assert done.returncode == code
    assert ("No loss within the tolerances" in done.stdout) == (code == 1)


def test_weigh_names_the_layout_that_reaches_a_size(tmp_path: Path) -> None:
    """The features of the example, octet-aligned: the file with the other layout has the size that is told."""
    text = Path(FOOTBRIDGE).read_text(encoding="utf-8")
    head, name, rest = text.partition('name = "features"')
    layouts = [
        rest.replace('"bit-packed"', f'"{layout}"', 1) for layout in ("octet-aligned", "bit-packed")
    ]
    aligned = tmp_path / "aligned.toml"
    aligned.write_text(head + name + layouts[0], encoding="utf-8")
    words = ("weigh", str(aligned), "--message", "features", "--octets", "32")
    done = run(*words)
    assert done.returncode == 1
    told = " ".join(done.stdout.split())
    assert 'With layout = "bit-packed" it has at most 32 octets, without any loss' in told
    assert "Widen a tolerance" not in told
    (one,) = json.loads(run(*words, "--json").stdout)["weigh"]
    assert one["layout"] == "octet-aligned"
    assert [each["octets"] for each in one["bit_packed"]] == [32]
    # as the example is
    (one,) = json.loads(run("weigh", FOOTBRIDGE, "--message", "features", "--json").stdout)["weigh"]
    assert (one["octets"], one["bit_packed"]) == (32, [])


JUMPS = """
[[message]]
name = "jumps"
byte_order = "big"
bit_order = "msb-first"
layout = "octet-aligned"
[[message.field]]
kind = "series"
name = "s"
min = 0
max = 1000
length = 20
deltas = "fixed"
escape = true
"""


def test_narrower_differences_may_make_a_message_greater(tmp_path: Path) -> None:
    """Counted: 16 bits reach 1000 steps, and 2 + 19 * 2 = 40 octets are enough; 8 bits reach 127.

    Beyond stands an escape, and the greatest message has 2 + 19 * (1 + 2) = 59 octets, 19 more. Bit-packed 1001 values
    take 10 bits, differences of 1000 steps either way 11: 10 + 19 * 11 = 219 bits, 28 octets; 10 bits as stated reach
    511, and 10 + 19 * (10 + 10) = 390 bits would be 49 octets.
    """
    text = Path(FOOTBRIDGE).read_text(encoding="utf-8") + JUMPS
    path = tmp_path / "jumps.toml"
    words = ("weigh", str(path), "--message", "jumps")
    path.write_text(f"{text}delta_bits = 10\n", encoding="utf-8")
    told = " ".join(run(*words).stdout.split())
    assert "40 octets at most" in told
    (one,) = json.loads(run(*words, "--json").stdout)["weigh"]
    (part,) = one["fields"][0]["parts"]
    assert (part["saves_bits"], part["saves_octets"]) == (-152, -19)
    assert "-152" not in told
    assert "more in all" in told
    packed = 'With layout = "bit-packed", and s with differences of 11 bits instead of 10, it has at most 28 octets'
    assert f"{packed}, without any loss" in told
    path.write_text(f"{text}delta_bits = 8\n", encoding="utf-8")
    (one,) = json.loads(run(*words, "--json").stdout)["weigh"]
    assert one["octets"] == 59


def test_weigh_gives_back_a_width_before_it_asks_for_a_loss(tmp_path: Path) -> None:
    """Counted: 0 .. 100 are 101 values, 7 bits; in 20 they are 3 octets, and without the width 1."""
    head, _, _ = JUMPS.partition("[[message.field]]")
    field = '[[message.field]]\nkind = "number"\nname = "level"\nmin = 0\nmax = 100\nbits = 20\n'
    path = tmp_path / "wide.toml"
    path.write_text(Path(FOOTBRIDGE).read_text(encoding="utf-8") + head + field, encoding="utf-8")
    done = run("weigh", str(path), "--message", "jumps", "--octets", "1")
    assert done.returncode == 0
    assert "1 octet none level in 7 bits instead of 20" in " ".join(done.stdout.split())


def test_compatible_with_itself() -> None:
    done = run("compatible", FOOTBRIDGE, FOOTBRIDGE)
    assert done.returncode == 0
    assert "NOT SAFE" not in done.stdout


def test_compatible_names_the_unsafe_change(tmp_path: Path) -> None:
    new = tmp_path / "new.toml"
    text = Path(FOOTBRIDGE).read_text(encoding="utf-8")
    # a range that grows from 30000 to 35000 steps of 0.001 needs 16 bits instead of 15
    wider = text.replace('name = "tilt_x"\nmin = -15', 'name = "tilt_x"\nmin = -20')
    new.write_text(wider, encoding="utf-8")
    done = run("compatible", FOOTBRIDGE, str(new), "--json")
    assert done.returncode == 1
    unsafe = [one for one in json.loads(done.stdout)["compatible"] if not one["safe"]]
    assert [one["message"] for one in unsafe] == ["features"]
    (change,) = unsafe[0]["changes"]
    assert (change["path"], change["safe"], change["bits"]) == ("tilt_x", False, 1)


def test_compatible_tells_how_to_append_what_is_optional(tmp_path: Path) -> None:
    text = Path(FOOTBRIDGE).read_text(encoding="utf-8")
    assert text.endswith('name = "token"\nmax_length = 4\n')
    field = '\n[[message.field]]\nkind = "boolean"\nname = "loud"\noptional = true\n'
    new = tmp_path / "new.toml"
    new.write_text(text + field, encoding="utf-8")
    # its first octet is a constant: what moves it is refused by every receiver of the old format
    assert run("compatible", FOOTBRIDGE, str(new), "--message", "command").returncode == 0
    done = run("compatible", FOOTBRIDGE, str(new), "--message", "command", "--strict")
    assert done.returncode == 1
    assert "In a group that is appended for it" in " ".join(done.stdout.split())
    group = '\n[[message.field]]\nkind = "group"\nname = "more"\n'
    inside = group + field.replace("[[message.field]]", "[[message.field.field]]")
    new.write_text(text + inside, encoding="utf-8")
    assert run("compatible", FOOTBRIDGE, str(new), "--message", "command").returncode == 0


@pytest.mark.parametrize("command", ["weigh", "compatible"])
def test_unknown_message_names_those_there_are(command: str) -> None:
    files = (FOOTBRIDGE,) * (2 if command == "compatible" else 1)
    done = run(command, *files, "--message", "nothing")
    assert done.returncode == 2
    assert "features" in done.stderr


@pytest.mark.parametrize("form", ["array", "map"])
def test_cddl_of_every_message_is_read_by_a_parser_of_it(form: str) -> None:
    """RFC 8610, by a parser that is not ours."""
    parser = pytest.importorskip("cddlparser")
    done = run("encodings", FOOTBRIDGE, "--cddl", form)
    assert done.returncode == 0
    assert done.stdout.count("message-") >= 6
    tree = parser.parse(done.stdout)
    assert tree.serialize().strip() == done.stdout.strip()
