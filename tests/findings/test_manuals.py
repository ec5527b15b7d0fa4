"""Manuals and rules belong together; a new finding is one function and one entry of a manual."""

import os
import re
import shutil
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest
from findings import air

import lowpanbudget
from lowpanbudget.findings.captures.rules import CAPTURE_RULES
from lowpanbudget.findings.finding import Certainty
from lowpanbudget.findings.manual import SECTIONS, SUBJECTS, Manual, every_manual, manuals
from lowpanbudget.findings.review import DESIGN_RULES
from lowpanbudget.findings.rule import Rule

PACKAGE = Path(lowpanbudget.__file__).parent
RULES = (*CAPTURE_RULES, *DESIGN_RULES)


def test_every_rule_has_a_manual_and_every_manual_a_rule() -> None:
    stated = [(rule.subject, rule.name) for rule in RULES]
    written = [(subject, name) for subject in SUBJECTS for name in manuals(subject)]
    assert Counter(stated) == Counter(written)


def test_every_file_of_manuals_is_a_subject() -> None:
    files = {path.stem for path in (PACKAGE / "findings" / "manuals").iterdir()}
    assert files == set(SUBJECTS)


@pytest.mark.parametrize("manual", list(every_manual()), ids=lambda manual: manual.name)
def test_a_manual_has_all_sections(manual: Manual) -> None:
    assert tuple(manual.sections) == tuple(SECTIONS.values())
    assert all(len(text) > 5 for text in manual.sections.values())
    assert manual.title.endswith(".")
    assert manual.cite.document


def test_designs_alone_prove_what_rules_about_designs_say() -> None:
    planned = {manual.name for manual in every_manual() if manual.certainty == Certainty.PLAN}
    # of a handshake the number is another document's, and the keys that it has are not in the design
    told = planned | {"handshake-takes-many-frames"}
    assert told > planned
    assert told == {rule.name for rule in DESIGN_RULES}


@pytest.mark.parametrize(
    "rule", [rule for rule in CAPTURE_RULES if rule.least > 1], ids=lambda rule: rule.name
)
def test_how_often_it_must_be_seen_is_told(rule: Rule) -> None:
    """Where it says what it sees; in words, as every number below six is in these texts."""
    words = {2: "twice", 3: "three", 4: "four", 5: "five"}[rule.least]
    sees = rule.manual.sections[SECTIONS["sees"]]
    assert re.search(rf"\b{words}\b( \w+)* or more", sees)


RULE = '''

@LINK.rule("network-number-odd", Mac)
def network_number_odd(scene: Scene, mac: Mac) -> Hits:
    """Look at the last bit."""
    if mac.pan_id is not None and mac.pan_id % 2:
        yield Hit("the number is odd", (), scene.sender)
'''
ENTRY = """
[network-number-odd]
title = "A PAN has an odd number."
severity = "remark"
certainty = "frame"
cite = ["a store's own rules", "7"]
sees = "a PAN ID whose last bit is set."
costs = "nothing at all."
no_fault = "always."
example = "the number is odd."
advice = "Count again."
"""
PROBE = """
import sys
from lowpanbudget.capture.files.record import Record
from lowpanbudget.capture.follow.tracing import Trace
from lowpanbudget.findings.audit import Audit
from lowpanbudget.report import terms
octets = bytes.fromhex(sys.argv[1])
audit = Audit()
audit.follow(Trace(fcs=2).feed(Record(1, 10**9, 195, octets, len(octets))))
print([(one.severity.word, one.cause, one.subject, one.advice)
       for one in audit.close() if one.name == "network-number-odd"])
print(terms.explain("network-number-odd")[0].text)
"""


def test_a_new_finding_is_one_function_and_one_entry(tmp_path: Path) -> None:
    """Both are added to a copy of the package, and nothing else is touched."""
    copy = tmp_path / "lowpanbudget"
    # links, also to what is compiled of it: only what is touched is a file of its own, and compiled anew
    shutil.copytree(PACKAGE, copy, copy_function=os.symlink)
    for place, text in (("captures/link.py", RULE), ("manuals/link.toml", ENTRY)):
        before = (PACKAGE / "findings" / place).read_text(encoding="utf-8")
        (copy / "findings" / place).unlink()
        (copy / "findings" / place).write_text(before + text, encoding="utf-8")
    octets = air.frame(air.datagram(), pan_id_compression=True).hex()
    done = subprocess.run(
        [sys.executable, "-c", PROBE, octets],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.splitlines() == [
        "[('remark', 'the number is odd', '0x0017', 'Count again.')]",
        "A PAN has an odd number.",
    ]
