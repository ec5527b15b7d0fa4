"""Logs in which words, addresses and numbers stand that could be octets: they are no frames, and what is one stays.

The frames are IEEE 802.15.4-2006 clause 7.2.1's by hand: frame control, sequence number, addresses (from memory).
"""

import pytest
from capture.files.test_text_lines import read

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
