"""What nested information elements of the MLME IE carry (IEEE 802.15.4-2015 clause 7.4.4; ids and layouts from memory).

Those of time-slotted networks are in ``tsch_contents.py``. An id that has a name alone keeps its content as octets.
"""

from lowpanbudget.cites import ieee
from lowpanbudget.fields import Bits, Contents, Header, Repeat, Unsigned
from lowpanbudget.layers.link.content import ELEMENTS_CITE, content, vendor_content
from lowpanbudget.layers.link.tsch_contents import HOPPING, SLOTFRAMES, SYNCHRONIZATION, TIMESLOT

CITE = ieee(2015, "7.4.4")

_FILTER = Header(
    "enhanced beacon filter IE",
    ieee(2015, "7.4.4.6"),
    (
        Bits("permit joining on", 1, {0: "any answers", 1: "only who permits joining answers"}),
        Bits("include link quality filter", 1, {0: "no", 1: "a link quality follows"}),
        Bits("include percent filter", 1, {0: "no", 1: "a percentage follows"}),
        Bits("number of entries in PIB identifier list", 2),
        Bits("reserved", 3, unused=True),
    ),
    "little",
)
FILTER = content(
    "enhanced beacon filter IE",
    ieee(2015, "7.4.4.6"),
    (
        _FILTER,
        Unsigned(
            "link_quality", 1, "answer only when the request came in at least this well",
            when="include_link_quality_filter",
        ),
        Unsigned(
            "percent_filter", 1, "answer with this probability, in percent",
            when="include_percent_filter",
        ),
        Repeat(
            "pib_identifiers", Unsigned("pib_identifier", 1), empty=True, into=list,
            count="number_of_entries_in_PIB_identifier_list",
        ),
    ),
)  # fmt: skip

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


_VENDOR = vendor_content("vendor-specific nested IE", ieee(2015, "7.4.4.30"))

SHORT = Contents(
    "Short information elements nested in an MLME IE.",
    "id",
    ELEMENTS_CITE,
    {
        0x1A: SYNCHRONIZATION,
        0x1B: SLOTFRAMES,
        0x1C: TIMESLOT,
        0x1D: "hopping timing IE",
        0x1E: FILTER,
        0x1F: content(
            "MAC metrics IE",
            ieee(2015, "7.4.4.7"),
            (Unsigned("metric_id", 1, _METRICS), Unsigned("metric_count", 4)),
        ),
        0x20: "all MAC metrics IE",
        0x21: "coexistence specification IE",
        0x22: "SUN device capabilities IE",
        0x23: "SUN FSK generic PHY IE",
        0x24: "mode switch parameter IE",
        0x25: "PHY parameter change IE",
        0x26: "O-QPSK PHY mode IE",
        0x27: "PCA allocation IE",
        0x28: "LECIM DSSS operating mode IE",
        0x29: "LECIM FSK operating mode IE",
        0x2B: "TVWS PHY operating mode description IE",
        0x2C: "TVWS device capabilities IE",
        0x2D: "TVWS device category IE",
        0x2E: "TVWS device identification IE",
        0x2F: "TVWS device location IE",
        0x30: "TVWS channel information query IE",
        0x31: "TVWS channel information source IE",
        0x32: "CTM IE",
        0x33: "timestamp IE",
        0x34: "timestamp difference IE",
        0x35: "TMCTP specification IE",
        0x36: "RCC PHY operating mode IE",
        0x40: _VENDOR,
    },
)
LONG = Contents(
    "Long information elements nested in an MLME IE.",
    "id",
    ELEMENTS_CITE,
    {
        0x8: _VENDOR,
        0x9: HOPPING,
    },
)
