"""Which PAN IDs and addresses a MAC header carries, by frame version.

Destination mode, source mode and the PAN ID compression bit select a layout. Versions 0 and 1 follow IEEE
802.15.4-2006 clause 7.2.1.1.5, version 2 the 14 rows of table 7-2 of the 2015 edition (both from memory; the rows agree
with what is quoted in public sources).
"""

from collections.abc import Iterator
from itertools import product
from typing import Any

from lowpanbudget.cites import Cite, ieee
from lowpanbudget.errors import RequestError, plural, repeated
from lowpanbudget.fields import (
    Bits,
    Layout,
    LayoutPart,
    OctetString,
    Selected,
    Selection,
    Unsigned,
)

LAYER = "MAC"
OLD = ieee(2006, "7.2.1.1.5")
NEW = ieee(2015, "table 7-2")
_HEADER = ieee(2015, "7.2.2")
_MULTIPURPOSE_CITE = ieee(2015, "7.3.5")
MODES = {0: "absent", 1: "reserved", 2: "short, 16 bits", 3: "extended, 64 bits"}
MODE_OCTETS = (0, 0, 2, 8)
_ABSENT, _RESERVED, _SHORT, _EXTENDED = 0, 1, 2, 3
_ANY = (_SHORT, _EXTENDED)

DESTINATION, SOURCE = Bits("destination mode", 2, MODES), Bits("source mode", 2, MODES)
COMPRESSION = Bits(
    "PAN ID compression", 1, "decides with the address modes which PAN IDs are carried"
)
PAN_ID_PRESENT = Bits(
    "PAN ID present", 1, {0: "no PAN ID", 1: "the destination's PAN ID is carried"}
)

BROADCAST = b"\xff\xff"
_PAN_OCTETS = 2
ADDRESS_MEANS = {2: "16 bits", 8: "64 bits, an EUI-64"}
# what leaves out the destination's PAN ID; nothing where addresses cannot be without it
_BOTH_EXTENDED = "0 octets with extended addresses on both sides, which no broadcast has"
_NOT_PRESENT = "0 octets if PAN ID present is 0"
_SHORT_ADDRESS = "2 octets with a short address"
SOURCE_PAN = Unsigned(
    "source PAN ID", _PAN_OCTETS, ADDRESS_MEANS[_PAN_OCTETS],
    removed_by="0 octets if both nodes share one PAN ID, with PAN ID compression",
)  # fmt: skip
FIELDS = ("destination PAN ID", "destination address", "source PAN ID", "source address")

Row = tuple[tuple[int, ...], tuple[int, ...], tuple[int, ...], bool, bool]
Addressing = Layout[dict[str, Any]]


def _address(name: str, mode: int) -> Iterator[OctetString]:
    octets = MODE_OCTETS[mode]
    if octets:
        shorter = _SHORT_ADDRESS if mode == _EXTENDED else ""  # nothing is shorter than a short one
        means = _short_means if mode == _SHORT else ADDRESS_MEANS[octets]
        yield OctetString(name, means, count=octets, reverse=True, removed_by=shorter)


def _short_means(address: bytes) -> str:
    """Return what a short address is, and whom one means that is no node's own."""
    return ADDRESS_MEANS[2] + (", broadcast: all who hear it" if address == BROADCAST else "")


def _parts(row: Row, destination: int, source: int, shorter: str) -> Iterator[LayoutPart]:
    """Yield the addressing fields of a row in wire order; ``shorter`` is what leaves out the first PAN ID."""
    *_, destination_pan, source_pan = row
    if destination_pan:
        yield Unsigned(FIELDS[0], _PAN_OCTETS, ADDRESS_MEANS[_PAN_OCTETS], removed_by=shorter)
    yield from _address("destination address", destination)
    if source_pan:
        yield SOURCE_PAN
    yield from _address("source address", source)


