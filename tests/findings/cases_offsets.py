"""Offsets of fragments (RFC 4944 section 5.3) that are wrong for one of them, or count compressed octets."""

from collections.abc import Callable

from findings import air
from findings.air import Capture
from findings.cases_further import HOP, Further
from findings.judge import Told


def cut(
    *starts: int, offsets: tuple[int, ...] | None = None, tags: int = 1, data: int = 240
) -> Capture:
    """Datagrams of 48 octets of headers and so many of data, in fragments that begin at these octets, one tag each.

    Of the compressed form the first 6 octets stand for the 48. They may be said to begin at other ``offsets``. An hour
    later comes another frame.
    """
    packet = air.datagram(bytes(range(data)))
    whole = air.payload(packet)
    ends = (*starts[1:], len(packet))
    frames: list[bytes | tuple[float, bytes]] = []
    for tag in range(tags):
        said = starts if offsets is None else offsets
        for n, (start, offset, end) in enumerate(zip(starts, said, ends, strict=True)):
            head = (0b11100 if n else 0b11000) << 11 | len(packet)
            fields = head.to_bytes(2, "big") + tag.to_bytes(2, "big")
            piece = bytes([offset // 8]) + packet[start:end] if n else whole[: end - 42]
            number = tag * len(starts) + n
            frames.append((1 + tag + number / 50, air.raw(fields + piece, number)))
    return Capture([*frames, (3600.0, air.frame(air.datagram(), 99))])


OFFSETS_FURTHER = (
    # 88 + 80 = 168 is where the third begins, and 176 + 80 = 256 reaches 8 octets into the fourth
    Further(
        "fragments-overlap",
        lambda: cut(0, 88, 168, 248, offsets=(0, 88, 176, 248)),
        Told(
            "failure",
            HOP,
            "the offset of a fragment is wrong: a hole and an overlap beside it have one length",
            (
                "datagram of 288 octets, tag 0x0000: 88-167, 176-255, 248-287",
                "one begins 8 octets behind octet 168, where that before it ended",
            ),
            (3,),
            advice="Let each fragment begin where the one before it ended, counted in octets of the datagram before "
            "compression, and divide that by 8.",
        ),
    ),
    # the last begins at 240: of 288 octets the last 8 are missing
    Further(
        "fragments-overlap",
        lambda: cut(0, 88, 168, 248, offsets=(0, 88, 168, 240)),
        Told(
            "failure",
            HOP,
            "the offset of a fragment is wrong: a hole and an overlap beside it have one length",
            (
                "datagram of 288 octets, tag 0x0000: 88-167, 168-247, 240-279",
                "one begins 8 octets before octet 248, where that before it ended",
            ),
            (4,),
            advice="Let each fragment begin where the one before it ended, counted in octets of the datagram before "
            "compression, and divide that by 8.",
        ),
    ),
    # two that are wrong: by which of them nobody can tell
    Further(
        "fragments-overlap",
        lambda: cut(0, 88, 168, 248, offsets=(0, 96, 184, 248)),
        Told(
            "failure",
            HOP,
            "octet ranges of one datagram overlap",
            ("datagram of 288 octets, tag 0x0000: 96-175, 184-263, 248-287",),
            (1, 2, 3, 4),
        ),
    ),
)

OFFSETS_NEAR: dict[str, tuple[str, Callable[[], Capture]]] = {
    # 88 octets of the datagram are 46 on the air, so the second is said to begin at 40; the last ends at 236
    "offsets that count compressed octets": (
        "fragment-offset-wrong",
        lambda: cut(0, 88, 168, 248, offsets=(0, 40, 120, 200), tags=3, data=236),
    ),
}
