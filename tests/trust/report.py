"""What a run on demand tells of itself: one file a run under ``reports/``, replaced whole by the next run.

The README's section "How far to trust it" is produced from these files and from nothing else. A run that was cut short
writes what it did, never what it meant to do.
"""

import json
import platform
import subprocess
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from pathlib import Path

REPORTS = Path(__file__).parent / "reports"


@dataclass
class Row:
    """One line of a report: what was tried, how often, and how often it was wrong.

    ``tried`` counts in ``unit`` (inputs, mutants, schemas, frames, kills); ``figures`` holds what else was measured, by
    a name that says its unit (``branches_percent``, ``peak_mb``, ``us_per_frame``).
    """

    what: str
    tried: int
    unit: str
    wrong: int = 0
    figures: dict[str, int | float | str] = field(default_factory=dict)


@dataclass
class Report:
    """A run: the command that repeats it, its rows, and remarks in plain sentences."""

    name: str
    command: str
    rows: list[Row]
    remarks: list[str] = field(default_factory=list)
    seconds: float = 0.0
    date: str = ""
    code: str = ""  # the commit that was tried, as git describes it; "up to" one where a run did not note it
    python: str = ""
    machine: str = ""


def write(report: Report) -> Path:
    """Write ``report`` to ``reports/NAME.json``, with date, code, Python and machine of this run; return the path."""
    report.date = datetime.now(UTC).date().isoformat()
    report.code = _commit()
    report.python = platform.python_version()
    report.machine = f"{platform.system()} {platform.machine()}"
    path = REPORTS / f"{report.name}.json"
    part = path.with_suffix(".part")
    part.write_text(json.dumps(asdict(report), indent=1, ensure_ascii=False) + "\n", "utf-8")
    return part.replace(path)


def _commit() -> str:
    done = subprocess.run(
        ["git", "describe", "--always", "--dirty", "--exclude=*"], cwd=REPORTS, capture_output=True, text=True,
        check=False,
    )  # fmt: skip
    return done.stdout.strip()


def read(name: str) -> Report:
    """Return the last report called ``name``; FileNotFoundError where none was written."""
    table = json.loads((REPORTS / f"{name}.json").read_text("utf-8"))
    return Report(**{**table, "rows": [Row(**row) for row in table["rows"]]})


def names() -> list[str]:
    """Return the names of all reports, in order."""
    return sorted(path.stem for path in REPORTS.glob("*.json"))
