"""Findings about designs: one that fires each and what it then says, a near miss, and designs as a whole."""

from functools import cache
from pathlib import Path

import pytest
from findings.air import heavy, names
from findings.cases_deployment import DEPLOYMENT_CASES, DEPLOYMENT_FURTHER
from findings.cases_loads import LOADS_CASES
from findings.cases_planning import CASES as FRAME_CASES
from findings.cases_planning import FURTHER, SEALED, Further, store
from findings.judge import DESIGN_NAMES, about, judged, judged_file

from lowpanbudget.findings.finding import Finding

CASES = FRAME_CASES | DEPLOYMENT_CASES | LOADS_CASES
EXAMPLES = Path(__file__).parents[2] / "examples"


@cache
def fired(name: str) -> list[Finding]:
    return judged(CASES[name].fires())


def test_every_rule_has_a_case() -> None:
    assert set(DESIGN_NAMES) == set(CASES)


@pytest.mark.parametrize("name", CASES)
def test_fires(name: str) -> None:
    case = CASES[name]
    assert about(name, fired(name)) == [case.told, *case.more]
    assert set(names(fired(name))) == {name} | case.also


@pytest.mark.parametrize("name", CASES)
def test_stays_silent(name: str) -> None:
    assert name not in names(judged(CASES[name].stays()))


@pytest.mark.parametrize(
    "further", [*FURTHER, *DEPLOYMENT_FURTHER], ids=lambda further: further.name
)
def test_says_otherwise_in_other_branches(further: Further) -> None:
    assert about(further.name, judged(further.design)) == [further.told]


def test_a_sound_design_has_nothing_of_weight() -> None:
    assert not heavy(judged(store(link=SEALED)))


def test_worst_comes_first() -> None:
    words = [finding.severity.word for finding in judged(store(octets=106))]
    assert words == ["failure", "risk", "remark"]


@pytest.mark.parametrize("name", ["footbridge", "archive"])
def test_the_examples(name: str) -> None:
    """They are sound: no message is left out, whatever else is said."""
    found = judged_file(EXAMPLES / f"{name}.toml")
    assert not [finding for finding in found if finding.severity.word == "failure"]
