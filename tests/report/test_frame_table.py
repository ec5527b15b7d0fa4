"""Frames as a table: what the library of the format, a query engine and the standard library's reader give back."""

import csv
import gc
import io
import random
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from capture.captures import (
    CONTEXTS,
    KEY,
    PAN,
    SECOND,
    eui,
    frames_of,
    ip_of,
    mixed,
    records,
    udp_datagram,
)

from lowpanbudget import follow
from lowpanbudget.capture.files.record import Record
from lowpanbudget.capture.row_columns import COLUMNS
from lowpanbudget.capture.rows import FrameRow, frame_rows
from lowpanbudget.capture.surveyor import survey
from lowpanbudget.errors import RequestError
from lowpanbudget.report import parquet, written_table
from lowpanbudget.report.frame_table import write_frame_table
from lowpanbudget.report.written_table import FORMS

A, B = eui(1), eui(2)
KNOWN: Any = {"contexts": CONTEXTS, "keys": KEY, "fcs": 2}


@cache
def of_a_network() -> list[Record]:
    return records(mixed(300), step_ns=SECOND)


def rows(some: list[Record], **known: Any) -> list[FrameRow]:
    return list(frame_rows(some, name="a.pcap", **KNOWN | known))


def test_every_column_is_told() -> None:
    assert tuple(COLUMNS) == FrameRow._fields


def test_a_datagram_in_fragments_row_by_row() -> None:
    """RFC 4944 section 5.3: 4 octets of header in the first fragment, 5 in the others; RFC 6282: 2 of IPHC, 4 of UDP.

    Number 1 is missing; the last frame is the one before it sent again, and goes to another receiver's ears as well.
    """
    long = udp_datagram(ip_of(A), ip_of(B), bytes(150), hop_limit=64)
    first, second = frames_of(long, A, B)
    second = frames_of(long, A, B, sequence=1)[1]
    some = [
        Record(n, at, 195, octets, len(octets), receiver=receiver)
        for n, (at, octets, receiver) in enumerate(
            [(0, first, "x"), (10**7, second, "x"), (2 * 10**7, second, "y"), (3 * 10**7, second, "x")], 1
        )
    ]  # fmt: skip
    one, two, again, repeat = rows(some)
    assert one == FrameRow(
        "a.pcap", 1, 0, "x", "data", A.hex(":"), B.hex(":"), 0, 0, len(first),
        {"MAC": 23 * 8, "FRAG1": 4 * 8, "IPHC": 2 * 8, "UDP NHC": 4 * 8, "payload": 8 * (len(first) - 33)},
        f"[{ip_of(A)}]:61617 to [{ip_of(B)}]:61618, UDP", None, str(ip_of(A)), str(ip_of(B)), 61617, 61618,
        1, None, 64, True, None, None, None, True, None, PAN,
    )  # fmt: skip
    assert (two.sequence, two.missing, two.datagram, two.datagram_octets) == (2, 1, 1, 48 + 150)
    assert (two.hop_limit, two.flow) == (64, one.flow)
    assert two.layer_bits == {"MAC": 23 * 8, "FRAGN": 5 * 8, "payload": 8 * (len(second) - 28)}
    assert (again.receiver, again.heard_as, again.datagram, again.missing) == ("y", 2, None, 0)
    assert (repeat.retransmission_of, repeat.datagram, repeat.datagram_octets) == (2, None, None)


def test_sums_are_those_of_the_survey() -> None:
    made, total = rows(of_a_network()), survey(of_a_network(), **KNOWN).total
    assert len(made) == total.frames
    assert sum(row.octets for row in made) == total.octets
    assert sum(row.missing for row in made) == total.lost
    assert sum(row.datagram_octets or 0 for row in made) == total.datagram_octets
    assert sum(row.fragment for row in made) == total.fragments
    assert sum(row.retransmission_of is not None for row in made) == total.retransmissions
    assert sum(row.reason is not None for row in made) == total.unread
    for row in made:
        assert sum(row.layer_bits.values()) == 8 * row.octets


@pytest.mark.parametrize("seed", range(4))
def test_any_records_at_all(seed: int) -> None:
    """Octets, link types, times and receivers at random: rows add up to the survey, and every form takes them."""
    pytest.importorskip("pyarrow", reason="pyarrow is not installed: no Parquet is written")
    rng = random.Random(seed)
    frames = [*mixed(60, seed), *(rng.randbytes(rng.randrange(130)) for _ in range(60))]
    some = [
        Record(
            n, rng.choice([None, n * SECOND, rng.randrange(-(10**20), 10**20)]),
            rng.choice([195, 195, 195, 230, 283, 229, 228, 1, 113]),
            octets, len(octets) + rng.choice([0, 0, 0, 2, 9]), receiver=rng.choice([None, "a", "b"]),
        )
        for n, octets in enumerate(rng.sample(frames, len(frames)), 1)
    ]  # fmt: skip
    made, found = rows(some, fcs=None), survey(some, every=60, **KNOWN | {"fcs": None})
    alone = [row for row in made if row.heard_as is None]
    total, series = found.total, found.series
    assert (len(alone), sum(row.octets for row in alone)) == (total.frames, total.octets)
    assert sum(row.missing for row in alone) == total.lost
    assert sum(row.datagram_octets or 0 for row in alone) == total.datagram_octets
    assert series is not None
    assert sum(step.frames for step in series.steps.values()) + series.untimed == total.frames
    for form in FORMS:
        assert write_frame_table(io.BytesIO(), made, form) == len(made)


