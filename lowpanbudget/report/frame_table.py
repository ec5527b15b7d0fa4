"""The frames of a capture written as a table, as text or as Parquet, in bounded memory."""

from collections.abc import Callable, Iterable
from typing import get_type_hints

from lowpanbudget.arguments import open_for_octets, several, value_of
from lowpanbudget.capture.files.writing import BinaryOutput
from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.capture.row_columns import COLUMNS
from lowpanbudget.capture.rows import FrameRow, RowMaker
from lowpanbudget.errors import RequestError, repeated
from lowpanbudget.report.written_table import FORMS, WrittenTable


class FrameTable(WrittenTable):
    """Writes rows of frames to a sink, as ``WrittenTable`` does."""

    def __init__(self, sink: BinaryOutput, form: str) -> None:
        super().__init__(sink, form, get_type_hints(FrameRow), COLUMNS)

    def watcher(self, name: str | Callable[[int], str]) -> Callable[[Sighting], None]:
        """Return what takes the rows of a capture's records; ``name`` as ``RowMaker`` takes it."""
        rows = RowMaker(name)

        def watch(sighting: Sighting) -> None:
            row = rows.row(sighting)
            if row is not None:
                self.add(row)

        return watch


def write_frame_table(file: BinaryOutput, rows: Iterable[FrameRow], form: str) -> int:
    """Write rows of frames to a binary file as a table and return how many they were.

    ``form`` is "parquet" (which wants the extra ``table``) or "csv". Memory does not grow with the rows. Raises
    ``RequestError`` for another form, what octets cannot be written to, where the library is missing, and as the rows
    do; the file is then of no use.
    """
    if form not in FORMS:
        raise RequestError(f"{repeated(form)} is no form of a table", hint="Use 'parquet' or 'csv'")
    with FrameTable(open_for_octets(file, "write"), form) as table:
        for row in several(rows, "rows"):
            table.add(value_of(FrameRow, row, "frame_rows gives them"))
    return table.count
