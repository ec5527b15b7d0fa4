"""Exit codes, streams, colours, widths and encodings of the program as a process."""

import contextlib
import os
import pty
import re
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import click
import pytest
from click.testing import Result
from contract.entry import COMMANDS, HANGS_S, reading

Program = Callable[..., "subprocess.CompletedProcess[bytes]"]
Invoke = Callable[..., Result]
TOP = Path(__file__).parents[2]
FOOTBRIDGE = "examples/footbridge.toml"
ACKNOWLEDGEMENT = (
    "020009"  # IEEE 802.15.4: frame type 2, sequence number 9; the check sequence taken off
)
SHOW = ("annotate", ACKNOWLEDGEMENT, "--fcs", "none")
HEAVY = ("scapy", "numpy", "pydantic", "rich", "cryptography", "jinja2", "asn1tools", "aiocoap")


def test_help_imports_nothing_heavy() -> None:
    probe = (
        "import sys\n"
        "from lowpanbudget.cli.main import run\n"
        "sys.argv = ['lowpanbudget', '--help']\n"
        "try:\n"
        "    run()\n"
        "except SystemExit as end:\n"
        "    assert end.code == 0\n"
        f"print(sorted({{name.split('.')[0] for name in sys.modules}} & set({HEAVY!r})), file=sys.stderr)\n"
        "print(sorted(n for n in sys.modules if n.startswith('lowpanbudget.')), file=sys.stderr)\n"
    )
    done = subprocess.run([sys.executable, "-c", probe], capture_output=True, text=True, check=True)
    heavy, ours = done.stderr.splitlines()
    assert heavy == "[]"
    assert "stack" not in ours
    assert "layers" not in ours
    for name in COMMANDS:
        assert name in done.stdout


def test_commands_are_listed_by_what_they_are_about(invoke: Invoke) -> None:
    """Each once, under one of several headings, and all texts in one column."""
    done = invoke("--help")
    groups = re.findall(r"^([A-Z][a-z ]+):\n((?:  .*\n)+)", done.stdout, re.MULTILINE)
    found = [re.findall(r"^  ([a-z]+)( +)[A-Z]", lines, re.MULTILINE) for _, lines in groups]
    listed = [one for one in found if one]
    assert len(listed) > 2
    assert sorted(name for group in listed for name, _ in group) == sorted(COMMANDS)
    assert len({len(name + gap) for group in listed for name, gap in group}) == 1


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help_and_json(invoke: Invoke, name: str) -> None:
    done = invoke(name, "--help")
    assert done.exit_code == 0
    assert "--json" in done.stdout
    assert f"\n  lowpanbudget {name}" in done.stdout  # the example, on a line of its own
    assert "\\b" not in done.stdout


def test_version(program: Program) -> None:
    done = program("--version")
    assert done.returncode == 0
    assert done.stdout.startswith(b"lowpanbudget ")


@pytest.mark.parametrize(
    ("args", "says"),
    [
        ((), "Usage"),
        (("comprss",), "did you mean 'compress'?"),
        (("xyzzy",), "there is no command 'xyzzy'"),
        (("compress",), "Missing argument"),
        (("compress", "60", "--sorce", "1"), "No such option"),
        (("explain", "iphcc"), "Did you mean IPHC?"),
        (("budget", "none.toml"), "cannot be read"),
        (("fit", "examples"), "cannot be read"),
        (("budget", FOOTBRIDGE, "--flow", "nobody"), "no flow 'nobody'"),
        (("fit", FOOTBRIDGE, "--message", "nothing"), "no message 'nothing'"),
        (("schema", "-o", "none/schema.json"), "cannot be written"),
        (("schema", "-o", "examples"), "is a folder"),
    ],
)
def test_wrong_requests(invoke: Invoke, args: tuple[str, ...], says: str) -> None:
    done = invoke(*args)
    assert done.exit_code == 2, done.output
    assert done.stdout == ""
    assert says in done.stderr
    assert "Traceback" not in done.stderr


