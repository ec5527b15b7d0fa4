"""Which of several layouts is meant: by the values of fields before it, or by the octets and names that are there."""

from collections.abc import Mapping
from itertools import product
from typing import Any, NamedTuple

from lowpanbudget.bits import Reader
from lowpanbudget.cites import Cite
from lowpanbudget.errors import Malformed, RequestError
from lowpanbudget.fields.choice import Bits
from lowpanbudget.fields.layout import Layout


class Selected(NamedTuple):
    """A row of ``Selection``: a layout, or why these values mean nothing (``reserved``, with an empty layout)."""

    layout: Layout[dict[str, Any]]
    reserved: str = ""


class Selection:
    """Which layout follows, by the values of fields before it: a row for each combination, or it refuses to import."""

    __slots__ = ("by", "cite", "name", "rows")

    def __init__(
        self, name: str, cite: Cite, by: tuple[Bits, ...], rows: Mapping[tuple[int, ...], Selected]
    ) -> None:
        combinations = set(product(*(range(1 << field.width) for field in by)))
        if rows.keys() != combinations:
            raise TypeError(f"{name}: no row, or one too many, for {rows.keys() ^ combinations}")
        self.name = name
        self.cite = cite
        self.by = by
        self.rows = rows

    def __getitem__(self, values: tuple[int, ...]) -> Selected:
        return self.rows[values]


class Either:
    """A content that has one of several layouts: the octets there, or the names given, decide which.

    One whose fields say how long it is comes last. ``title`` is what the number before it means.
    """

    __slots__ = ("_lengths", "cite", "layouts", "name", "title")

    def __init__(self, name: str, cite: Cite, *layouts: Layout[Any], title: str = "") -> None:
        self.name = name
        self.cite = cite
        self.layouts = layouts
        self.title = title or name
        self._lengths: tuple[tuple[Layout[Any], int, bool, bool], ...] = ()  # once it is read

    def read(self, reader: Reader) -> Mapping[str, Any]:
        """Return the named fields of all that is left to the reader.

        Raises ``Malformed`` for a length that no layout has.
        """
        self._lengths = self._lengths or tuple(
            (layout, layout.least, layout.more, layout.counted) for layout in self.layouts
        )
        left = reader.left
        for layout, least, more, counted in self._lengths:
            if counted or left == least or (more and left > least):
                return self._whole(reader, layout)
        open_ended = [least for _, least, more, _ in self._lengths if more]
        exact = {least for _, least, more, _ in self._lengths if not more}
        exact -= {least for least in exact if open_ended and least >= min(open_ended)}
        lengths = [str(least) for least in sorted(exact)]
        lengths += [f"{min(open_ended)} or more"] if open_ended else []
        raise self._length(
            reader, "", " or ".join((", ".join(lengths[:-1]), lengths[-1])[-len(lengths) :])
        )

    def _whole(self, reader: Reader, layout: Layout[Any]) -> Mapping[str, Any]:
        fields: Mapping[str, Any] = layout.read(reader)
        if reader.left:
            raise Malformed(
                f"{reader.left} octets are left over behind the {self.name}",
                offset=reader.pos, layer=self.name, cite=self.cite,
            )  # fmt: skip
        return fields

    def read_longest(self, reader: Reader, kind: str) -> Mapping[str, Any]:
        """Return the named fields of the last layout that the octets suffice for; what follows them is left.

        Raises ``Malformed`` where they suffice for none; ``kind`` says there what it is.
        """
        fitting = [layout for layout in self.layouts if layout.least <= reader.left]
        if not fitting:
            raise self._length(
                reader, f" {kind}", str(min(layout.least for layout in self.layouts))
            )
        fields: Mapping[str, Any] = fitting[-1].read(reader)
        return fields

    def _length(self, reader: Reader, kind: str, lengths: str) -> Malformed:
        return Malformed(
            f"the {self.name}{kind} has {reader.left} octets of content, not {lengths}",
            offset=reader.pos,
            layer=reader.layer if kind else self.name,
            cite=self.cite,
        )

    def write(self, fields: Mapping[str, Any]) -> bytes:
        """Return the octets of the first layout that has exactly these fields and can hold them.

        Flags and other bit fields may be left out and are zero then. Raises ``RequestError`` for other fields, or for
        a value that its field cannot hold.
        """
        unfit: RequestError | None = None
        for layout in self.layouts:
            needed, allowed = layout.keys()
            if fields.keys() <= allowed and (
                len(self.layouts) == 1 or fields.keys() >= set(needed)
            ):
                try:
                    return layout.octets(fields)
                except RequestError as error:
                    unfit = error
        if unfit is not None:
            raise unfit
        wanted = "; or ".join(", ".join(layout.shown()) for layout in self.layouts)
        raise RequestError(
            f"the {self.name} has no such set of fields: {', '.join(map(str, fields)) or 'none'}",
            cite=self.cite,
            hint=f"Give {wanted or 'none'}",
        )
