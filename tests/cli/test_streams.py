"""Standard streams that are closed, full or read by nobody; what is written when a process is ended in the middle."""

import io
import os
import signal
import stat
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from types import FrameType

import pytest
from click.testing import Result
from contract.entry import HANGS_S, TOP

from lowpanbudget.capture.files import code_cache
from lowpanbudget.cli import output
from lowpanbudget.cli.main import program

Invoke = Callable[..., Result]
POSIX = pytest.mark.skipif(os.name != "posix", reason="descriptors")
LINE = [sys.executable, "-m", "lowpanbudget"]
FIT = ("fit", "examples/archive.toml", "--json")


def ended(redirection: str, *words: str) -> subprocess.CompletedProcess[str]:
    """Return how a command ends whose streams a shell has redirected."""
    script = f'exec "$@" {redirection}'
    return subprocess.run(
        ["sh", "-c", script, "sh", *LINE, *words], capture_output=True, text=True, check=False,
        stdin=subprocess.DEVNULL, timeout=HANGS_S, cwd=TOP,
    )  # fmt: skip


@POSIX
@pytest.mark.parametrize(
    ("redirection", "words", "code", "says"),
    [
        (">&-", FIT, 2, "standard output cannot be written: Bad file descriptor"),
        (">&-", ("--help",), 2, "standard output cannot be written: Bad file descriptor"),
        ("2>&-", ("fit", "none.toml"), 2, ""),
        (">&- 2>&- <&-", ("--version",), 2, ""),
        ("<&-", ("compress", "-"), 2, "cannot be read"),
        (">/dev/full", ("--version",), 2, "standard output cannot be written: No space left"),
        (">/dev/full", ("fit", "none.toml", "--json"), 2, "none.toml cannot be read"),
        ("2>/dev/full", ("fit", "none.toml"), 2, ""),
        ("2>/dev/full", ("--version",), 0, ""),
    ],
)
def test_streams_that_take_nothing(
    redirection: str, words: tuple[str, ...], code: int, says: str
) -> None:
    done = ended(redirection, *words)
    assert done.returncode == code
    assert says in done.stderr
    assert "Traceback" not in done.stderr
    assert "Exception ignored" not in done.stderr


def test_text_that_somebody_collects_is_given_text(monkeypatch: pytest.MonkeyPatch) -> None:
    """Another program may put ``io.StringIO`` in the place of standard output: it takes text, and has no octets."""
    page = io.StringIO()
    monkeypatch.setattr(sys, "stdout", page)
    with pytest.raises(SystemExit) as ended_with:
        program.main(["measure", str(TOP / "examples" / "archive.pcap")])
    assert ended_with.value.code == 0
    assert "354 frames in 3.8 hours" in page.getvalue()


def test_too_little_memory_is_no_fault_of_the_program(
    invoke: Invoke, monkeypatch: pytest.MonkeyPatch
) -> None:
    def exhausted(_path: str) -> None:
        raise MemoryError

    monkeypatch.setattr("lowpanbudget.design.load.load_design", exhausted)
    done = invoke("fit", "examples/archive.toml")
    assert done.exit_code == 2
    assert "not enough memory" in done.stderr


@pytest.mark.parametrize("name", ["two\nlines", "red \x1b[31m", "\u202eltr"])
def test_a_name_makes_no_line_and_no_colour(invoke: Invoke, tmp_path: Path, name: str) -> None:
    """A message is one line, and its advice the next, whatever a file is called."""
    file = tmp_path / f"{name}.toml"
    for done in (invoke("fit", file), invoke("init", file), invoke("init", file)):
        for text in (done.stdout, done.stderr):
            assert text.isprintable() or set(text) & {"\x1b", "\u202e"} == set()
            assert all(
                line.startswith(("lowpanbudget ", "  try: ", str(tmp_path)))
                for line in text.splitlines()
            )


# --- ended in the middle ----------------------------------------------------------------------------


class AtLine:
    """A tracer that interrupts this process at the n-th line of the module that writes files."""

    def __init__(self, place: int) -> None:
        self.left, self.module = place, output.__file__

    def __call__(self, frame: FrameType, event: str, _argument: object) -> "AtLine | None":
        if frame.f_code.co_filename != self.module:
            return None
        # the interpreter takes signals behind calls: where a block begins there is none
        self.left -= event == "line" and frame.f_lineno not in BLOCKS
        if self.left == 0:
            self.left = -1
            raise KeyboardInterrupt
        return self


WRITER = Path(output.__file__).read_text("utf-8").splitlines()
BLOCKS = {number for number, line in enumerate(WRITER, 1) if line.strip() == "try:"}


# a file that is open when an interruption comes is closed by whoever looks for garbage
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.parametrize("standing", [True, False])
def test_an_interruption_at_any_line_leaves_the_old_file_or_the_new(
    tmp_path: Path, standing: bool
) -> None:
    target, seen = tmp_path / "out", set()
    before = sys.gettrace()
    for place in range(1, 200):
        target.unlink(missing_ok=True)
        if standing:
            target.write_bytes(b"before")
        tracer = AtLine(place)
        sys.settrace(tracer)
        try:
            output.write_whole(str(target), b"after")
        except KeyboardInterrupt:
            pass
        finally:
            sys.settrace(before)
        there = target.read_bytes() if target.exists() else None
        assert there in (b"before" if standing else None, b"after"), place
        assert [path.name for path in tmp_path.iterdir() if path != target] == [], place
        seen.add(there)
        if tracer.left > 0:
            break
    assert place > 20
    assert len(seen) == 2


@POSIX
def test_kept_code_is_whole_and_nobody_elses(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    old = os.umask(0)
    try:
        code_cache.keep_code("loops", b"code of loops")
    finally:
        os.umask(old)
    (file,) = (tmp_path / "lowpanbudget").iterdir()
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert code_cache.kept_code("loops") == b"code of loops"
    for damaged in (
        b"",
        file.read_bytes()[:-1],
        file.read_bytes()[:-1] + b"\0",
    ):  # after a crash of the machine
        file.write_bytes(damaged)
        assert code_cache.kept_code("loops") is None


@POSIX
def test_a_disk_that_is_full_keeps_no_part_of_code(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))

    def full(*_given: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", full)
    code_cache.keep_code("loops", b"code")
    assert list((tmp_path / "lowpanbudget").iterdir()) == []


@POSIX
def test_generated_files_are_both_new_or_both_old_after_a_signal(tmp_path: Path) -> None:
    """SIGTERM between header and source: what had been written is taken back."""
    script = (
        "import os, signal, sys\n"
        "from lowpanbudget.cli import output\n"
        "from lowpanbudget.cli.main import run\n"
        "write = output.write_whole\n"
        "def ended(path, data, **more):\n"
        "    write(path, data, **more)\n"
        "    os.kill(os.getpid(), signal.SIGTERM)\n"
        "output.write_whole = ended\n"
        f"sys.argv = ['lowpanbudget', 'generate', 'examples/archive.toml', 'climate', '-o', {str(tmp_path)!r}]\n"
        "run()\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=False, cwd=TOP
    )
    assert done.returncode == 128 + signal.SIGTERM
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("command", ["survey", "audit", "annotate", "fit", "page"])
def test_a_name_that_no_file_can_have(invoke: Invoke, command: str) -> None:
    more = ("-o", "page.html") if command == "page" else ()
    done = invoke(command, f"./{'x' * 300}.toml", *more)
    assert done.exit_code == 2
    assert "too long" in done.stderr or "neither hex nor a file" in done.stderr
