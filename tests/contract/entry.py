"""The program as its users start it: through its entry point in this process, and as a process of its own.

Both are stable: ``lowpanbudget.cli.main.run``, which pyproject names, and ``python -m lowpanbudget``.
"""

import os
import subprocess
import sys
from pathlib import Path
from typing import Any, NoReturn, cast

import click
from click.testing import CliRunner, Result

from lowpanbudget.cli.main import run

TOP = Path(__file__).parents[2]
DESIGNS = (TOP / "examples" / "archive.toml", TOP / "examples" / "footbridge.toml")
COMMANDS = (
    "budget", "fit", "weigh", "compatible", "encodings", "generate", "unpack", "compress", "decompress",
    "annotate", "audit", "survey", "expand", "shrink", "explain", "schema",
)  # fmt: skip
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


def invoke(*arguments: object, stdin: bytes | str | None = None, **env: str) -> Result:
    """Return what the program does with these arguments, in this process; keywords set the environment."""
    surroundings: dict[str, str | None] = dict.fromkeys(SURROUNDINGS)
    return CliRunner().invoke(
        cast("click.Command", _Entry()), [str(one) for one in arguments], input=stdin,
        env=surroundings | env,
    )  # fmt: skip


def program(*args: str, stdin: bytes = b"", **env: str) -> subprocess.CompletedProcess[bytes]:
    """Return what a process of its own does, in a clean environment; any warning ends it."""
    clean = {name: os.environ[name] for name in ("PATH", "HOME") if name in os.environ}
    return subprocess.run(
        [sys.executable, "-W", "error", "-m", "lowpanbudget", *args],
        input=stdin, capture_output=True, check=False, env=clean | {"PYTHONIOENCODING": "utf-8"} | env, cwd=TOP,
    )  # fmt: skip
