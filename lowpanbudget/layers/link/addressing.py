"""Which PAN IDs and addresses a MAC header carries, by frame version.

The key is the destination mode, the source mode and the PAN ID compression bit; a row says what is there. Versions 0
and 1 follow IEEE 802.15.4-2006 clause 7.2.1.1.5, version 2 the 14 rows of table 7-2 of the 2015 edition (both from
memory; the rows agree with what is quoted in public sources).
"""

from typing import NamedTuple

from lowpanbudget.cites import Cite, ieee

OLD = ieee(2006, "7.2.1.1.5")
NEW = ieee(2015, "table 7-2")
_MULTIPURPOSE = ieee(2015, "7.3.5")
MODES = {0: "absent", 1: "reserved", 2: "short, 16 bits", 3: "extended, 64 bits"}
MODE_OCTETS = (0, 0, 2, 8)
_ABSENT, _SHORT, _EXTENDED = 0, 2, 3
_ANY = (_SHORT, _EXTENDED)


class Addressing(NamedTuple):
    """One row: which fields are carried, in wire order; ``reserved`` names a combination without meaning."""

    destination_pan: bool
    destination: int
    source_pan: bool
    source: int
    cite: Cite
    reserved: str = ""

    @property
    def inline(self) -> int:
        """Return the octets of the addressing fields."""
        return 2 * self.destination_pan + self.destination + 2 * self.source_pan + self.source


def _expand(
    rows: tuple[tuple[tuple[int, ...], tuple[int, ...], tuple[int, ...], bool, bool], ...],
    cite: Cite,
) -> dict[tuple[int, int, int], Addressing]:
    """Return the table for all 32 keys; import fails when rows overlap or leave a legal key out."""
    table: dict[tuple[int, int, int], Addressing] = {}
    for destinations, sources, bits, destination_pan, source_pan in rows:
        for key in ((d, s, bit) for d in destinations for s in sources for bit in bits):
            if key in table:
                raise TypeError(f"two rows for {key}")
            table[key] = Addressing(
                destination_pan, MODE_OCTETS[key[0]], source_pan, MODE_OCTETS[key[1]], cite
            )
    for key in ((d, s, bit) for d in range(4) for s in range(4) for bit in range(2)):
        if 1 in key[:2]:
            table[key] = Addressing(False, 0, False, 0, cite, "address mode 1 is reserved")
        elif key not in table:
            raise TypeError(f"no row for {key}")
    return table


# destination modes, source modes, compression bits: destination PAN ID?, source PAN ID?
VERSION_0_1 = _expand(
    (
        ((_ABSENT,), (_ABSENT,), (0, 1), False, False),
        (_ANY, (_ABSENT,), (0, 1), True, False),
        ((_ABSENT,), _ANY, (0, 1), False, True),
        (_ANY, _ANY, (0,), True, True),
        (_ANY, _ANY, (1,), True, False),
    ),
    OLD,
)
VERSION_2 = _expand(
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
    NEW,
)
# the bit is PAN ID Present here: "the destination PAN ID field is present" (in substance, from memory)
MULTIPURPOSE = _expand(
    (
        ((_ABSENT, *_ANY), (_ABSENT, *_ANY), (0,), False, False),
        ((_ABSENT, *_ANY), (_ABSENT, *_ANY), (1,), True, False),
    ),
    _MULTIPURPOSE,
)


def addressing(version: int, destination: int, source: int, compression: int) -> Addressing:
    """Return what a header of this version carries for these address modes and compression bit."""
    table = VERSION_2 if version == 2 else VERSION_0_1
    return table[(destination, source, compression)]
