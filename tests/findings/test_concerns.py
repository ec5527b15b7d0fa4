"""Of frames that are alike the first comes to every check, whatever concerns it: it has to look for itself."""

import pickle
from collections.abc import Callable
from typing import Any

import pytest
from findings.test_cases import CASES, firing, staying

from lowpanbudget.findings import concerns
from lowpanbudget.findings.captures.rules import CAPTURE_RULES
from lowpanbudget.findings.rule import Reads

# these tell only whether a further frame has more than the first
OF_FURTHER = (concerns.no_more, concerns.part)


def watched(reads: Reads, wrong: list[str]) -> Reads:
    """The same check, which tells when it says or remembers something of a frame that does not concern it."""
    asked = reads.concerns
    if asked is None or asked in OF_FURTHER:
        return reads
    look: Callable[[Any], bool] = asked

    def check(*given: Any) -> Any:
        scene = given[-2]
        if (
            look(scene) or scene.is_fragment
        ):  # one in fragments is asked for itself (findings/assembled.py)
            return reads.check(*given)
        before = pickle.dumps(given[:-2])  # the memory, where there is one
        hits = [*(reads.check(*given) or ())]
        if hits or pickle.dumps(given[:-2]) != before:
            wrong.append(reads.check.__name__)
        return hits

    return reads._replace(check=check)


@pytest.mark.parametrize("name", CASES)
def test_a_check_leaves_alone_what_does_not_concern_it(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    wrong: list[str] = []
    for rule in CAPTURE_RULES:
        monkeypatch.setattr(rule, "reads", [watched(one, wrong) for one in rule.reads])
    for capture in (firing(name), staying(name)):
        capture.followed()
    assert set(wrong) == set()
