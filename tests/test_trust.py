"""What the README says of runs on demand is what their reports say."""

import re

from trust.report import Report, Row
from trust.section import README, RUNS, TITLES, counts, less, reports, runs, written


def test_the_readme_says_what_the_reports_say() -> None:
    text = README.read_text("utf-8")
    assert written(text) == text
    assert RUNS.read_text("utf-8") == runs()


def test_every_run_has_its_report() -> None:
    """Each that the README promises was run, tried something, and says with which command it is repeated."""
    found = {report.name: report for report in reports()}
    assert set(found) == set(TITLES)
    for report in found.values():
        assert report.command.startswith("PYTHONPATH=tests python -m ")
        assert report.rows
        assert re.search(r"[0-9a-f]{7}", report.code), "of which code?"
        assert all(row.tried > 0 and 0 <= row.wrong <= row.tried for row in report.rows)


def test_counts_are_summed_by_unit() -> None:
    rows = [Row("a", 2, "frames"), Row("b", 3, "frames", 1), Row("c", 4, "kills")]
    assert list(counts(Report("any", "", rows))) == ["5 frames", "4 kills"]


def test_what_was_cut_short_or_is_of_older_code_is_told() -> None:
    rows = [Row("a", 9, "inputs", figures={"before_last_change": 7}), Row("b", 2, "inputs")]
    report = Report("any", "", rows, ["kills was cut short after 4.0 minutes.", "No more."])
    assert list(less(report)) == ["7 of them of older code than the rest", "cut short: kills"]
    assert not list(less(Report("any", "", rows[1:], ["No more."])))
