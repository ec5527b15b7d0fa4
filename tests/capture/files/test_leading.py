"""Numbers and addresses before a frame that are written as octets are: the lines as a person reads them.

The frames are IEEE 802.15.4-2006 clause 7.2.1's by hand (from memory): 61 88 or 41 88, sequence number, PAN ID and
addresses; behind them 7a 33, IPHC with all elided or in few octets (RFC 6282 section 3.1.1), and UDP (section 4.3).
"""

import pytest
from capture.files.test_text_lines import FRAME, OTHER, read

HEADER = "61 88 01 cd ab 01 00 17 00 "
SHORT = bytes.fromhex(HEADER + "7e 33 f0 16 33 16 34 12 34 01")
LONGER = bytes.fromhex(HEADER + "7e 33 f0 16 33 16 34 12 34" + " 55" * 82)
ACKNOWLEDGEMENT = bytes.fromhex("02 00 2a")
FRAMES = [SHORT, LONGER, ACKNOWLEDGEMENT, FRAME, OTHER[:-2]]
EUI64 = "00124b0014b5d988"


def frames_of(lines: list[str]) -> list[bytes]:
    records, _ = read("\n".join(lines) + "\n")
    return [record.octets for record in records]


def test_the_frames_are_as_long_as_they_are_counted() -> None:
    assert [len(frame) for frame in FRAMES] == [19, 100, 3, 24, 22]


@pytest.mark.parametrize("before", ["rx ", "12:00:00.000 rx ", "12:00:00.000 ", ""])
@pytest.mark.parametrize("beside", [0, 2, -2])
def test_a_number_of_the_octets_behind_it_is_none(before: str, beside: int) -> None:
    """The check sequence (IEEE 802.15.4-2006 clause 7.2.1.9, two octets) is counted or not, be it there or not."""
    counted = [frame for frame in FRAMES if len(frame) + beside > 9]
    lines = [f"{before}{len(frame) + beside} {frame.hex(' ')}" for frame in counted]
    assert frames_of(lines) == counted


def test_a_number_of_one_or_three_digits_is_none() -> None:
    frames = [LONGER, ACKNOWLEDGEMENT]
    assert frames_of([f"rx {len(frame)} {frame.hex(' ')}" for frame in frames]) == frames


@pytest.mark.parametrize("address", [EUI64, EUI64.upper(), "f4ce3611a2b3c4d5"])
@pytest.mark.parametrize("before", ["rx ", "12:00:00.000 ", ""])
def test_an_address_before_a_frame_is_none_of_its_octets(before: str, address: str) -> None:
    lines = [f"{before}{address} {frame.hex()}" for frame in FRAMES]
    assert frames_of(lines) == FRAMES


def test_a_frame_that_begins_like_a_number_of_its_octets_is_whole() -> None:
    """41 88, compressed PAN ID, data: and 41 octets behind the 41."""
    frame = bytes.fromhex("41 88 01 cd ab ff ff 17 00 7e 33 f0 16 33 16 34 12 34" + " 55" * 24)
    assert len(frame) == 42
    assert frames_of([frame.hex(" "), f"rx {frame.hex(' ')}"]) == [frame] * 2


@pytest.mark.parametrize("frame", FRAMES[:2])
def test_a_blank_behind_the_first_eight_octets_is_no_border(frame: bytes) -> None:
    assert frames_of([f"rx {frame[:8].hex()} {frame[8:].hex()}"]) == [frame]
