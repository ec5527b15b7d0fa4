"""What an enhanced beacon says about a time-slotted network (IEEE 802.15.4-2015 clause 7.4.4; layouts from memory).

Four nested elements: synchronization, slotframes and links, timeslot template, channel hopping.
"""

from typing import Any

from lowpanbudget.cites import ieee
from lowpanbudget.fields import Bits, Header, Layout, LayoutPart, OctetString, Repeat, Unsigned
from lowpanbudget.layers.link.content import content

SYNCHRONIZATION = content(
    "TSCH synchronization IE",
    ieee(2015, "7.4.4.2"),
    (
        Unsigned("asn", 5, "absolute slot number: slots since the network started"),
        Unsigned("join_metric", 1, "how far from the coordinator, by the sender's measure"),
    ),
)

# --- TSCH slotframe and link ------------------------------------------------------------------

_SLOTFRAMES_CITE = ieee(2015, "7.4.4.3")
_LINK: Layout[dict[str, Any]] = Layout(
    "TSCH link",
    _SLOTFRAMES_CITE,
    Unsigned("timeslot", 2),
    Unsigned("channel_offset", 2),
    Header(
        "TSCH link options",
        ieee(2015, "7.4.4.3"),
        (
            Bits("tx", 1, {0: "no transmit link", 1: "transmit link"}),
            Bits("rx", 1, {0: "no receive link", 1: "receive link"}),
            Bits("shared", 1, {0: "one transmitter", 1: "shared by contending transmitters"}),
            Bits("timekeeping", 1, {0: "no time source", 1: "the peer keeps the time"}),
            Bits("priority", 1, {0: "no priority", 1: "priority channel access"}),
            Bits("reserved", 3, unused=True),
        ),
        "little",
    ),
    order="little",
)
_SLOTFRAME: Layout[dict[str, Any]] = Layout(
    "TSCH slotframe",
    _SLOTFRAMES_CITE,
    Unsigned("slotframe_handle", 1),
    Unsigned("slotframe_size", 2, "slots"),
    Unsigned("number_of_links", 1),
    Repeat("links", _LINK, count="number_of_links", into=list),
    order="little",
)
SLOTFRAMES = content(
    "TSCH slotframe and link IE",
    _SLOTFRAMES_CITE,
    (
        Unsigned("number_of_slotframes", 1),
        Repeat("slotframes", _SLOTFRAME, count="number_of_slotframes", into=list),
    ),
)

# --- TSCH timeslot ----------------------------------------------------------------------------

_TEMPLATE_ID = Unsigned(
    "timeslot_template_id",
    1,
    {0: "the default template"} | dict.fromkeys(range(1, 256), "a template of the network's own"),
)
_TIMES = (
    "cca_offset",
    "cca",
    "tx_offset",
    "rx_offset",
    "rx_ack_delay",
    "tx_ack_delay",
    "rx_wait",
    "ack_wait",
    "rx_tx",
    "max_ack",
)


def _template(octets: int) -> tuple[LayoutPart, ...]:
    """Return a whole template whose two longest times have ``octets`` octets."""
    return (
        _TEMPLATE_ID,
        *(Unsigned(name, 2, "µs") for name in _TIMES),
        *(Unsigned(name, octets, "µs") for name in ("max_tx", "timeslot_length")),
    )


# the template by id, or in full: a sender takes 3 octets for the longest times only where they need them
TIMESLOT = content(
    "TSCH timeslot IE", ieee(2015, "7.4.4.4"), (_TEMPLATE_ID,), _template(2), _template(3)
)

# --- channel hopping --------------------------------------------------------------------------

_HOPPING_ID = Unsigned(
    "hopping_sequence_id",
    1,
    {0: "the default sequence"} | dict.fromkeys(range(1, 256), "a sequence of the network's own"),
)
_PAGES_WITH_BITMAP = (9, 10)


def _bitmap_octets(values: dict[str, Any]) -> int:
    """Return the octets of the extended bitmap of channel pages 9 and 10, one bit a channel (from memory)."""
    octets = -(-int(values["number_of_channels"]) // 8)
    return octets if values["channel_page"] in _PAGES_WITH_BITMAP else 0


HOPPING = content(
    "channel hopping IE",
    ieee(2015, "7.4.4.31"),
    (_HOPPING_ID,),
    (
        _HOPPING_ID,
        Unsigned("channel_page", 1),
        Unsigned("number_of_channels", 2),
        Unsigned("phy_configuration", 4),
        OctetString("extended_bitmap", "one bit a channel", count=_bitmap_octets),
        Unsigned("hopping_sequence_length", 2),
        Repeat(
            "hopping_sequence", Unsigned("channel", 2), count="hopping_sequence_length",
            units="channels", into=list,
        ),
        Unsigned("current_hop", 2, "where in the sequence the sender is"),
    ),
)  # fmt: skip
