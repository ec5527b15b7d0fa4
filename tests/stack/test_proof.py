"""Security level 4: encrypted without an integrity code (IEEE 802.15.4-2015 table 9-6, from memory).

Frames are sealed by the library's AES in counter mode alone, with the nonce of address, frame counter and level; the
checksum of RFC 768 is that of ``contract.air``.
"""

import random
from typing import Any

import pytest
from capture.captures import records
from capture.columns.columns_help import by_columns
from contract.air import CONTEXTS, KEY, PAN, eui, ip_of, mac_of, udp_datagram
from cryptography.hazmat.primitives.ciphers import Cipher, algorithms, modes

from lowpanbudget import Decoder, Env, Key, compress, encode_frame, split
from lowpanbudget.capture.follow.tracing import Trace
from lowpanbudget.capture.surveyor import survey

OTHER, THIRD = bytes(range(0x10, 0x20)), bytes(16)
NODE, ROOT = eui(1), eui(0x100)
COUNT = 40
UNPROVEN = "key-unproven"


def sealed(payload: bytes, number: int) -> bytes:
    """Return a frame of version 1 under key index 3, its payload encrypted here."""
    clear = encode_frame(mac_of(NODE, ROOT, number), b"", fcs=0).octets
    # secured; level 4 with key id mode 1, the counter with its low octet first, the key index
    header = bytes([clear[0] | 8]) + clear[1:] + bytes([4 | 1 << 3, number, 1, 0, 0, 3])
    nonce = NODE + (0x100 + number).to_bytes(4, "big") + b"\4"
    cipher = Cipher(algorithms.AES(KEY), modes.CTR(b"\x01" + nonce + b"\x00\x01")).encryptor()
    return header + cipher.update(payload)


def reading(number: int, size: int = 14) -> bytes:
    octets = random.Random(number).randbytes(size)
    return udp_datagram(ip_of(NODE), ip_of(ROOT), octets)


def readings() -> list[bytes]:
    env = Env(NODE, ROOT, contexts=CONTEXTS)
    return [sealed(compress(reading(number), env).octets, number) for number in range(COUNT)]


def names(frame: Any) -> list[str]:
    return [notice.name for notice in frame.notices]


@pytest.mark.parametrize("keys", [[OTHER, KEY], [KEY, OTHER], [OTHER, THIRD, Key(KEY, index=3)]])
def test_of_keys_that_fit_the_one_whose_checksum_is_right_is_taken(keys: list[Any]) -> None:
    read = Decoder(CONTEXTS, keys)
    for number, octets in enumerate(readings()):
        frame = read.frame(octets, fcs=False)
        assert frame.datagram is not None
        assert (frame.datagram.octets, names(frame)) == (reading(number), ["no-integrity-check"])
        assert not frame.verified


def test_a_wrong_key_is_told_and_what_it_gives_names_nobody() -> None:
    read = Decoder(CONTEXTS, [OTHER])
    for octets in readings():
        frame = read.frame(octets, fcs=False)
        (told,) = [one for one in frame.notices if one.name == UNPROVEN]
        assert "nothing proves the key: security level 4 has no integrity code" in told.text
        assert str(told.cite) == "IEEE 802.15.4-2015 table 9-6"
        assert told.offset == 27  # 21 octets of MAC header, then level, counter and index
        assert told.hint
        assert frame.fault is None or (frame.link_source, frame.link_destination) == (NODE, ROOT)


def test_of_two_keys_of_which_none_is_proven_the_notice_tells_how_many_fit() -> None:
    frame = Decoder(CONTEXTS, [OTHER, THIRD, Key(KEY, index=4)]).frame(readings()[0], fcs=False)
    (text,) = [one.text for one in frame.notices if one.name == UNPROVEN]
    assert "which of the 2 keys that fit is right" in text


def test_a_fragment_under_the_right_key_is_read_though_nothing_in_it_proves_the_key() -> None:
    """RFC 4944 section 5.3: the checksum is that of the whole datagram."""
    env = Env(NODE, ROOT, contexts=CONTEXTS)
    parts = split(reading(1, 180), env, room=90, tag=7)
    frames = [sealed(part, number) for number, part in enumerate(parts, 1)]
    for octets in frames:
        frame = Decoder(CONTEXTS, [KEY]).frame(octets, fcs=False)
        assert frame.fragment is not None
        assert UNPROVEN in names(frame)
    last = list(Trace(contexts=CONTEXTS, keys=[KEY]).follow(records(frames, 230)))[-1]
    assert last.datagram == reading(1, 180)


def test_what_is_no_datagram_proves_no_key_and_what_is_empty_needs_none() -> None:
    """RFC 4944 section 5.1: 00xxxxxx is not a LoWPAN frame."""
    read = Decoder(CONTEXTS, [KEY])
    assert UNPROVEN in names(read.frame(sealed(b"\x3f\xc0", 1), fcs=False))
    assert UNPROVEN not in names(read.frame(sealed(b"", 1), fcs=False))


def test_a_frame_that_was_cut_is_read_under_the_first_key_that_gives_a_beginning() -> None:
    """What would prove the key may stand in what is missing: nothing is said of it."""
    read = Decoder(CONTEXTS, [OTHER, KEY])
    for octets in readings():
        frame = read.frame(octets[:-3], fcs=False, left_out=3)
        assert names(frame) == []


@pytest.mark.parametrize("keys", [[OTHER, KEY], [KEY], [OTHER], [KEY, OTHER, THIRD]])
def test_frames_that_are_alike_are_read_as_each_alone(keys: list[bytes]) -> None:
    """By templates, by columns and one by one: 40 readings, and few that a wrong key alone gives."""
    made = records(readings(), 230)
    read = Decoder(CONTEXTS, keys)
    for sighting, octets in zip(
        Trace(contexts=CONTEXTS, keys=keys).follow(made), readings(), strict=True
    ):
        frame = read.frame(octets, fcs=False)
        assert sighting.datagram == (None if frame.datagram is None else frame.datagram.octets)
        assert sighting.payload == frame.payload
    found, _ = by_columns(made, contexts=CONTEXTS, keys=keys)
    assert found == survey(made, columns=False, contexts=CONTEXTS, keys=keys)
    assert {cell.node for cell in found.cells} == {NODE}
    assert list(found.pans) == [PAN]
    assert all(reason.endswith("(nothing proves the key)") for reason in found.reasons)
    assert bool(found.reasons) == (KEY not in keys)
    assert found.total.datagrams == COUNT if KEY in keys else found.total.datagrams < COUNT / 10
