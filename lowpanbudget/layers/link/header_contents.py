"""What header information elements carry (IEEE 802.15.4-2015 clause 7.4.2; ids and layouts from memory).

Header IEs are read on the way to the payload, also in secured frames: they are authenticated, never encrypted.
An id without layout here keeps its content as octets.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from lowpanbudget.bits import Reader
from lowpanbudget.cites import Cite, ieee
from lowpanbudget.errors import Malformed, RequestError
from lowpanbudget.fields import Bits, Header
from lowpanbudget.layers.link.layouts import Content, Fields, Layout, Part, read_pieces

CITE = ieee(2015, "7.4.2")
TERMINATION_1, TERMINATION_2 = 0x7E, 0x7F
TIME_CORRECTION = 0x1E
_CORRECTION_CITE = ieee(2015, "7.4.2.7")

_TEN_SYMBOLS = "in units of 10 symbols"


def vendor_layout(name: str, cite: Cite) -> Layout:
    """Return the layout that all vendor-specific elements share: "a 3-octet vendor OUI" (RFC 8137 appendix A), content.

    The OUI is an integer and goes least significant octet first, as all of them (from memory).
    """
    oui = Part("oui", 3, "organisation, most significant octet first", "identifier")
    return Layout(name, cite, ((oui,), (oui, Part("vendor_content", 0, "the vendor's", "octets"))))


def _signed(value: int) -> int:
    """Return the number that 12 bits mean in two's complement."""
    return value - 0x1000 if value & 0x800 else value


@dataclass(frozen=True, slots=True)
class _TimeCorrection:
    """The acknowledgement's answer to a time-slotted sender: how far off it was, and whether to send again.

        bit  0-11                         12-14     15
            time correction, signed µs   reserved  nack

    Plain code: the number is signed, which a table of bits cannot say.
    """

    name: str = "time correction IE"
    cite: Cite = _CORRECTION_CITE

    def read(self, reader: Reader) -> Fields:
        """Return ``time_correction`` in microseconds, -2048 to 2047, and ``nack``."""
        if reader.left != _CORRECTION.octets:
            raise Malformed(
                f"the {self.name} has {reader.left} octets of content, not 2",
                offset=reader.pos,
                layer=self.name,
                cite=self.cite,
            )
        first = len(reader.spans)
        fields = read_pieces(reader, (_CORRECTION,), self.cite)
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
        word = _CORRECTION.join(
            {
                "time correction": correction & 0xFFF,
                "reserved": int(fields.get("reserved", 0)),
                "nack": int(fields.get("nack", 0)),
            }
        )
        return word.to_bytes(2, "little")


_CORRECTION = Header(
    "time correction IE",
    _CORRECTION_CITE,
    (
        Bits(
            "time correction",
            12,
            lambda value: f"the frame came {_signed(value):+d} µs off its slot's reference",
        ),
        Bits("reserved", 3),
        Bits("nack", 1, {0: "frame accepted", 1: "frame received but not accepted"}),
    ),
    "little",
)

_CSL = (Part("csl_phase", 2, _TEN_SYMBOLS), Part("csl_period", 2, _TEN_SYMBOLS))
_RENDEZVOUS = Part("rendezvous_time", 2, _TEN_SYMBOLS)

# id: name, layout of the content or None
HEADER_IES: dict[int, tuple[str, Content | None]] = {
    0x00: (
        "vendor-specific header IE",
        vendor_layout("vendor-specific header IE", ieee(2015, "7.4.2.1")),
    ),
    0x1A: ("CSL IE", Layout("CSL IE", ieee(2015, "7.4.2.3"), (_CSL, (*_CSL, _RENDEZVOUS)))),
    0x1B: (
        "RIT IE",
        Layout(
            "RIT IE",
            ieee(2015, "7.4.2.4"),
            (
                (
                    Part("time_to_first_listen", 1),
                    Part("number_of_repeat_listen", 1),
                    Part("repeat_listen_interval", 2),
                ),
            ),
        ),
    ),
    0x1C: ("DSME PAN descriptor IE", None),
    0x1D: (
        "rendezvous time IE",
        Layout(
            "rendezvous time IE",
            ieee(2015, "7.4.2.6"),
            ((_RENDEZVOUS, Part("wake_up_interval", 2, _TEN_SYMBOLS)),),
        ),
    ),
    TIME_CORRECTION: ("time correction IE", _TimeCorrection()),
    0x21: ("extended DSME PAN descriptor IE", None),
    0x22: ("fragment sequence context description IE", None),
    0x23: ("simplified superframe specification IE", None),
    0x24: ("simplified GTS specification IE", None),
    0x25: ("LECIM capabilities IE", None),
    0x26: ("TRLE descriptor IE", None),
    0x27: ("RCC capabilities IE", None),
    0x28: ("RCCN descriptor IE", None),
    0x29: ("global time IE", None),
    0x2B: ("DA IE", None),
    TERMINATION_1: (
        "header termination 1 IE: payload IEs follow",
        Layout("header termination 1 IE", ieee(2015, "7.4.2.17"), ((),)),
    ),
    TERMINATION_2: (
        "header termination 2 IE: the payload follows",
        Layout("header termination 2 IE", ieee(2015, "7.4.2.18"), ((),)),
    ),
}
