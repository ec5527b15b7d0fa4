"""survey over several files: patterns, files that are wrong, workers, files in a row, steps of time, and tables."""

import csv
import io
import json
import os
import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from contract import air, shelf
from contract.entry import invoke, program


def frames() -> list[tuple[float, bytes]]:
    """Return a frame a second."""
    return [(float(n), frame) for n, frame in enumerate(air.mixed(180, seed=3))]


def surveyed(*arguments: object, code: int = 0) -> dict[str, Any]:
    done = invoke("survey", *arguments, *shelf.CONTEXT, "--json")
    assert done.exit_code == code, done.stderr
    found: dict[str, Any] = json.loads(done.stdout)["survey"]
    return found


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Three captures in the working folder."""
    for n in range(3):
        shelf.written(tmp_path / f"{n}.pcap", frames()[60 * n : 60 * n + 60])
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_patterns_that_the_shell_left_alone(folder: Path) -> None:
    (folder / "folder.pcap").mkdir()
    everything = surveyed("0.pcap", "1.pcap", "2.pcap")
    assert surveyed("*.pcap") == everything
    assert surveyed(f"{folder}/**/[0-2].pcap")["total"] == everything["total"]
    (folder / "[01].pcap").write_bytes((folder / "0.pcap").read_bytes())
    (one,) = surveyed("[01].pcap")["captures"]  # a file of that name is no pattern
    assert one == {"capture": "[01].pcap", "frames": 60, "ends": [], "by_columns": 0, "notices": []}
    done = invoke("survey", "*.log")
    assert (done.exit_code, done.stdout) == (2, "")
    assert "no file fits '*.log'" in done.stderr


def test_a_file_named_twice_is_read_once(folder: Path) -> None:
    os.link(folder / "0.pcap", folder / "same.pcap")
    done = invoke("survey", "0.pcap", "?.pcap", "same.pcap", *shelf.CONTEXT, "--json")
    found = json.loads(done.stdout)["survey"]
    assert [one["capture"] for one in found["captures"]] == ["0.pcap", "1.pcap", "2.pcap"]
    assert found["total"]["frames"] == 180
    assert "0.pcap is given again: read once" in done.stderr
    assert "same.pcap is 0.pcap again: read once" in done.stderr


@pytest.mark.parametrize(
    "way",
    # what workers say of a wrong file is told by any executor of tests/capture/test_several.py
    [(), pytest.param(("--workers", "2"), marks=pytest.mark.long), ("--continued",)],
    ids=lambda way: "".join(way) or "apart",
)
def test_one_wrong_file_among_several(folder: Path, way: tuple[str, ...]) -> None:
    """What cannot be opened is told before anything is read; what is damaged or empty when all the rest is shown."""
    for wrong in ("none.pcap", "."):
        done = invoke("survey", "0.pcap", wrong, *way)
        assert (done.exit_code, done.stdout) == (2, "")
        assert f"{wrong} cannot be read" in done.stderr
    (folder / "1.pcap").write_bytes((folder / "1.pcap").read_bytes()[:-5])
    (folder / "empty.pcap").touch()
    done = invoke("survey", "*.pcap", *shelf.CONTEXT, *way, "--json")
    assert done.exit_code == 3
    assert json.loads(done.stdout)["survey"]["total"]["frames"] == 179
    assert "the file is empty" in done.stderr
    assert "1.pcap: " in done.stderr


def test_workers_change_nothing(folder: Path) -> None:
    """Processes of their own, started by the program as users start it: they say the same to the octet."""
    args = ("survey", f"{folder}/*.pcap", *shelf.CONTEXT, "--every", "20", "--json")
    alone, others = invoke(*args), program(*args, "--workers", "2")
    assert (alone.exit_code, others.returncode) == (0, 0), others.stderr
    assert others.stdout == alone.stdout_bytes
    assert others.stderr == b""


def test_files_in_a_row_are_one_capture(folder: Path) -> None:
    """A first fragment ends one file and the other begins the next; the names are in the order of neither."""
    cut = shelf.frames(bytes(150))
    assert len(cut) == 2
    shelf.written(folder / "b.pcap", [(0.0, cut[0])])
    shelf.written(folder / "a.pcap", [(0.1, cut[1])])
    apart = surveyed("[ab].pcap")["total"]
    assert (apart["datagrams"], apart["dropped"]) == (0, 2)
    whole = surveyed("[ab].pcap", "--continued")
    assert (whole["total"]["datagrams"], whole["total"]["dropped"]) == (1, 0)
    assert whole["total"]["first_ns"] == 0
    assert [one["frames"] for one in whole["captures"]] == [2]


@pytest.mark.usefixtures("folder")
def test_steps_of_time() -> None:
    """A frame a second: 60 frames a minute, whatever is in them; losses are those of the nodes."""
    found = surveyed("*.pcap", "--every", "1min")
    series = found["series"]
    assert (series["every_s"], series["asked_s"], series["untimed"]) == (60, 60, 0)
    steps = {cell["start_ns"] for cell in series["cells"]}
    assert steps == {0, 60 * 10**9, 120 * 10**9}
    for step in steps:
        assert sum(cell["frames"] for cell in series["cells"] if cell["start_ns"] == step) == 60
    for row in found["nodes"]:
        own = [cell for cell in series["cells"] if cell["name"] == row["name"]]
        for key in ("frames", "octets", "lost"):
            assert sum(cell[key] for cell in own) == row[key]
    done = invoke("survey", "*.pcap", *shelf.CONTEXT, "--every", "60 s", "--csv")
    read = [row for row in csv.DictReader(io.StringIO(done.stdout)) if row["group"] == "series"]
    assert [(row["start_ns"], row["name"], row["frames"], row["lost"]) for row in read] == [
        (str(cell["start_ns"]), cell["address"] or "", str(cell["frames"]), str(cell["lost"]))
        for cell in series["cells"]
    ]
    assert "series" not in surveyed("0.pcap")


@pytest.mark.usefixtures("folder")
@pytest.mark.parametrize("columns", ["40", "80", "120"])
@pytest.mark.parametrize("encoding", ["utf-8", "ascii"])
def test_time_on_every_screen(columns: str, encoding: str) -> None:
    args = ("survey", "*.pcap", *shelf.CONTEXT, "--every", "1")
    done = invoke(*args, COLUMNS=columns, encoding=encoding)
    text = done.stdout_bytes.decode(encoding)
    assert max(map(len, text.splitlines())) <= int(columns)
    words = " ".join(text.split())
    assert "Over time, in steps of 1 s" in words
    assert "or only this receiver missed it" in words
    whole = " ".join(invoke(*args, "--by", "time", COLUMNS=columns).stdout.split())
    assert "1970" not in whole  # such a clock started with the log
    assert "179 s" in whole  # a frame a second, the first at 0 s
    assert "Flows" not in whole


def test_heights_are_to_scale(folder: Path) -> None:
    """One to eight frames in eight steps, then none, then one, of two nodes together: as many eighths of the height."""
    nodes = [air.frames_of(shelf.datagram(b"1"), air.eui(n), shelf.ROOT)[0] for n in (1, 2)]
    counts = [1, 2, 3, 4, 5, 6, 7, 8, 0, 1]
    heard = [
        (float(10 * step + n), nodes[n % 2])
        for step, count in enumerate(counts)
        for n in range(count)
    ]
    shown = invoke(
        "survey", shelf.written(folder / "a.pcap", heard), *shelf.CONTEXT, "--every", "10"
    ).stdout
    assert re.search(r"all +37 .* ▁▂▃▄▅▆▇█·▁\n", shown)


# --- tables -------------------------------------------------------------------------------------------


@contextmanager
def a_disk_of(octets: int) -> Iterator[None]:
    """Let no file grow beyond so many octets, as a disk that is full."""
    resource = pytest.importorskip("resource", reason="files cannot be limited on this system")
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (octets, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


def table(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(path.read_text("utf-8"), newline=""), strict=True))


def test_a_row_a_frame(folder: Path) -> None:
    done = invoke("survey", "*.pcap", *shelf.CONTEXT, "--table", "frames.csv", "--json")
    assert done.exit_code == 0
    assert "frames.csv: 180 rows, one a frame" in done.stderr
    assert json.loads(done.stdout)["survey"] == surveyed("*.pcap")
    read = table(folder / "frames.csv")
    assert [(row["file"], row["number"]) for row in read] == [
        (f"{n}.pcap", str(number)) for n in range(3) for number in range(1, 61)
    ]
    assert [int(row["octets"]) for row in read] == [len(frame) for _, frame in frames()]
    assert [int(row["time_ns"]) for row in read] == [int(at) * 10**9 for at, _ in frames()]
    piped = invoke("survey", "-", "--table", "pipe.csv", stdin=(folder / "0.pcap").read_bytes())
    assert piped.exit_code == 0
    assert {row["file"] for row in table(folder / "pipe.csv")} == {"standard input"}
    done = invoke("survey", "*.pcap", *shelf.CONTEXT, "--table", "row.csv", "--continued")
    assert done.exit_code == 0
    row = table(folder / "row.csv")
    assert [(one["file"], one["number"]) for one in row] == [
        (one["file"], str(number)) for number, one in enumerate(read, 1)
    ]


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_a_table_is_whole_or_not_at_all(folder: Path, form: str) -> None:
    if form == "parquet":
        pytest.importorskip("pyarrow", reason="pyarrow is not installed: no Parquet is written")
    target = folder / f"frames.{form}"
    target.write_bytes(b"before")
    there = sorted(folder.iterdir())
    with a_disk_of(4096):
        done = invoke("survey", "*.pcap", *shelf.CONTEXT, "--table", target)
    assert (done.exit_code, done.stdout) == (2, "")
    assert f"{target} cannot be written" in done.stderr
    assert "Is there room on the disk?" in done.stderr
    assert target.read_bytes() == b"before"
    assert sorted(folder.iterdir()) == there
    assert invoke("survey", "*.pcap", *shelf.CONTEXT, "--table", target).exit_code == 0
    assert len(target.read_bytes()) > 4096
    assert sorted(folder.iterdir()) == there


def test_parquet_has_what_the_text_has(folder: Path) -> None:
    duckdb = pytest.importorskip("duckdb", reason="duckdb is not installed: no table is asked")
    pytest.importorskip("pyarrow", reason="pyarrow is not installed: no Parquet is written")
    for form in ("csv", "parquet"):
        assert invoke("survey", "*.pcap", *shelf.CONTEXT, "--table", f"a.{form}").exit_code == 0
    told = [
        duckdb.sql(f"SELECT * EXCLUDE layer_bits FROM '{folder}/a.{form}'")
        for form in ("csv", "parquet")
    ]
    assert told[0].columns == told[1].columns
    for text, row in zip(*(one.fetchall() for one in told), strict=True):
        assert [*map(str, text)] == [*map(str, row)]
    (total,) = duckdb.sql(
        f"SELECT sum(list_sum(map_values(layer_bits))) FROM '{folder}/a.parquet'"
    ).fetchall()
    assert total == (8 * sum(len(frame) for _, frame in frames()),)


def test_wrong_requests(folder: Path) -> None:
    for wrong in (
        ("--table", "frames.txt"), ("--table", "csv"), ("--table", "0.pcap"), ("--every", "often"), ("--workers", "0"),
        ("--table", "nowhere/frames.csv"), ("--by", "time"), ("--together", "--continued"), ("-", "--continued"),
        ("--continued", "--workers", "2"), ("--table", "a.csv", "--workers", "2"), ("-", "--workers", "2"),
    ):  # fmt: skip
        done = invoke("survey", "0.pcap", "1.pcap", *wrong)
        assert (done.exit_code, done.stdout) == (2, ""), wrong
    if hasattr(os, "mkfifo"):
        os.mkfifo(folder / "pipe")  # nobody writes to it: who opened it would wait
    for way in (["--continued"], ["--workers", "2"]):
        done = invoke("survey", "0.pcap", "pipe", *way)
        assert (done.exit_code, done.stdout) == (2, ""), way
    os.link(folder / "0.pcap", folder / "linked.csv")
    done = invoke("survey", "0.pcap", "--table", "linked.csv")
    assert "is also read" in done.stderr
