"""A table written to a file, as text or as Parquet, in bounded memory; whole, or of no use and said so."""

from collections.abc import Iterable, Mapping, Sequence
from types import TracebackType
from typing import Any, Self

from lowpanbudget.capture.files.writing import BinaryOutput
from lowpanbudget.errors import RequestError, repeated
from lowpanbudget.report.csv_table import lines_of
from lowpanbudget.report.parquet import ParquetTable

FORMS = ("parquet", "csv")
_MOST_LINES = 4096  # that are held until they are written


class WrittenTable:
    """Writes rows to a sink in one of the ``FORMS``, in a ``with`` statement, whose end is that of the table.

    ``columns`` have the type of each column, ``meanings`` what it tells. ``count`` counts the rows. A block that ends
    by an error leaves a sink of no use.
    """

    def __init__(
        self, sink: BinaryOutput, form: str, columns: Mapping[str, Any], meanings: Mapping[str, str]
    ) -> None:
        self.count = 0
        self._table: ParquetTable | _TextTable
        if form == "parquet":
            self._table = ParquetTable(sink, columns, meanings)
        else:
            self._table = _TextTable(sink, columns)

    def add(self, row: Sequence[Any]) -> None:
        """Take a row."""
        self.count += 1
        self._table.add(row)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if kind is None:
            try:
                self._table.close()
            except BaseException:
                self._table.abandon()
                raise
        else:
            self._table.abandon()


class _TextTable:
    """Writes rows as RFC 4180 has them, behind a line of titles; a cell of pairs is "name: value; name: value"."""

    def __init__(self, sink: BinaryOutput, columns: Iterable[str]) -> None:
        self._sink = sink
        self._lines: list[Sequence[Any]] = [list(columns)]

    def add(self, row: Sequence[Any]) -> None:
        self._lines.append(row)
        if len(self._lines) >= _MOST_LINES:
            self.close()

    def close(self) -> None:
        self._sink.write(lines_of(self._lines).encode())
        self._lines.clear()

    def abandon(self) -> None:
        self._lines.clear()


def form_of(path: str) -> str:
    """Return the form that the end of a file's name tells. Raises ``RequestError`` for another end."""
    form = path.rpartition(".")[2].lower()
    if form not in FORMS or "." not in path:
        raise RequestError(
            f"{repeated(path)} tells no form of a table",
            hint="Give a name that ends with .parquet or .csv",
        )
    return form
