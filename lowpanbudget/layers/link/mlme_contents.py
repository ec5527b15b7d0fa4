"""What nested information elements of the MLME IE carry (IEEE 802.15.4-2015 clause 7.4.4; ids and layouts from memory).

Those of time-slotted networks are in ``tsch_contents.py``. An id without layout here keeps its content as octets.
"""

from collections.abc import Mapping
from typing import Any

from lowpanbudget.bits import Reader
from lowpanbudget.cites import Cite, ieee
from lowpanbudget.fields import Bits, Header
from lowpanbudget.layers.link.header_contents import vendor_layout
from lowpanbudget.layers.link.layouts import (
    Content,
    Fields,
    Layout,
    Part,
    read_pieces,
    write_part,
    write_pieces,
)
from lowpanbudget.layers.link.tsch_contents import (
    HOPPING,
    SLOTFRAMES,
    SYNCHRONIZATION,
    TIMESLOT,
    Coded,
)

CITE = ieee(2015, "7.4.4")

_FILTER = Header(
    "enhanced beacon filter IE",
    ieee(2015, "7.4.4.6"),
    (
        Bits("permit joining on", 1, {0: "any answers", 1: "only who permits joining answers"}),
        Bits("include link quality filter", 1, {0: "no", 1: "a link quality follows"}),
        Bits("include percent filter", 1, {0: "no", 1: "a percentage follows"}),
        Bits("number of entries in PIB identifier list", 2),
        Bits("reserved", 3),
    ),
    "little",
)
_LINK_QUALITY = Part("link_quality", 1, "answer only when the request came in at least this well")
_PERCENT = Part("percent_filter", 1, "answer with this probability, in percent")
_PIB = Part("pib_identifier", 1)


def _filter_parts(fields: Mapping[str, Any]) -> tuple[Part, ...]:
    """Return which parts the flags announce."""
    quality = (_LINK_QUALITY,) if fields.get("include_link_quality_filter") else ()
    percent = (_PERCENT,) if fields.get("include_percent_filter") else ()
    return (*quality, *percent)


def _read_filter(reader: Reader, cite: Cite) -> Fields:
    fields = read_pieces(reader, (_FILTER,), cite)
    fields |= read_pieces(reader, _filter_parts(fields), cite)
    count = fields.pop("number_of_entries_in_PIB_identifier_list")
    fields["pib_identifiers"] = [
        read_pieces(reader, (_PIB,), cite)["pib_identifier"] for _ in range(count)
    ]
    return fields


def _write_filter(fields: Mapping[str, Any], cite: Cite) -> bytes:
    identifiers = fields.get("pib_identifiers", ())
    flags = {
        "include_link_quality_filter": "link_quality" in fields,
        "include_percent_filter": "percent_filter" in fields,
        "number_of_entries_in_PIB_identifier_list": len(identifiers),
    }
    fields = {**fields, **flags}
    octets = write_pieces(fields, (_FILTER, *_filter_parts(fields)), cite)
    return octets + b"".join(write_part(number, _PIB, cite) for number in identifiers)


FILTER = Coded("enhanced beacon filter IE", ieee(2015, "7.4.4.6"), _read_filter, _write_filter)

_METRICS = {
    1: "macRetryCount",
    2: "macMultipleRetryCount",
    3: "macTxFailCount",
    4: "macTxSuccessCount",
    5: "macFcsErrorCount",
    6: "macSecurityFailure",
    7: "macDuplicateFrameCount",
    8: "macRxSuccessCount",
    9: "macNackCount",
}


_VENDOR = vendor_layout("vendor-specific nested IE", ieee(2015, "7.4.4.30"))


def _named(content: Content) -> tuple[str, Content]:
    return content.name, content


# id: name, layout of the content or None
SHORT: dict[int, tuple[str, Content | None]] = {
    0x1A: _named(SYNCHRONIZATION),
    0x1B: _named(SLOTFRAMES),
    0x1C: _named(TIMESLOT),
    0x1D: ("hopping timing IE", None),
    0x1E: _named(FILTER),
    0x1F: _named(
        Layout(
            "MAC metrics IE",
            ieee(2015, "7.4.4.7"),
            ((Part("metric_id", 1, _METRICS), Part("metric_count", 4)),),
        )
    ),
    0x20: ("all MAC metrics IE", None),
    0x21: ("coexistence specification IE", None),
    0x22: ("SUN device capabilities IE", None),
    0x23: ("SUN FSK generic PHY IE", None),
    0x24: ("mode switch parameter IE", None),
    0x25: ("PHY parameter change IE", None),
    0x26: ("O-QPSK PHY mode IE", None),
    0x27: ("PCA allocation IE", None),
    0x28: ("LECIM DSSS operating mode IE", None),
    0x29: ("LECIM FSK operating mode IE", None),
    0x2B: ("TVWS PHY operating mode description IE", None),
    0x2C: ("TVWS device capabilities IE", None),
    0x2D: ("TVWS device category IE", None),
    0x2E: ("TVWS device identification IE", None),
    0x2F: ("TVWS device location IE", None),
    0x30: ("TVWS channel information query IE", None),
    0x31: ("TVWS channel information source IE", None),
    0x32: ("CTM IE", None),
    0x33: ("timestamp IE", None),
    0x34: ("timestamp difference IE", None),
    0x35: ("TMCTP specification IE", None),
    0x36: ("RCC PHY operating mode IE", None),
    0x40: _named(_VENDOR),
}
LONG: dict[int, tuple[str, Content | None]] = {
    0x8: _named(_VENDOR),
    0x9: _named(HOPPING),
}