def test_a_wrong_design_file_tells_every_fault(program: Program, tmp_path: Path) -> None:
    file = tmp_path / "wrong.toml"
    text = (TOP / FOOTBRIDGE).read_text("utf-8")
    first = next(line for line in text.splitlines() if line.startswith("destination_port"))
    file.write_text(text.replace(first, "destination_port = 70000", 1), "utf-8")
    done = program("budget", str(file))
    assert done.returncode == 2
    assert done.stdout == b""
    line = text.splitlines().index(first) + 1
    assert f"{file}:{line}:".encode() in done.stderr
    assert b"70000" in done.stderr


def test_module_and_script_are_the_same(program: Program) -> None:
    """pyproject names the entry point; ``python -m`` must give the same."""
    script = "import sys; from lowpanbudget.cli.main import run; sys.argv = ['lowpanbudget', '--help']; run()"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, check=False)
    assert done.returncode == 0
    assert program("--help").stdout == done.stdout


# --- ends of the program ----------------------------------------------------------------------------


@pytest.mark.skipif(os.name != "posix", reason="signals")
def test_interrupted_by_a_signal() -> None:
    with reading(b"\n" * 200_000, "annotate", "-") as process:
        process.send_signal(signal.SIGINT)
        _, said = process.communicate(timeout=HANGS_S)
    assert process.returncode == 130
    assert b"Traceback" not in said


@pytest.mark.skipif(os.name != "posix", reason="pipes")
@pytest.mark.parametrize(
    "args", [("--help",), ("explain", "iphc"), ("schema",), SHOW], ids=lambda args: args[0]
)
def test_nobody_reads(args: tuple[str, ...]) -> None:
    """The reading end is closed before anything is written: 128 + SIGPIPE, and not a word."""
    reading, writing = os.pipe()
    os.close(reading)
    command = [sys.executable, "-m", "lowpanbudget", *args]
    done = subprocess.run(command, stdout=writing, stderr=subprocess.PIPE, check=False, cwd=TOP)
    os.close(writing)
    assert (done.returncode, done.stderr) == (141, b"")


@pytest.mark.skipif(os.name != "posix", reason="pipes")
@pytest.mark.parametrize("unbuffered", ["", "1"])
def test_the_reader_leaves_in_the_middle(tmp_path: Path, unbuffered: str) -> None:
    """An unbuffered stream writes a part of the text without an error when the reader leaves: it must be noticed."""
    file = tmp_path / "frames.txt"
    file.write_text(f"{ACKNOWLEDGEMENT}\n" * 100)
    command = [
        sys.executable,
        "-m",
        "lowpanbudget",
        "annotate",
        str(file),
        "--json",
        "--fcs",
        "none",
    ]
    env = {**os.environ, "PYTHONUNBUFFERED": unbuffered}
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=env
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        os.read(process.stdout.fileno(), 10)
        process.stdout.close()
        assert process.stderr.read() == b""
        assert process.wait(HANGS_S) == 141


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full")
def test_a_full_disk_is_told() -> None:
    command = [sys.executable, "-m", "lowpanbudget", *SHOW]
    with Path("/dev/full").open("wb") as full:
        done = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, check=False, cwd=TOP)
    assert done.returncode == 2
    assert b"cannot be written" in done.stderr
    assert b"Traceback" not in done.stderr


# --- what an output can show ------------------------------------------------------------------------

SHOWN = [SHOW, ("budget", FOOTBRIDGE), ("fit", FOOTBRIDGE), ("explain", "iphc"), ("explain",)]


@pytest.mark.parametrize("args", SHOWN, ids=lambda args: "-".join(args[:1]))
def test_a_pipe_gets_no_escapes_and_80_columns(
    program: Program, invoke: Invoke, args: tuple[str, ...]
) -> None:
    """A process of its own with a real pipe for one of them; what it writes is what is written here."""
    done = invoke(*args, TERM="xterm-256color")
    assert done.exit_code == 0, done.stderr
    if args == SHOW:
        piped = program(*args, TERM="xterm-256color")
        assert (piped.returncode, piped.stdout) == (0, done.stdout_bytes), piped.stderr
    assert b"\x1b" not in done.stdout_bytes
    lines = done.stdout_bytes.decode().splitlines()
    assert max(map(len, lines)) <= 80
    assert not any(line.endswith(" ") for line in lines)


