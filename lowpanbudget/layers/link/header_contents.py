"""What header information elements carry (IEEE 802.15.4-2015 clause 7.4.2; ids and layouts from memory).

Header IEs are read on the way to the payload, also in secured frames: they are authenticated, never encrypted.
An id that has a name alone keeps its content as octets.
"""

from collections.abc import Mapping
from typing import Any

from lowpanbudget.bits import Reader
from lowpanbudget.cites import ieee
from lowpanbudget.errors import RequestError
from lowpanbudget.fields import Bits, Contents, Either, Header, Layout, Unsigned
from lowpanbudget.layers.link.content import ELEMENTS_CITE, content, vendor_content

CITE = ieee(2015, "7.4.2")
TERMINATION_1, TERMINATION_2 = 0x7E, 0x7F
TIME_CORRECTION = 0x1E
_CORRECTION_CITE = ieee(2015, "7.4.2.7")
_TEN_SYMBOLS = "in units of 10 symbols"


def _signed(value: int) -> int:
    """Return the number that 12 bits mean in two's complement."""
    return value - 0x1000 if value & 0x800 else value


_CORRECTION = Header(
    "time correction IE",
    _CORRECTION_CITE,
    (
        Bits(
            "time correction",
            12,
            lambda value: f"the frame came {_signed(value):+d} µs off its slot's reference",
        ),
        Bits("reserved", 3, unused=True),
        Bits("nack", 1, {0: "frame accepted", 1: "frame received but not accepted"}),
    ),
    "little",
)


class _TimeCorrection(Either):
    """The acknowledgement's answer to a time-slotted sender: how far off it was, and whether to send again.

        bit  0-11                         12-14     15
            time correction, signed µs   reserved  nack

    Plain code: the number is signed, which a word of bits cannot say.
    """

    __slots__ = ()

    def read(self, reader: Reader) -> Mapping[str, Any]:
        """Return ``time_correction`` in microseconds, -2048 to 2047, and ``nack``."""
        first = len(reader.spans)
        fields = dict(super().read(reader))
        fields["time_correction"] = _signed(fields["time_correction"])
        reader.spans[first] = reader.spans[first]._replace(value=fields["time_correction"])
        return fields

    def write(self, fields: Mapping[str, Any]) -> bytes:
        """Return 2 octets."""
        unknown = fields.keys() - {"time_correction", "nack", "reserved"}
        correction = fields.get("time_correction")
        if unknown or not isinstance(correction, int) or not -2048 <= correction <= 2047:
            raise RequestError(
                f"the {self.name} takes time_correction from -2048 to 2047, and nack",
                cite=self.cite,
            )
        return super().write({**fields, "time_correction": correction & 0xFFF})


_CSL = (Unsigned("csl_phase", 2, _TEN_SYMBOLS), Unsigned("csl_period", 2, _TEN_SYMBOLS))
_RENDEZVOUS = Unsigned("rendezvous_time", 2, _TEN_SYMBOLS)

HEADER_IES = Contents(
    "Information elements of a MAC header.",
    "id",
    ELEMENTS_CITE,
    {
        0x00: vendor_content("vendor-specific header IE", ieee(2015, "7.4.2.1")),
        0x1A: content("CSL IE", ieee(2015, "7.4.2.3"), _CSL, (*_CSL, _RENDEZVOUS)),
        0x1B: content(
            "RIT IE",
            ieee(2015, "7.4.2.4"),
            (
                Unsigned("time_to_first_listen", 1),
                Unsigned("number_of_repeat_listen", 1),
                Unsigned("repeat_listen_interval", 2),
            ),
        ),
        0x1C: "DSME PAN descriptor IE",
        0x1D: content(
            "rendezvous time IE",
            ieee(2015, "7.4.2.6"),
            (_RENDEZVOUS, Unsigned("wake_up_interval", 2, _TEN_SYMBOLS)),
        ),
        TIME_CORRECTION: _TimeCorrection(
            "time correction IE",
            _CORRECTION_CITE,
            Layout("time correction IE", _CORRECTION_CITE, _CORRECTION, order="little"),
        ),
        0x21: "extended DSME PAN descriptor IE",
        0x22: "fragment sequence context description IE",
        0x23: "simplified superframe specification IE",
        0x24: "simplified GTS specification IE",
        0x25: "LECIM capabilities IE",
        0x26: "TRLE descriptor IE",
        0x27: "RCC capabilities IE",
        0x28: "RCCN descriptor IE",
        0x29: "global time IE",
        0x2B: "DA IE",
        TERMINATION_1: content(
            "header termination 1 IE",
            ieee(2015, "7.4.2.17"),
            title="header termination 1 IE: payload IEs follow",
        ),
        TERMINATION_2: content(
            "header termination 2 IE",
            ieee(2015, "7.4.2.18"),
            title="header termination 2 IE: the payload follows",
        ),
    },
)
