"""Several files: each for itself whoever counts them, or those that one receiver wrote in a row read as one."""

from collections.abc import Callable
from concurrent.futures import BrokenExecutor, Executor, Future, ProcessPoolExecutor
from multiprocessing import get_context
from os import mkfifo
from pathlib import Path
from threading import Thread
from typing import Any

import pytest
from capture.captures import (
    CONTEXTS,
    KEY,
    SECOND,
    eui,
    frames_of,
    ip_of,
    mixed,
    records,
    udp_datagram,
)

from lowpanbudget import load_design
from lowpanbudget.capture.files.continued import read_continued
from lowpanbudget.capture.files.record import Record
from lowpanbudget.capture.files.together import read_together
from lowpanbudget.capture.files.writing import write_pcap
from lowpanbudget.capture.follow.receivers import Receivers
from lowpanbudget.capture.several import survey_files
from lowpanbudget.capture.survey import Survey
from lowpanbudget.capture.surveyor import survey
from lowpanbudget.errors import RequestError
from lowpanbudget.layers.link.security import Key

A, B = eui(1), eui(2)


def written(path: Path, some: list[Record]) -> Path:
    with path.open("wb") as file:
        write_pcap(file, some, 195)
    return path


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Three files of one network, the second of them cut."""
    folder, some = tmp_path_factory.mktemp("files"), records(mixed(240), step_ns=SECOND)
    paths = [written(folder / f"{n}.pcap", some[n * 80 : n * 80 + 80]) for n in range(3)]
    paths[1].write_bytes(paths[1].read_bytes()[:-3])
    return paths


class Reversed(Executor):
    """Carries calls out when the first result is asked for, the last call first."""

    def __init__(self, fault: Exception | None = None) -> None:
        self.calls: list[tuple[Future[Any], Callable[[], Any]]] = []
        self.fault = fault

    def submit(self, call: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        carried = _Asked(self)
        self.calls.append((carried, lambda: call(*args, **kwargs)))
        return carried

    def work(self) -> None:
        for future, call in reversed(self.calls):
            if self.fault is not None:
                future.set_exception(self.fault)
            else:
                future.set_result(call())
        self.calls.clear()


class _Asked(Future[Any]):
    def __init__(self, executor: Reversed) -> None:
        super().__init__()
        self.executor = executor

    def result(self, timeout: float | None = None) -> Any:
        self.executor.work()
        return super().result(timeout)


def test_totals_are_those_of_one_after_the_other(files: list[Path]) -> None:
    known: Any = {"contexts": CONTEXTS, "keys": KEY}
    apart = [survey(path, every=30, **known) for path in files]
    alone = list(survey_files(files, every=30, **known))
    others = list(survey_files(files, every=30, executor=Reversed(), **known))
    assert [one.survey for one in alone] == apart
    assert others == alone
    assert [one.file for one in others] == [str(path) for path in files]
    assert [(len(one.notices), one.notice_count) for one in others] == [(0, 0), (1, 1), (0, 0)]
    total = sum((one.survey for one in others), Survey())
    assert total.total.frames == 239
    assert total.series is not None
    assert sum(step.frames for step in total.series.steps.values()) == 239


def test_processes_get_all_that_is_known(files: list[Path]) -> None:
    """A design with messages, and keys, reach a process that shares nothing."""
    design = load_design("examples/archive.toml")
    known: Any = {"design": design, "keys": Key(KEY), "contexts": CONTEXTS}
    with ProcessPoolExecutor(1, get_context("spawn")) as pool:
        found = list(survey_files(files[:1], executor=pool, **known))
    assert found == list(survey_files(files[:1], **known))


def test_what_cannot_be_used_is_told_before_anything_is_read(files: list[Path]) -> None:
    executor = Reversed()
    for wrong in ({"every": "often"}, {"fcs": 3}, {"contexts": {16: "2001:db8::/64"}}):
        with pytest.raises(RequestError):
            survey_files(files, executor=executor, **wrong)
    assert not executor.calls
    with pytest.raises(RequestError, match="a worker ended"):
        list(survey_files(files, executor=Reversed(BrokenExecutor())))
    missing = [files[0], files[0].with_name("none")]
    with pytest.raises(RequestError, match="cannot be read"):
        survey_files(missing)
    found = survey_files(
        missing, executor=Reversed()
    )  # there may be files elsewhere that are not here
    with pytest.raises(RequestError, match="cannot be read"):
        list(found)


def test_a_pipe_is_opened_once(tmp_path: Path) -> None:
    """Whoever opens a pipe and goes away ends its writer: it is not looked at before it is read."""
    pipe, some = tmp_path / "pipe", records(mixed(3), step_ns=SECOND)
    mkfifo(pipe)
    found = survey_files([pipe])  # would wait for a writer if it opened it
    writer = Thread(target=written, args=(pipe, some))
    writer.start()
    (one,) = found
    writer.join()
    assert one.survey.total.frames == 3


# --- in a row -------------------------------------------------------------------------------------------------------


def rotated(folder: Path) -> tuple[Path, Path]:
    """Return two files, later one first, between which a datagram in three fragments is cut."""
    long = udp_datagram(ip_of(A), ip_of(B), bytes(200))
    some = records(frames_of(long, A, B), step_ns=SECOND // 10)
    assert len(some) == 3
    late, early = folder / "a.pcap", folder / "b.pcap"
    return written(late, some[2:]), written(early, some[:2])


def test_a_datagram_goes_on_in_the_next_file(tmp_path: Path) -> None:
    paths = rotated(tmp_path)
    known: Any = {"contexts": CONTEXTS, "fcs": 2}
    total = sum((one.survey for one in survey_files(paths, **known)), Survey()).total
    # the first frames were given up; what comes last is a fragment of nothing, and given up as well
    assert (total.datagrams, total.dropped, total.lost) == (0, 2, 0)
    with read_continued(paths) as row:
        total = survey(row, **known).total
        assert (total.datagrams, total.dropped, total.lost) == (1, 0, 0)
        assert [Path(row.file_of(number)).name for number in (1, 2, 3)] == [
            "b.pcap",
            "b.pcap",
            "a.pcap",
        ]
        assert row.notices == ()


def test_numbers_and_notices_count_over_all(files: list[Path]) -> None:
    with read_continued(reversed(files)) as row:
        found = list(row)
    assert [record.number for record in found] == list(range(1, 240))
    assert sorted(found, key=lambda record: record.time_ns or 0) == found
    (notice,) = row.notices
    assert (notice.name, notice.number) == ("file-cut", 159)
    assert notice.text.startswith(f"{files[1]}: ")


def test_files_of_two_receivers_are_told(tmp_path: Path) -> None:
    some = records(mixed(20), step_ns=SECOND)
    paths = written(tmp_path / "a.pcap", some), written(tmp_path / "b.pcap", some[5:])
    with read_continued(paths) as row:
        assert len(list(row)) == 35
    (notice,) = row.notices
    # the last frame of the first is 19 s after its first, the first of the second 5 s
    assert notice.name == "captures-overlap"
    assert "begins 14 seconds before" in notice.text
    assert not notice.is_damage


def test_a_clock_that_was_not_set_puts_nothing_in_order(tmp_path: Path) -> None:
    """What a receiver dated from 1970 on stands beside what is dated so as well, and beside nothing else."""
    unset = records(mixed(4), step_ns=SECOND)
    some = [one._replace(time_ns=1_925_000_000 * SECOND) for one in unset]
    paths = [written(tmp_path / f"{name}.pcap", each) for name, each in enumerate((some, unset))]
    alike = [written(tmp_path / "c.pcap", unset), paths[1]]
    for read in (read_together, read_continued):
        with (
            pytest.raises(RequestError, match=r"1\.pcap has frames dated from 1970 on.*0\.pcap"),
            read(paths) as row,
        ):
            list(row)
        with read(alike) as row:
            assert len(list(row)) == 2 * len(some)


def test_files_without_times_come_last_and_an_empty_one_hides_nothing(tmp_path: Path) -> None:
    (octets,) = frames_of(udp_datagram(ip_of(A), ip_of(B), b"1"), A, B)
    paths = [
        tmp_path / "log.txt",
        tmp_path / "empty.pcap",
        written(tmp_path / "c.pcap", records([octets])),
    ]
    paths[0].write_text(octets.hex() + "\n", "ascii")
    paths[1].touch()
    with read_continued(paths) as row:
        found = list(row)
    assert [record.octets for record in found] == [octets] * 2
    assert [Path(row.file_of(number)).name for number in (1, 2)] == ["c.pcap", "log.txt"]
    assert [(one.name, one.text) for one in row.notices] == [
        ("file-empty", f"{paths[1]}: the file is empty")
    ]


def test_what_is_no_row_of_files(files: list[Path], tmp_path: Path) -> None:
    for wrong in ([], [files[0], files[0]], [files[0], tmp_path], [files[0], tmp_path / "none"]):
        with pytest.raises(RequestError):
            read_continued(wrong)


def test_of_one_frame_the_last_16_sendings_are_held() -> None:
    """Our bound: of twenty in a row the fifth is the first that another receiver can have heard."""
    receivers = Receivers()
    for number in range(1, 21):
        assert receivers.heard("a", number, number, b"frame") is None
    assert receivers.heard("b", 21, 21, b"frame") == 5
