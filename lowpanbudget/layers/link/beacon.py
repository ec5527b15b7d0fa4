"""The fields of a beacon of versions 0 and 1 (IEEE 802.15.4-2006 clause 7.2.2.1, from memory).

    superframe specification 2 | GTS specification 1, directions 0/1, list 3 a slot | pending specification 1, addresses

What link security leaves in the clear of such a beacon is everything before the beacon payload, so ``security.py``
asks here where that begins.
"""

from typing import Any, NamedTuple

from lowpanbudget.bits import Reader, Writer
from lowpanbudget.cites import ieee
from lowpanbudget.errors import RequestError, WireError
from lowpanbudget.fields import Bits, Header, Layout, OctetString, Repeat, Unsigned, stated_by
from lowpanbudget.shown import LINK_ADDRESS, showing
from lowpanbudget.values import brief, dataclass, field, fields

CITE = ieee(2006, "7.2.2.1")
CITE_2015 = ieee(2015, "7.3.1")

SUPERFRAME = Header(
    "superframe specification",
    ieee(2006, "7.2.2.1.2"),
    (
        Bits("beacon order", 4, lambda value: _interval(value, "no regular beacons")),
        Bits("superframe order", 4, lambda value: _interval(value, "no active part")),
        Bits("final CAP slot", 4, "the last slot of contention access"),
        Bits("battery life extension", 1, {0: "off", 1: "on"}),
        Bits("reserved", 1, unused=True),
        Bits("PAN coordinator", 1, {0: "another coordinator", 1: "the PAN coordinator"}),
        Bits("association permit", 1, {0: "closed for joining", 1: "open for joining"}),
    ),
    "little",
)
GTS = Header(
    "GTS specification",
    ieee(2006, "7.2.2.1.3"),
    (
        Bits("GTS descriptor count", 3),
        Bits("reserved", 4, unused=True),
        Bits("GTS permit", 1, {0: "no slots given out", 1: "slots may be asked for"}),
    ),
    "little",
)
PENDING = Header(
    "pending address specification",
    ieee(2006, "7.2.2.1.6"),
    (
        Bits("short addresses pending", 3),
        Bits("reserved", 1, unused=True),
        Bits("extended addresses pending", 3),
        Bits("reserved 7", 1, unused=True),
    ),
    "little",
)
_SLOT: Layout[dict[str, int]] = Layout(
    "guaranteed time slot",
    CITE,
    Unsigned("gts_short_address", 2),
    Header(
        "GTS descriptor",
        ieee(2006, "7.2.2.1.5"),
        (Bits("GTS starting slot", 4), Bits("GTS length", 4)),
        "little",
    ),
    order="little",
)
BEACON: Layout[dict[str, Any]] = Layout(
    "beacon",
    CITE,
    SUPERFRAME,
    GTS,
    Unsigned(
        "gts_directions", 1, "bit n: slot n goes from coordinator to device",
        when="GTS_descriptor_count",
    ),
    Repeat("slots", _SLOT, count="GTS_descriptor_count"),
    PENDING,
    Repeat("pending_short", Unsigned("pending_short_address", 2), count="short_addresses_pending"),
    Repeat(
        "pending_extended",
        OctetString("pending_extended_address", "an EUI-64", count=8, reverse=True),
        count="extended_addresses_pending",
    ),
    order="little",
)  # fmt: skip


def _interval(order: int, none: str) -> str:
    return none if order == 15 else f"{960 << order} symbols"


class GuaranteedSlot(NamedTuple):
    """A guaranteed time slot: the device, the first superframe slot, how many, and whether the device receives.

    Source: IEEE 802.15.4-2006 §7.2.2.1.3, from memory.
    """

    short_address: int
    starting_slot: int
    length: int
    receive: bool = False


@stated_by(BEACON)
@dataclass(frozen=True, slots=True)
class Beacon:
    """The content of a beacon; of version 2 it has a ``payload`` only, and ``beacon_order`` is None.

    ``slots`` are guaranteed ones. Short addresses are ints, extended ones 8 octets, most significant first.
    """

    beacon_order: int | None = None
    superframe_order: int = 15
    final_cap_slot: int = 15
    battery_life_extension: bool = False
    pan_coordinator: bool = False
    association_permit: bool = False
    gts_permit: bool = False
    slots: tuple[GuaranteedSlot, ...] = ()
    pending_short: tuple[int, ...] = ()
    pending_extended: tuple[bytes, ...] = field(default=(), metadata=LINK_ADDRESS)
    payload: bytes = b""

    def __repr__(self) -> str:
        """Return what it holds: of version 2 no superframe, of which nothing is on the air."""
        is_payload = self == Beacon(payload=self.payload)
        return showing("payload")(self) if is_payload else brief(self)


def decode(reader: Reader) -> Beacon:
    """Return the beacon that takes all octets left; raises ``Truncated``."""
    found = BEACON.read(reader)
    directions = found.get("gts_directions", 0)
    return Beacon(
        found["beacon_order"],
        found["superframe_order"],
        found["final_CAP_slot"],
        bool(found["battery_life_extension"]),
        bool(found["PAN_coordinator"]),
        bool(found["association_permit"]),
        bool(found["GTS_permit"]),
        tuple(
            GuaranteedSlot(
                slot["gts_short_address"],
                slot["GTS_starting_slot"],
                slot["GTS_length"],
                bool(directions >> number & 1),
            )
            for number, slot in enumerate(found["slots"])
        ),
        found["pending_short"],
        found["pending_extended"],
        reader.rest("beacon payload", "what a higher layer adds", CITE),
    )


def encode(writer: Writer, beacon: Beacon) -> None:
    """Append a beacon; without ``beacon_order`` it is of version 2, its payload alone.

    Raises ``RequestError`` for what its fields cannot hold, and for what a beacon of version 2 has no place for.
    """
    if beacon.beacon_order is None:
        if lost := [
            one
            for one in fields(beacon)
            if one.name != "payload" and getattr(beacon, one.name) != one.default
        ]:
            raise RequestError(
                f"Beacon.{lost[0].name} has no place in a beacon without beacon_order, which is of version 2: "
                "a payload alone",
                cite=CITE_2015,
                hint="Give beacon_order=15 for one of versions 0 and 1, or payload alone",
            )
    else:
        slots = beacon.slots
        BEACON.write(
            writer,
            {
                "beacon_order": beacon.beacon_order,
                "superframe_order": beacon.superframe_order,
                "final_CAP_slot": beacon.final_cap_slot,
                "battery_life_extension": beacon.battery_life_extension,
                "PAN_coordinator": beacon.pan_coordinator,
                "association_permit": beacon.association_permit,
                "GTS_descriptor_count": len(slots),
                "GTS_permit": beacon.gts_permit,
                "gts_directions": sum(one.receive << n for n, one in enumerate(slots))
                if slots
                else None,
                "slots": [
                    {
                        "gts_short_address": slot.short_address,
                        "GTS_starting_slot": slot.starting_slot,
                        "GTS_length": slot.length,
                    }
                    for slot in slots
                ],
                "short_addresses_pending": len(beacon.pending_short),
                "extended_addresses_pending": len(beacon.pending_extended),
                "pending_short": beacon.pending_short,
                "pending_extended": beacon.pending_extended,
            },
        )
    writer.octets(beacon.payload, "beacon payload", "what a higher layer adds", CITE)


def fields_length(octets: bytes) -> int:
    """Return how many octets come before the beacon payload; all of them when they are cut."""
    reader = Reader(octets)
    try:
        beacon = decode(reader)
    except WireError:
        return len(octets)
    return len(octets) - len(beacon.payload)
