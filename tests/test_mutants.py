"""The machinery of planted faults: which faults it knows, and that a planted one is caught."""

import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from mutants.map import Followed, Reach
from mutants.run import ROOT, all_of, shown_equivalent
from mutants.sites import mutants_of

SOURCE = '''\
"""A module."""

LIMIT: int = 7
Either = int | None


def put(self, at: int, most: int = 3) -> int | None:
    """Count 1 and 2."""
    if at < most and not self.full:
        self.count += 1
        self.seen[at] = True
        self.tell(at)
    for one in self.all[at:]:
        if one is None:
            continue
        raise ValueError(f"{one} is over {most + 1}", 9)
    return join(at << 1, 5)
'''


def test_faults_that_are_planted(tmp_path: Path) -> None:
    """What a change is, by the words of the language; what only people read is left alone."""
    file = tmp_path / "one.py"
    file.write_text(SOURCE)
    found = [(one.was, one.then) for one in mutants_of(file, "one.py")]
    assert len(set(found)) == len(found)
    for one in mutants_of(file, "one.py"):
        compile(one.source(SOURCE), "one.py", "exec")
    expected = {
        ("LIMIT: int = 7", "LIMIT: int = 8"),
        ("if at < most and not self.full:", "if at <= most and not self.full:"),
        ("if at < most and not self.full:", "if at < most or not self.full:"),
        ("if at < most and not self.full:", "if at < most and self.full:"),
        ("self.count += 1", "pass"),
        ("self.count += 1", "self.count -= 1"),
        ("self.seen[at] = True", "self.seen[at] = False"),
        ("self.tell(at)", "pass"),
        ("for one in self.all[at:]:", "for one in self.all[(at) + 1:]:"),
        ("if one is None:", "if one is not None:"),
        ("continue", "break"),
        ("return join(at << 1, 5)", "return None"),
        ("return join(at << 1, 5)", "return join(at >> 1, 5)"),
        ("return join(at << 1, 5)", "return join(5, at << 1)"),
    }
    assert expected <= set(found)
    lines = {was for was, _ in found}
    assert not any("Either" in was or "raise" in was or '"""' in was for was in lines)


def test_the_quickest_tests_of_a_line_come_first() -> None:
    """Those that run the line, up to so many seconds; of a line that runs on import, those of its module."""
    times = {"a": 3.0, "b": 0.5, "c": 1.0, "d": 9.0}
    reach = Reach({"m.py": {4: ["a", "b", "d"], 9: ["c"]}}, times)
    assert reach.tests("m.py", 4, 4.0, 10.0) == (["b", "a"], [])
    assert reach.tests("m.py", 4, 4.0, 20.0) == (["b", "a"], ["d"])
    assert reach.tests("m.py", 1, 1.0, 5.0) == (["b"], ["c", "a"])
    assert reach.tests("other.py", 1, 1.0, 5.0) == ([], [])


@given(st.integers())
@settings(max_examples=100)
def _of_integers(number: int) -> None:
    assert number == number + 0


@pytest.mark.parametrize("function", [_of_integers, dict])
def test_lines_have_the_name_of_the_test_that_runs_them(function: object) -> None:
    """Also where examples are drawn: functions of Hypothesis stand between the test and the lines."""
    names: list[str] = []
    followed = Followed(names.append)
    item = SimpleNamespace(nodeid="tests/test_a.py::test_b[c]", obj=function)
    for _ in range(2):
        running = followed.pytest_runtest_protocol(item)  # type: ignore[arg-type]
        next(running)
        assert names[-1] == "tests/test_a.py::test_b"
        if function is _of_integers:
            assert followed._few("tests/test_a.py::test_b", function) == 4
        with pytest.raises(StopIteration):
            next(running)
        assert names[-1] == ""
    assert list(followed.spent) == ["tests/test_a.py::test_b"]


def test_what_is_said_to_be_equivalent_is_there() -> None:
    shown = shown_equivalent().keys()
    rooms = {"layers", "fields", "stack", "payload", "deployment", "room", "capture", "findings"}
    files = {key.split(" | ")[0].removeprefix("lowpanbudget/") for key in shown}
    assert {file.split("/")[0] for file in files} <= rooms
    assert shown <= {one.key() for one in all_of(tuple(files))}


def test_a_planted_fault_is_caught() -> None:
    """An encoder of IPHC that returns another value than its answer, in a child of its own; not one that does not."""
    run = (
        "from mutants.run import all_of, judge, unchanged\n"
        "found = next(m for m in all_of(('layers/lowpan/shortest.py',)) if m.then.startswith('return best[0]'))\n"
        "for one in (found, unchanged(found)):\n"
        "    print(judge(one, ['tests/layers/lowpan/test_iphc.py::test_an_outer_header_stands_for_the_link'], 60))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", run], cwd=ROOT, env={"PYTHONPATH": "tests"}, capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert done.stdout == "killed\nsurvived\n"
