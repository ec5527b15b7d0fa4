"""Lines of text logs, written by hand, and the octets that a person reads in them.

The frame of 24 octets ends with its check sequence (IEEE 802.15.4-2015 7.2.10), which the test of binascii's CRC-CCITT
over reversed bits below shows; so what is put together of several rows proves itself.
"""

import binascii
import io
import time
from datetime import UTC, datetime

import pytest

from lowpanbudget.capture.files.reading import CaptureFile, read_capture, starts_log
from lowpanbudget.capture.files.record import Record

FRAME = bytes.fromhex("619807412c310004017cf7013ff3345c531207d50b3a0a88")
OTHER = bytes.fromhex("619808412c310004017cf7013ff3345c531207d50b3a5c4e")
SPACED = FRAME.hex(" ")


def read(text: str) -> tuple[list[Record], CaptureFile]:
    reading = read_capture(io.BytesIO(text.encode()))
    return list(reading), reading


def reflected(octets: bytes) -> bytes:
    return bytes(int(f"{octet:08b}"[::-1], 2) for octet in octets)


def test_the_frames_end_with_their_check_sequence() -> None:
    """Of the standard library: x^16 + x^12 + x^5 + 1 from 0, each octet's least significant bit first."""
    for frame in (FRAME, OTHER):
        summed = binascii.crc_hqx(reflected(frame[:-2]), 0)
        assert reflected(summed.to_bytes(2, "big")) == frame[-2:]


@pytest.mark.parametrize(
    "line",
    [
        f"RX 24: {SPACED}",
        f"I (12500) radio: rx frame len 24: {SPACED}",
        f"12345\t1\t2,3\t24: 0x{FRAME[:4].hex()} {FRAME[4:].hex(' ', 4)}",
        f"node 0x0012: {SPACED}",
        f"<inf> 802154: {FRAME.hex()}",
        FRAME.hex(":"),
        ": ".join(f"{octet:02x}" for octet in FRAME),
        FRAME.hex("-"),
        f'"{FRAME.hex()}"',
        f'{{"t": 12, "data": "{FRAME.hex()}"}}',
        f"12.500000,-67,{FRAME.hex()}",
        f"7,12,{FRAME.hex()},67",
        f"9750 {FRAME.hex()}",
        f"1,12,{SPACED},67,200",
        f"12\t40\t{SPACED}",
        f'{{"data": "{FRAME.hex()}", "time": "2026-11-29T22:00:00Z"}}',
        f"{SPACED} at 2026-11-29 22:00:00 lqi 5",
        f"{FRAME[:2].hex()} {FRAME[2:].hex()}",
        '"' + "".join(f"\\x{octet:02x}" for octet in FRAME) + '"',
        'b"' + "".join(f"\\x{octet:02x}" for octet in FRAME) + '"',
        " ".join(f"{octet:02X}h" for octet in FRAME),
        ", ".join(f"0x{octet:02x}" for octet in FRAME),
        f"uint8_t frame[] = {{ {', '.join(f'0x{octet:02x}' for octet in FRAME)} }};",
        f"received: {FRAME.hex()} power: -60 lqi: 200 time: 1234567",
        f"payload={FRAME.hex()} rssi=-60",
        f"2026-11-29 22:00:00,250 # {SPACED}",
        f"on 2026-11-29 it heard: {SPACED}",
        f"{SPACED} -40 dBm ch26",
    ],
)
def test_a_frame_in_a_line(line: str) -> None:
    records, reading = read(line)
    assert [record.octets for record in records] == [FRAME]
    assert {notice.name for notice in reading.notices} <= {"time-not-read"}


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("[12.75] 61 98 08 41 2c 31 00 04 01 7c f7 01 3f f3 34 5c 53 12 07 d5 0b? 3a", "character 71: '?'"),
        ("[12.75] 61 98 08 41 2c 31 00 04 0l 7c f7 01 3f f3 34 5c", "character 34: 'l'"),
        ("61 98 07 41 2c 31 0O 04 01 7c f7 01 3f f3 34 5c", "character 20: 'O'"),
        ("61 98 07 41 ?? 31 00 04 01 7c f7 01 3f f3 34 5c", "character 13: '?'"),
        ("RX: 6198 0741 2c31 00O4 017c f701 3ff3 345c", "character 22: 'O'"),
        (f"RX: {FRAME.hex()[:20]}O{FRAME.hex()[21:]}", "character 25: 'O'"),
        (f"12.5 RX {SPACED[:-1]}", "1 hex digit, half an octet"),
        (FRAME.hex()[:-1], "47 hex digits, half an octet"),
        (" ".join(map(str, FRAME)), "octets in decimal"),
        (" ".join(f"{octet:x}" for octet in FRAME), "1 hex digit, half an octet"),
        ("static const uint8_t f[] = {\n  0x61, 0x98, 0x07, 0x41,\n  0x2c, 0x3l, 0x00 };", "'l' is no hex digit"),
    ],
)  # fmt: skip
def test_of_a_line_with_a_garbled_octet_nothing_is_read(line: str, says: str) -> None:
    """What stands to one side of it alone is another frame, which nobody sent."""
    records, reading = read(f"{FRAME.hex()}\n{line}\n{OTHER.hex()}\n")
    assert [record.octets for record in records] == [FRAME, OTHER]
    (notice,) = reading.notices
    assert (notice.name, notice.is_damage, notice.number) == ("line-garbled", True, 1)
    assert notice.text.startswith("line 2 is left out: ")
    assert says in notice.text


