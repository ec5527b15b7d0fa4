"""The fields of a beacon of versions 0 and 1 (IEEE 802.15.4-2006 clause 7.2.2.1, from memory).

    superframe specification 2 | GTS specification 1, directions 0/1, list 3 a slot | pending specification 1, addresses

What link security leaves in the clear of such a beacon is everything before the beacon payload, so ``security.py``
asks here where that begins.
"""

from dataclasses import dataclass
from typing import NamedTuple

from lowpanbudget.bits import Reader
from lowpanbudget.cites import ieee
from lowpanbudget.errors import RequestError, WireError
from lowpanbudget.fields import Bits, Header
from lowpanbudget.layers.link.layouts import Part, read_pieces, write_pieces

CITE = ieee(2006, "7.2.2.1")

SUPERFRAME = Header(
    "superframe specification",
    ieee(2006, "7.2.2.1.2"),
    (
        Bits("beacon order", 4, lambda value: _interval(value, "no regular beacons")),
        Bits("superframe order", 4, lambda value: _interval(value, "no active part")),
        Bits("final CAP slot", 4, "the last slot of contention access"),
        Bits("battery life extension", 1, {0: "off", 1: "on"}),
        Bits("reserved", 1),
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
        Bits("reserved", 4),
        Bits("GTS permit", 1, {0: "no slots given out", 1: "slots may be asked for"}),
    ),
    "little",
)
PENDING = Header(
    "pending address specification",
    ieee(2006, "7.2.2.1.6"),
    (
        Bits("short addresses pending", 3),
        Bits("reserved", 1),
        Bits("extended addresses pending", 3),
        Bits("reserved 7", 1),
    ),
    "little",
)
_DIRECTIONS = Part("gts_directions", 1, "bit n: slot n goes from coordinator to device")
_SLOT = (
    Part("gts_short_address", 2),
    Header(
        "GTS descriptor",
        ieee(2006, "7.2.2.1.5"),
        (Bits("GTS starting slot", 4), Bits("GTS length", 4)),
        "little",
    ),
)


def _interval(order: int, none: str) -> str:
    return none if order == 15 else f"{960 << order} symbols"


class GuaranteedSlot(NamedTuple):
    """A guaranteed time slot: the device, the first superframe slot, how many, and whether the device receives."""

    short_address: int
    starting_slot: int
    length: int
    receive: bool = False


@dataclass(frozen=True, slots=True)
class Beacon:
    """The content of a beacon; of version 2 it has a ``payload`` only, and ``beacon_order`` is None.

    Short addresses are ints, extended ones 8 octets, most significant first.
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
    pending_extended: tuple[bytes, ...] = ()
    payload: bytes = b""


def decode(reader: Reader) -> Beacon:
    """Return the beacon that takes all octets left; raises ``Truncated``."""
    layer = reader.layer
    superframe = read_pieces(reader, (SUPERFRAME,), CITE)
    gts = read_pieces(reader, (GTS,), CITE)
    slots = []
    if count := gts["GTS_descriptor_count"]:
        directions = read_pieces(reader, (_DIRECTIONS,), CITE)["gts_directions"]
        for number in range(count):
            address, start, length = read_pieces(reader, _SLOT, CITE).values()
            slots.append(GuaranteedSlot(address, start, length, bool(directions >> number & 1)))
    pending = read_pieces(reader, (PENDING,), CITE)
    short = [
        read_pieces(reader, (Part("pending_short_address", 2),), CITE)["pending_short_address"]
        for _ in range(pending["short_addresses_pending"])
    ]
    extended = [
        read_pieces(reader, (_EXTENDED,), CITE)[_EXTENDED.name]
        for _ in range(pending["extended_addresses_pending"])
    ]
    reader.layer = layer
    return Beacon(
        superframe["beacon_order"],
        superframe["superframe_order"],
        superframe["final_CAP_slot"],
        bool(superframe["battery_life_extension"]),
        bool(superframe["PAN_coordinator"]),
        bool(superframe["association_permit"]),
        bool(gts["GTS_permit"]),
        tuple(slots),
        tuple(short),
        tuple(extended),
        reader.rest("beacon payload", "what a higher layer adds", CITE),
    )


_EXTENDED = Part("pending_extended_address", 8, "an EUI-64", "identifier")


def encode(beacon: Beacon) -> bytes:
    """Return the octets of a beacon of version 0 or 1, or of version 2 where ``beacon_order`` is None.

    Raises ``RequestError`` for more than 7 slots, more than 7 pending addresses, or numbers that do not fit.
    """
    if beacon.beacon_order is None:
        return beacon.payload
    if len(beacon.pending_short) + len(beacon.pending_extended) > 7:
        raise RequestError("a beacon names 7 pending addresses at most", cite=PENDING.cite)
    octets = write_pieces(
        {
            "beacon_order": beacon.beacon_order,
            "superframe_order": beacon.superframe_order,
            "final_CAP_slot": beacon.final_cap_slot,
            "battery_life_extension": beacon.battery_life_extension,
            "PAN_coordinator": beacon.pan_coordinator,
            "association_permit": beacon.association_permit,
            "GTS_descriptor_count": len(beacon.slots),
            "GTS_permit": beacon.gts_permit,
        },
        (SUPERFRAME, GTS),
        CITE,
    )
    if beacon.slots:
        octets += bytes([sum(slot.receive << at for at, slot in enumerate(beacon.slots))])
    for slot in beacon.slots:
        values = {
            "gts_short_address": slot.short_address,
            "GTS_starting_slot": slot.starting_slot,
            "GTS_length": slot.length,
        }
        octets += write_pieces(values, _SLOT, CITE)
    counts = {
        "short_addresses_pending": len(beacon.pending_short),
        "extended_addresses_pending": len(beacon.pending_extended),
    }
    octets += write_pieces(counts, (PENDING,), CITE)
    for short in beacon.pending_short:
        octets += write_pieces({"pending": short}, (Part("pending", 2),), CITE)
    for extended in beacon.pending_extended:
        octets += write_pieces({_EXTENDED.name: extended}, (_EXTENDED,), CITE)
    return octets + beacon.payload


def fields_length(octets: bytes) -> int:
    """Return how many octets come before the beacon payload; all of them when they are cut."""
    reader = Reader(octets)
    try:
        beacon = decode(reader)
    except WireError:
        return len(octets)
    return len(octets) - len(beacon.payload)
