"""Files are written whole or not at all."""

import errno
import os
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
from lowpanbudget.payload.c.source import generate

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

    def full(path: str, data: bytes) -> None:
        if path.endswith(".c"):
            raise RequestError(f"{path} cannot be written: No space left on device")
        write(path, data)

    monkeypatch.setattr(output, "write_whole", full)
    done = invoke(*arguments)
    assert done.exit_code == 2
    assert "No space left" in done.stderr
    assert made(tmp_path) == before
