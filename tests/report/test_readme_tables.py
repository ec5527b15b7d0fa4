"""The README's questions to a table of frames are asked, and its list of columns is that of the table.

``PYTHONPATH=tests python tests/report/test_readme_tables.py`` writes answers and columns anew.
"""

import contextlib
import re
import tempfile
from pathlib import Path
from typing import Any

import pytest
from contract.entry import invoke

from lowpanbudget.capture.row_columns import COLUMNS as MEANINGS
from lowpanbudget.capture.sequences import MOST_MISSING
from lowpanbudget.capture.series import MOST_CELLS

ROOT = Path(__file__).parents[2]
README = ROOT / "README.md"
QUESTION = re.compile(r"```sql\n(?P<asked>.*?)```\n\n```text\n(?P<told>.*?)```\n", re.DOTALL)
COMMAND = re.compile(r"```sh\nlowpanbudget (survey .* --table) frames\.parquet\n```")
COLUMNS = re.compile(
    r"(<!-- columns of a table: [^\n]*\n)(.*?)(<!-- end of columns -->)", re.DOTALL
)


def tables(folder: Path) -> None:
    """Write the table that the README's command writes, as text where no library writes the other form."""
    (command,) = COMMAND.findall(README.read_text(encoding="utf-8"))
    with contextlib.chdir(ROOT):
        done = invoke(*command.split(), folder / "frames.parquet")
    assert done.exit_code == 0, done.stderr


def answer(duckdb: Any, question: str, folder: Path) -> str:
    """Return the rows that a question gives as text in columns, numbers to the right."""
    found = duckdb.sql(question.replace("'frames.parquet'", f"'{folder}/frames.parquet'"))
    rows = [found.columns, *([str(cell) for cell in row] for row in found.fetchall())]
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    kinds = [str(kind) == "VARCHAR" for kind in found.types]
    lines = [
        "  ".join(
            cell.ljust(width) if is_text else cell.rjust(width)
            for cell, width, is_text in zip(row, widths, kinds, strict=True)
        ).rstrip()
        for row in rows
    ]
    return "\n".join(lines) + "\n"


def questions(text: str) -> list[tuple[str, str]]:
    return [(match["asked"], match["told"]) for match in QUESTION.finditer(text)]


def test_three_questions_have_the_answers_shown(tmp_path: Path) -> None:
    duckdb = pytest.importorskip("duckdb", reason="duckdb is not installed: no table is asked")
    pytest.importorskip("pyarrow", reason="pyarrow is not installed: no Parquet is written")
    tables(tmp_path)
    asked = questions(README.read_text(encoding="utf-8"))
    assert len(asked) == 3
    for question, told in asked:
        assert answer(duckdb, question, tmp_path) == told


def columns() -> str:
    lines = ["| column | what it tells |", "|---|---|"]
    lines += [f"| `{name}` | {meaning} |" for name, meaning in MEANINGS.items()]
    return "\n".join(lines) + "\n"


def test_every_column_is_listed() -> None:
    text = README.read_text(encoding="utf-8")
    (listed,) = (match[2] for match in COLUMNS.finditer(text))
    assert listed == columns()


def test_its_limits_are_those_of_the_program() -> None:
    text = " ".join(README.read_text(encoding="utf-8").split())
    assert f"over {MOST_MISSING} missing numbers in a row" in text
    assert f"over {MOST_CELLS} cells" in text


def write() -> None:
    import duckdb

    text = README.read_text(encoding="utf-8")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        tables(folder)
        text = QUESTION.sub(
            lambda match: match[0].replace(
                f"```text\n{match['told']}```",
                f"```text\n{answer(duckdb, match['asked'], folder)}```",
            ),
            text,
        )
    text = COLUMNS.sub(lambda match: match[1] + columns() + match[3], text)
    README.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    write()