def test_frames_nobody_asked_for_have_no_row() -> None:
    asked = [one.number for one in follow(of_a_network(), node=B.hex(), **KNOWN)]
    assert [row.number for row in rows(of_a_network(), node=B.hex())] == asked
    assert 0 < len(asked) < len(of_a_network())


def test_the_text_is_read_back(monkeypatch: pytest.MonkeyPatch) -> None:
    """RFC 4180; a name that a spreadsheet would run gets an apostrophe."""
    monkeypatch.setattr(written_table, "_MOST_LINES", 7)
    made = [row._replace(file="=1+1") for row in rows(of_a_network())]
    file = io.BytesIO()
    assert write_frame_table(file, iter(made), "csv") == len(made)
    read = list(csv.DictReader(io.StringIO(file.getvalue().decode(), newline=""), strict=True))
    for told, row in zip(read, made, strict=True):
        layers = "; ".join(f"{name}: {bits}" for name, bits in row.layer_bits.items())
        wanted = row._replace(file="'=1+1", layer_bits=layers)._asdict()  # type: ignore[arg-type]
        assert told == {
            name: ""
            if value is None
            else str(value).lower()
            if isinstance(value, bool)
            else str(value)
            for name, value in wanted.items()
        }


def test_parquet_is_read_back_in_groups_of_rows(monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("pyarrow", reason="pyarrow is not installed: no Parquet is written")
    from pyarrow import parquet as library

    monkeypatch.setattr(parquet, "MOST_IN_A_GROUP", 64)
    made, file = rows(of_a_network()), io.BytesIO()
    assert write_frame_table(file, iter(made), "parquet") == len(made)
    read = library.ParquetFile(io.BytesIO(file.getvalue()))
    assert read.num_row_groups == -(-len(made) // 64)
    told = read.read(columns=list(COLUMNS))
    for row, wanted in zip(told.to_pylist(maps_as_pydicts="strict"), made, strict=True):
        assert row == wanted._asdict()
    assert {one.name: one.metadata[b"meaning"].decode() for one in read.schema_arrow} == COLUMNS


class Disk:
    """Takes so many octets, then no more, and says when it was asked for more behind that."""

    def __init__(self, room: int) -> None:
        self.room = room
        self.asked = 0

    def write(self, octets: bytes, /) -> int:
        self.asked += self.room < 0
        self.room -= len(octets)
        if self.room < 0:
            raise OSError(28, "No space left on device")
        return len(octets)


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("room", [0, 4, 4000])
def test_a_disk_that_is_full_is_written_no_more(
    form: str, room: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Neither at once nor when the table is forgotten; nor behind rows that end by an error."""
    pytest.importorskip("pyarrow", reason="pyarrow is not installed: no Parquet is written")
    monkeypatch.setattr(parquet, "MOST_IN_A_GROUP", 16)
    made = rows(of_a_network())
    disk = Disk(room)
    with pytest.raises(OSError, match="No space left"):
        write_frame_table(disk, made, form)
    file = io.BytesIO()

    def ending() -> Iterator[FrameRow]:
        yield from made[:40]
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_frame_table(file, ending(), form)
    file.close()
    gc.collect(1)  # what is new: nothing here was there before
    assert disk.asked == 0


@pytest.mark.parametrize("form", FORMS)
def test_a_table_of_nothing_has_its_columns(form: str, tmp_path: Path) -> None:
    duckdb = pytest.importorskip("duckdb", reason="duckdb is not installed: no table is asked")
    pytest.importorskip("pyarrow", reason="pyarrow is not installed: no Parquet is written")
    path = tmp_path / f"nothing.{form}"
    with path.open("wb") as file:
        assert write_frame_table(file, [], form) == 0
    found = duckdb.sql(f"FROM '{path}'")
    assert (found.columns, found.fetchall()) == (list(COLUMNS), [])


def test_what_no_table_holds() -> None:
    """A time beyond 64 bits, and a name that is no text, as a system may give it."""
    pytest.importorskip("pyarrow", reason="pyarrow is not installed: no Parquet is written")
    odd = [
        of_a_network()[0]._replace(time_ns=1 << 63),
        of_a_network()[1]._replace(time_ns=-(1 << 63)),
    ]
    made = list(frame_rows(odd, name="a\udcff.pcap", **KNOWN))
    assert [(row.file, row.time_ns) for row in made] == [("a\\udcff.pcap", None)] * 2
    for form in FORMS:
        assert write_frame_table(io.BytesIO(), made, form) == 2


def test_the_library_may_be_missing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(__import__("sys").modules, "pyarrow", None)
    with pytest.raises(RequestError, match="pyarrow, which is not installed") as caught:
        write_frame_table(io.BytesIO(), [], "parquet")
    assert "lowpanbudget[table]" in (caught.value.hint or "")
