"""Every finding: a capture that fires it, a near miss that does not, and the same from a trace."""

import pytest
from findings.air import names
from findings.cases_application import APPLICATION_CASES
from findings.cases_compression import COMPRESSION_CASES
from findings.cases_fragments import FRAGMENT_CASES
from findings.cases_link import LINK_CASES, Case

from lowpanbudget.findings.finding import Finding
from lowpanbudget.findings.planning import DESIGN_RULES
from lowpanbudget.findings.registry import RULES
from lowpanbudget.findings.rule import SECTIONS, manual

CASES: dict[str, Case] = LINK_CASES | COMPRESSION_CASES | FRAGMENT_CASES | APPLICATION_CASES
# these come from reading a file and from a trace's learning: test_audit.py
NEVER_FED = {"capture-damaged", "check-sequence-not-as-said", "context-announced-otherwise"}


def test_every_finding_has_a_case() -> None:
    assert {rule.name for rule in RULES} == set(CASES) | NEVER_FED


@pytest.mark.parametrize("name", CASES)
def test_fires(name: str) -> None:
    capture = CASES[name].fires()
    assert name in names(capture.fed())


@pytest.mark.parametrize("name", CASES)
def test_stays_silent(name: str) -> None:
    capture = CASES[name].stays()
    assert name not in names(capture.fed())


def told(findings: list[Finding]) -> set[tuple[object, ...]]:
    return {
        (one.name, one.subject, one.severity, one.count, one.frames, one.evidence)
        for one in findings
    }


@pytest.mark.parametrize("name", CASES)
def test_a_trace_tells_the_same(name: str) -> None:
    """Frames that are alike are decoded once there; nothing may be lost by that."""
    for capture in CASES[name]:
        made = capture()
        assert told(made.followed()) == told(made.fed())


ALL: tuple[type, ...] = (*RULES, *DESIGN_RULES)


@pytest.mark.parametrize("rule", ALL)
def test_has_a_manual(rule: type) -> None:
    pages = manual(rule)
    assert pages["title"].endswith(".")
    assert set(pages) == {"title", *SECTIONS}
    assert all(len(text) > 5 for text in pages.values())


def test_names_are_told_apart() -> None:
    found = [rule.name for rule in RULES] + [rule.name for rule in DESIGN_RULES]
    assert len(set(found)) == len(found)
    assert all(name == name.lower() and name.replace("-", "").isalpha() for name in found)
