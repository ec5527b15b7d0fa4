"""The program as its users start it: through its entry point in this process, and as a process of its own.

Both are stable: ``lowpanbudget.cli.main.run``, which pyproject names, and ``python -m lowpanbudget``.
"""

import contextlib
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NoReturn, cast

import click
from click.testing import CliRunner, Result

from lowpanbudget.cli.main import run

TOP = Path(__file__).parents[2]
DESIGNS = (TOP / "examples" / "archive.toml", TOP / "examples" / "footbridge.toml")
COMMANDS = (
    "init", "budget", "sweep", "fit", "airtime", "carry", "weigh", "compatible", "encodings", "generate", "pack",
    "unpack", "compress", "decompress", "annotate", "audit", "survey", "measure", "expand", "shrink", "page", "explain",
    "schema",
)  # fmt: skip
HANGS_S = 600  # a process that has not ended by then hangs; nothing waits for it otherwise
# what a terminal or a shell may set, and what changes outputs
SURROUNDINGS = ("COLUMNS", "NO_COLOR", "FORCE_COLOR", "TERM", "LOWPANBUDGET_DEBUG")


class _Entry:
    """What ``CliRunner`` needs of a command: it sets the arguments of this process and calls the entry point."""

    name = "lowpanbudget"

    def main(self, args: Any = (), prog_name: str = "", **_extra: Any) -> NoReturn:
        del prog_name
        before = sys.argv
        sys.argv = ["lowpanbudget", *args]
        try:
            run()
        finally:
            sys.argv = before


def invoke(
    *arguments: object, stdin: bytes | str | None = None, encoding: str = "utf-8", **env: str
) -> Result:
    """Return what the program does with these arguments, in this process; keywords set the environment.

    ``encoding`` is that of the three streams.
    """
    surroundings: dict[str, str | None] = dict.fromkeys(SURROUNDINGS)
    return CliRunner(charset=encoding).invoke(
        cast("click.Command", _Entry()), [str(one) for one in arguments], input=stdin,
        env=surroundings | env,
    )  # fmt: skip


@contextlib.contextmanager
def reading(stdin: bytes, *args: str) -> Iterator["subprocess.Popen[bytes]"]:
    """Yield a process that has read standard input and waits for more of it: a pipe holds less than ``stdin`` has.

    Its SIGINT is as a terminal leaves it, even where this process was started with SIGINT ignored.
    """
    assert len(stdin) > 3 * 65536
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        process = subprocess.Popen(
            [sys.executable, "-m", "lowpanbudget", *args],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, cwd=TOP,
        )  # fmt: skip
    finally:
        signal.signal(signal.SIGINT, before)
    with process:
        try:
            assert process.stdin is not None
            process.stdin.write(stdin)
            process.stdin.flush()
            yield process
        finally:
            process.kill()


def program(*args: str, stdin: bytes = b"", **env: str) -> subprocess.CompletedProcess[bytes]:
    """Return what a process of its own does, in a clean environment; any warning ends it."""
    clean = {name: os.environ[name] for name in ("PATH", "HOME") if name in os.environ}
    return subprocess.run(
        [sys.executable, "-W", "error", "-m", "lowpanbudget", *args],
        input=stdin, capture_output=True, check=False, env=clean | {"PYTHONIOENCODING": "utf-8"} | env, cwd=TOP,
    )  # fmt: skip
