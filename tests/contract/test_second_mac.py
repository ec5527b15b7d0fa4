"""MAC frames read and written by a second opinion in ``construct`` and ``cryptography``, and by the package.

What the second opinion is from stands in ``second_mac``; ``python -m trust.second_mac`` asks about many more frames.
"""

from dataclasses import replace
from random import Random
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from second_mac.compare import SAME, decoded, in_header, of_both
from second_mac.frame import check_sequence, read
from second_mac.frames import frame
from second_mac.vectors import asked, cases

FRAMES = 600


@pytest.mark.long
def test_both_tell_the_same_of_drawn_frames() -> None:
    """Whole, damaged, any octets, and written: addresses, PAN IDs, security, elements, payload opened, FCS."""
    for number in range(FRAMES):
        for way, found in of_both(Random(number)).items():
            assert not found, (number, way)


@given(st.randoms(use_true_random=False))
def test_both_tell_the_same_of_frames_searched_for(draw: Random) -> None:
    assert not any(of_both(draw).values())


def test_both_tell_the_same_of_every_vector() -> None:
    found = {case["id"]: asked(case) for case in cases()}
    assert len(found) >= 440
    assert not {name: one for name, one in found.items() if one}


@pytest.mark.parametrize("name", SAME)
def test_a_field_that_differs_is_seen(name: str) -> None:
    drawn = frame(Random(1))
    octets = drawn.filled(Random(1))
    mac = decoded(octets, drawn.fcs, drawn.known).mac
    assert mac is not None
    changed: dict[str, Any] = {name: "other"}
    other = replace(read(octets, drawn.fcs), **changed)
    assert [one[0] for one in in_header(other, mac)] == [name]


def test_its_check_sequences_are_those_of_general_catalogues() -> None:
    """Of "123456789", for the ITU-T sum from zero, reflected, and IEEE 802.3: common practice, no source."""
    assert check_sequence(b"123456789", 2) == bytes.fromhex("8921")
    assert check_sequence(b"123456789", 4) == bytes.fromhex("2639f4cb")