@pytest.mark.parametrize(
    "line",
    [
        "on 2026-11-29 a cafe was added",
        "joined 12 of 40 nodes, 3 left",
        "step 2 be ad 5 at 0x1a2b3c4 after 1234567 ticks",
        "sizes (16, 12, 16)",
        "unsigned int f_bin_len = 24;",
        "=====[RX len=024]=====",
    ],
)
def test_prose_is_no_frame_and_no_damage(line: str) -> None:
    records, reading = read(line)
    assert not records
    assert [(notice.name, notice.is_damage) for notice in reading.notices] == [
        ("line-wrong", False)
    ]


def rows(frame: bytes, shape: str) -> str:
    """Return the frame of 24 octets in rows of 16 and 8."""
    upper, lower = frame[:16], frame[16:]
    shown = [bytes(c if 32 < c < 127 else 46 for c in row).decode() for row in (upper, lower)]
    listed = ["".join(f"0x{octet:02x}, " for octet in row) for row in (upper, lower)]
    return {
        "list": f"const uint8_t f[24] = {{\n{listed[0]} /* {shown[0][:4]} */\n{listed[1]}\n}};",
        "columns": f"  {upper[:8].hex(' ')}  {upper[8:].hex(' ')} |{shown[0]}|\n  {lower.hex(' ')}   |{shown[1]}|",
        "gap": f"{upper[:8].hex(' ')}  {upper[8:].hex(' ')}\n{lower.hex(' ')}",
        "bars": f"| {upper[:8].hex(' ')} | {upper[8:].hex(' ')} | {shown[0]} |\n"
        f"| {lower.hex(' ')} | {' '.join(['..'] * 8)} | {shown[1]:16} |",
        "plain": f"{upper.hex(' ')}\n{lower.hex(' ')}",
        "offsets": f"# 00000000  {upper.hex('+').replace('+', '  ')}\n"
        f"# 00000010  {lower.hex('+').replace('+', '  ')}",
    }[shape]


@pytest.mark.parametrize(
    "line",
    [
        "Nov 30 12:00:04 gw0 sniffer[412]: link up",  # RFC 3164 section 4.1.2: Mmm dd hh:mm:ss
        "30/11/2026 12:00:04 link up",
        "12:00:25.000 12:34:56 clock set",
        "12:00:25.000 the clock is 12:34:56",
    ],
)
def test_a_clock_beside_words_is_no_frame(line: str) -> None:
    """At noon and at two o'clock it reads as an acknowledgement does (12 00, 02 00)."""
    records, _ = read(f"{line}\n{SPACED}\n{line}\n")
    assert [record.octets for record in records] == [FRAME]


@pytest.mark.parametrize("line", ["12:00:25", "12.500 rx: 12:00:25 lqi 90", "12.500 < 02:00:25"])
def test_an_acknowledgement_with_colons_is_one(line: str) -> None:
    """Frame type 2, the number alone behind it (IEEE 802.15.4-2006 clause 7.2.2.3, from memory)."""
    records, _ = read(f"12.5 {SPACED}\n{line}\n")
    assert [record.octets[2:] for record in records[1:]] == [b"\x25"]


