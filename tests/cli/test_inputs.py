"""Files given in the place of others, and files that are not there: what they are is told, and what to write."""

import bz2
import json
import os
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result
from contract import shelf

from lowpanbudget import list_frames
from lowpanbudget.capture.files.record import (
    FILE_EMPTY,
    LINE_GARBLED,
    LINE_WRONG,
    TIME_NOT_READ,
)

Invoke = Callable[..., Result]
DESIGN, CAPTURE = "examples/archive.toml", "examples/archive.pcap"
KEYS = '[[key]]\noctets = "00112233445566778899aabbccddeeff"\n'
READERS = ("audit", "survey", "annotate", "annotate --list", "expand -o out.pcap")
DESIGNERS = ("fit", "budget", "weigh", "encodings")


@pytest.fixture(autouse=True)
def _folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in (DESIGN, CAPTURE):
        (tmp_path / Path(name).name).write_bytes(Path(name).read_bytes())
    (tmp_path / "mesh.keys.toml").write_text(KEYS)
    (tmp_path / "empty").touch()
    (tmp_path / "noise.bin").write_bytes(bytes(range(200, 256)))
    monkeypatch.chdir(tmp_path)


@pytest.mark.parametrize("command", READERS)
@pytest.mark.parametrize(
    ("file", "says", "write"),
    [
        ("archive.toml", "archive.toml is a design file, not a capture", "--design archive.toml"),
        ("mesh.keys.toml", "mesh.keys.toml is a key file, not a capture", "--keys mesh.keys.toml"),
        ("archve.pcap", "archve.pcap", "Did you mean archive.pcap"),
        (".", ". cannot be read: it is a folder", "in it"),
    ],
)
def test_no_capture(invoke: Invoke, command: str, file: str, says: str, write: str) -> None:
    done = invoke(*command.split(), file)
    assert done.exit_code == 2
    assert done.stdout == ""
    assert says in done.stderr
    assert write in done.stderr
    assert not Path("out.pcap").exists()


@pytest.mark.parametrize("command", DESIGNERS)
@pytest.mark.parametrize(
    ("file", "says", "write"),
    [
        (
            "archive.pcap",
            "archive.pcap is a capture, not a design file",
            "audit archive.pcap --design",
        ),
        ("mesh.keys.toml", "mesh.keys.toml is a key file, not a design file", "--keys"),
        ("archive.tml", "archive.tml cannot be read", "Did you mean archive.toml"),
        ("recipe.toml", "recipe.toml cannot be read", "init recipe.toml"),  # alike by what ends it
        ("empty", "empty is empty", "init --force empty"),
    ],
)
def test_no_design(invoke: Invoke, command: str, file: str, says: str, write: str) -> None:
    done = invoke(command, file)
    assert done.exit_code == 2
    assert says in done.stderr
    assert write in done.stderr


FROM_STANDARD_INPUT = (
    "fit -", "budget - --json", "budget - --octets 60", "airtime -", "sweep - --flow alarm", "weigh -",
    "encodings - --message climate", "generate - climate -o OUT", "pack - climate --rest least",
    "unpack - climate 00020000000000000000", "compatible - archive.toml", "compatible archive.toml -",
    "audit archive.pcap --design -", "shrink ip.txt --design - --plain -o OUT.pcap",
)  # fmt: skip


@pytest.mark.parametrize("command", FROM_STANDARD_INPUT)
def test_a_design_from_standard_input(invoke: Invoke, command: str) -> None:
    """As POSIX.1-2017 XBD 12.2, guideline 13, has it (from memory)."""
    Path("ip.txt").write_text(f"{shelf.datagram(b'1').hex()}\n")
    design = Path("archive.toml").read_bytes()
    named = [
        "archive.toml" if word == "-" else word.replace("OUT", "named") for word in command.split()
    ]
    piped = [word.replace("OUT", "piped") for word in command.split()]
    by_name, by_pipe = invoke(*named), invoke(*piped, stdin=design)
    assert (by_pipe.exit_code, by_name.exit_code) in {(0, 0), (1, 1)}, by_pipe.stderr
    assert by_pipe.stdout.replace("piped", "named") == by_name.stdout


