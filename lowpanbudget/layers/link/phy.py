"""The PHYs of IEEE 802.15.4: the largest frame, and what every octet and every wait takes on the air.

    | SHR: preamble, SFD | PHR | PSDU: the frame |   turnaround, or a slot's delay   | SHR | PHR | acknowledgement |

Times are exact, in microseconds. The IEEE text is not free: numbers that an open protocol stack states with their
clause were read there, and the comments beside them say which are from memory.
"""

import math
from collections.abc import Mapping
from fractions import Fraction
from typing import NamedTuple

from lowpanbudget.cites import Cite, ieee
from lowpanbudget.errors import RequestError
from lowpanbudget.layers.link.mac import LARGEST_FRAME, LARGEST_SUN_FRAME
from lowpanbudget.values import FrozenDict, dataclass, replace

# the longer frames of the SUN PHYs want a 4-octet FCS (from memory)
_SMALL, _LARGE = ieee(2015, "table 11-1"), ieee(2015, "clause 11.2")
_O_QPSK, _BPSK, _SUN_FSK = (
    ieee(2020, "12.3.3"),
    ieee(2020, "13.3.3"),
    ieee(2020, "table 19-1"),
)
# "SIFS up to 18 octets of MPDU" (aMaxSIFSFrameSize)
_MOST_BEFORE_SIFS = 18
# preambles of SUN FSK have 4 to 1000 octets; 8 is common practice, no default of the standard is known here
LEAST_PREAMBLE, MOST_PREAMBLE, USUAL_PREAMBLE = 4, 1000, 8


class TimePart(NamedTuple):
    """A piece of a transmission: what it is called, and how long it takes in microseconds.

    Names are those of IEEE 802.15.4-2020 clause 12.1, from memory.
    """

    name: str
    us: Fraction


@dataclass(frozen=True, slots=True)
class PhyTiming:
    """How long things take on a PHY, in microseconds but for ``preamble``, ``delimiter`` and ``header``: octets.

    ``symbol`` is the MAC's symbol period, in which the waits count; SUN FSK keeps it at every data rate. ``octet`` is
    that of the air. ``ack_wait`` is how long a sender waits for an acknowledgement, None where no source is known.
    ``cite`` tells the clause, such as IEEE 802.15.4-2020 clause 12.3.3: some numbers are from memory.
    """

    symbol: Fraction
    octet: Fraction
    preamble: int
    delimiter: int
    header: int
    turnaround: Fraction
    cca: Fraction
    sifs: Fraction
    lifs: Fraction
    ack_wait: Fraction | None
    cite: Cite

    @property
    def unit_backoff(self) -> Fraction:
        """Return aUnitBackoffPeriod: the turnaround and a CCA (IEEE 802.15.4-2020 table 8-93)."""
        return self.turnaround + self.cca

    @property
    def before_frame(self) -> tuple[TimePart, ...]:
        """Return what is sent before the octets of a frame, with the standard's names."""
        return (
            TimePart("preamble", self.preamble * self.octet),
            TimePart("SFD", self.delimiter * self.octet),
            TimePart("PHR", self.header * self.octet),
        )

    def airtime(self, octets: int) -> Fraction:
        """Return how long a frame of so many octets, check sequence included, is on the air."""
        return (self.preamble + self.delimiter + self.header + octets) * self.octet

    def longest(self, us: float) -> int:
        """Return the octets of the longest frame that is on the air for no more than so many microseconds."""
        before = self.preamble + self.delimiter + self.header
        return max(math.floor(Fraction(us) / self.octet) - before, 0)

    def spacing(self, octets: int) -> Fraction:
        """Return the pause that a sender leaves behind a frame of so many octets: SIFS or LIFS."""
        return self.sifs if octets <= _MOST_BEFORE_SIFS else self.lifs


def _timing(symbol: int, octet: int, ack_wait: int, cite: Cite) -> PhyTiming:
    """Return the timing of an O-QPSK or BPSK PHY: aTurnaroundTime 12 symbols, aCcaTime 8 (table 11-1)."""
    return PhyTiming(
        Fraction(symbol), Fraction(octet), 4, 1, 1, Fraction(12 * symbol), Fraction(8 * symbol),
        Fraction(12 * symbol), Fraction(40 * symbol), Fraction(ack_wait * symbol), cite,
    )  # fmt: skip