@pytest.mark.parametrize("shape", ["list", "columns", "gap", "bars", "plain"])
def test_a_frame_wrapped_over_rows(shape: str) -> None:
    records, reading = read(f"{rows(FRAME, shape)}\n\n{rows(OTHER, shape)}\n")
    assert [record.octets for record in records] == [FRAME, OTHER]
    assert not reading.notices


def test_a_time_above_a_dump_or_in_its_rows_is_that_of_the_frame() -> None:
    day = int(datetime(2026, 11, 29, 22, tzinfo=UTC).timestamp()) * 10**9
    for text in (
        f"2026-11-29 22:00:00 radio: RX\n{rows(FRAME, 'columns')}",
        f"2026-11-29 22:00:00 data\n 0x0000:  {FRAME[:16].hex(' ', 2)}\n 0x0010:  {FRAME[16:].hex(' ', 2)}",
        rows(FRAME, "offsets").replace("#", "2026-11-29 22:00:00 #"),
        "\n".join(f"2026-11-29 22:00:00 rx: {row}" for row in rows(FRAME, "bars").splitlines()),
    ):  # fmt: skip
        records, reading = read(text)
        assert [(record.time_ns, record.octets) for record in records] == [(day, FRAME)]
        assert not reading.notices


def test_a_garbled_octet_in_a_dump_with_offsets() -> None:
    """The rows before it are not the frame."""
    lines = rows(FRAME, "offsets").replace("# ", "")
    text = "\n".join(" ".join(row.split()) for row in lines.splitlines())
    assert read(text)[0][0].octets == FRAME
    for right, wrong in ((" 41 ", " 4l "), (" d5 ", " O5 "), (" 0b ", " ?? ")):
        records, reading = read(f"{text.replace(right, wrong)}\n{text}\n")
        assert [record.octets for record in records] == [FRAME]
        assert [notice.name for notice in reading.notices] == ["line-garbled"]


@pytest.mark.parametrize("octet", ["41 ", "d5 "])
def test_a_garbled_octet_in_a_dump_with_columns(octet: str) -> None:
    dump = rows(FRAME, "columns")
    text = f"12.5 RX\n{dump.replace(octet, f'{octet[0]}l ', 1)}\n13.5 RX\n{dump}\n"
    records, reading = read(text)
    assert [(record.time_ns, record.octets) for record in records] == [(13_500_000_000, FRAME)]
    assert [notice.name for notice in reading.notices if notice.is_damage] == ["line-garbled"]


def test_rows_that_nothing_proves_are_told() -> None:
    """Without check sequence 16 and 6 octets between blank lines may be two frames: nothing is judged of them."""
    records, reading = read(f"\n{rows(FRAME[:-2], 'plain')}\n\n{rows(OTHER[:-2], 'plain')}\n")
    assert not records
    assert [notice.name for notice in reading.notices] == ["line-garbled"] * 2
    assert "write a frame a line" in reading.notices[0].text


def test_frames_that_are_as_long_as_rows_stay_frames() -> None:
    """With their own check sequences, without blank lines, and one with its acknowledgement (3 octets, type 2)."""
    short = FRAME[:14]
    summed = reflected(binascii.crc_hqx(reflected(short), 0).to_bytes(2, "big"))
    for lines in (
        [short + summed, short + summed, FRAME[:8]],
        [FRAME[:16], OTHER[:16], FRAME[:8]],
        [b"", FRAME[:16], bytes.fromhex("020007"), b"", OTHER[:16], bytes.fromhex("020008")],
    ):
        records, reading = read("\n".join(line.hex(" ") for line in lines))
        assert [record.octets for record in records] == [line for line in lines if line]
        assert not reading.notices


