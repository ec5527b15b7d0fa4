"""Datagrams in fragments that are alike are judged once; what is told of them is what each by itself would tell."""

import random
from collections.abc import Iterator

import pytest
from findings import air
from findings.air import FAR_NODE, FAR_ROOT, NODE, PREFIX, ROOT, Capture

from lowpanbudget.findings.assembled import PutTogether

OTHER = b"\x00\x18"
PLACES = [(NODE, ROOT), (OTHER, ROOT), (FAR_NODE, FAR_ROOT)]
# in line as they are, one octet for both (RFC 6282 section 4.3.1), that of CoAP, that of DTLS
PORTS = [(40000, 5000), (0xF0B1, 0xF0B2), (61616, 5683), (40001, 5684)]


def flawed(packet: bytes, chance: random.Random) -> bytes:
    """A packet whose checksum is wrong, 0, or told in another length; or as it was."""
    kind = chance.randrange(12)
    if kind == 0:
        return packet[:-1] + bytes([packet[-1] ^ 0x55])
    if kind == 1:
        return packet[:46] + b"\0\0" + packet[48:]
    if kind == 2:
        return packet[:44] + (len(packet) - 42).to_bytes(2, "big") + packet[46:]
    return packet


def fragments(seed: int) -> Iterator[tuple[float, bytes]]:
    """Datagrams of few kinds, most of them right, in fragments of two sizes."""
    chance = random.Random(seed)
    prefixes = [PREFIX, PREFIX, "2001:db8:77::"]
    for number in range(100):
        links = chance.choice(PLACES)
        data = bytes([number]) + chance.randbytes(chance.choice([199, 199, 199, 149]))
        packet = air.datagram(
            data,
            chance.choice(prefixes),
            links,
            chance.choice([64, 64, 64, 17]),
            chance.choice(PORTS),
        )
        room = chance.choice([102, 102, 102, 70])
        parts = air.pieces(
            flawed(packet, chance), links, tag=number, room=room, start=4 * number % 256
        )
        at = 5.0 * number
        yield from ((at + index / 50, part) for index, part in enumerate(parts))


@pytest.mark.parametrize("seed", range(6))
def test_they_are_told_as_one_by_one(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    capture = Capture(list(fragments(seed)))
    alike: list[bool] = []
    is_like = PutTogether.is_like

    def counted(*given: object) -> bool:
        found = is_like(*given)  # type: ignore[arg-type]
        alike.append(found)
        return found

    monkeypatch.setattr(PutTogether, "is_like", counted)
    remembered = capture.followed()
    assert sum(alike) >= 3
    monkeypatch.setattr(PutTogether, "is_like", lambda *_: False)
    assert capture.followed() == remembered
    assert capture.fed() == remembered


def test_hits_count_each_datagram_with_its_frames() -> None:
    """Hop limit 17 goes in line (RFC 6282 section 3.1.1) in each of nine datagrams: told of the frames of each."""
    sent: list[bytes | tuple[float, bytes]] = [
        (5.0 * number + index / 50, part)
        for number in range(9)
        for index, part in enumerate(
            air.pieces(air.datagram(bytes(200), hop_limit=17), tag=number, start=4 * number)
        )
    ]
    (told,) = [one for one in Capture(sent).followed() if one.name == "hop-limit-in-line"]
    assert told.count == 9
    assert told in Capture(sent).fed()
