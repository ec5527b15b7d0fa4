"""A table as a Parquet file, in groups of rows: the one module that knows the library for it."""

import io
from collections.abc import Mapping, Sequence
from types import UnionType
from typing import Any, get_args

from lowpanbudget.capture.files.writing import BinaryOutput
from lowpanbudget.errors import RequestError

MOST_IN_A_GROUP = 1 << 14  # rows that are held until they are written


class ParquetTable:
    """Writes rows to a sink as Parquet; ``close`` writes what is left, and what the file ends with.

    ``columns`` have the type of each column, ``meanings`` what it tells, which the file carries along. Raises
    ``RequestError`` where the library is not installed.
    """

    def __init__(
        self, sink: BinaryOutput, columns: Mapping[str, Any], meanings: Mapping[str, str]
    ) -> None:
        arrow, parquet = _library()
        self._arrow = arrow
        self._rows: list[Sequence[Any]] = []
        fields = [
            arrow.field(name, _type(arrow, kind), metadata={"meaning": meanings[name]})
            for name, kind in columns.items()
        ]
        self._schema = arrow.schema(fields)
        self._sink = _Counting(sink)
        self._writer = parquet.ParquetWriter(self._sink, self._schema, compression="zstd")

    def add(self, row: Sequence[Any]) -> None:
        """Take a row, with the values of its columns in their order."""
        self._rows.append(row)
        if len(self._rows) >= MOST_IN_A_GROUP:
            self._write()

    def close(self) -> None:
        """Write the rest."""
        if self._rows:
            self._write()
        self._writer.close()

    def abandon(self) -> None:
        """End a table of no use: the library would write its end into the sink when it is forgotten."""
        self._rows.clear()
        self._sink.is_abandoned = True
        self._writer.close()

    def _write(self) -> None:
        arrow, schema = self._arrow, self._schema
        columns = [
            arrow.array([_pairs(value) for value in values], field.type)
            for field, values in zip(schema, zip(*self._rows, strict=True), strict=True)
        ]
        self._rows.clear()
        self._writer.write_table(arrow.Table.from_arrays(columns, schema=schema))


def _library() -> tuple[Any, Any]:
    try:
        import pyarrow as pa  # noqa: PLC0415  # heavy: only where such a file is written
        from pyarrow import parquet  # noqa: PLC0415
    except ImportError:
        raise RequestError(
            "Parquet wants the package pyarrow, which is not installed",
            hint="pip install 'lowpanbudget[table]', or name a file that ends with .csv",
        ) from None
    return pa, parquet


def _type(arrow: Any, kind: Any) -> Any:
    """Return the type of a column whose values are of this type, or None."""
    if isinstance(kind, UnionType):
        (kind,) = (one for one in get_args(kind) if one is not type(None))
    types = {str: arrow.string(), int: arrow.int64(), bool: arrow.bool_()}
    return types.get(kind) or arrow.map_(arrow.string(), arrow.int64())


def _pairs(value: Any) -> Any:
    return list(value.items()) if isinstance(value, dict) else value


class _Counting(io.RawIOBase):
    """A sink as the library wants it: it asks how much was written, and closes what it was given."""

    def __init__(self, sink: BinaryOutput) -> None:
        super().__init__()
        self._sink = sink
        self._written = 0
        self.is_abandoned = False

    def writable(self) -> bool:
        return True

    def write(self, octets: Any) -> int:
        data = bytes(octets)
        if not self.is_abandoned:
            self._sink.write(data)
        self._written += len(data)
        return len(data)

    def tell(self) -> int:
        return self._written
