"""The example captures through the command line: what is planted in them is found, and nothing else.

``examples/make_captures.py`` says in its docstring what it plants; the packet library counts and reads the same frames.
"""

import ast
import json
import re
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import Result
from contract.entry import TOP
from scapy.utils import RawPcapReader

Invoke = Callable[..., Result]
EXAMPLES = TOP / "examples"
NAMES = ("footbridge", "archive")
RULE = re.compile(r"(?<= )[a-z]+(?:-[a-z]+)+(?=[,;\n])")


def told_to_be_planted(name: str) -> tuple[set[str], set[str]]:
    """Return the findings that the script's docstring names for this capture, and those that are remarks."""
    script = ast.parse((EXAMPLES / "make_captures.py").read_text("utf-8"))
    text = ast.get_docstring(script, clean=False) or ""
    *_, remarks = text.rstrip().rpartition("\n\n")
    _, bridge, store = re.split(r"^(?=footbridge\.pcap:|archive\.pcap:)", text, flags=re.MULTILINE)
    part = bridge if name == "footbridge" else store
    planted = set(RULE.findall(part.partition("finds:\n")[2].replace(remarks, "")))
    return planted, planted & set(re.findall(r"[a-z]+(?:-[a-z]+)+", remarks))


@pytest.fixture
def arguments(tmp_path: Path) -> Callable[[str], tuple[str, ...]]:
    """Return a function that gives a capture with its design and its keys, which are its owner's alone."""

    def of(name: str) -> tuple[str, ...]:
        keys = tmp_path / f"{name}.keys.toml"
        keys.write_bytes((EXAMPLES / keys.name).read_bytes())
        keys.chmod(0o600)
        design = str(EXAMPLES / f"{name}.toml")
        return str(EXAMPLES / f"{name}.pcap"), "--design", design, "--keys", str(keys)

    return of


def frames_of(path: str | Path) -> list[bytes]:
    with RawPcapReader(str(path)) as reader:
        return [bytes(octets) for octets, _ in reader]


@pytest.mark.parametrize("name", NAMES)
def test_audit_finds_what_is_planted_and_nothing_else(
    invoke: Invoke, arguments: Callable[[str], tuple[str, ...]], name: str
) -> None:
    done = invoke("audit", *arguments(name), "--json")
    assert done.exit_code == 1
    findings = json.loads(done.stdout)["audit"][0]["findings"]
    planted, remarks = told_to_be_planted(name)
    assert len(planted) > 10
    assert {one["name"] for one in findings} == planted
    assert {one["name"] for one in findings if one["severity"] == "remark"} == remarks
    count = len(frames_of(arguments(name)[0]))
    for one in findings:
        assert one["frames"]
        assert all(1 <= number <= count for number in one["frames"])


@pytest.mark.parametrize("name", NAMES)
def test_survey_counts_all_frames(
    invoke: Invoke, arguments: Callable[[str], tuple[str, ...]], name: str
) -> None:
    place, *more = arguments(name)
    found: dict[str, Any] = json.loads(invoke("survey", place, *more, "--json").stdout)["survey"]
    frames = frames_of(place)
    assert found["total"]["frames"] == len(frames)
    if (
        name == "archive"
    ):  # link type 195 holds the octets of the air; three bits are the frame's type
        assert found["total"]["octets"] == sum(map(len, frames))
        types = Counter(("beacon", "data", "acknowledgement", "command")[f[0] & 3] for f in frames)
        shown = {kind["name"]: kind["frames"] for kind in found["kinds"]}
        assert shown.keys() <= types.keys()
        missing = sum(abs(types[name] - shown.get(name, 0)) for name in types)
        assert missing <= 2 * found["total"]["damaged"]


@pytest.mark.parametrize("name", NAMES)
def test_expand_shrink_expand_is_the_identity(
    invoke: Invoke, arguments: Callable[[str], tuple[str, ...]], tmp_path: Path, name: str
) -> None:
    place, option, design, *keys = arguments(name)
    whole, again, back = (str(tmp_path / one) for one in ("whole.pcap", "again.pcap", "back.pcap"))
    assert invoke("expand", place, option, design, *keys, "-o", whole).exit_code == 0
    shrunk = invoke("shrink", whole, option, design, "--plain", "-o", again)
    assert shrunk.exit_code == 0, shrunk.output
    assert invoke("expand", again, option, design, "-o", back).exit_code == 0
    datagrams = frames_of(whole)
    assert len(datagrams) > 100
    assert frames_of(back) == datagrams
