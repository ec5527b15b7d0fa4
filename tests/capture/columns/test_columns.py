"""Surveys by columns are those of frames followed one by one: over every capture there is, and over random ones."""

import gc
import io
import random
import struct
import weakref
from pathlib import Path
from typing import Any

import pytest
from capture.captures import (
    CONTEXTS,
    KEY,
    SECOND,
    frames_of,
    ip_of,
    mixed,
    records,
    short,
    udp_datagram,
)
from capture.columns.columns_help import by_columns, checked
from hypothesis import given
from hypothesis import strategies as st

from lowpanbudget.capture.columns import choice, walking
from lowpanbudget.capture.files.key_file import read_keys
from lowpanbudget.capture.files.reading import read_capture
from lowpanbudget.capture.files.record import Record
from lowpanbudget.capture.files.source import StreamStopped
from lowpanbudget.capture.files.writing import write_pcap
from lowpanbudget.capture.surveyor import survey
from lowpanbudget.cli.listening import Listening
from lowpanbudget.design.load import load_design
from lowpanbudget.layers.link.fcs import fcs

EXAMPLES = Path(__file__).parents[3] / "examples"
MANY = 500
LINK_TYPES = (195, 230, 283, 1)


def network(count: int) -> list[bytes]:
    return mixed(count, nodes=4)


def keyed(name: str, tmp_path: Path) -> dict[str, Any]:
    path = tmp_path / "keys.toml"
    path.write_bytes((EXAMPLES / f"{name}.keys.toml").read_bytes())
    path.chmod(0o600)
    ring = read_keys(str(path))
    return {"keys": ring.keys, "devices": ring.devices}


@pytest.mark.parametrize("name", ["archive", "footbridge"])
@pytest.mark.parametrize("has_keys", [False, True])
@pytest.mark.parametrize("has_design", [False, True])
def test_examples_are_counted_by_columns_and_alike(
    name: str, *, has_keys: bool, has_design: bool, tmp_path: Path
) -> None:
    known = keyed(name, tmp_path) if has_keys else {}
    if has_design:
        known["design"] = load_design(EXAMPLES / f"{name}.toml")
    capture = EXAMPLES / f"{name}.pcap"
    found, shares = by_columns(capture, **known)
    expected = survey(capture, columns=False, **known)
    assert found == expected
    for cell, tally in expected.cells.items():  # octet for octet: layers stand in the same order
        assert list(found.cells[cell].layer_bits) == list(tally.layer_bits)
    assert found.total.frames == shares.columns + shares.followed
    assert shares.columns >= 0.95 * found.total.frames


def test_nearly_all_of_plain_traffic_is_counted_by_columns() -> None:
    """A reading that comes again and again, as nodes send it."""
    frames = [frame for frame in network(MANY) if len(frame) > 40 and fcs(frame[:-2]) == frame[-2:]]
    frames = [frame for frame in frames if not frame[0] & 8][:30] * 30  # none is sealed
    made = records(frames, step_ns=10**10)
    found, shares = by_columns(made, contexts=CONTEXTS)
    assert found == survey(made, contexts=CONTEXTS)
    assert shares.columns >= 0.95 * len(frames)


def test_a_late_copy_of_a_first_fragment_is_counted_alike() -> None:
    """Eight datagrams of several frames; the first one comes again, under another number."""
    ends = short(1), short(0x100)
    frames: list[bytes] = []
    for tag in range(8):
        octets = udp_datagram(ip_of(ends[0]), ip_of(ends[1]), bytes([tag]) * 180)
        first, *others = frames_of(octets, *ends, sequence=10 * tag, tag=tag)
        again = first[:2] + bytes([10 * tag + 9]) + first[3:-2]
        frames += [first, *others, again + fcs(again)]
    made = records(frames)
    found, shares = by_columns(made, contexts=CONTEXTS)
    assert found == survey(made, contexts=CONTEXTS)
    assert (found.total.datagrams, found.total.dropped) == (8, 0)
    assert shares.columns > 0


