"""MAC headers of versions 0 to 2 said once more in words, and read and written again for every frame control word.

IEEE 802.15.4-2006 clause 7.2.1 and 802.15.4-2015 clause 7.2.2, table 7-2, from memory.
"""

from dataclasses import replace
from itertools import product
from typing import Any, NamedTuple

import pytest
from contract.vectors import tiles

from lowpanbudget import decode_frame, encode_frame

LENGTHS = {0: 0, 2: 2, 3: 8}
KEY_SOURCES = (0, 0, 4, 8)


class Header(NamedTuple):
    """A header as these lines read it."""

    end: int
    sequence: int | None
    destination_pan: int | None
    destination: bytes | None
    source_pan: int | None
    source: bytes | None
    security: tuple[int, int, bool, int | None, bytes | None, int | None] | None


def carries(version: int, compression: int, destination: int, source: int) -> tuple[bool, bool]:
    """Return whether the destination's and the source's PAN ID are there."""
    if version < 2:
        return bool(destination), bool(source) and not (compression and destination)
    if destination and source:
        if destination == source == 3:
            return not compression, False
        return True, not compression
    if destination or source:
        return bool(destination) and not compression, bool(source) and not compression
    return bool(compression), False


def parsed(octets: bytes) -> Header:
    """Return the header, its fields one after the other, least significant octet first."""
    word = int.from_bytes(octets[:2], "little")
    version, compression = word >> 12 & 3, word >> 6 & 1
    modes = destination_mode, source_mode = word >> 10 & 3, word >> 14 & 3
    place = 2

    def take(count: int) -> bytes:
        nonlocal place
        place += count
        return octets[place - count : place]

    def number(count: int) -> int:
        return int.from_bytes(take(count), "little")

    def address(mode: int) -> bytes | None:
        return take(LENGTHS[mode])[::-1] if mode else None

    has_destination, has_source = carries(version, compression, *modes)
    sequence = None if version == 2 and word >> 8 & 1 else number(1)
    destination_pan = number(2) if has_destination else None
    destination = address(destination_mode)
    source_pan = number(2) if has_source else None
    source = address(source_mode)
    security = None
    if word >> 3 & 1:
        control = number(1)
        mode = control >> 3 & 3
        counter = None if control >> 5 & 1 else number(4)
        key_source = take(KEY_SOURCES[mode])[::-1] if KEY_SOURCES[mode] else None
        security = (
            control & 7, mode, bool(control >> 6 & 1), counter, key_source, number(1) if mode else None,
        )  # fmt: skip
    return Header(place, sequence, destination_pan, destination, source_pan, source, security)


WORDS = [
    kind | secured << 3 | compression << 6 | suppressed << 8 | destination << 10 | version << 12 | source << 14
    for kind, secured, compression, suppressed, destination, version, source in product(
        range(4), range(2), range(2), range(2), (0, 2, 3), range(3), (0, 2, 3)
    )
    if not (secured and version == 0) and not (suppressed and version < 2)
]  # fmt: skip


@pytest.mark.parametrize("first", [0x11, 0x20, 0x6F])
def test_every_readable_word(first: int) -> None:
    """The octets behind the word vary with ``first``: levels, key id modes and counter forms."""
    for word in WORDS:
        octets = word.to_bytes(2, "little") + bytes(range(first, first + 56))
        frame: Any = decode_frame(octets, fcs=False)
        mac, here = frame.mac, parsed(octets)
        assert tiles(frame.spans, len(octets) * 8)
        assert mac.header_length == here.end, hex(word)
        for name in ("sequence", "destination_pan", "destination", "source_pan", "source"):
            assert getattr(mac, name) == getattr(here, name), (hex(word), name)
        assert (mac.security is None) == (here.security is None)
        if mac.security is not None:
            read = mac.security
            assert here.security == (
                read.level, read.key_id_mode, read.asn_in_nonce, read.frame_counter,
                read.key_source, read.key_index,
            )  # fmt: skip
        elif word & 7 == 1:
            again = encode_frame(replace(mac, fcs_ok=None), octets[here.end :], fcs=False)
            assert again.octets == octets, hex(word)