@pytest.mark.parametrize("args", SHOWN, ids=lambda args: "-".join(args[:1]))
def test_no_width_is_passed_and_nothing_is_cut(invoke: Invoke, args: tuple[str, ...]) -> None:
    one_flow = ("--flow", "routed") if args[0] == "budget" else ()  # all flows take seconds a width
    for columns in (40, 61, 100, 120, 160):
        lines = invoke(*args, *one_flow, COLUMNS=str(columns)).stdout.splitlines()
        assert max(map(len, lines)) <= columns
        assert not any("…" in line for line in lines)


def test_absurd_widths(invoke: Invoke) -> None:
    for columns in ("0", "-5", "x", "1", "99999999999999999999", "٣"):
        done = invoke(*SHOW, COLUMNS=columns)
        assert done.exit_code == 0
        assert "sequence number" in done.stdout


@pytest.mark.parametrize("encoding", ["ascii", "latin-1", "cp437", "cp1252", "utf-16"])
def test_every_encoding_can_say_it(invoke: Invoke, encoding: str) -> None:
    """The message has a unit with a Greek letter, the header table section signs."""
    for args in (("fit", FOOTBRIDGE, "--message", "features"), ("explain", "hlim")):
        done = invoke(*args, encoding=encoding)
        assert done.exit_code == 0, done.stderr
        text = done.stdout_bytes.decode(encoding)
        assert "strain" in text or "hop limit is 255" in text
        assert "?" not in text  # the usual stand-in for what was lost


def test_plain_ascii_has_its_own_signs(program: Program) -> None:
    text = program("explain", "hlim", PYTHONIOENCODING="ascii").stdout.decode("ascii")
    assert "RFC 6282 section 3.1.1" in text
    assert "\\" not in text


def test_errors_survive_an_ascii_terminal(program: Program) -> None:
    done = program("annotate", "naïve.txt\x1b[31m", PYTHONIOENCODING="ascii", LC_ALL="C")
    assert done.returncode == 2
    assert b"\x1b" not in done.stderr
    assert done.stderr.isascii()


def on_a_terminal(*args: str, **env: str) -> bytes:
    """Return what the program writes to a terminal."""
    ours, theirs = pty.openpty()
    clean = {"PATH": os.environ["PATH"], "TERM": "xterm", "PYTHONIOENCODING": "utf-8", **env}
    command = [sys.executable, "-m", "lowpanbudget", *args]
    process = subprocess.Popen(
        command, stdout=theirs, stdin=theirs, stderr=theirs, env=clean, cwd=TOP
    )
    os.close(theirs)
    said = b""
    with contextlib.suppress(OSError):  # Linux says EIO when the other side is gone
        while part := os.read(ours, 65536):
            said += part
    os.close(ours)
    assert process.wait(HANGS_S) == 0
    return said


@pytest.mark.skipif(os.name != "posix", reason="terminals")
def test_colours_on_a_terminal_only_when_wanted() -> None:
    assert b"\x1b[" in on_a_terminal(*SHOW)
    assert b"\x1b" not in on_a_terminal(*SHOW, NO_COLOR="1")
    assert b"\x1b" not in on_a_terminal(*SHOW, NO_COLOR="1", FORCE_COLOR="1")
    assert b"\x1b" not in on_a_terminal(*SHOW, TERM="dumb")


def test_the_words_are_the_same_with_and_without_colour(invoke: Invoke) -> None:
    for args in (SHOW, ("budget", FOOTBRIDGE, "--flow", "time")):
        with_colour = invoke(*args, FORCE_COLOR="1").stdout
        bare = invoke(*args).stdout
        stripped = click.unstyle(with_colour)
        assert with_colour != bare
        assert [line.rstrip() for line in stripped.splitlines()] == bare.splitlines()


# --- files --------------------------------------------------------------------------------------------


def test_schema_to_a_file(invoke: Invoke, tmp_path: Path) -> None:
    file = tmp_path / "schema.json"
    assert invoke("schema", "-o", str(file)).stdout == ""
    assert file.read_text("utf-8") == invoke("schema").stdout