def test_a_datagram_that_stays_open_is_of_the_pan_of_its_frames() -> None:
    """Its sender, told by its EUI-64, is heard in another PAN (one bit damaged, the check sum right) behind it."""
    ends = bytes(range(0x40, 0x48)), short(0x100)
    octets = udp_datagram(ip_of(ends[0]), ip_of(ends[1]), bytes(20))
    whole = [frames_of(octets, *ends, sequence=number, tag=number) for number in range(20)]
    frames = [one for (one,) in whole]
    elsewhere = [frame[:3] + bytes([frame[3] ^ 2]) + frame[4:-2] for frame in frames]
    first = frames_of(
        udp_datagram(ip_of(ends[0]), ip_of(ends[1]), bytes(180)), *ends, sequence=30, tag=30
    )[0]
    made = records([*frames[:10], first, *(frame + fcs(frame) for frame in elsewhere[10:])])
    found, shares = by_columns(made, contexts=CONTEXTS)
    assert found == survey(made, contexts=CONTEXTS)
    pan = int.from_bytes(first[3:5], "little")
    assert {
        one: sum(tally.dropped for tally in cells.values()) for one, cells in found.pans.items()
    } == {pan: 1, pan ^ 2: 0}
    assert shares.columns > 0


def test_a_fragment_that_was_cut_off_is_of_no_datagram_whose_time_is_over() -> None:
    """Four whole datagrams, one begun, and with its tag and size one whose first fragment was cut off 100 s later.

    RFC 4944 section 5.3: what is not whole after 60 s, at most, is given up.
    """
    ends, other = (short(1), short(0x100)), short(2)
    sent = udp_datagram(ip_of(ends[0]), ip_of(ends[1]), bytes(180))
    frames = [
        part for tag in range(5) for part in frames_of(sent, *ends, sequence=3 * tag, tag=tag)
    ][:-1]
    frames += frames_of(
        udp_datagram(ip_of(other), ip_of(ends[1]), b"8"), other, ends[1], sequence=0, tag=0
    )
    frames += frames_of(sent, *ends, sequence=99, tag=4)[:1]
    made = records(frames)
    for place in (-2, -1):
        made[place] = made[place]._replace(
            time_ns=(len(frames) + place) * 2 * SECOND + 100 * SECOND
        )
    made[-1] = made[-1]._replace(octets=made[-1].octets[:-9])
    found, shares = by_columns(made, contexts=CONTEXTS)
    assert found == survey(made, contexts=CONTEXTS)
    assert (found.total.dropped, found.total.cut) == (1, 0)
    assert shares.columns > 0


def test_layers_are_told_in_the_order_in_which_they_came() -> None:
    """Two fragments, and the first of the next datagram, of which the capture cut its end off."""
    datagram = udp_datagram(ip_of(short(1)), ip_of(short(2)), bytes(280))
    sent = [frames_of(datagram, short(1), short(2), tag=tag, sequence=3 * tag) for tag in range(2)]
    made = records([*sent[0][:2], sent[1][0]])
    made[2] = made[2]._replace(octets=made[2].octets[:-9])
    found, shares = by_columns(made, contexts=CONTEXTS)
    expected = survey(made, contexts=CONTEXTS)
    assert found == expected
    assert shares.columns == 2
    assert [*expected.total.layer_bits][-2:] == ["FRAGN", "not captured"]
    assert [*found.total.layer_bits] == [*expected.total.layer_bits]


@pytest.mark.parametrize("late", [59, 60, 61])
def test_a_copy_comes_as_the_time_of_its_datagram_ends(late: int) -> None:
    """The usual time is 60 s (RFC 4944 section 5.3: at most); a first fragment comes about then, once more."""
    ends, times = (short(1), short(0x100)), (0, 0, 1, 1, 1 + late)
    frames: list[bytes] = []
    for tag in range(2):
        octets = udp_datagram(ip_of(ends[0]), ip_of(ends[1]), bytes([tag]) * 100)
        frames += frames_of(octets, *ends, sequence=10 * tag, tag=tag)
    made = [
        one._replace(time_ns=seconds * 10**9)
        for one, seconds in zip(records([*frames, frames[2]]), times, strict=True)
    ]
    found, _ = by_columns(made, contexts=CONTEXTS)
    assert found == survey(made, contexts=CONTEXTS)
    assert found.total.dropped == (late > 60)


