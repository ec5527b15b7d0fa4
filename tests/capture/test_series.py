"""A survey over time: counts by hand, sums against the survey, steps that are too many, parts that add up."""

from datetime import timedelta

import pytest
from capture.captures import CONTEXTS, SECOND, eui, frames_of, ip_of, mixed, records, udp_datagram
from hypothesis import given
from hypothesis import strategies as st

from lowpanbudget.capture import series
from lowpanbudget.capture.files.record import Record
from lowpanbudget.capture.series import Activity, TimeSeries
from lowpanbudget.capture.surveyor import survey
from lowpanbudget.capture.time_span import span_ns
from lowpanbudget.errors import RequestError
from lowpanbudget.layers.link.fcs import fcs
from lowpanbudget.report.surveys import over_time

A, B = eui(1), eui(2)
PAN, OTHER, SHORT = 0x51B7, 0xBEEF, bytes((0, 0x17))


def frame(sequence: int, source: bytes = A) -> bytes:
    (octets,) = frames_of(
        udp_datagram(ip_of(source), ip_of(B), b"12345678"), source, B, sequence=sequence
    )
    return octets


def heard(*frames: tuple[float | None, bytes]) -> list[Record]:
    return [
        Record(n, None if at is None else round(at * SECOND), 195, octets, len(octets))
        for n, (at, octets) in enumerate(frames, 1)
    ]


def of(*frames: tuple[float | None, bytes], every: object = 60) -> TimeSeries:
    found = survey(heard(*frames), every=every, contexts=CONTEXTS, fcs=2).series
    assert found is not None
    return found


def test_counts_by_hand() -> None:
    """Frames of 37 octets; a loss counts where the number after it was heard; times may go back."""
    found = of(
        (0, frame(1)), (59.9, frame(2)), (60, frame(5)), (61, frame(0, B)), (300, frame(6)), (59, frame(7)),
        (None, frame(8)),
    )  # fmt: skip
    assert found.cells == {
        (0, A): Activity(3, 3 * 37, 0),
        (1, A): Activity(1, 37, 2),
        (1, B): Activity(1, 37, 0),
        (5, A): Activity(1, 37, 0),
    }
    assert (found.every_ns, found.asked_ns, found.untimed) == (60 * SECOND, 60 * SECOND, 1)
    assert found.steps == {0: (3, 111, 0), 1: (2, 74, 2), 5: (1, 37, 0)}
    assert found.nodes == {A: {0: (3, 111, 0), 1: (1, 37, 2), 5: (1, 37, 0)}, B: {1: (1, 37, 0)}}


def test_nodes_of_equal_addresses_in_two_networks_are_two() -> None:
    """Octets 3 and 4 are the PAN ID, and a short address is one in its PAN (IEEE 802.15.4-2015 clause 6.4.2).

    A damaged frame, here with another PAN ID in it, makes no third network.
    """

    def beside(octets: bytes) -> bytes:
        other = octets[:3] + OTHER.to_bytes(2, "little") + octets[5:-2]
        return other + fcs(other, 2)

    own = [frame(number, SHORT) for number in (1, 3, 4)]
    size = len(own[0])
    damaged = own[2][:4] + b"\x77" + own[2][5:]
    found = of(
        (0, own[0]), (1, beside(frame(7, SHORT))), (2, own[1]), (60, beside(frame(8, SHORT))), (61, damaged)
    )  # fmt: skip
    one = Activity(1, size, 0)
    assert found.apart == {
        (0, PAN, SHORT): Activity(2, 2 * size, 1), (0, OTHER, SHORT): one, (1, OTHER, SHORT): one,
        (1, None, SHORT): one,
    }  # fmt: skip
    assert found.cells == {(0, SHORT): (3, 3 * size, 1), (1, SHORT): (2, 2 * size, 0)}
    assert found.nodes == {SHORT: {0: (3, 3 * size, 1), 1: (2, 2 * size, 0)}}
    told = [(cell["network"], cell["frames"]) for cell in over_time(found)["cells"]]
    assert told == [("0x51b7", 2), ("0xbeef", 1), (None, 1), ("0xbeef", 1)]
    alone = over_time(of((0, own[0]), (1, damaged)))["cells"]
    assert [(cell["network"], cell["frames"]) for cell in alone] == [(None, 2)]


