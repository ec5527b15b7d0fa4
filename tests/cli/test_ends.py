"""Ends of the program that only a fault inside brings about."""

import re
import subprocess
import sys
from collections.abc import Callable

import click
import pytest
from click.testing import Result

Invoke = Callable[..., Result]
FOOTBRIDGE, ARCHIVE = "examples/footbridge.toml", "examples/archive.toml"
# IEEE 802.15.4: an acknowledgement, sequence number 9; the check sequence taken off
SHOW = ("annotate", "020009", "--fcs", "none")


def test_a_fault_of_the_program_is_one_line(
    invoke: Invoke, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_args: object, **_kwargs: object) -> None:
        raise KeyError("secret value")

    monkeypatch.setattr("lowpanbudget.stack.decoder.decode_prepared", broken)
    done = invoke(*SHOW)
    assert done.exit_code == 70
    assert done.stdout == ""
    assert len(done.stderr.splitlines()) == 1
    assert "report" in done.stderr
    assert "KeyError" in done.stderr
    assert "secret" not in done.stderr
    assert "Traceback" in invoke(*SHOW, LOWPANBUDGET_DEBUG="1").stderr


@pytest.mark.parametrize("end", [KeyboardInterrupt, click.Abort])
def test_interrupted(
    invoke: Invoke, monkeypatch: pytest.MonkeyPatch, end: type[BaseException]
) -> None:
    def interrupted(*_args: object, **_kwargs: object) -> None:
        raise end

    monkeypatch.setattr("lowpanbudget.stack.decoder.decode_prepared", interrupted)
    done = invoke(*SHOW)
    assert done.exit_code == 130
    assert "Traceback" not in done.stderr


def test_a_flow_without_room_answers_no(invoke: Invoke, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever makes it so, no room is the answer no."""
    monkeypatch.setattr("lowpanbudget.room.compute.room_of", lambda _path: 0)
    done = invoke("budget", FOOTBRIDGE, "--flow", "time")
    assert done.exit_code == 1
    assert "room for 0 octets" in done.stdout


def test_what_is_not_installed_is_said(invoke: Invoke, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("lowpanbudget.payload.forms.encodings.find_spec", lambda _name: None)
    done = invoke("encodings", ARCHIVE, "--message", "climate", COLUMNS="120")
    assert done.exit_code == 0
    told = " ".join(done.stdout.split())
    assert "msgpack is not installed: pip install 'lowpanbudget[compare]'" in told


@pytest.mark.parametrize(
    ("command", "ranges"), [("annotate", ["x>=1"]), ("budget", ["x>=0", "x>=1"]), ("fit", ["x>=1", "x>=0"])]
)  # fmt: skip
def test_the_help_tells_which_numbers_are_taken(
    invoke: Invoke, command: str, ranges: list[str]
) -> None:
    assert re.findall(r"x[<>]=?\w+", invoke(command, "--help").stdout) == ranges


def test_a_process_that_ends_looks_for_no_garbage() -> None:
    """Two hundred modules are full of circles, and the system takes all memory back at once."""
    script = """
import atexit, gc, sys
from lowpanbudget.cli.main import run
atexit.register(lambda: print(len(gc.get_objects())))  # called last
sys.argv[1:] = ["schema"]
run()
"""
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, check=True, text=True
    )
    assert int(done.stdout.splitlines()[-1]) < 1000  # tens of thousands, were they looked through
