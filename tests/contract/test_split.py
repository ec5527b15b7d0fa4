"""Where a datagram is cut: as late as the 8-octet rule allows, all compressed headers in front."""

from typing import Any

import pytest
from contract import air
from second import payload
from second.payload import Around

from lowpanbudget import DoesNotFit, Env, RequestError, compress, split, write_ghc

ENV = Env(b"\x00\x01", b"\x00\x02")
FRAG1, FRAGN = 4, 5  # RFC 4944 figures 4 and 5


def datagram(payload: int, next_header: int = 59) -> bytes:
    return (
        bytes.fromhex("6000 0000") + payload.to_bytes(2, "big") + bytes([next_header, 64])
        + bytes.fromhex("fe80 0000 0000 0000 0000 00ff fe00 0001")
        + bytes.fromhex("fe80 0000 0000 0000 0000 00ff fe00 0002")
        + bytes(i % 256 for i in range(payload))
    )  # fmt: skip


@pytest.mark.parametrize("room", [45, 46, 60, 74, 80, 88, 102, 120])
@pytest.mark.parametrize("payload", [0, 1, 60, 100, 200, 1240, 2007])
def test_every_cut_is_as_late_as_it_can_be(room: int, payload: int) -> None:
    whole = datagram(payload)
    parts = split(whole, ENV, room=room, tag=3)
    compressed = compress(whole, ENV).octets
    assert all(len(part) <= room for part in parts)
    if len(compressed) <= room:
        assert parts == [compressed]
        return
    ends = [part[4] * 8 for part in parts[1:]] + [len(whole)]
    starts = [0, *ends[:-1]]
    for number, (part, start, end) in enumerate(zip(parts, starts, ends, strict=True)):
        last = number == len(parts) - 1
        assert part[0] >> 3 == (0b11100 if number else 0b11000)
        assert int.from_bytes(part[:2], "big") & 0x7FF == len(whole)
        assert part[2:4] == b"\0\3"
        assert last or end % 8 == 0
        if number:
            assert part[FRAGN:] == whole[start:end]
        if not last:
            # eight octets more would not have fitted, or would have left no second fragment
            assert len(part) + 8 > room or end + 8 >= len(whole)


def test_one_octet_decides() -> None:
    whole = datagram(100)
    size = len(compress(whole, ENV).octets)
    assert len(split(whole, ENV, room=size, tag=0)) == 1
    assert len(split(whole, ENV, room=size - 1, tag=0)) == 2


def test_the_largest_datagram_has_2047_octets() -> None:
    """Section 5.3: "This 11-bit field encodes the size of the entire IP packet"."""
    assert split(datagram(2007), ENV, room=80, tag=0)
    with pytest.raises(RequestError, match="2047"):
        split(datagram(2008), ENV, room=80, tag=0)
    assert len(split(datagram(2008), ENV, room=2047, tag=0)) == 1  # a long frame needs no fragments


@pytest.mark.parametrize("room", [-1, 0, 5, 12])
def test_too_little_room_for_any_fragment(room: int) -> None:
    with pytest.raises(DoesNotFit) as caught:
        split(datagram(100), ENV, room=room, tag=0)
    assert caught.value.by == FRAGN + 8 - room


def test_too_little_room_for_the_first_fragment() -> None:
    """A first fragment whose header cannot be compressed further: 4 + 3 octets and none of the datagram is 40."""
    global_addresses = datagram(100).replace(bytes.fromhex("fe80"), bytes.fromhex("2001"))
    assert split(global_addresses, ENV, room=40, tag=0)
    with pytest.raises(DoesNotFit):
        split(global_addresses, ENV, room=38, tag=0)


@pytest.mark.parametrize("tag", [-1, 65536, "7", 1.0, None])
def test_a_tag_has_16_bits(tag: Any) -> None:
    with pytest.raises(RequestError, match="tag"):
        split(datagram(100), ENV, room=80, tag=tag)


@pytest.mark.parametrize("room", ["80", None, 80.5, True])
def test_a_room_is_a_number_of_octets(room: Any) -> None:
    with pytest.raises(RequestError, match="room"):
        split(datagram(100), ENV, room=room)


@pytest.mark.parametrize("kind", [0, 43, 44, 60, 135])
def test_an_extension_header_that_ends_nowhere_is_payload(kind: int) -> None:
    """Its length points beyond the datagram: it is not compressed, and it is split all the same."""
    whole = datagram(200, kind)
    whole = whole[:41] + b"\xff" + whole[42:]
    parts = split(whole, ENV, room=80, tag=0)
    assert all(len(part) <= 80 for part in parts)
    assert len(parts) == 3


@pytest.mark.parametrize("cut", range(8))
def test_a_transport_header_cut_short_is_payload(cut: int) -> None:
    whole = datagram(cut, 17)
    assert split(whole, ENV, room=80, tag=0) == [compress(whole, ENV).octets]


TALK = b"temperature 21.5, " * 6 + bytes(range(60))  # copies
QUIET = bytes(range(1, 90)) + bytes(100)  # zeros behind octets that nothing repeats
LINKS = air.eui(1), air.eui(2)
ADDRESSES = air.ip_of(LINKS[0], "fe80::"), air.ip_of(LINKS[1], "fe80::")


def coded(octets: bytes, room: int) -> list[bytes]:
    return split(air.udp_datagram(*ADDRESSES, octets), Env(*LINKS), room=room, ghc=True)


@pytest.mark.parametrize("room", [30, 53])  # of 53 the first fragment of TALK leaves none
@pytest.mark.parametrize("octets", [TALK, QUIET, bytes(range(250))])
def test_byte_code_goes_to_the_end_of_the_first_fragment(octets: bytes, room: int) -> None:
    """RFC 7400 section 2: its registers are those of "an L2 packet (= fragment)"; section 5: "the first ... fragment".

    Read by the second reader, and held against all cuts: 6 octets of IPHC and UDP, of which byte code changes no
    length (section 3.1), stand for 48.
    """
    parts = coded(octets, room)
    assert len(parts) > 1
    around = Around(*LINKS)
    pieces = [payload.piece(part, around) for part in parts]
    assert payload.joined(pieces) == air.udp_datagram(*ADDRESSES, octets)
    assert max(map(len, parts)) <= room
    size = 48 + len(octets)
    most = (room - FRAGN) // 8 * 8
    ways = []
    for cut in range(48, size, 8):
        brought = octets[: cut - 48]
        code = min(len(write_ghc(brought, *ADDRESSES)), len(brought))
        if FRAG1 + 6 + code > room:
            continue
        left, frames = size - cut, 1
        while left > 0:
            left -= left if left <= room - FRAGN else most
            frames += 1
        ways.append((frames, FRAG1 + 6 + code + FRAGN * (frames - 1) + size - cut))
    assert (len(parts), sum(map(len, parts))) == min(ways)