def test_a_design_to_begin_with_goes_on_through_a_pipe(invoke: Invoke) -> None:
    begun = invoke("init").stdout
    assert invoke("budget", "-", stdin=begun).exit_code == 0
    assert invoke("page", "-", "-o", "p.html", "--no-network", stdin=begun).exit_code == 0
    assert "<html" in Path("p.html").read_text("utf-8")


def test_what_is_wrong_with_a_design_from_standard_input(invoke: Invoke) -> None:
    design = Path("archive.toml").read_text()
    line = design[: design.index("phy =")].count("\n") + 1
    for text, says in (
        (design.replace("phy =", "phi =", 1), f"standard input:{line}:1: "),
        (design + "a = = 1\n", f"standard input:{design.count(chr(10)) + 1}:"),
        ("", "standard input is empty, not a design file"),
        (KEYS, "standard input is a key file, not a design file"),
        (Path(CAPTURE).name, "standard input"),
        (b"\xff\xfe", "standard input is no UTF-8 text"),
        (Path("archive.pcap").read_bytes(), "audit - --design FILE"),
        (b"#" * (5 << 20), "standard input has over"),
    ):
        done = invoke("fit", "-", stdin=text)
        assert (done.exit_code, done.stdout) == (2, ""), says
        assert says in " ".join(done.stderr.split())
        assert "00112233" not in done.stderr


@pytest.mark.parametrize(
    "command",
    [
        "audit - --design -",
        "compatible - -",
        "pack - climate -",
        "unpack - climate -",
        "survey - archive.pcap --design -",
    ],
)
def test_standard_input_is_read_once(invoke: Invoke, command: str) -> None:
    done = invoke(*command.split(), stdin=Path("archive.toml").read_bytes())
    assert (done.exit_code, done.stdout) == (2, "")
    assert "standard input can be read once" in done.stderr


def test_beside_a_capture(invoke: Invoke) -> None:
    for option, file, says in (
        ("--design", "archive.pcap", "is a capture, not a design file"),
        ("--keys", "archive.toml", "is a design file, not a key file"),
        ("--keys", "archive.pcap", "is a capture, not a key file"),
    ):
        done = invoke("audit", "archive.pcap", option, file)
        assert done.exit_code == 2
        assert says in done.stderr
    # all are looked at before the first is read
    done = invoke("survey", "archive.pcap", "archive.toml")
    assert (done.exit_code, done.stdout) == (2, "")


def test_a_key_in_the_place_of_a_file(invoke: Invoke) -> None:
    secret = "00112233445566778899aabbccddeeff"
    for command in (*DESIGNERS, "audit", "survey"):
        done = invoke(*command.split(), secret, "--json")
        assert done.exit_code == 2
        assert "that was given cannot be read" in done.stderr
        assert secret not in done.output


def test_what_a_log_may_hold(invoke: Invoke) -> None:
    """A name in brackets before octets is a word of a log; IEEE 802.15.4: an acknowledgement has 5 octets."""
    Path("log.txt").write_text("[link] 02 00 2a 49 f5\n# [link]\n")
    done = invoke("survey", "log.txt", "--fcs", "2")
    assert "1 frame, 5 octets" in done.stdout


def test_octets_that_are_nothing(invoke: Invoke) -> None:
    """As of the other commands: the octets are wrong, and not the request, as with mistyped hex."""
    noise = Path("noise.bin").read_bytes()
    for words in (("noise.bin",), ("-",), ("-", "--frame", "1")):
        done = invoke("annotate", *words, stdin=noise)
        assert done.exit_code == 3
        name = "standard input" if words[0] == "-" else words[0]
        assert f"{name}: this is neither pcap, pcapng nor text" in done.stderr
    assert invoke("survey", "noise.bin").exit_code == 3
    assert invoke("annotate", "-", stdin=b"41 8g").exit_code == 2
    shelf.written(Path("good.pcap"), shelf.sealed(b"x"))
    assert invoke("annotate", "good.pcap").exit_code == 0


