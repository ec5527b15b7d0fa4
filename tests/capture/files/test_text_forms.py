"""Lines of logs in the forms that terminals, tables, programs and people write them: which octets are the frame's.

All lines are written by hand around two frames; what is right is what a person reads in them. FRAME ends with its check
sequence, BARE has none, so that nothing but the form of the line tells its octets.
"""

import io

import pytest

from lowpanbudget.capture.files.reading import CaptureFile, read_capture
from lowpanbudget.capture.files.record import Record

FRAME = bytes.fromhex("619807412c310004017cf7013ff3345c531207d50b3a0a88")
OTHER = bytes.fromhex("619808412c310004017cf7013ff3345c531207d50b3a5c4e")
SPACED = FRAME.hex(" ")

BARE = FRAME[:-2]
BARE_SPACED = BARE.hex(" ")
LISTED = ", ".join(f"0x{octet:02x}" for octet in FRAME)


def read(text: str) -> tuple[list[Record], CaptureFile]:
    reading = read_capture(io.BytesIO(text.encode()))
    return list(reading), reading


@pytest.mark.parametrize(
    "line",
    [
        # numbers beside octets: a count, a cell of its own, a date, a clock
        "12.5 rx {} (22 octets)",
        "12.5 rx {}, 22 bytes",
        "{} (22)",
        "{} 22 octets",
        "rx [22] {}",
        "1 | 12.5 | 22 | {} | OK",
        "| 22 | {} |",
        "1 | 22 | rx | {}",
        "12\t22\t{}\t67",
        "12, 22, {}, 67",
        "[Sun Nov 29 12:00:00.250 2026] {}",
        "29.11.2026 12:00:00,250 {}",
        "29.11.2026 12:00:00 {}",
        "29-11-2026 12:00:00 {}",
        "29/11/2026 12:00:00 {}",
        "2026/11/29 12:00:00 {}",
        "29.11. 12:00:00 {}",
        "Nov 29 12:00:00 {}",
        "Nov 29 12:00:00 box logger[47]: {}",
        "12:00 {}",
        "00:12:4b:00:14:b5:d9:01 > 00:12:4b:00:14:b5:d9:02 {}",
        "rx\t{}\t142",
        "23\t100\t{}",
        "20,152,{}",
        "931598 rx {}",
        "seq=17 {} of 5",
        # signs of a terminal, of a program
        "\x1b[0;32mI (12500) radio: {}\x1b[0m",
        "12.5 rx {}\x1b[0m",
        "frame={} rssi=-60",
        "len=22 data:{}",
        "rx({})",
        "data = [{}]",
    ],
)
@pytest.mark.parametrize("divider", [" ", "", ":"])
def test_what_stands_beside_octets_is_none_of_them(line: str, divider: str) -> None:
    octets = BARE.hex(divider) if divider else BARE.hex()
    records, reading = read(line.format(octets))
    assert [record.octets for record in records] == [BARE]
    assert not [notice for notice in reading.notices if notice.is_damage]


@pytest.mark.parametrize(
    "line",
    [
        f'"1","12.500","24","{FRAME.hex()}"',
        f'12.500,"24","{FRAME.hex()}"',
        f'"24";"{SPACED}"',
        f"frames.append(bytes.fromhex('{FRAME.hex()}'))",
        'send("' + "".join(f"\\x{octet:02x}" for octet in FRAME) + '");',
        f"(1795953600.250000) radio0 24#{FRAME.hex().upper()}",
        ", ".join(f"0x{octet:02x}U" for octet in FRAME),
        f"ch 26 lqi 96 rssi 20 {SPACED}",  # 20 may be an octet but for the check sequence
        f"26 -40 96 {SPACED}",
        f"{SPACED} 255 -40",
        f"from 00124b0014b5d901 to 00124b0014b5d902: {FRAME.hex()}",
    ],
)
def test_forms_that_programs_write(line: str) -> None:
    records, reading = read(line)
    assert [record.octets for record in records] == [FRAME]
    assert not [notice for notice in reading.notices if notice.is_damage]


def test_an_acknowledgement_beside_a_longer_address() -> None:
    """Five octets with their check sequence (0x9c 0xf3 by the polynomial of IEEE 802.15.4-2015 7.2.10)."""
    records, _ = read("from 00124b0014b5d901 len 5: 0200049cf3")
    assert [record.octets.hex() for record in records] == ["0200049cf3"]


@pytest.mark.parametrize(
    "text",
    [
        f'const char *f[] = {{\n  "{FRAME.hex()}",\n  "{OTHER.hex()}",\n}};',
        f"{{\n{SPACED}\n{OTHER.hex(' ')}\n}}",
        f"uint8_t f[] = {{\n{LISTED} }}, g[] = {{ {OTHER.hex(',')} }};",
        f'{{ "frames": [\n"{FRAME.hex()}",\n"{OTHER.hex()}"\n] }}',
    ],
)
def test_frames_between_braces(text: str) -> None:
    """A list that a comma continues is one frame; a text, a line or a second list is another."""
    records, _ = read(text)
    assert [record.octets for record in records] == [FRAME, OTHER]


