"""Logs in which words, addresses and numbers stand that could be octets: they are no frames, and what is one stays.

The frames are IEEE 802.15.4-2006 clause 7.2.1's by hand: frame control, sequence number, addresses (from memory).
"""

import hashlib
from collections.abc import Iterator

import pytest
from capture.files.test_text_lines import FRAME, read

from lowpanbudget.capture.files.among_words import told_apart
from lowpanbudget.capture.files.hex_dump import TextLine
from lowpanbudget.capture.files.hex_rows import OctetLine
from lowpanbudget.capture.files.line_octets import LineOctets

BEACONS = "41 d8 01 cd ab ff ff 02 00 7e f7 00 f0 22 3d 16 2e 8f 4a 41"
CUT = "61 88 01 cd ab"
ACKNOWLEDGEMENT = "02 00 2a"
LATER = "02 2e 2a cd ab 17 00"  # version 2, destination and PAN ID: addressed as the 2015 edition has it
OURS = [BEACONS, CUT, ACKNOWLEDGEMENT, LATER]


@pytest.mark.parametrize(
    "line",
    [
        "[00:00:01.250] <inf> net: ext 0212:4b00:14b5:d9a1",  # an EUI-64
        "[00:00:02.900] <wrn> dead beef: face cafe added",
        "[00:00:03.100] <inf> temp 21.5 C at 12 30 45",
        "boot: checksum 9a 3c 4b 00, ready",  # frame type 2 with bits of version 3
        "mac f4 ce 36 e2 11 09 up",  # frame type 4 is reserved
        "key id 0x03 0xf3 0x11 loaded",  # version 3 is reserved
    ],
)
def test_words_are_no_frames(line: str) -> None:
    records, reading = read(f"{line}\nradio: rx {BEACONS}\n{line}\n")
    assert [record.octets.hex(" ") for record in records] == [BEACONS]
    assert [notice.name for notice in reading.notices] == ["line-wrong"] * 2


@pytest.mark.parametrize("frame", OURS)
def test_what_a_frame_may_begin_with_is_one(frame: str) -> None:
    records, _ = read(f"radio: rx {frame} (lost)\n")
    assert [record.octets.hex(" ") for record in records] == [frame]


def test_what_stands_where_frames_stand_is_one_whatever_it_is() -> None:
    """A fault of a node is seen, and not taken for a word; numbers in the label may be others each time."""
    wrong = "fa ce ca fe"
    records, _ = read(
        f"rx 1, -40 dBm: {BEACONS}\nrx 2, -41.5 dBm: {wrong}\ntx 3: {wrong}\n{wrong}\n"
    )
    assert [record.octets.hex(" ") for record in records] == [BEACONS, wrong, wrong]


def test_why_a_line_has_no_frame_is_said() -> None:
    _, reading = read("radio: ready, face cafe\n")
    (notice,) = reading.notices
    assert "line 1 has no frame: 4 octets among words, which none begins with" in str(notice)


SUMS = [  # of "", "a" and "abc": RFC 1321 section A.5; FIPS 180-4, whose examples hashlib has
    *(hashlib.md5(text, usedforsecurity=False).hexdigest() for text in (b"", b"a", b"abc")),
    *(hashlib.sha1(text, usedforsecurity=False).hexdigest() for text in (b"", b"a", b"abc")),
    *(hashlib.sha256(text).hexdigest() for text in (b"", b"a", b"abc")),
    "7d444840-9dc0-11d1-b245-5ffdce74fad2",  # a UUID, of RFC 4122 appendix B
]


def test_the_sums_are_those_of_the_standard() -> None:
    """RFC 1321 section A.5."""
    assert SUMS[:2] == ["d41d8cd98f00b204e9800998ecf8427e", "0cc175b9c0f1b6a831c399e269772661"]


@pytest.mark.parametrize("frame", [FRAME, FRAME[:-2]])
def test_sums_are_no_frames_where_frames_stand_behind_other_words(frame: bytes) -> None:
    """Before the first frame and behind it; with a check sequence and, as 6LoWPAN, without one."""
    sums = "".join(f"12:00:00.000 sum {one}\n" for one in SUMS)
    records, reading = read(f"{sums}12:00:01.000 rx: {frame.hex(' ')}\n{sums}")
    assert [record.octets for record in records] == [frame]
    wrong = [notice.text for notice in reading.notices]
    assert len(wrong) == 2 * len(SUMS)
    assert "which are read as none, and frames stand behind other words" in wrong[0]


def test_other_words_may_have_frames_too() -> None:
    records, _ = read(f"rx 1: {FRAME.hex(' ')}\ntx -> 12: {FRAME[:-2].hex(' ')}\nmac: {BEACONS}\n")
    assert len(records) == 3


def test_without_any_frame_that_is_read_all_long_ones_are_kept() -> None:
    """A log of frames of another kind, or damaged ones, is not taken for words."""
    odd = "fa ce " * 20
    records, _ = read(f"rx {odd}\ntx {odd}\n")
    assert len(records) == 2


def test_a_line_does_not_wait_for_long() -> None:
    """A live stream: what is read goes on at once, and the rest after a bounded number of lines."""
    taken = 0

    def lines(*texts: bytes) -> Iterator[OctetLine]:
        nonlocal taken
        for octets in texts:
            taken += 1
            yield OctetLine(TextLine(taken, 0, ""), LineOctets(octets, "rx"))

    assert next(told_apart(lines(FRAME, FRAME))).octets == FRAME
    assert taken == 1
    odd = bytes.fromhex("face") * 10
    assert next(told_apart(lines(*[odd] * 1000))).octets == odd
    assert taken <= 34
