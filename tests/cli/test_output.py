"""Files are written whole or not at all."""

import errno
import importlib
import os
import re
import stat
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import Result
from contract import shelf

from lowpanbudget import RequestError, load_design
from lowpanbudget.capture.files import writing
from lowpanbudget.cli import output
from lowpanbudget.cli.commands import COMMANDS
from lowpanbudget.payload.c.source import generate
from lowpanbudget.room.sweep import compute

Invoke = Callable[..., Result]
FOOTBRIDGE = "examples/footbridge.toml"


def made(folder: Path) -> dict[str, str]:
    return {path.name: path.read_text("utf-8") for path in folder.iterdir()}


def test_a_file_is_written_whole_or_not_at_all(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "out.txt"
    target.write_bytes(b"before")
    target.chmod(0o640)

    def full(_self: Path, _target: Path) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    with monkeypatch.context() as broken:
        broken.setattr(Path, "replace", full)
        with pytest.raises(RequestError, match="No space left"):
            output.write_whole(str(target), b"after")
    assert target.read_bytes() == b"before"
    output.write_whole(str(target), b"after")
    assert target.read_bytes() == b"after"
    assert target.stat().st_mode & 0o777 == 0o640
    assert list(tmp_path.iterdir()) == [target]


@pytest.mark.skipif(os.name != "posix", reason="links")
def test_a_link_stays_a_link(tmp_path: Path) -> None:
    target, link = tmp_path / "real", tmp_path / "link"
    target.write_bytes(b"before")
    link.symlink_to(target)
    output.write_whole(str(link), b"after")
    assert link.is_symlink()
    assert target.read_bytes() == b"after"


@pytest.mark.skipif(os.name != "posix", reason="rights are no mode bits here")
def test_decrypted_frames_are_readable_by_the_owner_alone(
    invoke: Invoke, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """From the first octet on, also in place of a file that others could read."""
    out = tmp_path / "out.pcap"
    out.write_bytes(b"before")
    out.chmod(0o644)
    seen: list[int] = []
    write = writing.write_pcap

    def watched(*given: Any) -> int:
        seen.extend(stat.S_IMODE(one.stat().st_mode) for one in tmp_path.glob(".lowpanbudget-*"))
        return write(*given)

    monkeypatch.setattr(writing, "write_pcap", watched)
    source = shelf.written(tmp_path / "a.pcap", shelf.sealed(b"x"))
    keys = shelf.key_file(tmp_path)
    old = os.umask(0)
    try:
        done = invoke("expand", source, "-o", out, "--decrypted", "--keys", keys)
    finally:
        os.umask(old)
    assert done.exit_code == 0
    assert seen == [0o600]
    assert stat.S_IMODE(out.stat().st_mode) == 0o600


DESIGN, CAPTURE, VALUES, KEYS = "one.toml", "one.pcap", "one.jsonl", "keys.toml"
READ = {"design", "key_file"}  # options that name a file which is read
# every option that writes a file, with what the command reads beside it
OVER: dict[tuple[str, str], list[tuple[tuple[str, ...], str]]] = {
    ("budget", "--svg"): [((DESIGN,), DESIGN)],
    ("sweep", "--table"): [(("one.csv",), "one.csv")],
    ("fit", "--junit"): [((DESIGN,), DESIGN)],
    ("airtime", "--svg"): [((DESIGN,), DESIGN)],
    ("carry", "--svg"): [((DESIGN, "--burst", "alarm"), DESIGN)],
    ("generate", "-o"): [((DESIGN, "setting", "--force", "--prefix", "linked"), ".")],
    ("pack", "-o"): [
        ((DESIGN, "setting", VALUES, "--rest", "least"), DESIGN),
        ((DESIGN, "setting", VALUES, "--rest", "least"), VALUES),
        ((DESIGN, "setting", "--rest", "least"), DESIGN),
    ],
    ("survey", "--table"): [((CAPTURE, "one.csv"), "one.csv")],
    ("measure", "--svg"): [
        ((CAPTURE, "--design", DESIGN), CAPTURE),
        ((CAPTURE, "--design", DESIGN), DESIGN),
    ],
    ("expand", "-o"): [((CAPTURE, "--keys", KEYS), CAPTURE), ((CAPTURE, "--keys", KEYS), KEYS)],
    ("shrink", "-o"): [((CAPTURE, "--design", DESIGN), CAPTURE), ((CAPTURE, "--design", DESIGN), DESIGN)],
    ("page", "-o"): [
        ((DESIGN, "--no-network", "--combinations", "1"), DESIGN),
        ((CAPTURE, "--design", DESIGN), DESIGN),
    ],
    ("schema", "-o"): [],  # reads nothing
}  # fmt: skip


def test_no_option_writes_over_what_is_read(
    invoke: Invoke, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What a command reads is somebody's work: a wrong variable in a script must not cost it."""
    design = invoke("init", "--network", "csma", "--security", "0").stdout_bytes
    keys = Path("examples/footbridge.keys.toml").read_bytes()
    monkeypatch.chdir(tmp_path)
    for name in (DESIGN, "one.csv"):
        Path(name).write_bytes(design)
    Path(KEYS).write_bytes(keys)
    Path(KEYS).chmod(0o600)
    os.link(DESIGN, "linked.h")
    shelf.written(Path(CAPTURE), shelf.frames(b"x"))
    Path(VALUES).write_text("{}\n", "ascii")
    for (command, option), tries in OVER.items():
        for words, target in tries:
            if command == "survey":
                Path(target).write_bytes(Path(CAPTURE).read_bytes())
            before = {path: path.read_bytes() for path in tmp_path.iterdir()}
            done = invoke(command, *words, option, target)
            assert (done.exit_code, done.stdout) == (2, ""), (command, words, done.stdout)
            assert "is also read: it is not written over" in done.stderr, (command, done.stderr)
            assert {path: path.read_bytes() for path in tmp_path.iterdir()} == before


def test_a_table_that_is_too_long_is_refused_before_anything_is_encoded(
    invoke: Invoke, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of each of some millions of settings four rows, as hops are given."""
    monkeypatch.setattr(compute, "sweep", pytest.fail)
    asked = ("--flow", "routed", "--weaker", "--axis", "hops=3..6", "--table", tmp_path / "a.csv")
    done = invoke("sweep", FOOTBRIDGE, *asked)
    assert done.exit_code == 2
    assert "rows, a table holds 10,000,000" in done.stderr


def test_every_option_that_writes_a_file_was_tried() -> None:
    found = set()
    for name in COMMANDS:
        for one in importlib.import_module(f"lowpanbudget.cli.{name}").command.params:
            is_file = one.metavar and re.search(r"FILE|DIR|OUT", one.metavar)
            if one.param_type_name == "option" and is_file and one.name not in READ:
                found.add((name, one.opts[0]))
    assert found == set(OVER)


@pytest.mark.parametrize("end", [KeyboardInterrupt, ValueError, RequestError("no")])
def test_an_interrupted_write_leaves_nothing(tmp_path: Path, end: Any) -> None:
    out = tmp_path / "out.pcap"
    out.write_bytes(b"before")

    def half() -> None:
        with output.writing(str(out)) as file:
            file.write(b"half")
            raise end

    with pytest.raises(end if isinstance(end, type) else RequestError):
        half()
    assert out.read_bytes() == b"before"
    assert list(tmp_path.iterdir()) == [out]


def test_the_files_are_those_of_the_library(invoke: Invoke, tmp_path: Path) -> None:
    folder = tmp_path / "firmware" / "src"
    done = invoke("generate", FOOTBRIDGE, "readings", "-o", str(folder))
    assert done.exit_code == 0, done.stderr
    files = generate(load_design(FOOTBRIDGE).message("readings"))
    assert made(folder) == {file.name: file.text for file in files[:2]}
    assert f"{folder / 'readings.h'} is written" in done.stdout


@pytest.mark.parametrize("standing", [True, False])
def test_no_header_without_its_source(
    invoke: Invoke, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, standing: bool
) -> None:
    arguments = ("generate", FOOTBRIDGE, "event", "-o", str(tmp_path))
    if standing:
        assert invoke(*arguments, "--no-float").exit_code == 0
    before = made(tmp_path)
    write = output.write_whole

    def full(path: str, data: bytes, **others: Any) -> None:
        if path.endswith(".c"):
            raise RequestError(f"{path} cannot be written: No space left on device")
        write(path, data, **others)

    monkeypatch.setattr(output, "write_whole", full)
    done = invoke(*arguments)
    assert done.exit_code == 2
    assert "No space left" in done.stderr
    assert made(tmp_path) == before
