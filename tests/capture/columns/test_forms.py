"""What the loops know of a header by its first words is what the reader of that header says, for every code."""

from functools import cache

import pytest

from lowpanbudget.bits import Reader
from lowpanbudget.capture.columns import forms
from lowpanbudget.capture.columns import places as p
from lowpanbudget.errors import WireError
from lowpanbudget.layers.link import mac
from lowpanbudget.layers.link.elements import decode_header_ies
from lowpanbudget.layers.link.fcs import fcs


@cache
def header_behind(word: int) -> tuple[int, int | None] | None:
    """Return the length of the MAC header behind a frame control, and the number in it; None where none is read."""
    try:
        header = mac.decode(Reader(word.to_bytes(2, "little") + bytes(range(1, 60))))
    except WireError:
        return None
    return header.header_length, header.sequence


@pytest.mark.long
def test_every_frame_control_is_that_of_the_reader() -> None:
    """The MAC header behind each, unsecured and without elements, ends where the form says; no form, no header.

    Of multipurpose frames (type 5), which may have a control of one octet, other bits tell of security and elements.
    """
    for word in range(1 << 16):
        form = forms.frame_control(word)
        flags = 0
        if word & 7 != 5:
            # security (bit 3) and, in version 2, elements (bit 9): IEEE 802.15.4-2015 figure 7-5, from memory
            flags = word & (0x208 if word >> 12 & 3 == 2 else 8)
            assert form == p.UNKNOWN or form >> 9 == (flags >> 3 & 1) | (flags >> 8 & 2)
        elif form >> 9:
            continue
        header = header_behind(word & ~flags)
        if header is None:
            assert form == p.UNKNOWN
            continue
        if form == p.UNKNOWN:
            assert word & 7 == 5 or flags & 8  # of version 0, where security has no header
            continue
        length, sequence = header
        assert form & 0xFF == length
        assert form >> 8 & 1 == (sequence is not None)
        assert sequence in (None, 1)  # the octet behind the frame control


def test_every_security_control_is_that_of_the_standard() -> None:
    """Octets of MIC by level, of the key identifier by mode: IEEE 802.15.4-2015 tables 9-6 and 9-7, from memory."""
    for octet in range(256):
        form = forms.security_control(octet)
        counter = 0 if octet >> 5 & 1 else 4
        assert form & 0xFF == 1 + counter + (0, 1, 5, 9)[octet >> 3 & 3]
        assert form >> 8 & 0xFF == (0, 4, 8, 16)[octet & 3]
        assert form >> 16 & 0xFF == (1 if counter else 0)
        assert form >> 24 & 1 == octet >> 2 & 1
        assert form >> 25 == (octet & 7 > 0)


@pytest.mark.long
def test_every_head_of_a_header_element_is_that_of_the_standard() -> None:
    """Seven bits of length, eight of id, a type of 0; 0x7e and 0x7f end the list: clause 7.4.2, from memory."""
    for word in range(1 << 16):
        form = forms.element_head(word)
        if word >> 15:
            assert form == p.UNKNOWN
            continue
        assert form & 0xFF == 2 + (word & 0x7F)
        assert form >> 8 == (word >> 7 & 0xFF in (0x7E, 0x7F))
    assert decode_header_ies(Reader(b""))[0] == ()


def test_an_fcs_is_the_sum_of_its_octets() -> None:
    sums = forms.sums_of_octets()
    octets = bytes(range(3, 11))
    total = 0
    for behind, octet in enumerate(reversed(octets)):
        total ^= sums[behind * 256 + octet]
    assert total == int.from_bytes(fcs(octets), "little")