def _sun_fsk(rate_kbps: int) -> PhyTiming:
    """Return the timing of SUN FSK at 863 or 915 MHz: aTurnaroundTime is 1 ms, an SFD and a PHR have 2 octets.

    The symbol of 20 µs is read for 50 kb/s and inferred for the others; the spacings are from memory.
    """
    millisecond, symbol = Fraction(1000), Fraction(20)
    return PhyTiming(
        symbol, Fraction(8000, rate_kbps), USUAL_PREAMBLE, 2, 2, millisecond, 8 * symbol,
        millisecond, millisecond, None, _SUN_FSK,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Phy:
    """A PHY: the octets that its largest frame (PSDU) holds, the FCS it uses, and its timing by data rate in kb/s.

    The first rate is the one that is meant where none is named; no rate: no timing is known here.
    """

    name: str
    largest: int
    fcs: int
    cite: Cite
    rates: Mapping[int, PhyTiming]
    chooses_preamble: bool = False

    @property
    def says_largest(self) -> str:
        """Return in words where the size of its largest frame comes from."""
        return (
            f"The PHY, {self.name}, sends no frame of more than {self.largest} octets: that is its aMaxPhyPacketSize "
            f"({self.cite}, from memory). The length that goes before each frame has "
            f"{self.largest.bit_length()} bits, so none can be told to be longer."
        )


def _phy(name: str, rate: int, symbol: int, octet: int, ack_wait: int, cite: Cite) -> Phy:
    rates = {rate: _timing(symbol, octet, ack_wait, cite)}
    return Phy(name, LARGEST_FRAME, 2, _SMALL, FrozenDict(rates))


_SUN_FSK_RATES = {rate: _sun_fsk(rate) for rate in (50, 100, 150)}
PHYS = {
    phy.name: phy
    for phy in (
        _phy("o-qpsk-2450", 250, 16, 32, 54, _O_QPSK),
        _phy("o-qpsk-915", 250, 16, 32, 54, _O_QPSK),
        _phy("o-qpsk-868", 100, 40, 80, 54, _O_QPSK),
        _phy("bpsk-915", 40, 25, 200, 120, _BPSK),
        _phy("bpsk-868", 20, 50, 400, 120, _BPSK),
        Phy("sun-fsk", LARGEST_SUN_FRAME, 4, _LARGE, FrozenDict(_SUN_FSK_RATES), chooses_preamble=True),
        Phy("sun-ofdm", LARGEST_SUN_FRAME, 4, _LARGE, FrozenDict()),
        Phy("sun-o-qpsk", LARGEST_SUN_FRAME, 4, _LARGE, FrozenDict()),
    )
}  # fmt: skip
LONG_FCS = PHYS["sun-fsk"].fcs
RATES = tuple(sorted({rate for phy in PHYS.values() for rate in phy.rates}))


def largest_beside(octets: int, fcs: int) -> int:
    """Return the octets of the largest frame to reckon with where nothing but a frame tells of its PHY.

    The frame has ``octets``, ``fcs`` of them FCS. One longer than 127 octets, or with an FCS of 4, is of a PHY that
    carries 2047 (IEEE 802.15.4-2015 table 11-1 and clause 7.2.10, from memory).
    """
    return LARGEST_SUN_FRAME if octets > LARGEST_FRAME or fcs == LONG_FCS else LARGEST_FRAME


def why_largest(octets: int, fcs: int) -> str:
    """Return in words why that is the largest beside such a frame."""
    if octets > LARGEST_FRAME:
        return f"this one is longer than {LARGEST_FRAME}"
    return f"this one has an FCS of {fcs}" if fcs == LONG_FCS else "most PHYs have it"


def timing(phy: str, rate: int | None = None, preamble: int | None = None) -> PhyTiming:
    """Return the timing of a PHY at a data rate in kb/s, with a preamble of so many octets where that may be chosen.

    Raises ``RequestError`` for a PHY whose timing is not known here, or not at this rate.
    """
    rates = PHYS[phy].rates
    if not rates:
        raise RequestError(
            f"no timing of {phy} is known here, so nothing is said about its time on the air",
            cite=ieee(2020, "table 11-1"),
            hint=f"Known: {', '.join(name for name, one in PHYS.items() if one.rates)}",
        )
    rate = next(iter(rates)) if rate is None else rate
    if rate not in rates:
        raise RequestError(
            f"no timing of {phy} at {rate} kb/s is known here",
            hint=f"Known: {' or '.join(map(str, rates))} kb/s",
        )
    found = rates[rate]
    return found if preamble is None else replace(found, preamble=preamble)
