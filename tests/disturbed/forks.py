"""Commands in forks of one process that has loaded everything: some milliseconds each, however often they are ended.

The process must have been started with ``interpose.so`` loaded before the C library (``run.py`` does it).
"""

import ctypes
import os
import shutil
import signal
import subprocess
import sys
import sysconfig
import tempfile
import time
import traceback
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from disturbed.commands import Command

SOURCE = Path(__file__).parent / "interpose.c"
DIE, DIE_HALF_WAY, SIGNAL, FAIL = 1, 2, 3, 4  # as interpose.c numbers them
SHRINK, GROW, REPLACE, READ_FAILS = 1, 2, 3, 4
ESCAPED = 99  # an exception that reached nobody
PATIENCE_S = 300.0


def built(folder: Path) -> Path:
    """Return the library that stands before the C library's calls, compiled into a folder."""
    target = folder / "interpose.so"
    compiler = (sysconfig.get_config_var("CC") or "cc").split()[0]
    subprocess.run(
        [compiler, "-shared", "-fPIC", "-O1", "-Wall", "-Werror", "-o", target, SOURCE, "-ldl"],
        check=True,
    )
    return target


@dataclass(frozen=True)
class End:
    """How a fork ended: its exit code (negative: by that signal), what it said, and how many calls were counted."""

    code: int
    out: bytes
    said: bytes
    counted: int


def library() -> ctypes.CDLL:
    """Return the library that was loaded before the C library's."""
    return ctypes.CDLL(None)


def ended(
    command: Command,
    folder: Path,
    notes: Path,
    arm: Callable[[ctypes.CDLL], object],
    counter: str = "",
) -> End:
    """Return how a command ends that is disturbed as ``arm`` says; ``notes`` is a folder for what it says."""
    out, said, seen = (notes / name for name in ("out", "said", "seen"))
    for path in (out, said, seen):
        path.write_bytes(b"")
    sys.stdout.flush()
    child = os.fork()
    if not child:
        _be(command, folder, (out, said, seen), arm, counter)
    return End(_waited(child), out.read_bytes(), said.read_bytes(), int(seen.read_bytes() or b"-1"))


def warm(command: Command, inputs: Path) -> None:
    """Run a command in this process on a copy of the inputs, so that its forks find loaded what it loads."""
    from disturbed.keys import command as told

    before = Path.cwd()
    with tempfile.TemporaryDirectory() as place:
        shutil.copytree(inputs, place, dirs_exist_ok=True)
        os.chdir(place)
        try:
            told(*command.words)
        finally:
            os.chdir(before)


def _waited(child: int) -> int:
    until = time.monotonic() + PATIENCE_S
    pause = 0.001
    while time.monotonic() < until:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return os.waitstatus_to_exitcode(status)
        time.sleep(pause)
        pause = min(2 * pause, 0.02)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return ESCAPED


def _be(
    command: Command,
    folder: Path,
    files: tuple[Path, Path, Path],
    arm: Callable[[ctypes.CDLL], object],
    counter: str,
) -> None:
    """Be the command, and never return."""
    code = ESCAPED
    try:
        from lowpanbudget.cli.main import run

        out, said, seen = files
        for number, (path, flags) in enumerate(
            ((Path(os.devnull), os.O_RDONLY), (out, os.O_WRONLY), (said, os.O_WRONLY))
        ):
            os.dup2(os.open(path, flags), number)
        os.chdir(folder)
        signal.signal(signal.SIGINT, signal.default_int_handler)
        sys.argv = ["lowpanbudget", *command.words]
        arm(library())
        try:
            run()
        except SystemExit as end:
            code = end.code if isinstance(end.code, int) else 0
        sys.settrace(None)
        if counter:
            seen.write_text(str(getattr(library(), counter)()))
    except BaseException:  # noqa: BLE001  # whatever it is must be seen, and nothing may return from here
        traceback.print_exc()
        sys.stderr.flush()
        code = ESCAPED
    finally:
        os._exit(code)
