"""The frames of a capture written as a table, as text or as Parquet, in bounded memory."""

from collections.abc import Callable, Iterable, Sequence
from types import TracebackType
from typing import Any, Self, get_type_hints

from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.capture.rows import COLUMNS, FrameRow, RowMaker
from lowpanbudget.errors import RequestError
from lowpanbudget.report.csv_table import lines_of
from lowpanbudget.report.parquet import ParquetTable, Sink

FORMS = ("parquet", "csv")
_MOST_LINES = 4096  # that are held until they are written


class FrameTable:
    """Writes rows of frames to a sink in one of the ``FORMS``, in a ``with`` statement, whose end is that of the table.

    ``rows`` counts them. A block that ends by an error leaves a sink of no use.
    """

    def __init__(self, sink: Sink, form: str) -> None:
        self.rows = 0
        self._table: ParquetTable | _TextTable
        if form == "parquet":
            self._table = ParquetTable(sink, get_type_hints(FrameRow), COLUMNS)
        else:
            self._table = _TextTable(sink)

    def add(self, row: FrameRow) -> None:
        """Take a row."""
        self.rows += 1
        self._table.add(row)

    def watcher(self, name: str | Callable[[int], str]) -> Callable[[Sighting], None]:
        """Return what takes the rows of a capture's records; ``name`` as ``RowMaker`` takes it."""
        rows = RowMaker(name)

        def watch(sighting: Sighting) -> None:
            row = rows.row(sighting)
            if row is not None:
                self.add(row)

        return watch

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
    """Writes rows as RFC 4180 has them, behind a line of titles; a cell of layers is "name: bits; name: bits"."""

    def __init__(self, sink: Sink) -> None:
        self._sink = sink
        self._lines: list[Sequence[Any]] = [FrameRow._fields]

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
            f"{path!r} tells no form of a table", hint="Give a name that ends with .parquet or .csv"
        )
    return form


def write_frame_table(file: Sink, rows: Iterable[FrameRow], form: str) -> int:
    """Write rows of frames to a binary file as a table and return how many they were.

    ``form`` is "parquet" (which wants the extra ``table``) or "csv". Memory does not grow with the rows. Raises
    ``RequestError`` for another form, where the library is missing, and as the rows do; the file is then of no use.
    """
    if form not in FORMS:
        raise RequestError(f"{form!r} is no form of a table", hint="Use 'parquet' or 'csv'")
    if not hasattr(file, "write"):
        raise RequestError(
            f"{type(file).__name__} is no binary file", hint="Give one that is open for writing"
        )
    with FrameTable(file, form) as table:
        for row in rows:
            table.add(row)
    return table.rows
