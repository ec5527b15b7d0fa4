"""How workers run tests: what passed is told with others, in order, and what did not as pytest tells it."""

import os
import re
import subprocess
import sys
from collections import deque
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
import running

HERE = Path(__file__).parent
PASSED, FAILED = {"data": {"outcome": "passed"}}, {"data": {"outcome": "failed"}}


def messages(left: int) -> tuple[Any, list[str]]:
    """Return what takes messages of a worker with so many tests left, and what arrives of them."""
    arrived: list[str] = []
    apart = running._apart(lambda _, message: arrived.append(message[0]))
    worker = SimpleNamespace(
        sendevent=lambda name, **told: apart(None, (name, told)),
        torun=SimpleNamespace(_items=deque(range(left))),
    )
    return running._Messages(worker), arrived


def test_what_passed_waits_for_others_and_nothing_else_does() -> None:
    send, arrived = messages(9)
    send("testreport", **PASSED)  # the first is told at once
    assert arrived == ["testreport"]
    send.sent_s += 1e9  # nothing has waited for long
    send("testreport", **PASSED)
    send("runtest_protocol_complete", item_index=1)
    assert arrived == ["testreport"]
    send("testreport", **FAILED)
    assert arrived == ["testreport", "testreport", "runtest_protocol_complete", "testreport"]
    send.sent_s += 1e9
    for _ in range(running.TOGETHER - 1):
        send("testreport", **PASSED)
    assert len(arrived) == 4
    send("testreport", **PASSED)
    assert len(arrived) == 4 + running.TOGETHER


def test_nothing_waits_where_the_worker_may_wait_for_more() -> None:
    send, arrived = messages(1)
    send.sent_s += 1e9
    send("runtest_protocol_complete", item_index=1)
    assert arrived == ["runtest_protocol_complete"]


@pytest.mark.parametrize("value", [3])
def test_with_arguments_alone(value: int, request: pytest.FixtureRequest) -> None:
    """This one asks for a fixture; the next would if it were run so in this process."""
    del value
    items = {item.originalname: item for item in request.session.items if item.path == request.path}  # type: ignore[attr-defined]
    alone = {name for name, item in items.items() if running._has_arguments_alone(item)}  # type: ignore[arg-type]
    assert "test_nothing_waits_where_the_worker_may_wait_for_more" in alone
    assert request.node.originalname not in alone


FILE = """
import warnings
import pytest

@pytest.fixture(scope="module")
def made():
    yield 5
    raise ValueError("put away")

@pytest.mark.parametrize("x", range(20))
def test_values(x):
    print("heard")
    if x == 5:
        pytest.skip("five")
    if x == 6:
        warnings.warn("six")
    assert x != 7

@pytest.mark.skip
def test_left_out():
    assert False

@pytest.mark.xfail(strict=True)
def test_fails_not():
    pass

class TestOne:
    def test_within(self):
        assert False

def test_made(made):
    assert made == 5
"""
ILL = "def setup_module():\n    raise ValueError('begin')\n\ndef test_one():\n    pass\n"


@pytest.mark.long
def test_workers_tell_what_one_process_tells(tmp_path: Path) -> None:
    (tmp_path / "test_a.py").write_text(FILE)
    (tmp_path / "test_b.py").write_text(ILL)
    (tmp_path / "pytest.ini").write_text("[pytest]\nfilterwarnings = error\n")
    (tmp_path / "conftest.py").write_text((HERE / "conftest.py").read_text("utf-8"))
    told = []
    for count in ("0", "2"):
        done = subprocess.run(
            [sys.executable, "-m", "pytest", "-q", "-rA", "-n", count, "--dist", "worksteal", "-p", "no:logging"],
            cwd=tmp_path, env={**os.environ, "PYTHONPATH": str(HERE)}, capture_output=True, text=True, check=False,
        )  # fmt: skip
        assert done.returncode == 1, done.stderr
        lines = {
            line
            for line in done.stdout.splitlines()
            if line.startswith(("FAILED", "ERROR", "SKIPPED"))
        }
        told.append((lines, re.findall(r"\d+ (?:passed|failed|skipped|errors?)", done.stdout)))
    assert told[0] == told[1]
    assert len(told[0][0]) == 8