@pytest.mark.parametrize("command", ["audit", "survey", "measure", "annotate --list"])
def test_a_capture_of_no_frame(invoke: Invoke, command: str) -> None:
    """There is nothing to judge: the answer is no, and it is told, with --json as well."""
    shelf.written(Path("none.pcap"), [])
    for more in ("", " --json", " --node 0x0001"):
        done = invoke(*f"{command}{more}".split(), "none.pcap")
        assert done.exit_code == 1
        told = done.stderr + done.stdout
        assert "holds no frame" in told
        assert "listens on the channel" in " ".join(told.split())
    if command == "survey":
        both = invoke("survey", "none.pcap", "archive.pcap")
        assert both.exit_code == 1
        assert "none.pcap holds no frame" in both.stderr
        assert "354 frames" in both.stdout


@pytest.mark.parametrize("snapped", [0, 1001])
@pytest.mark.parametrize(
    "command", ["audit", "survey", "measure", "annotate --list", "expand -o o"]
)
def test_a_cut_file_has_one_exit_code(invoke: Invoke, command: str, snapped: int) -> None:
    """The contract: 3 for octets that are wrong; also behind more notices of frames cut by a snap length than are kept.

    A record of pcap has 16 octets before those of its frame.
    """
    frames = shelf.frames(b"good", 1)
    whole = bytearray(shelf.written(Path("cut.pcap"), frames * (snapped + 2)).read_bytes())
    size = len(frames[0])
    for number in range(snapped):
        place = 24 + number * (16 + size) + 12
        whole[place : place + 4] = (size + 9).to_bytes(4, "little")
    Path("cut.pcap").write_bytes(whole[:-5])
    done = invoke(*command.split(), "cut.pcap", *shelf.CONTEXT)
    assert done.exit_code == 3
    told = " ".join((done.stderr + done.stdout).split())
    assert f"he last record has {size - 5} of its {size} octets" in told


def test_no_page_of_nothing(invoke: Invoke) -> None:
    """Octets that are no capture, and a capture without a frame: a page would look like an answer."""
    shelf.written(Path("none.pcap"), [])
    for file, code in (("noise.bin", 3), ("none.pcap", 1), ("archive.toml.bak", 2)):
        done = invoke("page", file, "-o", "page.html")
        assert (done.exit_code, done.stdout) == (code, "")
        assert "holds no frame" in done.stderr or code == 2
        assert not Path("page.html").exists()


@pytest.mark.parametrize(
    ("command", "said"),
    [
        ("annotate", "compressed by gzip (no other way)"),
        ("audit", "compressed by gzip (no other way)"),
        ("expand", "once for each of them, with the hop limit"),
    ],
)
def test_help_says_what_else_is_tried(invoke: Invoke, command: str, said: str) -> None:
    """Which compression is read, and that a datagram that is passed on is written again."""
    assert said in " ".join(invoke(command, "--help").stdout.split())


@pytest.mark.parametrize(
    "words", [("page", "-o", "page.html"), ("survey",), ("expand", "-o", "x.pcap")]
)
def test_what_is_no_capture_is_not_the_receivers_fault(
    invoke: Invoke, words: tuple[str, ...]
) -> None:
    """A table of values has no frame because it is none, whatever the receiver listens to."""
    Path("rows.csv").write_text("place,temperature [Cel]\nkitchen,21.5\n", "ascii")
    done = invoke(words[0], "rows.csv", *words[1:])
    assert done.exit_code in (1, 3)
    assert "rows.csv holds no frame" in done.stderr
    assert "a text with a frame a line in hex" in done.stderr
    assert "channel" not in done.stderr


@pytest.mark.parametrize("command", ["survey", "budget", "annotate"])
def test_who_pipes_into_nothing_is_told_of_the_dash(invoke: Invoke, command: str) -> None:
    done = invoke(command, stdin=b"octets")
    assert done.exit_code == 2
    assert ", - for standard input; all options" in done.stderr


@pytest.mark.parametrize("every", ["0", "soon", "1 d 400 d"])
def test_steps_that_are_none_are_told_with_their_option(invoke: Invoke, every: str) -> None:
    done = invoke("survey", "none.pcap", "archive.pcap", "--every", every)
    assert done.exit_code == 2
    assert done.stderr.startswith(f"lowpanbudget survey: --every {every!r} is no")