def _selection(
    name: str, cite: Cite, bit: Bits, rows: tuple[Row, ...], shorter: str = ""
) -> Selection:
    """Return the table of all 32 combinations; import fails when rows overlap or leave a legal one out."""
    table: dict[tuple[int, ...], Selected] = {}
    for row in rows:
        for values in product(*row[:3]):
            if values in table:
                raise TypeError(f"{name}: two rows for {values}")
            parts = _parts(row, *values[:2], shorter)
            table[values] = Selected(Layout(LAYER, cite, *parts, order="little"))
    for values in product(range(4), range(4), range(2)):
        if _RESERVED in values[:2]:
            table[values] = Selected(Layout(LAYER, cite), "address mode 1 is reserved")
    return Selection(name, cite, (DESTINATION, SOURCE, bit), table)


# destination modes, source modes, compression bits: destination PAN ID?, source PAN ID?
VERSION_0_1 = _selection(
    "PAN ID compression, versions 0 and 1",
    OLD,
    COMPRESSION,
    (
        ((_ABSENT,), (_ABSENT,), (0, 1), False, False),
        (_ANY, (_ABSENT,), (0, 1), True, False),
        ((_ABSENT,), _ANY, (0, 1), False, True),
        (_ANY, _ANY, (0,), True, True),
        (_ANY, _ANY, (1,), True, False),
    ),
)
VERSION_2 = _selection(
    "PAN ID compression, version 2",
    NEW,
    COMPRESSION,
    (
        ((_ABSENT,), (_ABSENT,), (0,), False, False),
        ((_ABSENT,), (_ABSENT,), (1,), True, False),
        (_ANY, (_ABSENT,), (0,), True, False),
        (_ANY, (_ABSENT,), (1,), False, False),
        ((_ABSENT,), _ANY, (0,), False, True),
        ((_ABSENT,), _ANY, (1,), False, False),
        ((_EXTENDED,), (_EXTENDED,), (0,), True, False),
        ((_EXTENDED,), (_EXTENDED,), (1,), False, False),
        ((_SHORT,), (_SHORT,), (0,), True, True),
        ((_SHORT,), (_EXTENDED,), (0,), True, True),
        ((_EXTENDED,), (_SHORT,), (0,), True, True),
        ((_SHORT,), (_EXTENDED,), (1,), True, False),
        ((_EXTENDED,), (_SHORT,), (1,), True, False),
        ((_SHORT,), (_SHORT,), (1,), True, False),
    ),
    _BOTH_EXTENDED,
)
# the bit is PAN ID Present here: "the destination PAN ID field is present" (in substance, from memory)
MULTIPURPOSE = _selection(
    "PAN ID present, multipurpose frames",
    _MULTIPURPOSE_CITE,
    PAN_ID_PRESENT,
    (
        ((_ABSENT, *_ANY), (_ABSENT, *_ANY), (0,), False, False),
        ((_ABSENT, *_ANY), (_ABSENT, *_ANY), (1,), True, False),
    ),
    _NOT_PRESENT,
)


def addressing(version: int, destination: int, source: int, compression: int) -> Selected:
    """Return what a header of this version carries for these address modes and compression bit."""
    return (VERSION_2 if version == 2 else VERSION_0_1)[destination, source, compression]


def pan_ids(layout: Addressing) -> tuple[bool, bool]:
    """Return whether the PAN IDs of destination and source are carried."""
    names = {part.name for part in layout.parts if isinstance(part, LayoutPart)}
    return FIELDS[0] in names, SOURCE_PAN.name in names


def mode_of(address: bytes | None, name: str) -> int:
    """Return the mode of an address that is carried; ``RequestError`` for what is none."""
    if not isinstance(address, bytes | bytearray | memoryview | None):
        raise RequestError(
            f"the {name} address {repeated(address)} is no octets", cite=_HEADER,
            hint="Give bytes, most significant first",
        )  # fmt: skip
    octets = len(address or b"")
    if octets not in MODE_OCTETS:
        raise RequestError(
            f"the {name} address has {plural(octets, 'octet')}, not 2 or 8",
            cite=_HEADER,
            hint="Give a short address or an EUI-64, most significant octet first; None leaves it out",
        )
    return 0 if not octets else MODE_OCTETS.index(octets)
