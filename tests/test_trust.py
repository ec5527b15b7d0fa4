"""What the README says of runs on demand is what their reports say."""

from trust.report import Report, Row
from trust.section import README, RUNS, TITLES, counts, reports, runs, written


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
        assert all(row.tried > 0 and 0 <= row.wrong <= row.tried for row in report.rows)


def test_counts_are_summed_by_unit() -> None:
    rows = [Row("a", 2, "frames"), Row("b", 3, "frames", 1), Row("c", 4, "kills")]
    assert list(counts(Report("any", "", rows))) == ["5 frames", "4 kills"]
