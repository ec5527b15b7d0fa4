"""The command line as users meet it: real processes with a clean environment, and the same in this process."""

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from lowpanbudget.cli.main import program as commands

Program = Callable[..., subprocess.CompletedProcess[bytes]]
TOP = Path(__file__).parents[2]


@pytest.fixture
def program() -> Program:
    """Return a function that runs the program with arguments; keywords set the environment."""

    def run(*args: str, stdin: bytes = b"", **env: str) -> subprocess.CompletedProcess[bytes]:
        clean = {name: os.environ[name] for name in ("PATH", "HOME") if name in os.environ}
        clean |= {"PYTHONIOENCODING": "utf-8", **env}
        return subprocess.run(
            [sys.executable, "-W", "error", "-m", "lowpanbudget", *args],
            input=stdin, capture_output=True, check=False, env=clean, cwd=TOP,
        )  # fmt: skip

    return run


@pytest.fixture
def invoke(monkeypatch: pytest.MonkeyPatch) -> Callable[..., Result]:
    """Return a function that runs the program in this process."""
    for name in ("COLUMNS", "NO_COLOR", "FORCE_COLOR", "TERM", "LOWPANBUDGET_DEBUG"):
        monkeypatch.delenv(name, raising=False)

    def run(*args: str, **env: str) -> Result:
        return CliRunner().invoke(commands, list(args), env=env, prog_name="lowpanbudget")

    return run
