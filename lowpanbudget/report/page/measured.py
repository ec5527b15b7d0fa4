"""What a capture shows beside the plan, on its page: each number with how sure it is, the links and the nodes."""

from lowpanbudget.deployment.measured import Measurement
from lowpanbudget.report import measure_answer, measure_charts, measure_text, measurements
from lowpanbudget.report.audit_text import sentence
from lowpanbudget.report.screen import harmless
from lowpanbudget.report.svg.document import inline
from lowpanbudget.report.view import Data

_MOST = 60  # rows of a table
_ORDER = ("outside", "open", "within")


def measured_part(found: Measurement, file: str) -> Data | None:
    """Return what the page of a capture tells of what was measured in it; None where nothing was."""
    told = measurements.measured(file, found)
    tables = list(measure_text.tables(told))
    if not tables:
        return None
    checks = sorted(told["checks"], key=lambda check: _ORDER.index(check["verdict"]))
    return {
        "answer": harmless(sentence(measure_answer.answer(told))),
        "checks": [
            {
                "verdict": check["verdict"], "what": check["what"], "subject": harmless(check["subject"]),
                "numbers": measure_text.check_numbers(check), "why": harmless(sentence(check["why"], check["subject"])),
            }
            for check in checks[:_MOST]
        ],
        "more_checks": max(len(checks) - _MOST, 0),
        "pictures": [
            {"title": chart.title, "says": harmless(chart.says), "svg": inline(chart)}
            for chart in measure_charts.charts(told)
        ],
        "tables": [
            {
                "title": title, "columns": titles, "words": words and sentence(words),
                "more": max(len(rows) - _MOST, 0),
                "rows": [[harmless(cell) for cell in row] for row in rows[:_MOST]],
            }
            for title, titles, rows, words in tables
        ],
        "unknown": [harmless(line) for line in told["unknown"]],
        "caution": measure_text.CAUTION,
    }  # fmt: skip
