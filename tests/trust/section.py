"""The table of README's "How far to trust it" and the list behind it, made from the reports of the runs.

PYTHONPATH=tests python -m trust.section            writes both
"""

import sys
from collections.abc import Iterator
from pathlib import Path

from trust.report import Report, names, read

README = Path(__file__).parents[2] / "README.md"
RUNS = Path(__file__).with_name("RUNS.md")
BEGIN, END = (
    "<!-- trust: `PYTHONPATH=tests python -m trust.section` writes it -->",
    "<!-- end of trust -->",
)

# what each run tries, in the order of the table
TITLES = {
    "fuzz": "Inputs at every entry, mutated towards new code and blindly from there: does all hold that must?",
    "second-decoder": "Packets read and restored by a decoder written from the RFCs alone",
    "second-mac": "Frames of the link drawn, read and written by a description made without our code",
    "state-models": "Sequences of frames against models of what a receiver must remember",
    "compiled": "Generated C, compiled and run beside Python and construct",
    "hostile": "Captures in which an attacker sends among honest nodes",
    "processes": "Commands killed, starved, and given odd files, names, places and times",
    "pythons": "The same outputs and tests on each Python",
    "mutants": "Faults planted in our own code, one at a time: does a test see them?",
}


def table() -> str:
    """Return a row for each run: what was tried, how often, what was wrong still, when and of which code."""
    lines = [
        "| what was tried | how often | wrong still | when, of which code |",
        "|---|---|---|---|",
    ]
    for report in reports():
        wrong = sum(row.wrong for row in report.rows)
        often = "; ".join((", ".join(counts(report)), *less(report)))
        lines.append(
            f"| {TITLES[report.name]} | {often} | {wrong:,} | {report.date}, {report.code} |"
        )
    return "\n".join(lines) + "\n"


def runs() -> str:
    """Return all that the reports say, run by run."""
    lines = [
        "# What tries to break it\n",
        "Each run on demand, its figures by row, and what it says of itself; made by `tests/trust/section.py` from",
        "`tests/trust/reports/`. *wrong* counts what was wrong still when the run was recorded: what was mended until",
        "then has a test or a vector.\n",
    ]
    for report in reports():
        lines += [f"## {TITLES[report.name]}\n", f"    {report.command}\n"]
        lines.append(
            f"{report.date}, {report.code}, Python {report.python}, {report.machine}; "
            + (
                f"{report.seconds:,.0f} s.\n"
                if report.seconds
                else "several runs, whose time was not noted.\n"
            )
        )
        lines += ["| what | tried | wrong | figures |", "|---|---|---|---|"]
        for row in report.rows:
            figures = ", ".join(
                f"{name.replace('_', ' ')} {shown(value)}" for name, value in row.figures.items()
            )
            lines.append(
                f"| {row.what} | {row.tried:,} {row.unit} | {row.wrong:,} | {figures} |".replace(
                    "  ", " "
                )
            )
        lines += ["", *(f"- {remark}" for remark in report.remarks), ""]
    return "\n".join(lines).rstrip("\n") + "\n"


def shown(value: float | str) -> str:
    """Return a figure as it is read."""
    return f"{value:,}" if isinstance(value, int) else str(value)


def reports() -> list[Report]:
    """Return the reports in the order of the table; ``ValueError`` for one without a title."""
    there = names()
    unknown = set(there) - set(TITLES)
    if unknown:
        raise ValueError(f"no title for {', '.join(sorted(unknown))}")
    return [read(name) for name in TITLES if name in there]


def counts(report: Report) -> Iterator[str]:
    """Yield how often was tried, by unit."""
    for unit in dict.fromkeys(row.unit for row in report.rows):
        yield f"{sum(row.tried for row in report.rows if row.unit == unit):,} {unit}"


def less(report: Report) -> Iterator[str]:
    """Yield why the run counts for less than its numbers say."""
    older = sum(int(row.figures.get("before_last_change", 0)) for row in report.rows)
    if older:
        yield f"{older:,} of them of older code than the rest"
    cut = [text.split()[0] for text in report.remarks if "was cut short" in text]
    if cut:
        yield f"cut short: {', '.join(cut)}"


def written(readme: str) -> str:
    """Return the README with the table as it is now."""
    before, begin, rest = readme.partition(BEGIN)
    _, end, after = rest.partition(END)
    if not begin or not end:
        raise ValueError("the README has no place for the table")
    return f"{before}{BEGIN}\n{table()}{END}{after}"


if __name__ == "__main__":
    README.write_text(written(README.read_text("utf-8")), "utf-8")
    RUNS.write_text(runs(), "utf-8")
    sys.stdout.write(table())
