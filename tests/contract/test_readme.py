"""The README is true: every block of output in it is what the command prints, and its Python runs.

``PYTHONPATH=tests python tests/contract/test_readme.py`` writes the outputs anew; read the difference before you
commit it.
"""

import contextlib
import json
import os
import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest
from contract.entry import COMMANDS, invoke

ROOT = Path(__file__).parents[2]
README = ROOT / "README.md"
WIDTH = "96"
BLOCK = re.compile(r"```console\n\$ lowpanbudget (?P<args>[^\n]*)\n(?P<shown>.*?)```\n", re.DOTALL)
CUT = "[...]"
LINES = 32  # of an output that is shown; what is longer is cut in the middle


def output(args: str) -> str:
    with contextlib.chdir(ROOT):
        done = invoke(*shlex.split(args), COLUMNS=WIDTH, NO_COLOR="1")
    return done.stdout + done.stderr


def blocks() -> list[tuple[str, str]]:
    text = README.read_text(encoding="utf-8")
    return [(match["args"], match["shown"]) for match in BLOCK.finditer(text)]


@pytest.mark.parametrize(("args", "shown"), blocks(), ids=[args for args, _ in blocks()])
@pytest.mark.usefixtures("played_once")
def test_output_is_what_the_command_prints(args: str, shown: str) -> None:
    printed = [line.rstrip() for line in output(args).rstrip().splitlines()]
    wanted = [line.rstrip() for line in shown.rstrip().splitlines()]
    assert wanted, "the block is empty"
    if CUT not in wanted:
        assert wanted == printed
        return
    at = wanted.index(CUT)
    head, tail = wanted[:at], wanted[at + 1 :]
    assert head == printed[: len(head)]
    assert tail == printed[len(printed) - len(tail) :]


def test_how_wide_outputs_are_is_said_before_the_first() -> None:
    before = README.read_text(encoding="utf-8").partition("```console")[0]
    assert f"COLUMNS={WIDTH} lowpanbudget" in before


RUN_EACH = """
import json, sys
for number, code in enumerate(json.load(sys.stdin), 1):
    exec(compile(code, f"Python block {number} of README", "exec"), {"__name__": "__main__"})
"""


def test_every_python_block_runs() -> None:
    """One process runs all of them, each with names of its own."""
    text = README.read_text(encoding="utf-8")
    found = re.findall(r"```python\n(.*?)```", text, re.DOTALL)
    assert found
    done = subprocess.run(
        [sys.executable, "-c", RUN_EACH], input=json.dumps(found), cwd=ROOT, capture_output=True,
        text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr


def test_shares_that_a_hundred_prove() -> None:
    """All of n arrived: the exact bound (Clopper and Pearson, 1934) is the nth root of what is left out below it."""
    text = " ".join(README.read_text(encoding="utf-8").split())
    assert f"two-sided (100 of 100 arrived: {0.025 ** (1 / 100):.1%}".rstrip("%") in text
    assert f"one-sided bound (100 of 100 prove {0.05 ** (1 / 100):.1%}".rstrip("%") in text


@pytest.mark.long
def test_commands_that_write_parts_of_it_find_what_they_import() -> None:
    text = README.read_text(encoding="utf-8")
    commands = re.findall(
        r"^<!-- [^`\n]*`(PYTHONPATH=tests )?python (tests/\S+)`", text, re.MULTILINE
    )
    assert len(commands) > 2
    for path, script in commands:
        # the folder of a script, or what is asked for, and nothing of this process
        code = f"import runpy, sys; sys.path[0] = {str((ROOT / script).parent)!r}; runpy.run_path({script!r})"
        env = {key: value for key, value in os.environ.items() if key != "PYTHONPATH"}
        done = subprocess.run(
            [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False,
            env=env | ({"PYTHONPATH": "tests"} if path else {}),
        )  # fmt: skip
        assert done.returncode == 0, (script, done.stderr)


def test_two_commands_to_set_up() -> None:
    section = README.read_text(encoding="utf-8").split("## Set up")[1].split("\n## ")[0]
    commands = re.findall(r"^    \$ (.*)$", section, re.MULTILINE)
    assert len(commands) == 2
    assert commands[0].endswith("lowpanbudget fit examples/footbridge.toml")
    assert commands[1] == ".venv/bin/python -m pytest -q"


def test_every_command_is_in_the_table() -> None:
    table = README.read_text(encoding="utf-8").split("## The commands")[1].split("\n## ")[0]
    told = set(
        re.findall(r"`([a-z]+)", "\n".join(re.findall(r"^\| (.*?) \|", table, re.MULTILINE)))
    )
    assert told == set(COMMANDS)


def test_every_command_stands_at_what_somebody_wants() -> None:
    wanted = README.read_text(encoding="utf-8").split("| I want to |")[1].split("\n\n")[0]
    told = re.findall(r"`([a-z]+)`", wanted)
    assert sorted(told) == sorted(COMMANDS)


def test_contents_lead_to_every_section() -> None:
    """An anchor is the heading in small letters, without marks, with hyphens for spaces: common practice, no source."""
    text = README.read_text(encoding="utf-8")
    headings = re.findall(
        r"^## (.*)$", re.sub(r"```.*?```", "", text, flags=re.DOTALL), re.MULTILINE
    )
    links = [
        (heading, re.sub(r"[^a-z0-9 -]", "", heading.lower()).replace(" ", "-"))
        for heading in headings
    ]
    assert re.findall(r"\[([^\]]*)\]\(#([^)]*)\)", text) == links


def test_examples_say_what_the_readme_says() -> None:
    text = README.read_text(encoding="utf-8")
    footbridge = (ROOT / "examples" / "footbridge.toml").read_text(encoding="utf-8")
    assert "38 nodes, up to 12 hops" in text
    assert "nodes = 38" in footbridge
    assert "hops = 12" in footbridge


def write() -> None:
    def filled(match: re.Match[str]) -> str:
        lines = [line.rstrip() for line in output(match["args"]).rstrip().splitlines()]
        if len(lines) > LINES:
            lines = [*lines[: LINES - 9], CUT, *lines[-8:]]
        shown = "\n".join(lines)
        return f"```console\n$ lowpanbudget {match['args']}\n{shown}\n```\n"

    text = README.read_text(encoding="utf-8")
    README.write_text(BLOCK.sub(filled, text), encoding="utf-8")


if __name__ == "__main__":
    write()