def test_old_frames_sent_once_more_are_counted_alike() -> None:
    """Two nodes whose old frames come again now and then; every eleventh is lost, which is 18 of each."""
    to, made = short(0x100), []
    for node in (short(1), short(2)):
        octets = udp_datagram(ip_of(node), ip_of(to), bytes(20))
        frames = [frames_of(octets, node, to, sequence=n)[0] for n in range(200)]
        made += [
            frame
            for n in range(200)
            if n % 11 != 5
            for frame in ((frames[n], frames[n - 20]) if n % 7 == 6 and n > 20 else (frames[n],))
        ]
    captured = records(made)
    found, shares = by_columns(captured, contexts=CONTEXTS)
    assert found == survey(captured, contexts=CONTEXTS)
    assert found.total.lost == 2 * 18
    assert shares.columns > shares.followed


def test_two_devices_under_one_address_are_counted_alike() -> None:
    """Each has numbers of its own, 77 apart, and sends when it likes; every eleventh of either is lost, 18 of each."""
    to, rng = short(0x100), random.Random(3)
    octets = udp_datagram(ip_of(short(1)), ip_of(to), bytes(20))
    rows = [[n + begin & 0xFF for n in range(200) if n % 11 != 5] for begin in (0, 77)]
    made = []
    while any(rows):
        row = rng.choice([row for row in rows if row])
        made.append(frames_of(octets, short(1), to, sequence=row.pop(0))[0])
    captured = records(made)
    found, shares = by_columns(captured, contexts=CONTEXTS)
    assert found == survey(captured, contexts=CONTEXTS)
    # what is lost next to a turn, or while nothing shows that there are two, is not told
    assert 30 <= found.total.lost <= 2 * 18 + 64
    assert shares.columns > shares.followed