def test_a_long_silence_and_a_wrong_check_sequence_are_no_losses() -> None:
    """65 numbers missing are a node that started anew; the number of a damaged frame is not believed."""
    damaged = bytearray(frame(9))
    damaged[2] ^= 0x20
    found = of((0, frame(1)), (1, frame(1 + 65)), (2, frame(1 + 65 + 66)), (3, bytes(damaged)))
    assert found.cells == {(0, A): (4, 148, 64)}


def test_sums_are_those_of_the_survey() -> None:
    found = survey(
        records(mixed(400, seed=7), step_ns=SECOND), every=7, contexts=CONTEXTS, node=B.hex()
    )
    assert found.series is not None
    assert found.outside
    one = found.total
    summed = [sum(counts) for counts in zip(*found.series.cells.values(), strict=True)]
    assert summed == [one.frames, one.octets, one.lost]
    for node, tally in found.nodes.items():
        counts = zip(*found.series.nodes[node].values(), strict=True)
        assert [*map(sum, counts)] == [tally.frames, tally.octets, tally.lost]


@given(
    st.lists(
        st.tuples(
            st.integers(-(10**6), 10**6), st.sampled_from([None, PAN]), st.sampled_from([A, B, None])
        )
    ),
    st.integers(0, 60), st.integers(1, 12),
)  # fmt: skip
def test_parts_add_up_and_stay_bounded(
    steps: list[tuple[int, int | None, bytes | None]], cut: int, most: int
) -> None:
    """However the cells are cut in two, the sum is that of all; coarser steps keep every count."""

    def counted(some: list[tuple[int, int | None, bytes | None]]) -> TimeSeries:
        cells: dict[series.Place, Activity] = {}
        for step in some:
            cells[step] = cells.get(step, Activity(0, 0, 0)).plus(Activity(1, 37, 2))
        return series._bounded(cells, SECOND, SECOND, 0)

    before = series.MOST_CELLS
    series.MOST_CELLS = most
    try:
        both = counted(steps[:cut]).merge(counted(steps[cut:]))
        # three nodes of two networks on both sides of the beginning
        assert len(both.apart) <= max(most, 12)
    finally:
        series.MOST_CELLS = before
    assert sum(one.frames for one in both.cells.values()) == len(steps)
    times = both.every_ns // SECOND
    assert {(step // times, *node) for step, *node in steps} == set(both.apart)
    assert {(step, node) for step, _, node in both.apart} == set(both.cells)
    assert times & (times - 1) == 0


def test_steps_that_are_too_many_become_longer(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(series, "MOST_CELLS", 8)
    found = of(*((n, frame(n)) for n in range(64)), every=1)
    assert (found.every_ns, found.asked_ns) == (8 * SECOND, SECOND)
    assert found.cells == {(step, A): (8, 8 * 37, 0) for step in range(8)}


def test_nodes_that_are_too_many_are_others(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(series, "MOST_NODES", 2)
    found = of(*((n, frame(n, eui(n % 5))) for n in range(1, 11)))
    assert {node: one[0].frames for node, one in found.nodes.items()} == {
        eui(1): 2, eui(2): 2, "others": 6,
    }  # fmt: skip


def test_series_of_different_steps_are_not_added() -> None:
    with pytest.raises(RequestError, match="different steps"):
        of((0, frame(1))).merge(of((0, frame(1)), every=61))


@pytest.mark.parametrize(
    ("said", "span"),
    [
        ("60", {"seconds": 60}), (60, {"seconds": 60}), (0.25, {"milliseconds": 250}), ("60s", {"seconds": 60}),
        ("1.5 h", {"minutes": 90}), ("1 h 30 min", {"minutes": 90}), ("1h30min", {"minutes": 90}),
        ("2 d", {"days": 2}), ("0.001 s", {"milliseconds": 1}), ("366d", {"days": 366}),
    ],
)  # fmt: skip
def test_spans_of_time(said: object, span: dict[str, float]) -> None:
    assert span_ns(said) == timedelta(**span) / timedelta(microseconds=1) * 1000


@pytest.mark.parametrize(
    "said",
    ["", "x", "0", "-5", "1e3", "60 30", "30 min 1 h", "1 h 1 h", "5mins", "1 min 30", "367 d", "0.0001", True, "٣"],
)  # fmt: skip
def test_what_is_no_span_of_time(said: object) -> None:
    with pytest.raises(RequestError, match=r"span of time|366 days"):
        span_ns(said)
