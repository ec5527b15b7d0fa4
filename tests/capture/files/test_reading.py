"""Reading captures: our records against what another library writes and reads, and files that are cut or wrong.

Second opinion: scapy's writers and raw readers of pcap and pcapng. File layouts built by hand follow the drafts of the
two formats (draft-ietf-opsawg-pcap, draft-ietf-opsawg-pcapng), from memory.
"""

import bz2
import gzip
import io
import lzma
import random
import struct
import zlib
from collections.abc import Callable
from datetime import UTC, datetime
from fractions import Fraction
from functools import cache
from pathlib import Path
from tempfile import NamedTemporaryFile
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lowpanbudget import RequestError
from lowpanbudget.capture.files.hex_text import hex_lines
from lowpanbudget.capture.files.reading import CaptureFile, read_capture
from lowpanbudget.capture.files.record import Record

FRAMES = [bytes([0x41, 0x88, number, *range(number)]) for number in range(6)]
TIMES = [1_700_000_000_123_456_000 + 1_001_000 * number for number in range(6)]


@pytest.fixture(autouse=True)
def _cache(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    """The library keeps tables in the user's cache folder; not from here."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path_factory.getbasetemp()))


@cache
def scapy_pcap(link_type: int, *, big: bool = False, nano: bool = False) -> bytes:
    from scapy.utils import RawPcapWriter

    file = io.BytesIO()
    file.close = lambda: None  # type: ignore[method-assign]
    writer = RawPcapWriter(file, linktype=link_type, endianness=">" if big else "<", nano=nano)
    writer.write_header(None)
    for octets, time_ns in zip(FRAMES, TIMES, strict=True):
        fraction = time_ns % 10**9 if nano else time_ns % 10**9 // 1000
        writer.write_packet(octets, sec=time_ns // 10**9, usec=fraction)
    writer.flush()
    return file.getvalue()


@cache
def scapy_pcapng(link_type: int) -> bytes:
    from scapy.utils import RawPcapNgWriter

    with NamedTemporaryFile(suffix=".pcapng") as file:
        writer = RawPcapNgWriter(file.name)
        writer.linktype = link_type
        writer.write_header(None)
        for octets, time_ns in zip(FRAMES, TIMES, strict=True):
            # seconds as a fraction: a float of this size is not exact to the microsecond
            writer._write_packet(octets, link_type, sec=Fraction(time_ns, 10**9))  # type: ignore[arg-type]
        writer.close()
        return file.read()


def records_of(octets: bytes) -> tuple[list[Record], CaptureFile]:
    reading = read_capture(io.BytesIO(octets))
    return list(reading), reading


def scapy_reads(octets: bytes) -> list[tuple[bytes, int, int]]:
    """Return octets, time in nanoseconds and link type as the other library reads them."""
    from scapy.utils import RawPcapNgReader, RawPcapReader

    found = []
    reader: Any
    if octets[:4] == b"\x0a\x0d\x0d\x0a":
        reader = RawPcapNgReader(io.BytesIO(octets))  # type: ignore[arg-type]
        for data, meta in reader:
            stamp = (meta.tshigh << 32 | meta.tslow) * 10**9 // meta.tsresol
            found.append((data, stamp, meta.linktype))
    else:
        reader = RawPcapReader(io.BytesIO(octets))  # type: ignore[arg-type]
        unit = 1 if reader.nano else 1000
        for data, meta in reader:
            found.append((data, meta.sec * 10**9 + meta.usec * unit, reader.linktype))
    return found


FILES: list[tuple[str, Callable[[], bytes], int]] = [
    ("pcap, little, µs, 195", lambda: scapy_pcap(195), 195),
    ("pcap, big, µs, 230", lambda: scapy_pcap(230, big=True), 230),
    ("pcap, little, ns, 283", lambda: scapy_pcap(283, nano=True), 283),
    ("pcap, big, ns, 229", lambda: scapy_pcap(229, big=True, nano=True), 229),
    ("pcapng, 195", lambda: scapy_pcapng(195), 195),
    ("pcapng, 283", lambda: scapy_pcapng(283), 283),
]


@pytest.mark.parametrize(("make", "link_type"), [f[1:] for f in FILES], ids=[f[0] for f in FILES])
@pytest.mark.parametrize("packed", [False, True], ids=["plain", "gzip"])
def test_what_another_library_writes(
    make: Callable[[], bytes], link_type: int, packed: bool
) -> None:
    octets = make()
    records, reading = records_of(gzip.compress(octets) if packed else octets)
    assert [record.octets for record in records] == FRAMES
    assert [record.time_ns for record in records] == TIMES
    assert {record.link_type for record in records} == {link_type}
    assert [record.number for record in records] == [1, 2, 3, 4, 5, 6]
    assert not reading.notices
    other = scapy_reads(octets)
    assert [(r.octets, r.time_ns, r.link_type) for r in records] == other
    for record in records:
        assert record.offset is not None
        assert octets[record.offset :].startswith(record.octets)


class Trickle:
    """A pipe that gives an octet at a time."""

    def __init__(self, octets: bytes) -> None:
        self.octets = octets

    def read(self, size: int) -> bytes:
        del size
        octets, self.octets = self.octets[:1], self.octets[1:]
        return octets


@pytest.mark.parametrize("make", [f[1] for f in FILES], ids=[f[0] for f in FILES])
def test_a_pipe_of_single_octets(make: Callable[[], bytes]) -> None:
    octets = make()
    assert list(read_capture(Trickle(octets))) == records_of(octets)[0]
    assert [r.octets for r in read_capture(Trickle(gzip.compress(octets)))] == FRAMES


def whole_before(octets: bytes, cut: int) -> int:
    """Return how many frames end at or before the cut, found by the place of their octets."""
    records, _ = records_of(octets)
    tail = 4 if octets[:4] == b"\x0a\x0d\x0d\x0a" else 0
    ends = []
    for record in records:
        assert record.offset is not None
        length = len(record.octets)
        ends.append(record.offset + length + (-length % 4 + tail if tail else 0))
    return sum(end <= cut for end in ends)


@pytest.mark.parametrize("make", [f[1] for f in FILES], ids=[f[0] for f in FILES])
def test_cut_at_every_octet(make: Callable[[], bytes]) -> None:
    """All whole frames, then one notice with a place within the file, or none where the cut is between records."""
    octets = make()
    for cut in range(4, len(octets)):
        records, reading = records_of(octets[:cut])
        assert [r.octets for r in records] == FRAMES[: whole_before(octets, cut)]
        assert len(reading.notices) <= 1
        for notice in reading.notices:
            assert notice.name == "file-cut"
            assert 0 <= notice.offset <= cut
            assert notice.number == len(records)
        if not reading.notices:  # the rest is a file of its own
            assert cut in block_ends(octets)


def block_ends(octets: bytes) -> set[int]:
    """Return where records or blocks end, by the lengths that the format gives."""
    ends, at = set(), 0
    if octets[:4] == b"\x0a\x0d\x0d\x0a":
        while at < len(octets):
            at += struct.unpack_from("<I", octets, at + 4)[0]
            ends.add(at)
        return ends
    order = ">" if octets[0] == 0xA1 else "<"
    at = 24
    while at <= len(octets):
        ends.add(at)
        if at == len(octets):
            break
        at += 16 + struct.unpack_from(f"{order}I", octets, at + 8)[0]
    return ends


def test_a_cut_compressed_file() -> None:
    octets = gzip.compress(scapy_pcap(195))
    for cut in range(20, len(octets) - 8, 7):
        records, reading = records_of(octets[:cut])
        assert [r.octets for r in records] == FRAMES[: len(records)]
        assert len(reading.notices) == 1
        assert "compressed" in reading.notices[0].text


def pcap(*records: bytes, link_type: int = 195) -> bytes:
    return struct.pack("<IHHIIII", 0xA1B2C3D4, 2, 4, 0, 0, 65535, link_type) + b"".join(records)


def record(octets: bytes, kept: int | None = None, original: int | None = None) -> bytes:
    lengths = (len(octets) if kept is None else kept, len(octets) if original is None else original)
    return struct.pack("<4I", 1, 2, *lengths) + octets


def block(kind: int, body: bytes, order: str = "<") -> bytes:
    total = len(body) + -len(body) % 4 + 12
    length = struct.pack(order + "I", total)
    return struct.pack(order + "I", kind) + length + body + bytes(-len(body) % 4) + length


def section(order: str = "<") -> bytes:
    return block(0x0A0D0D0A, struct.pack(order + "IHHq", 0x1A2B3C4D, 1, 0, -1), order)


def interface(
    link_type: int, *options: tuple[int, bytes], order: str = "<", snapshot: int = 0
) -> bytes:
    body = struct.pack(order + "HHI", link_type, 0, snapshot)
    for code, value in options:
        body += struct.pack(order + "HH", code, len(value)) + value + bytes(-len(value) % 4)
    if options:
        body += bytes(4)
    return block(1, body, order)


def enhanced(
    octets: bytes, index: int = 0, time: int = 0, order: str = "<", kept: int | None = None
) -> bytes:
    length = len(octets) if kept is None else kept
    body = struct.pack(order + "5I", index, time >> 32, time & 0xFFFFFFFF, length, len(octets))
    return block(6, body + octets, order)


@pytest.mark.parametrize(
    ("octets", "frames", "names"),
    [
        (pcap(record(b"abc", kept=1 << 30)), 0, ["length-wrong"]),
        (pcap(record(b"ab"), record(b"abc", kept=0xFFFFFFFF)), 1, ["length-wrong"]),
        (pcap(record(b"abc", original=2)), 1, ["length-wrong"]),
        (pcap(record(b"abc", original=90)), 1, ["frame-cut"]),
        (pcap(record(b"")), 1, ["frame-empty"]),
        (pcap(record(b"ab")) + pcap(record(b"ab")), 1, ["files-joined"]),
        (pcap(record(b"ab")) + struct.pack(">I2H4I", 0xA1B2C3D4, 2, 4, 0, 0, 0, 195), 1, ["files-joined"]),
        (pcap(record(b""), record(b"x"), record(b"")), 3, ["frame-empty", "frame-empty"]),
        (struct.pack("<IHHIIII", 0xA1B2C3D4, 9, 9, 0, 0, 0, 195), 0, ["version-unknown"]),
        (pcap(struct.pack("<4I", 1, 10**9, 1, 1) + b"x"), 1, ["time-wrong"]),
        (b"", 0, ["file-empty"]),
        (b"\x00\x01\x02\x03\x04\x05", 0, ["not-a-capture"]),
        (section() + enhanced(b"abc"), 0, ["interface-unknown"]),
        (section() + interface(195) + enhanced(b"abc", kept=900), 0, ["length-wrong"]),
        (section() + interface(195) + enhanced(b"abc"), 1, []),
        (section() + interface(195) + enhanced(b""), 1, ["frame-empty"]),
        (section() + struct.pack("<2I", 6, 7) + bytes(20), 0, ["length-wrong"]),
        (section() + struct.pack("<2I", 6, 0) + bytes(20), 0, ["length-wrong"]),
        (section() + struct.pack("<2I", 6, 1 << 31) + bytes(20), 0, ["length-wrong"]),
        (section() + block(77, b"what"), 0, ["block-unknown"]),
        (section() + block(0x80000001, b"what"), 0, []),
        (section() + block(4, b"name"), 0, []),
        (section() + block(6, b""), 0, ["block-wrong"]),
        (section() + block(1, b""), 0, ["block-wrong"]),
        (section() + interface(195) + block(3, b""), 0, ["block-wrong"]),
        (section() + interface(195) + block(3, struct.pack("<I", 3) + b"abc"), 1, []),
        (section() + interface(195, snapshot=2) + block(3, struct.pack("<I", 3) + b"ab"), 1, ["frame-cut"]),
        (b"\x0a\x0d\x0d\x0a" + bytes(24), 0, ["block-wrong"]),
    ],
)  # fmt: skip
def test_wrong_files_give_located_notices(octets: bytes, frames: int, names: list[str]) -> None:
    records, reading = records_of(octets)
    assert len(records) == frames
    assert [notice.name for notice in reading.notices] == names
    for notice in reading.notices:
        assert 0 <= notice.offset <= len(octets)
        assert notice.text


@pytest.mark.parametrize("lost", [1, 8, 9, 20, 60])
def test_what_a_cut_compressed_file_still_unpacks_is_not_lost(lost: int) -> None:
    """The whole frames are those in front of what the library's own decompressor gets out of the same octets."""
    octets = scapy_pcap(195)
    packed = gzip.compress(octets)[:-lost]
    there = zlib.decompressobj(31).decompress(packed)
    records, reading = records_of(packed)
    whole, at = 0, 24
    while at + 16 <= len(there) and at + 16 + len(FRAMES[whole]) <= len(there):
        at += 16 + len(FRAMES[whole])
        whole += 1
        if whole == len(FRAMES):
            break
    assert [record.octets for record in records] == FRAMES[:whole]
    assert [notice.name for notice in reading.notices] == ["file-cut"]


def test_lengths_before_and_behind_a_block_that_differ() -> None:
    octets = bytearray(section() + interface(195) + enhanced(b"abcd"))
    octets[-1] ^= 1
    records, reading = records_of(bytes(octets))
    assert [r.octets for r in records] == [b"abcd"]
    assert [n.name for n in reading.notices] == ["length-wrong"]


@pytest.mark.parametrize("order", ["<", ">"])
def test_time_resolution_and_offset_of_each_interface(order: str) -> None:
    """if_tsresol and if_tsoffset, options 9 and 14: powers of 10 or, with the first bit set, of 2."""
    octets = section(order)
    octets += interface(195, (9, b"\x09"), order=order)
    octets += interface(230, (9, b"\x83"), (14, struct.pack(order + "q", 100)), order=order)
    octets += interface(229, order=order)
    octets += enhanced(b"one", 0, 5_000_000_007, order)
    octets += enhanced(b"two", 1, 4, order)
    octets += enhanced(b"three", 2, 1_000_001, order)
    records, reading = records_of(octets)
    assert [(r.octets, r.time_ns, r.link_type) for r in records] == [
        (b"one", 5_000_000_007, 195),
        (b"two", 100_500_000_000, 230),
        (b"three", 1_000_001_000, 229),
    ]
    assert not reading.notices


def test_sections_of_both_byte_orders_in_one_file() -> None:
    octets = section("<") + interface(195) + enhanced(b"a") + section(">")
    octets += interface(230, order=">") + enhanced(b"b", order=">")
    assert [(r.octets, r.link_type) for r in read_capture(io.BytesIO(octets))] == [
        (b"a", 195),
        (b"b", 230),
    ]


def test_drops_that_the_capture_counted_are_told() -> None:
    """Interface statistics: option 5 is isb_ifdrop, option 7 isb_osdrop."""
    drops = struct.pack("<HHQ", 5, 8, 12) + struct.pack("<HHQ", 7, 8, 0) + bytes(4)
    statistics = block(5, struct.pack("<3I", 0, 0, 0) + drops)
    _, reading = records_of(section() + interface(195) + statistics)
    assert [n.name for n in reading.notices] == ["frames-dropped"]
    assert "12" in reading.notices[0].text


def test_100_000_random_octets() -> None:
    rng = random.Random(20)
    octets = rng.randbytes(100_000)
    for head in (
        b"",
        octets[:0] + pcap(),
        section(),
        section() + interface(195),
        b"\x1f\x8b\x08\x00",
    ):
        records, reading = records_of(head + octets)
        assert reading.notices
        assert all(0 <= n.offset <= len(head) + len(octets) for n in reading.notices)
        assert all(len(r.octets) <= 1 << 18 for r in records)


@settings(max_examples=150)
@given(
    st.binary(max_size=300),
    st.sampled_from([b"", pcap(), section(), section() + interface(195), b"0.5 "]),
)
def test_any_octets_behind_any_head(tail: bytes, head: bytes) -> None:
    records, reading = records_of(head + tail)
    assert all(0 <= notice.offset <= len(head + tail) for notice in reading.notices)
    assert sum(len(r.octets) for r in records) <= len(head + tail)


@settings(max_examples=100)
@given(st.data())
def test_any_octet_changed(data: st.DataObject) -> None:
    octets = bytearray(data.draw(st.sampled_from([scapy_pcap(195), scapy_pcapng(195)])))
    for _ in range(data.draw(st.integers(1, 4))):
        octets[data.draw(st.integers(4, len(octets) - 1))] = data.draw(st.integers(0, 255))
    records, reading = records_of(bytes(octets))
    assert all(0 <= n.offset <= len(octets) for n in reading.notices)
    assert len(records) <= len(octets) // 16


def test_text_lines() -> None:
    """Times by hand: 2031-05-04 is counted with the standard library's calendar."""
    lines = """
# a comment
61 88 01 34 12 ff ff
6188 0134 12ff
0x61,0x88,0x01
61:88:01:34
2031-05-04T10:20:30.123456Z 618801
2031-05-04 12:20:30.5+02:00 61 88
[10:20:30.123] RX -40 dBm: 61 88 01 34   # behind
0.004321 618802 from the second radio
1700000000.000000001 6188
02:00:00
nothing here
61 8
 \t
"""
    records, reading = records_of(lines.encode())
    noon = int(datetime(2031, 5, 4, 10, 20, 30, tzinfo=UTC).timestamp()) * 10**9
    assert [(r.time_ns, r.octets.hex()) for r in records] == [
        (None, "6188013412ffff"),
        (None, "6188013412ff"),
        (None, "618801"),
        (None, "61880134"),
        (noon + 123_456_000, "618801"),
        (noon + 500_000_000, "6188"),
        (((10 * 60 + 20) * 60 + 30) * 10**9 + 123_000_000, "61880134"),
        (4_321_000, "618802"),
        (1_700_000_000_000_000_001, "6188"),
        (None, "020000"),
    ]
    assert [n.name for n in reading.notices] == ["line-wrong", "line-garbled"]
    assert reading.notices[0].text == "line 13 has no octets in hex"
    assert {r.link_type for r in records} == {195}
    assert {r.link_type for r in read_capture(io.BytesIO(b"6188\n"), link_type=230)} == {230}


FRAME = bytes.fromhex("41882acdab010017007e77f3129c5b68656c6c6f0000")
ROWS = (FRAME[:16].hex(" "), FRAME[16:].hex(" "))


def test_a_row_of_a_dump_alone() -> None:
    """An offset that stands apart is none of the frame's octets; a group of digits among others is."""
    for text, octets in (
        ("0000  02 00 17", "020017"),
        ("0000: 0200 17", "020017"),
        ("0x0000: 02 00 17", "020017"),
        ("0x0000 0x02", "000002"),
        ("0000 02 00", "00000200"),
    ):
        records, _ = records_of(text.encode())
        (typed,) = hex_lines(text)
        assert [r.octets.hex() for r in records] == [typed.octets.hex()] == [octets]


@pytest.mark.parametrize(
    "dump",
    [
        f"0000  {ROWS[0]}\n0010  {ROWS[1]}\n",
        f"0000000 {ROWS[0]}\n0000020 {ROWS[1]}\n0000026\n",  # octal
        f"00000000  {ROWS[0]}  |A.*.|\n00000010  {ROWS[1]}   |lo..|\n00000016\n",
        f"0x0000: {ROWS[0]}\n0x0010: {ROWS[1]}\n",
        f"00000000: {FRAME[:16].hex(' ', 2)}  A.*.ab cd\n00000010: {FRAME[16:].hex(' ', 2)}  be ad\n",
    ],
)
def test_the_rows_of_a_dump_are_one_frame(dump: str) -> None:
    """22 octets are 16 and 6; an offset of 0 begins the next frame, and what proves no dump before stays as it is."""
    records, reading = records_of(f"0000 02 03\n6188 01\n{dump}{dump}0000  02 03\n".encode())
    assert [r.octets.hex() for r in records[:2]] == ["00000203", "618801"]
    assert [r.octets for r in records[2:]] == [FRAME, FRAME, b"\2\3"]
    assert not reading.notices
    (typed,) = hex_lines("-", io.BytesIO(dump.encode()))
    assert typed.octets == FRAME


@pytest.mark.parametrize("cut", [22, 21, 16, 15])
@pytest.mark.parametrize(("digits", "base"), [("4x", "x"), ("6o", "o")])
def test_words_of_a_dump_are_read_in_the_order_of_their_octets(
    cut: int, digits: str, base: str
) -> None:
    """As hexdump and od write them by default on a little-endian machine: struct gives the words."""
    octets = FRAME[:cut]
    words = struct.unpack(f"<{(cut + 1) // 2}H", octets + bytes(cut % 2))
    rows = [words[at : at + 8] for at in range(0, len(words), 8)]
    dump = "".join(
        f"{16 * number:07{base}} {' '.join(f'{word:0{digits}}' for word in row)}\n"
        for number, row in enumerate(rows)
    )
    dump += f"{cut:07{base}}\n"
    records, reading = records_of((dump + dump).encode())
    assert [r.octets for r in records] == [octets, octets]
    assert not reading.notices
    (typed,) = hex_lines("-", io.BytesIO(dump.encode()))
    assert typed.octets == octets


def test_text_shows_no_control_characters() -> None:
    _, reading = records_of(b"6188\n\x1b[31mred\n")
    assert [n.name for n in reading.notices] == ["line-wrong"]
    assert "\x1b" not in reading.notices[0].text


def test_a_line_without_end() -> None:
    records, reading = records_of(b"6188\n" + b"z" * 200_000 + b"\n6189\n")
    assert [r.octets.hex() for r in records] == ["6188", "6189"]
    assert [n.name for n in reading.notices] == ["line-wrong"]


def test_a_text_is_no_file_of_octets(tmp_path: Path) -> None:
    with pytest.raises(RequestError, match="octets"):
        list(read_capture(io.StringIO("6188")))  # type: ignore[arg-type]
    with pytest.raises(RequestError, match="neither a path"):
        read_capture(5)  # type: ignore[arg-type]
    with pytest.raises(RequestError, match="cannot be read"):
        read_capture(tmp_path / "missing.pcap")
    with pytest.raises(RequestError, match="cannot be read"):
        list(read_capture(tmp_path))


def test_a_path_and_its_file_closed(tmp_path: Path) -> None:
    path = tmp_path / "one.pcap"
    path.write_bytes(scapy_pcap(195))
    assert [r.octets for r in read_capture(path)] == FRAMES
    with read_capture(str(path)) as reading:
        assert next(reading).octets == FRAMES[0]
    assert reading.format == "pcap"
    path.unlink()


def test_many_notices_are_counted_not_kept() -> None:
    octets = pcap(*[record(b"")] * 3000)
    records, reading = records_of(octets)
    assert len(records) == 3000
    assert len(reading.notices) == 1000
    assert reading.notice_count == 3000


@pytest.mark.parametrize(
    ("octets", "says"),
    [
        ("6198".encode("utf-16"), "UTF-16"),
        (bz2.compress(b"6198"), "bzip2; unpack it, or use gzip"),
        (lzma.compress(b"6198"), "xz; unpack it, or use gzip"),
        (b"\0\1\2\3", "it starts with 00 01 02 03"),
    ],
)
def test_files_that_are_often_given(octets: bytes, says: str) -> None:
    _, reading = records_of(octets)
    assert [notice.name for notice in reading.notices] == ["not-a-capture"]
    assert says in reading.notices[0].text