@pytest.mark.parametrize(
    ("time", "nanoseconds"),
    [
        ("[00:00:01.250,000] <inf> radio:", 1_250_000_000),
        ("[00:01:01.250,125]", 61_250_125_000),
        ("[   12.500000] RX 24:", 12_500_000_000),
        ("12.5,", 12_500_000_000),
        ("00:00:12.5,-67,", 12_500_000_000),
        ("00:00:12,67,", 12_000_000_000),
        ("00:00:12,500", 12_500_000_000),
        ("00:00:12:500", 12_500_000_000),
        ("<6> 1970-01-01T00:00:12.5Z rx:", 12_500_000_000),
        ("12:00:12.5 PM", 43_212_500_000_000),
        ("12:00:12.5 AM", 12_500_000_000),
        ("[01:00:12.5] pm", 46_812_500_000_000),
        ("I (12500) radio:", None),
        ("1,12.500000,24,", None),
        ("00:12.500\tID:2", None),
        ("Nov 29 12:00:00 box rx", None),
        ("29/11/2026 12:00:00.250", None),
        ("12500us rx", None),
        ("@12.5 rx", None),
        ("+0.250 rx", None),
        ("12500", None),
        ("RX time: 1234567 data:", None),
    ],
)
def test_times_of_a_certain_form_are_read_and_others_told(
    time: str, nanoseconds: int | None
) -> None:
    records, reading = read(f"{time} {FRAME.hex()}\n{time} {FRAME.hex()}\n")
    assert [(record.time_ns, record.octets) for record in records] == [(nanoseconds, FRAME)] * 2
    told = [(notice.name, notice.is_damage) for notice in reading.notices]
    assert told == ([] if nanoseconds is not None else [("time-not-read", False)])


@pytest.mark.parametrize(
    ("clocks", "seconds"),
    [
        (
            "23:59:59.5 00:00:00.25 12:00:00 23:00:00 01:30:00",
            (86399.5, 86400.25, 129600, 169200, 178200),
        ),
        ("23:59:59.5 00:00:00.25 23:59:59.75 00:00:01", (86399.5, 86400.25, 86399.75, 86401)),
        ("12:00:00 11:00:00", (43200, 39600)),  # as where a summer ends
        ("00:00:01 20:00:00", (1, 72000)),
        ("50000.5 1.5", (50000.5, 1.5)),  # seconds since a start, and another start
        ("2031-05-04T23:59:59Z 2031-05-04T00:00:01Z", (1935705599, 1935619201)),
    ],
)
def test_a_clock_that_passes_midnight_goes_on(clocks: str, seconds: tuple[float, ...]) -> None:
    """Counted by hand: a day has 86400 s; 4 May 2031 began 22403 days after 1970."""
    dump = rows(FRAME, "offsets").replace("# ", "")
    for text in (FRAME.hex(), f"\n{dump}"):
        check_times([f"{clock} rx {text}" for clock in clocks.split()], seconds)


def check_times(frames: list[str], seconds: tuple[float, ...]) -> None:
    records, reading = read("\n".join(frames))
    assert [(record.time_ns or 0) / 1e9 for record in records] == list(seconds)
    assert not reading.notices


def test_base64_is_told_how_it_becomes_hex() -> None:
    _, reading = read(binascii.b2a_base64(FRAME).decode())
    assert "base64 -d" in reading.notices[0].text


@pytest.mark.parametrize(
    ("text", "is_log"),
    [
        (f"RX: {SPACED}", True),
        (f"received: {FRAME.hex()} power: -60 lqi: 200", True),
        (f"# a comment\n12.5 {FRAME.hex()}", True),
        (rows(FRAME, "list"), True),
        (rows(FRAME, "plain"), True),
        (f"// one\n{SPACED}\n{OTHER.hex()}", False),
        (f"0000  {FRAME[:16].hex(' ')}\n0010  {FRAME[16:].hex(' ')}", False),
        (SPACED.replace("31", "3l"), False),
        (f"12.5 {SPACED.replace('31', '3')}", True),
        ("no frame", False),
    ],
)
def test_a_text_with_more_in_it_than_hex_is_a_log(text: str, *, is_log: bool) -> None:
    """A typing error in nothing but hex is for whoever reads that, and names its place."""
    assert starts_log(text.encode()) == is_log


def test_the_lines_of_a_key_file_are_no_frames() -> None:
    records, _ = read(f'[[kee]]\noctets = "{FRAME[:16].hex()}"\n')
    assert not records


@pytest.mark.parametrize(
    "part",
    ["z", "a=", "/*", "| ", "61 98 07 41 2c,", "6 ", "61: ", "61:", "\\x61", "61 ? ", "time "],
)
def test_a_long_line_takes_no_long_time(part: str) -> None:
    """Some 0.5 s here; with the square of its 60 000 characters it would be minutes."""
    begun = time.perf_counter()
    read(part * (60_000 // len(part)) + "=\n")
    assert time.perf_counter() - begun < 20
