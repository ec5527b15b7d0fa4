"""Frames drawn at random, field by field, over all that MAC headers of IEEE 802.15.4 combine; and damage to them."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from random import Random
from types import SimpleNamespace

from second_mac.contents import MLME
from second_mac.frame import Auxiliary, Elements, Mpdu, check_sequence, put, write
from second_mac.headers import (
    ACKNOWLEDGEMENT,
    BEACON,
    COMMAND,
    DATA,
    EXTENDED,
    LONG_NESTED,
    MULTIPURPOSE,
    NONE,
    PAYLOAD_FOLLOWS,
    PAYLOAD_IE,
    PAYLOAD_IES_FOLLOW,
    PAYLOAD_TERMINATION,
    SHORT,
    SHORT_NESTED,
    pan_ids,
)
from second_mac.security import Known, sealed


@dataclass(frozen=True)
class Drawn:
    """A frame before it is sealed: header, payload IEs, payload behind them, what is known, octets of its FCS."""

    frame: Mpdu
    payload_ies: Elements
    payload: bytes
    known: Known
    fcs: int

    @property
    def clear(self) -> bytes:
        return put(PAYLOAD_IE, self.payload_ies) + self.payload

    def on_air(self, form: int = 0) -> bytes:
        """Return its octets, sealed under this form of nonce, -1 for the oldest; NoNonce where nobody can seal it."""
        return write(sealed(self.frame, self.clear, self.known, form), self.fcs)

    def filled(self, draw: Random) -> bytes:
        """Return octets with any integrity code in the place of one that cannot be made."""
        security = self.frame.security
        if security is None:
            return write(replace(self.frame, body=self.clear), self.fcs)
        size = (0, 4, 8, 16)[security.level & 3]
        mic = replace(security, mic=draw.randbytes(size))
        return write(replace(self.frame, body=self.clear, security=mic), self.fcs)


def often(draw: Random, percent: int) -> bool:
    return draw.randrange(100) < percent


def number(draw: Random, octets: int) -> int:
    """Return a number of so many octets, its ends more often than others."""
    top = (1 << 8 * octets) - 1
    return draw.choice((0, 1, top, top - 1, draw.randint(0, top), draw.randint(0, top)))


def address(draw: Random, mode: int) -> bytes | None:
    return draw.randbytes({SHORT: 2, EXTENDED: 8}[mode]) if mode else None


def frame(draw: Random) -> Drawn:
    """Return a frame of any type and version."""
    kind = draw.choice((BEACON, DATA, DATA, DATA, ACKNOWLEDGEMENT, COMMAND, MULTIPURPOSE))
    version = 0 if kind == MULTIPURPOSE else draw.choice((0, 1, 2, 2))
    short_control = kind == MULTIPURPOSE and often(draw, 30)
    later = (version == 2 or kind == MULTIPURPOSE) and not short_control
    flags = [often(draw, 50) and not short_control for _ in range(4)]
    control = SimpleNamespace(
        type=kind, version=version, compressed=flags[0] and kind != MULTIPURPOSE, pan_present=flags[0],
        destination_mode=draw.choice((NONE, SHORT, EXTENDED)), source_mode=draw.choice((NONE, SHORT, EXTENDED)),
    )  # fmt: skip
    pans = pan_ids(control)
    secured = (version > 0 or kind == MULTIPURPOSE) and not short_control and often(draw, 55)
    made = Mpdu(
        frame_type=kind, version=version, sequence=None if later and often(draw, 30) else number(draw, 1),
        destination_pan=number(draw, 2) if pans[0] else None, destination=address(draw, control.destination_mode),
        source_pan=number(draw, 2) if pans[1] else None, source=address(draw, control.source_mode),
        pan_id_compression=control.compressed, pending=flags[1], ack_request=flags[2],
        long_control=kind == MULTIPURPOSE and not short_control, security=auxiliary(draw) if secured else None,
    )  # fmt: skip
    payload_ies: Elements = ()
    payload = PAYLOADS[kind](draw)
    if kind == BEACON and later:
        payload = data(draw)
    if later and often(draw, 60):
        payload_ies = payload_elements(draw, bool(payload)) if often(draw, 60) else ()
        made = replace(
            made,
            ie_present=True,
            header_ies=header_elements(draw, bool(payload_ies), bool(payload)),
        )
    pan = made.destination_pan if made.source_pan is None else made.source_pan
    known = made.source is not None and len(made.source) == 2 and often(draw, 85)
    devices = {(pan, made.source or b""): draw.randbytes(8)} if known else {}
    asn = number(draw, 5) if often(draw, 90) else None
    return Drawn(
        made,
        payload_ies,
        payload,
        Known(draw.randbytes(16), asn, devices),
        draw.choice((2, 2, 2, 4, 0)),
    )


def auxiliary(draw: Random) -> Auxiliary:
    """Return what secures a frame."""
    mode = draw.randrange(4)
    source = {2: 4, 3: 8}.get(mode)
    return Auxiliary(
        draw.randrange(8), mode, None if often(draw, 30) else number(draw, 4),
        draw.randbytes(source) if source else None, number(draw, 1) if mode else None, often(draw, 40),
    )  # fmt: skip


def header_elements(draw: Random, ies_follow: bool, payload_follows: bool) -> Elements:
    """Return header IEs with the termination that what follows asks for (2015, clause 7.4.1, table 7-6)."""
    ids = (0x00, 0x1A, 0x1B, 0x1D, 0x1E, 0x1E, draw.randrange(0x7E), draw.randrange(0x80, 0x100))
    found = [(draw.choice(ids), some(draw, 0, 2, 3, 4, 6)) for _ in range(draw.randrange(4))]
    if ies_follow:
        found.append((PAYLOAD_IES_FOLLOW, b""))
    elif payload_follows or often(draw, 10):
        found.append((PAYLOAD_FOLLOWS, b""))
    return tuple(found)


def payload_elements(draw: Random, payload_follows: bool) -> Elements:
    found = []
    for _ in range(draw.randrange(1, 4)):
        kind = draw.choice((MLME, MLME, 0x0, 0x2, 0x5, draw.randrange(PAYLOAD_TERMINATION)))
        found.append((kind, nested(draw) if kind == MLME else some(draw, 0, 1, 3, 5, 5, 1030)))
    if payload_follows or often(draw, 30):
        found.append((PAYLOAD_TERMINATION, b""))
    return tuple(found)


def some(draw: Random, *sizes: int) -> bytes:
    return draw.randbytes(
        draw.choice(sizes) if often(draw, 85) else draw.choice((draw.randrange(20), 120))
    )


def nested(draw: Random) -> bytes:
    """Return the content of an MLME IE, at times with an octet too many or too few."""
    parts = b""
    for _ in range(draw.randrange(4)):
        kind = draw.choice(
            (0x1A, 0x1B, 0x1C, 0x1E, 0x1F, 0x40, 0x08, 0x09, draw.randrange(0x10, 0x80))
        )
        maker = NESTED_CONTENTS.get(kind)
        layout = LONG_NESTED if kind < 0x10 else SHORT_NESTED
        longest = (5, 300) if layout is LONG_NESTED else (5, 200)
        content = maker(draw) if maker and often(draw, 90) else some(draw, 0, 1, 3, 6, *longest)
        parts += put(layout, ((kind, content),))
    if often(draw, 5):
        return parts[:-1] if often(draw, 50) else parts + b"\0"
    return parts


def slotframes(draw: Random) -> bytes:
    octets = bytes([count := draw.randrange(3)])
    for _ in range(count):
        links = draw.randrange(4)
        octets += draw.randbytes(3) + bytes([links]) + draw.randbytes(5 * links)
    return octets


def hopping(draw: Random) -> bytes:
    if often(draw, 40):
        return draw.randbytes(1)
    page, channels, length = draw.randrange(12), draw.randrange(40), draw.randrange(5)
    bitmap = draw.randbytes((channels + 7) // 8) if page in {9, 10} else b""
    octets = draw.randbytes(1) + bytes([page]) + channels.to_bytes(2, "little") + draw.randbytes(4)
    return octets + bitmap + length.to_bytes(2, "little") + draw.randbytes(2 * length + 2)


def beacon_filter(draw: Random) -> bytes:
    flags = draw.randrange(256)
    return bytes([flags]) + draw.randbytes((flags >> 1 & 1) + (flags >> 2 & 1) + (flags >> 3 & 3))


NESTED_CONTENTS: dict[int, Callable[[Random], bytes]] = {
    0x1A: lambda draw: draw.randbytes(6),
    0x1B: slotframes,
    0x1C: lambda draw: draw.randbytes(draw.choice((1, 25, 27))),
    0x1E: beacon_filter,
    0x1F: lambda draw: draw.randbytes(5),
    0x09: hopping,
}


def data(draw: Random) -> bytes:
    """Return a payload that mostly is no LoWPAN frame (RFC 4944 section 5.1: 00xxxxxx), so that only the MAC speaks."""
    octets = draw.randbytes(draw.choice((0, 1, 2, 7, draw.randrange(60), draw.randrange(400))))
    return bytes([octets[0] & 0x3F]) + octets[1:] if octets and often(draw, 90) else octets


def beacon(draw: Random) -> bytes:
    slots, short, extended = (
        draw.choice((0, 0, draw.randrange(8))),
        draw.randrange(8),
        draw.randrange(8),
    )
    octets = draw.randbytes(2) + bytes([draw.randrange(32) << 3 | slots])
    octets += draw.randbytes(1 + 3 * slots) if slots else b""
    pending = short | extended << 4 | draw.choice((0, 0, 0, 8, 128))
    octets += bytes([pending]) + draw.randbytes(2 * short + 8 * extended) + some(draw, 0, 4)
    return octets if often(draw, 95) else octets[: draw.randrange(len(octets))]


def command(draw: Random) -> bytes:
    kind = draw.choice((*range(1, 10), 0x24, draw.randrange(256)))
    size = {1: 1, 2: 3, 3: 1, 8: draw.choice((7, 8)), 9: 1, 0x24: draw.randrange(3, 9)}.get(kind, 0)
    return bytes([kind]) + draw.randbytes(size if often(draw, 85) else draw.randrange(12))


PAYLOADS: dict[int, Callable[[Random], bytes]] = {
    BEACON: beacon,
    COMMAND: command,
    DATA: data,
    MULTIPURPOSE: data,
    ACKNOWLEDGEMENT: lambda draw: data(draw) if often(draw, 20) else b"",
}


def damaged(draw: Random, octets: bytes, fcs: int) -> bytes:
    """Return the octets with bits turned, cut, longer, or one missing; in every second case under a right FCS."""
    if often(draw, 50):
        octets = octets[: len(octets) - fcs]
        return (wrong := hurt(draw, octets)) + (check_sequence(wrong, fcs) if fcs else b"")
    return hurt(draw, octets)


def hurt(draw: Random, octets: bytes) -> bytes:
    if not octets or often(draw, 15):
        return octets + draw.randbytes(draw.randrange(1, 4))
    place = draw.randrange(len(octets)) if often(draw, 50) else draw.randrange(min(len(octets), 24))
    if often(draw, 20):
        return octets[:place]
    if often(draw, 15):
        return octets[:place] + octets[place + 1 :]
    turned = bytearray(octets)
    turned[place] ^= 1 << draw.randrange(8)
    return bytes(turned)


def anything(draw: Random) -> bytes:
    """Return any octets, most often behind a frame control whose type, version and address modes exist."""
    octets = draw.randbytes(draw.randrange(16, 128) if often(draw, 80) else draw.randrange(24))
    if len(octets) < 2 or often(draw, 15):
        return octets
    modes = draw.choice((NONE, SHORT, EXTENDED)) << 2 | draw.choice((NONE, SHORT, EXTENDED)) << 6
    kind = draw.choice((BEACON, DATA, DATA, ACKNOWLEDGEMENT, COMMAND))
    version = draw.choice((1, 2)) if octets[0] & 8 else draw.randrange(3)
    first, second = octets[0] & 0xF8 | kind, octets[1] & 0x03 | version << 4 | modes
    if often(draw, 20):
        first, second = octets[0] & 0xF8 | MULTIPURPOSE, octets[1] & 0xCF
    return bytes([first, second]) + octets[2:]
