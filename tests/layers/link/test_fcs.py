"""Check sequences against published check values, the standard's example, and a bitwise restatement."""

from typing import Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lowpanbudget.errors import RequestError
from lowpanbudget.layers.link.fcs import fcs, fcs_slips, is_right

CHECK = b"123456789"


def test_two_octets_match_the_published_check_value() -> None:
    """CRC-16/KERMIT of "123456789" is 0x2189 in the catalogue of parametrised CRC algorithms (from memory)."""
    assert fcs(CHECK) == (0x2189).to_bytes(2, "little")


# of "123456789" in the same catalogue (from memory): XMODEM, IBM-3740, GENIBUS; MCRF4XX, X-25, KERMIT
@pytest.mark.parametrize(
    ("check", "order", "slip"),
    [
        (0x31C3, "little", "taken most significant bit first"),
        (0x29B1, "little", "taken most significant bit first and counted from 0xffff"),
        (
            0xD64E,
            "little",
            "taken most significant bit first and counted from 0xffff and inverted at the end",
        ),
        (0x6F91, "little", "counted from 0xffff"),
        (0x906E, "little", "counted from 0xffff and inverted at the end"),
        (
            0x906E,
            "big",
            "counted from 0xffff and inverted at the end and with its octets exchanged",
        ),
        (0x2189, "big", "with its octets exchanged"),
    ],
)
def test_other_sums_are_named(check: int, order: Literal["little", "big"], slip: str) -> None:
    sent = check.to_bytes(2, order)
    bits = int.from_bytes(sent, "little") ^ 0x2189
    differs = f"that differs in the same bits in each, {bits:#06x}"
    assert fcs_slips(CHECK, sent) == [slip, differs]


def test_a_right_one_and_one_of_four_octets_have_no_other_sum() -> None:
    assert fcs_slips(CHECK, fcs(CHECK)) == fcs_slips(CHECK, b"\0\1\2\3") == []


def test_four_octets_match_the_published_check_value() -> None:
    """CRC-32/ISO-HDLC of "123456789" is 0xcbf43926 in the same catalogue (from memory)."""
    assert fcs(CHECK, 4) == (0xCBF43926).to_bytes(4, "little")


def test_example_of_the_standard() -> None:
    """IEEE 802.15.4-2006 clause 7.2.1.9, an acknowledgement, bits in order of transmission (from memory)."""
    header, check = "0100 0000 0000 0000 0101 0110", "0010 0111 1001 1110"
    assert fcs(_octets(header)) == _octets(check)


def test_example_of_the_standard_with_four_octets() -> None:
    """IEEE 802.15.4-2015 clause 7.2.10, the same acknowledgement, padded for the sum alone (from memory)."""
    header = "0100 0000 0000 0000 0101 0110"
    check = "0101 1101 0010 1001 1111 1010 0010 1000"
    assert fcs(_octets(header), 4) == _octets(check)


def _octets(bits: str) -> bytes:
    """Return the octets of bits as the standard prints them: the first one sent is the least significant."""
    bits = bits.replace(" ", "")
    return bytes(int(bits[at : at + 8][::-1], 2) for at in range(0, len(bits), 8))


@given(st.binary(max_size=130))
def test_two_octets_are_the_division_written_down_bit_by_bit(octets: bytes) -> None:
    """x^16 + x^12 + x^5 + 1, remainder zero at the start, least significant bit first."""
    remainder = 0
    for bit in ((octet >> n) & 1 for octet in octets for n in range(8)):
        remainder = (remainder >> 1) ^ (0x8408 if (remainder ^ bit) & 1 else 0)
    assert fcs(octets) == remainder.to_bytes(2, "little")
    assert fcs(octets + fcs(octets)) == b"\0\0"  # a receiver's remainder is zero


def test_none_and_wrong_lengths() -> None:
    assert fcs(CHECK, 0) == b""
    with pytest.raises(RequestError, match="0, 2 or 4"):
        fcs(CHECK, 3)


@pytest.mark.parametrize("length", [2, 4])
def test_a_sequence_is_right_behind_its_octets_alone(length: int) -> None:
    """A CRC finds each bit that differs, wherever it stands: its generator has more terms than one."""
    sent = CHECK + fcs(CHECK, length)
    assert is_right(sent, length)
    for bit in range(8 * len(sent)):
        damaged = bytearray(sent)
        damaged[bit // 8] ^= 1 << bit % 8
        assert not is_right(bytes(damaged), length)
