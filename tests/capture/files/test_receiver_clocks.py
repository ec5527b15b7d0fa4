"""Clocks of two receivers that heard the same sendings; what each heard, and when, is stated here."""

import random
from pathlib import Path
from typing import Any

import pytest
from capture.captures import CONTEXTS, KEY, SECOND, eui, frames_of, ip_of, udp_datagram
from findings.cases_reading import READING_TOLD

from lowpanbudget import audit, measure
from lowpanbudget.capture.files.record import Record
from lowpanbudget.capture.files.together import read_together
from lowpanbudget.capture.files.writing import write_pcap
from lowpanbudget.capture.follow.tracing import Trace
from lowpanbudget.values import replace

A, B = eui(1), eui(2)
BEGIN = 1_800_000_000 * SECOND
Sent = list[tuple[int, bytes]]


def sendings(count: int, step_s: float, *, sealed: bool = True) -> Sent:
    """Return readings, one every so many seconds and up to a tenth more; every eighth is sent three times."""
    draw, sent = random.Random(5), []
    for number in range(count):
        time_ns = BEGIN + round((number + draw.random() / 10) * step_s * SECOND)
        datagram = udp_datagram(ip_of(A), ip_of(B), b"21.5 degrees")
        known: dict[str, Any] = {"key": KEY, "counter": number} if sealed else {}
        (frame,) = frames_of(datagram, A, B, sequence=number & 0xFF, **known)
        sent += [
            (time_ns + tries * SECOND // 100, frame) for tries in range(1 + 2 * (number % 8 == 7))
        ]
    return sent


def written(path: Path, heard: Sent, late_s: float = 0.0, drift: float = 0.0) -> Path:
    """Write what a receiver heard whose clock is fast by so much, and gains so much."""
    dated = [(round(at + late_s * SECOND + drift * (at - BEGIN)), frame) for at, frame in heard]
    with path.open("wb") as file:
        write_pcap(
            file,
            [Record(n, at, 195, frame, len(frame)) for n, (at, frame) in enumerate(dated, 1)],
            195,
        )
    return path


@pytest.mark.parametrize("swapped", [False, True])
@pytest.mark.parametrize(
    ("late_s", "drift", "told"),
    [
        (0.0004, 0.0, None),
        (20.0, 0.0, "its clock is 20 s fast beside"),
        (-0.2, 0.0, "its clock is 0.2 s slow beside"),
        (3600.0, 0.0, "its clock is 3600 s fast beside"),
        # the last that both hear is message 97, after 5820 s: 20 ppm of that are 0.116 s
        (0.0, 20e-6, "its clock is right at first and 0.116 s fast in the end beside"),
    ],
)
def test_one_sending_is_one_whatever_the_clocks_say(
    tmp_path: Path, late_s: float, drift: float, told: str | None, swapped: bool
) -> None:
    """Each hears all but every seventh or eleventh message: both hear the others, and each order is that of the air."""
    sent = sendings(100, 60 if drift else 10)
    numbers = {frame: number for number, frame in enumerate(dict.fromkeys(f for _, f in sent))}
    one = [each for each in sent if numbers[each[1]] % 7]
    other = [each for each in sent if numbers[each[1]] % 11]
    paths = [written(tmp_path / "a.pcap", one), written(tmp_path / "b.pcap", other, late_s, drift)]
    if swapped:
        paths.reverse()
        told = told and told.replace("fast", "Slow").replace("slow", "fast").replace("Slow", "slow")
    records = read_together(paths)
    seen = list(Trace(contexts=CONTEXTS, keys=KEY, fcs=2).follow(records))
    both = sum(numbers[frame] % 7 > 0 and numbers[frame] % 11 > 0 for _, frame in sent)
    assert sum(each.heard_as is not None for each in seen) == both
    counters = [each.frame_counter or 0 for each in seen if each.heard_as is None]
    assert counters == sorted(counters)
    notices = [notice for notice in records.notices if notice.name == "receiver-clock-differs"]
    assert all(
        str(notice) == notice.text for notice in notices
    )  # many frames prove it, at no octet
    assert [notice.text.partition(f"{paths[1]}: ")[2][: len(told or "")] for notice in notices] == (
        [told] if told else []
    )
    found = {
        one.name: one for one in audit(read_together(paths), contexts=CONTEXTS, keys=KEY).findings
    }
    assert "frame-replayed" not in found
    assert ("receiver-clock-differs" in found) == (told is not None)
    if told:
        cause = found["receiver-clock-differs"].cause
        assert cause.startswith(told)
        assert late_s != 20 or swapped or cause == READING_TOLD["receiver-clock-differs"].cause
    times = [each.record.time_ns or 0 for each in seen]
    assert all(abs(at - then) < SECOND // 20 for at, then in zip(sorted(times), times, strict=True))


def test_a_clock_that_is_set_while_it_captures_is_found_again(tmp_path: Path) -> None:
    sent = sendings(100, 10)
    before, after = sent[:60], sent[60:]
    late = [(at + 20 * SECOND, frame) for at, frame in before]
    paths = [written(tmp_path / "a.pcap", sent), written(tmp_path / "b.pcap", [*late, *after])]
    seen = list(Trace(contexts=CONTEXTS, keys=KEY, fcs=2).follow(read_together(paths)))
    assert sum(each.heard_as is not None for each in seen) >= len(sent) - 8


def test_contents_that_come_again_are_no_clock(tmp_path: Path) -> None:
    """Two captures of one receiver, one after the other, of a node that says the same again after 256 frames."""
    frames = dict.fromkeys(frame for _, frame in sendings(256, 10, sealed=False))
    sent = [(BEGIN + n * 10 * SECOND, frame) for n, frame in enumerate([*frames, *frames])]
    first, second = (
        written(tmp_path / "a.pcap", sent[:100]),
        written(tmp_path / "b.pcap", sent[256:356]),
    )
    records = read_together([first, second])
    times = [record.time_ns for record in records]
    assert times == [at for at, _ in (*sent[:100], *sent[256:356])]
    assert not records.notices


def test_a_measurement_sees_what_was_sent(tmp_path: Path) -> None:
    """The interval is that of the node, not half of it, and no message is counted twice."""
    sent = sendings(100, 10)
    paths = [written(tmp_path / "a.pcap", sent), written(tmp_path / "b.pcap", sent, 5.0)]
    known: dict[str, Any] = {"contexts": CONTEXTS, "keys": KEY}
    both, alone = (measure(one, **known).flows for one in (read_together(paths), paths[0]))
    assert [replace(one, first_number=0, last_number=0) for one in both] == [
        replace(one, first_number=0, last_number=0) for one in alone
    ]
