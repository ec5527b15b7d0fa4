"""The tables of README's "How far to trust it", made from the reports of the runs.

    PYTHONPATH=tests python -m trust.section [--write]

Prints them, or writes them between their marks in the README. A test holds both equal.
"""

import sys
from collections.abc import Iterator
from pathlib import Path

from trust.report import Report, names, read

README = Path(__file__).parents[2] / "README.md"
BEGIN, END = "<!-- trust: made by tests/trust/section.py -->", "<!-- trust: end -->"

# what each run tries, in the order of the table
TITLES = {
    "fuzz": "Guided random inputs at every entry, judged by what must hold for any octets",
    "second-decoder": "Packets read and restored by a decoder written from the RFCs alone",
    "second-mac": "Frames of the link built and read by a description made without our code",
    "state-models": "Sequences of frames against models of what a receiver must remember",
    "compiled": "Generated C, compiled and run beside Python and construct",
    "hostile": "Captures in which an attacker sends among honest nodes",
    "processes": "Commands killed, starved and given odd files, names, places and times",
    "pythons": "The same outputs on each Python",
    "mutants": "Faults planted in our code, one at a time: does a test see them?",
}


def table() -> str:
    """Return a table with a row for each run, then one for each run that lists its rows."""
    lines = ["| What was tried | How often | Wrong now | When |", "|---|---|---|---|"]
    for report in reports():
        wrong = sum(row.wrong for row in report.rows)
        often = ", ".join(counts(report))
        lines.append(f"| {TITLES[report.name]} | {often} | {wrong:,} | {report.date} |")
    lines.append("")
    for report in reports():
        lines += [f"- `{report.command}`: " + "; ".join(told(report)) + "."]
    return "\n".join(lines) + "\n"


def reports() -> list[Report]:
    """Return the reports in the order of the table; one without a title is a mistake."""
    there = names()
    unknown = set(there) - set(TITLES)
    if unknown:
        raise ValueError(f"no title for {', '.join(sorted(unknown))}")
    return [read(name) for name in TITLES if name in there]


def counts(report: Report) -> Iterator[str]:
    """Yield how often was tried, by unit."""
    for unit in dict.fromkeys(row.unit for row in report.rows):
        yield f"{sum(row.tried for row in report.rows if row.unit == unit):,} {unit}"


def told(report: Report) -> Iterator[str]:
    """Yield each row of a report in words: what, how often, and its figures."""
    for row in report.rows:
        figures = [f"{name.replace('_', ' ')} {value}" for name, value in row.figures.items()]
        yield f"{row.what} {row.tried:,}" + (f" ({', '.join(figures)})" if figures else "")


def written(readme: str) -> str:
    """Return the README with the tables as they are now."""
    before, _, rest = readme.partition(BEGIN)
    _, _, after = rest.partition(END)
    return f"{before}{BEGIN}\n{table()}{END}{after}"


if __name__ == "__main__":
    if "--write" in sys.argv[1:]:
        README.write_text(written(README.read_text("utf-8")), "utf-8")
    else:
        sys.stdout.write(table())