@pytest.mark.parametrize("apart_ns", [0, 7_000, 3_000_000])
def test_records_that_are_written_twice_are_counted_alike(apart_ns: int) -> None:
    """A receiver that writes each record twice; at 3 ms they are tries."""
    to, made = short(0x100), []
    for n in range(200):
        octets = udp_datagram(ip_of(short(1)), ip_of(to), bytes(20))
        made += [frames_of(octets, short(1), to, sequence=n)[0]] * 2
    captured = [
        one._replace(time_ns=(at // 2) * SECOND + at % 2 * apart_ns)
        for at, one in enumerate(records(made))
    ]
    found, _ = by_columns(captured, contexts=CONTEXTS)
    assert found == survey(captured, columns=False, contexts=CONTEXTS)
    assert found.total.frames == (400 if apart_ns > 100_000 else 200)


def wrapped(frame: bytes, link_type: int, number: int) -> bytes:
    """Return a frame in what a link type wraps around it."""
    if link_type == 230:
        return frame[:-2]
    if link_type == 1:
        kind = 0x86DD if number % 20 == 7 else 0xA0ED if number % 20 == 9 else 0x809A
        return bytes(12) + kind.to_bytes(2, "big") + frame
    if link_type == 283:
        elements = [(0, b"\1"), (7, struct.pack("<Q", number)), (1, struct.pack("<f", -60.0))]
        told = b"".join(
            struct.pack("<HH", kind, len(value)) + value + bytes(-len(value) % 4)
            for kind, value in elements[: number % 4]
        )
        return struct.pack("<BBH", 0, 0, 4 + len(told)) + told + frame
    return frame


def pcap(some: list[Record], order: str, unit: int) -> bytes:
    magic = {1: 0xA1B23C4D, 1000: 0xA1B2C3D4}[unit]
    file = struct.pack(f"{order}I2H2I2I", magic, 2, 4, 0, 0, 1 << 18, some[0].link_type)
    for record in some:
        seconds, fraction = divmod(record.time_ns or 0, 10**9)
        head = seconds, fraction // unit, len(record.octets), record.original_length
        file += struct.pack(f"{order}4I", *head) + record.octets
    return file


def pcapng(some: list[Record], order: str, resolution: int, interfaces: int = 1) -> bytes:
    """Return a file with blocks of all kinds that hold frames, and some that hold none."""

    def block(kind: int, body: bytes) -> bytes:
        body += bytes(-len(body) % 4)
        length = struct.pack(f"{order}I", len(body) + 12)
        return struct.pack(f"{order}I", kind) + length + body + length

    file = block(0x0A0D0D0A, struct.pack(f"{order}I2Hq", 0x1A2B3C4D, 1, 0, -1))
    option = struct.pack(f"{order}2HB3x2H", 9, 1, resolution, 0, 0)
    file += (
        block(1, struct.pack(f"{order}2HI", some[0].link_type, 0, 1 << 18) + option) * interfaces
    )
    per_second = 2 ** (resolution & 0x7F) if resolution & 0x80 else 10**resolution
    for record in some:
        units = (record.time_ns or 0) * per_second // 10**9
        high, low, kept = units >> 32, units & 0xFFFFFFFF, len(record.octets)
        at = record.number % interfaces
        if record.number % 31 == 30:
            file += block(5, struct.pack(f"{order}3I", 0, 0, 0))
        if record.number % 23 == 22:
            file += block(3, struct.pack(f"{order}I", record.original_length) + record.octets)
        elif record.number % 29 == 28:
            head = struct.pack(f"{order}2H4I", at, 0, high, low, kept, record.original_length)
            file += block(2, head + record.octets)
        else:
            head = struct.pack(f"{order}5I", at, high, low, kept, record.original_length)
            file += block(6, head + record.octets)
    return file


# made once: drawing from a list that is new each time costs more than what is drawn
SEEDS, COUNTS, BIT = st.integers(0, 1 << 32), st.integers(1, 60), st.booleans()
LINKS, ORDERS = st.sampled_from(LINK_TYPES), st.sampled_from("<>")
STEPS = st.sampled_from((10**5, 10**7, 10**9, 2 * 10**10))
UNITS, RESOLUTIONS = st.sampled_from((1, 1000)), st.sampled_from((6, 9, 3, 0x8A))
INTERFACES, BLOCKS = st.sampled_from((1, 1, 1, 2)), st.sampled_from((64, 200, 1000, 1 << 19))


@st.composite
def traffic(draw: st.DrawFn) -> tuple[bytes, int]:
    """Give frames that are lost, repeated, damaged, out of order and cut, and how many octets are looked at at once."""
    rng = random.Random(draw(SEEDS))
    at = rng.randrange(MANY - 60)
    frames: list[bytes] = []
    for frame in network(MANY)[at : at + draw(COUNTS)]:
        frames += [frame] * rng.choice([0, 1, 1, 1, 1, 1, 2])
        if rng.random() < 0.1:
            other = bytearray(frame)
            other[rng.randrange(len(other))] ^= 1 << rng.randrange(8)
            if rng.random() < 0.7:
                other[-2:] = fcs(bytes(other[:-2]))
            frames.append(bytes(other))
    if draw(BIT):
        for place in range(0, len(frames) - 3, 4):
            frames[place], frames[place + 3] = frames[place + 3], frames[place]
    link_type = draw(LINKS)
    step, goes_back = draw(STEPS), draw(BIT)
    some, time_ns = [], 0
    for number, frame in enumerate(frames or [b""], 1):
        time_ns += rng.randrange(2 * step)
        if goes_back and rng.random() < 0.1:
            time_ns = max(0, time_ns - rng.randrange(80 * 10**9))
        octets = wrapped(frame, link_type, number)
        missing = rng.randrange(6) if rng.random() < 0.03 else 0
        some.append(Record(number, time_ns, link_type, octets, len(octets) + missing))
    order = draw(ORDERS)
    if draw(BIT):
        return pcap(some, order, draw(UNITS)), draw(BLOCKS)
    return pcapng(some, order, draw(RESOLUTIONS), draw(INTERFACES)), draw(BLOCKS)


KNOWN = st.fixed_dictionaries(
    {"contexts": st.just(CONTEXTS)},
    optional={"keys": st.just(KEY), "fcs": st.sampled_from([0, 2, 4]), "timeout_s": st.sampled_from([1.0, 5.0])},
)  # fmt: skip


@pytest.mark.long
@given(traffic(), KNOWN)
def test_random_traffic_is_counted_alike(made: tuple[bytes, int], known: dict[str, Any]) -> None:
    check(*made, known)


# where, as a share of the file, and what; of an octet a bit
DAMAGES = st.lists(
    st.tuples(
        st.integers(0, (1 << 20) - 1),
        st.sampled_from(("bit", "zero", "ones", "huge", "gone", "end")),
        st.integers(0, 7),
    ),
    min_size=1,
    max_size=4,
)


@pytest.mark.long
@given(traffic(), DAMAGES)
def test_damaged_files_are_counted_alike(
    made: tuple[bytes, int], damages: list[tuple[int, str, int]]
) -> None:
    """Lengths that lie, octets that are gone, a file that ends anywhere: nothing is read that is not there."""
    file = bytearray(made[0])
    for place, what, bit in damages:
        at = place * len(file) >> 20
        if what == "bit":
            file[at] ^= 1 << bit
        elif what in ("gone", "end"):
            del file[at : at + 7 if what == "gone" else None]
        else:
            file[at : at + 4] = {"zero": bytes(4), "ones": b"\xff" * 4, "huge": b"\0\0\1\0"}[what]
        file = file or bytearray(1)
    check(bytes(file), made[1], {"contexts": CONTEXTS})


def check(file: bytes, block: int, known: dict[str, Any]) -> None:
    expected = survey(io.BytesIO(file), columns=False, **known)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(walking, "BLOCK", block)
        found, _ = by_columns(io.BytesIO(file), **known)
    assert found == expected


class Stopped(io.BytesIO):
    """A stream that somebody ends where its octets do."""

    def read1(self, size: int | None = -1) -> bytes:
        octets = super().read1(size)
        if not octets:
            raise StreamStopped
        return octets


@pytest.mark.parametrize("least", [1, 1 << 20])
def test_of_a_stream_that_somebody_ends_the_whole_records_count(
    monkeypatch: pytest.MonkeyPatch, least: int
) -> None:
    """No less than by a file that ends behind the last whole record, and half a record is no damage."""
    some = io.BytesIO()
    write_pcap(some, records([frame for frame in network(MANY) if frame]), 195)
    whole = some.getvalue()
    expected = survey(io.BytesIO(whole), contexts=CONTEXTS)
    monkeypatch.setattr(choice, "WORTH_OCTETS", least)
    for more in (b"", whole[24:34], whole[24:45]):
        for columns in (by_columns, lambda *one, **known: (survey(*one, **known), 0)):
            with read_capture(Stopped(whole + more)) as capture:
                capture.through(Listening.records)
                found, _ = columns(capture, contexts=CONTEXTS)
            assert found.cells == expected.cells
            assert not capture.notices


def test_more_nodes_than_the_loop_holds_are_counted_alike(monkeypatch: pytest.MonkeyPatch) -> None:
    from lowpanbudget.capture.columns import last_frames, state
    from lowpanbudget.capture.follow import repeats

    for module in (state, last_frames):
        monkeypatch.setattr(module, "MOST_SOURCES", 2)
    made = records(network(200), step_ns=10**7)
    found, shares = by_columns(made, contexts=CONTEXTS)
    assert repeats.MOST_SOURCES > 2
    assert found == survey(made, contexts=CONTEXTS)
    assert shares.followed > shares.columns


def test_no_array_outlives_its_survey() -> None:
    """Seven megabytes each: they do not wait until somebody looks for garbage."""
    loops, arrays = checked(), list[weakref.ref[Any]]()

    def numbers(many: int, value: int) -> Any:
        made = loops.numbers(many, value)
        arrays.append(weakref.ref(made))
        return made

    gc.disable()
    try:
        by_columns(records(network(60)), loops._replace(numbers=numbers), contexts=CONTEXTS)
    finally:
        gc.enable()
    assert len(arrays) > 10
    assert [array() for array in arrays if array() is not None] == []


def test_the_compiled_loops_count_as_the_others_do() -> None:
    compiled = pytest.importorskip("lowpanbudget.capture.columns.compiled")
    if not compiled.is_there():
        pytest.skip("numba is not installed")
    file = io.BytesIO()
    write_pcap(file, records(network(MANY), step_ns=10**8), 195)
    file.seek(0)
    found, shares = by_columns(file, compiled.compiled(), contexts=CONTEXTS, keys=KEY)
    file.seek(0)
    assert found == survey(file, columns=False, contexts=CONTEXTS, keys=KEY)
    assert shares.columns > shares.followed