@pytest.mark.skipif(os.name != "posix", reason="pipes")
def test_no_page_of_a_pipe(invoke: Invoke) -> None:
    """What comes through it comes once: a second reading would wait for ever."""
    os.mkfifo("pipe.pcap")
    done = invoke("page", "pipe.pcap", "-o", "page.html")
    assert done.exit_code == 2
    assert "pipe.pcap is a pipe, and a page reads its capture twice" in done.stderr
    assert not Path("page.html").exists()


def test_a_page_of_what_could_be_read_of_a_cut_file(invoke: Invoke) -> None:
    path = shelf.written(Path("cut.pcap"), shelf.sealed(b"x") * 2)
    path.write_bytes(path.read_bytes()[:-1])
    done = invoke("page", "cut.pcap", "-o", "page.html")
    assert done.exit_code == 3
    assert "1 frame, " in done.stdout
    assert Path("page.html").exists()


@pytest.mark.parametrize("command", ["annotate", "annotate --list", "measure", "survey"])
def test_programs_are_told_that_a_file_is_cut(invoke: Invoke, command: str) -> None:
    """A pcap file has 24 octets of header, and 16 before each record."""
    (frame,) = shelf.sealed(b"x")
    path = shelf.written(Path("cut.pcap"), [frame] * 2)
    for cut in (0, 1):
        path.write_bytes(path.read_bytes()[: path.stat().st_size - cut])
        done = invoke(*command.split(), "cut.pcap", "--json")
        told = json.loads(done.stdout)
        told = told.get(command, told)
        told = (told.get("captures", [told]) if isinstance(told, dict) else told)[0]
        noticed = [(one["name"], one["number"], one["offset"]) for one in told["notices"]]
        assert noticed == [("file-cut", 1, 24 + 16 + len(frame))] * cut
        assert all(one["text"] in done.stderr for one in told["notices"])
        assert done.exit_code == 3 * cut
    (notice,) = list_frames("cut.pcap").notices
    assert (notice.name, notice.is_damage) == ("file-cut", True)


@pytest.mark.parametrize("command", ["annotate", "survey"])
def test_a_file_cut_before_its_first_frame_is_not_the_receivers_fault(
    invoke: Invoke, command: str
) -> None:
    path = shelf.written(Path("cut.pcap"), shelf.sealed(b"x"))
    path.write_bytes(path.read_bytes()[:-1])
    done = invoke(command, "cut.pcap")
    assert done.exit_code == 3
    assert "the last record has" in done.stderr
    assert "Copy the file again" in done.stderr
    assert "channel" not in done.stderr


def test_what_is_missing_is_written_out(invoke: Invoke) -> None:
    for args, write in (
        ((), "lowpanbudget pack DESIGN MESSAGE NAME=VALUE...|FILE"),
        (("archive.toml",), "the design has climate, climate_batch"),
    ):
        done = invoke("pack", *args)
        assert done.exit_code == 2
        assert write in done.stderr
    assert "CAPTURE -o OUT.pcap" in invoke("expand", "archive.pcap").stderr


def test_examples_that_are_not_there(invoke: Invoke) -> None:
    """The help names them; who has the wheel alone is told how to get them."""
    done = invoke("fit", "examples/footbridge.toml")
    assert "init --example footbridge.toml footbridge.toml" in done.stderr
    assert "Did you mean archive.toml?" in invoke("init", "--example", "archive").stderr
    assert "--help" in invoke("help").stderr


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
def test_a_file_that_may_not_be_read(invoke: Invoke) -> None:
    Path("archive.toml").chmod(0)
    assert "you may not read it" in invoke("fit", "archive.toml").stderr


def test_a_survey_tells_once_that_a_file_is_no_capture(invoke: Invoke) -> None:
    Path("a.pcap.bz2").write_bytes(bz2.compress(Path("archive.pcap").read_bytes()))
    done = invoke("survey", "a.pcap.bz2")
    assert done.exit_code == 3
    assert done.stderr.count("a.pcap.bz2") == 1
    assert "compressed by bzip2" in done.stderr
    assert "try: A capture is a pcap or pcapng file" in done.stderr


@pytest.mark.parametrize("name", [LINE_GARBLED, LINE_WRONG, TIME_NOT_READ, FILE_EMPTY])
def test_what_is_noticed_of_a_text_can_be_asked_for(invoke: Invoke, name: str) -> None:
    assert invoke("explain", name).stdout.startswith(f"{name}\n")
