"""Captures of frames whose version forbids the form of their addresses, and what is said of them."""

from collections.abc import Callable
from typing import Any

from findings import air
from findings.air import NODE, PAN, Capture
from findings.cases_further import Further
from findings.judge import Case, Told

from lowpanbudget import Env, compress
from lowpanbudget.layers.link.mac import FrameType

# the addresses stand in line, as far as no frame has them
_PACKED = {
    source: compress(air.datagram(), Env(source, None, contexts=air.CONTEXTS)).octets
    for source in (NODE, None)
}
SOURCE_ALONE: dict[str, Any] = {
    "destination": None, "destination_pan": None, "source_pan": PAN, "ack_request": False
}  # fmt: skip
NO_ADDRESS: dict[str, Any] = SOURCE_ALONE | {"source": None, "source_pan": None}


def formed(packed: bytes, **changes: Any) -> Capture:
    """Twelve frames of one form: more than a reader sees before it makes a function for them."""
    return Capture([air.raw(packed, number, **changes) for number in range(1, 13)])


def alone(*, compressed: bool = True, **changes: Any) -> Capture:
    changes = SOURCE_ALONE | changes
    return formed(_PACKED[NODE], pan_id_compression=compressed, **changes)


def unaddressed(**changes: Any) -> Capture:
    return formed(_PACKED[None], **NO_ADDRESS, pan_id_compression=False, **changes)


# IEEE 802.15.4-2006 clauses 7.2.1.1.6, 7.2.1.1.8 and 7.5.6.1, from memory
EDITIONS_CASES: dict[str, Case] = {
    # 1 | 1 << 6 | 1 << 12 | 2 << 14
    "addressing-not-allowed": Case(
        alone,
        lambda: alone(compressed=False),
        Told(
            "remark",
            "0x0017",
            "a data frame of version 1 has a source address alone, and PAN ID compression is set: its PAN ID is read "
            "as carried",
            ("frame control 0x9041",),
            tuple(range(1, 13)),
            12,
            cite="IEEE 802.15.4-2006 §7.5.6.1",
        ),
    ),
}

EDITIONS_FURTHER = (
    # 1 | 1 << 12: no address, and no PAN ID
    Further(
        "addressing-not-allowed",
        unaddressed,
        Told(
            "remark",
            "an unnamed node",
            "a data frame of version 1 has neither a destination nor a source address",
            ("frame control 0x1001",),
            tuple(range(1, 13)),
            12,
        ),
    ),
    # 3 | 1 << 6 | 2 << 10: a command of the first edition to one node
    Further(
        "addressing-not-allowed",
        lambda: Capture(
            [
                air.raw(
                    b"\x07", frame_type=FrameType.COMMAND, version=0, source=None, ack_request=False
                )
            ]
        ),
        Told(
            "remark",
            "an unnamed node",
            "a command frame of version 0 has a destination address alone, and PAN ID compression is set: its PAN ID "
            "is read as carried",
            ("frame control 0x0843",),
            (1,),
            cite="IEEE 802.15.4-2006 §7.5.6.1",
        ),
    ),
)

EDITIONS_NEAR: dict[str, tuple[str, Callable[[], Capture]]] = {
    # rows 1 and 6 of table 7-2 of the 2015 edition, from memory
    "no address in version 2": (
        "addressing-not-allowed",
        lambda: unaddressed(version=2),
    ),
    "a source address alone in version 2, without its PAN ID": (
        "addressing-not-allowed",
        lambda: alone(version=2, source_pan=None),
    ),
    "acknowledgements, which have no address": (
        "addressing-not-allowed",
        lambda: Capture([air.mended(bytes([0x42, 0x10, 7, 0, 0]))]),
    ),
    "a beacon with the address of its sender": (
        "addressing-not-allowed",
        lambda: Capture([air.mended(bytes.fromhex("008007cdab0100ff0f00000000"))]),
    ),
}