@pytest.mark.parametrize(
    ("line", "says"),
    [
        (f"12.5 {BARE_SPACED.replace('07 d5', 'xx d5')}", "'xx' stands where octets are missing"),
        (f"12.5 {BARE_SPACED.replace('07 d5', '-- d5')}", "'--' stands where"),
        (f"12.5 {BARE_SPACED.replace('07 d5', '.. d5')}", "'..' stands where"),
        (f"12.5 {FRAME[:8].hex(' ')} ... 0a 88", "'...' stands where"),
        (f"12.5 {FRAME[:8].hex(' ')} \u2026 0a 88", "stands where"),
        (f"12.5 {FRAME[:18].hex(' ')} <overrun> {FRAME[19:].hex(' ')}", "more octets stand apart"),
        (f"12.5 {FRAME[:18].hex(' ')}[12.6] warning", "'[' is no hex digit"),
        (f"12.5 \ufffd\ufffd{BARE_SPACED}", "octets that are no text"),
        (f"12.5 rx {FRAME[:16].hex()} {FRAME[16:].hex()[:-1]}", "15 hex digits, half an octet"),
        (f"a: {SPACED} b: {OTHER.hex(' ')}", "write a frame a line"),
        (f"TX: {SPACED}, RX: 02 00 04 9c f3", "write a frame a line"),
        ("[" + ", ".join(f'{{"data": ["{f.hex(" ")}"]}}' for f in (FRAME, OTHER)) + "]", "write a frame a line"),
        ("rx: 6188 01 3412 ffff 0200 of one", "'01' is written otherwise"),
        (f"pl={BARE_SPACED}", "put a blank"),
        (f"uint8_t f[] = {{ {', '.join(map(str, FRAME))} }};", "octets in decimal"),
        (f"0x0024 {BARE_SPACED}", "'0x0024' is written otherwise"),
        ("rx: 6188 01 34 12 ff ff of one", "'6188' is written otherwise"),
    ],
)  # fmt: skip
def test_a_line_of_which_octets_are_missing_or_more_is_left_out(line: str, says: str) -> None:
    """A frame that is cut in silence would be judged as one that somebody sent."""
    records, reading = read(f"{FRAME.hex()}\n{line}\n{OTHER.hex()}\n")
    assert [record.octets for record in records] == [FRAME, OTHER]
    (notice,) = reading.notices
    assert (notice.name, notice.is_damage) == ("line-garbled", True)
    assert says in notice.text


def dump(form: str, frame: bytes = FRAME) -> str:
    """Return two rows of a dump; the form has the row's offset in it, and its octets."""
    return "\n".join(form.format(at, frame[at : at + 16].hex(" ")) for at in (0, 16)) + "\n"


@pytest.mark.parametrize(
    "form",
    [
        "radio0: {:08x}: {}",
        "12.5 radio0: {:08x}: {}",
        "[{:04x}] {}",
        "{:02x}: {}",
        "node 3> {:04x}  {}",
        "{:08X}  {}",
    ],
)
def test_rows_behind_offsets_and_labels_are_one_frame(form: str) -> None:
    records, reading = read(dump(form) + dump(form, OTHER))
    assert [record.octets for record in records] == [FRAME, OTHER]
    assert not reading.notices


def test_rows_behind_addresses_that_go_on_are_one_frame() -> None:
    rows = [
        f"I (3) radio: {0x3FFB4280 + at:#010x}   {FRAME[at:][:16].hex(' ')}  |a|" for at in (0, 16)
    ]
    records, _ = read("\n".join(rows * 2))
    assert [record.octets for record in records] == [FRAME, FRAME]


def test_equal_rows_of_a_dump() -> None:
    """POSIX od: an asterisk stands for rows that are equal to the one before; 0x40 - 0x10 are 48 zeros."""
    text = f"00000000  {SPACED[:47]}\n00000010  {bytes(16).hex(' ')}\n*\n00000040  {SPACED[48:]}\n00000048\n"
    records, reading = read(text)
    assert [record.octets for record in records] == [FRAME[:16] + bytes(48) + FRAME[16:]]
    assert not reading.notices


@pytest.mark.parametrize(
    "rows",
    [
        f"0000  {BARE[:16].hex(' ')}\n0030  {BARE[16:].hex(' ')}\n",
        f"0010  {BARE[16:].hex(' ')}\n",
        f"0000  {BARE[:16].hex(' ')}\n*\n",
    ],
)
def test_a_dump_that_lacks_a_row_is_left_out(rows: str) -> None:
    records, reading = read(f"{FRAME.hex()}\n{rows}\n{dump('{:04x}  {}', OTHER)}")
    assert [record.octets for record in records] == [FRAME, OTHER]
    assert [notice.name for notice in reading.notices] == ["line-garbled"]


def test_a_number_before_a_frame_is_no_offset() -> None:
    """Ticks may look like one: a row of 16 octets at most does, and the next offset is 16 more."""
    records, _ = read(f"00012500: {SPACED}\n00000010: {SPACED}\n00000020: {SPACED}\n")
    assert [record.octets for record in records] == [FRAME] * 3


@pytest.mark.parametrize(
    ("before", "width"),
    [("", 12), ("", 20), ("12.5 ", 16), ("I (312) radio: ", 16), ("12.5 rx ", 8)],
)
def test_rows_that_are_written_alike_are_one_frame_where_its_sum_proves_it(
    before: str, width: int
) -> None:
    def rows(frame: bytes) -> str:
        parts = [frame[at : at + width] for at in range(0, len(frame), width)]
        return "".join(f"{before}{part.hex(' ')}\n" for part in parts)

    records, _ = read(rows(FRAME) + rows(OTHER))
    assert [record.octets for record in records] == [FRAME, OTHER]
    unproved, _ = read(rows(BARE) + rows(OTHER[:-2]))
    assert all(len(record.octets) <= width for record in unproved)


def test_octets_of_zero_in_a_log_leave_their_line_out() -> None:
    """A board that starts again writes some; a file of them is no text."""
    gap = SPACED.replace("f7 01", "f7 \0 01")
    text = f"{SPACED}\n\0boot\n\0{SPACED}\n{gap}\n{OTHER.hex()}\n"
    records, reading = read(text)
    assert [record.octets for record in records] == [FRAME, OTHER]
    assert [notice.number for notice in reading.notices] == [1, 1, 1]
    assert not read("\0" * 50 + text[:100])[0]
