"""What an enhanced beacon says about a time-slotted network (IEEE 802.15.4-2015 clause 7.4.4; layouts from memory).

Four nested elements: synchronization, slotframes and links, timeslot template, channel hopping. Slotframes and hopping
sequences have counts inside: plain code.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from lowpanbudget.bits import Reader
from lowpanbudget.cites import Cite, ieee
from lowpanbudget.errors import Malformed, RequestError
from lowpanbudget.fields import Bits, Header
from lowpanbudget.layers.link.layouts import (
    Fields,
    Layout,
    Part,
    Piece,
    read_pieces,
    write_part,
    write_pieces,
)


@dataclass(frozen=True, slots=True)
class Coded:
    """A content read and written by a function of its own."""

    name: str
    cite: Cite
    reads: Callable[[Reader, Cite], Fields]
    writes: Callable[[Mapping[str, Any], Cite], bytes]

    def read(self, reader: Reader) -> Fields:
        """Return named fields; raises ``Truncated``, or ``Malformed`` when octets are left over."""
        fields = self.reads(reader, self.cite)
        if reader.left:
            raise Malformed(
                f"{reader.left} octets are left over behind the {self.name}",
                offset=reader.pos,
                layer=self.name,
                cite=self.cite,
            )
        return fields

    def write(self, fields: Mapping[str, Any]) -> bytes:
        """Return the octets; raises ``RequestError`` for fields that are missing or do not fit."""
        try:
            return self.writes(fields, self.cite)
        except KeyError as missing:
            raise RequestError(f"the {self.name} needs {missing.args[0]}", cite=self.cite) from None
        except TypeError:
            raise RequestError(
                f"the {self.name} has a field of a wrong kind", cite=self.cite
            ) from None


# --- TSCH synchronization ---------------------------------------------------------------------

SYNCHRONIZATION = Layout(
    "TSCH synchronization IE",
    ieee(2015, "7.4.4.2"),
    (
        (
            Part("asn", 5, "absolute slot number: slots since the network started"),
            Part("join_metric", 1, "how far from the coordinator, by the sender's measure"),
        ),
    ),
)

# --- TSCH slotframe and link ------------------------------------------------------------------

_SLOTFRAME: tuple[Piece, ...] = (
    Part("slotframe_handle", 1),
    Part("slotframe_size", 2, "slots"),
    Part("number_of_links", 1),
)
_LINK: tuple[Piece, ...] = (
    Part("timeslot", 2),
    Part("channel_offset", 2),
    Header(
        "TSCH link options",
        ieee(2015, "7.4.4.3"),
        (
            Bits("tx", 1, {0: "no transmit link", 1: "transmit link"}),
            Bits("rx", 1, {0: "no receive link", 1: "receive link"}),
            Bits("shared", 1, {0: "one transmitter", 1: "shared by contending transmitters"}),
            Bits("timekeeping", 1, {0: "no time source", 1: "the peer keeps the time"}),
            Bits("priority", 1, {0: "no priority", 1: "priority channel access"}),
            Bits("reserved", 3),
        ),
        "little",
    ),
)
_COUNT = Part("number_of_slotframes", 1)


def _read_slotframes(reader: Reader, cite: Cite) -> Fields:
    """Return ``slotframes``, each a dict with ``links``; 255 of 255 at most, and never more than the octets hold."""
    count = read_pieces(reader, (_COUNT,), cite)[_COUNT.name]
    slotframes = []
    for _ in range(count):
        slotframe = read_pieces(reader, _SLOTFRAME, cite)
        links = slotframe.pop("number_of_links")
        slotframe["links"] = [read_pieces(reader, _LINK, cite) for _ in range(links)]
        slotframes.append(slotframe)
    return {"slotframes": slotframes}


def _write_slotframes(fields: Mapping[str, Any], cite: Cite) -> bytes:
    slotframes = fields["slotframes"]
    octets = write_part(len(slotframes), _COUNT, cite)
    for slotframe in slotframes:
        links = slotframe["links"]
        octets += write_pieces({**slotframe, "number_of_links": len(links)}, _SLOTFRAME, cite)
        octets += b"".join(write_pieces(link, _LINK, cite) for link in links)
    return octets


# --- TSCH timeslot ----------------------------------------------------------------------------

_TEMPLATE_ID = Part("timeslot_template_id", 1, {0: "the default template"} | dict.fromkeys(
    range(1, 256), "a template of the network's own"))  # fmt: skip
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


def _template(octets: int) -> tuple[Piece, ...]:
    """Return a whole template whose two longest times have ``octets`` octets."""
    return (
        _TEMPLATE_ID,
        *(Part(name, 2, "µs") for name in _TIMES),
        *(Part(name, octets, "µs") for name in ("max_tx", "timeslot_length")),
    )


class _Timeslot(Layout):
    """The template by id, or in full with 2 or, only where the times need them, 3 octets for the longest times."""

    __slots__ = ()

    def write(self, fields: Mapping[str, Any]) -> bytes:
        """Return 1, 25 or 27 octets."""
        longest = max((fields.get(name) or 0 for name in ("max_tx", "timeslot_length")), default=0)
        long = isinstance(longest, int) and longest > 0xFFFF
        alternatives = self.alternatives[2:] if long else self.alternatives[:2]
        return Layout(self.name, self.cite, alternatives).write(fields)


TIMESLOT = _Timeslot(
    "TSCH timeslot IE", ieee(2015, "7.4.4.4"), ((_TEMPLATE_ID,), _template(2), _template(3))
)

# --- channel hopping --------------------------------------------------------------------------

_HOPPING_ID = Part(
    "hopping_sequence_id",
    1,
    {0: "the default sequence"} | dict.fromkeys(range(1, 256), "a sequence of the network's own"),
)
_HOPPING: tuple[Piece, ...] = (
    Part("channel_page", 1),
    Part("number_of_channels", 2),
    Part("phy_configuration", 4),
)
_SEQUENCE_LENGTH = Part("hopping_sequence_length", 2)
_CHANNEL = Part("channel", 2)
_CURRENT_HOP = Part("current_hop", 2, "where in the sequence the sender is")
_PAGES_WITH_BITMAP = (9, 10)


def _bitmap(fields: Mapping[str, Any]) -> Part | None:
    """Return the extended bitmap of channel pages 9 and 10, one bit a channel (from memory)."""
    octets = -(-int(fields["number_of_channels"]) // 8)
    if fields["channel_page"] in _PAGES_WITH_BITMAP and octets:
        return Part("extended_bitmap", octets, "one bit a channel", "octets")
    return None


def _read_hopping(reader: Reader, cite: Cite) -> Fields:
    fields = read_pieces(reader, (_HOPPING_ID,), cite)
    if not reader.left:
        return fields
    fields |= read_pieces(reader, _HOPPING, cite)
    if bitmap := _bitmap(fields):
        fields |= read_pieces(reader, (bitmap,), cite)
    count = read_pieces(reader, (_SEQUENCE_LENGTH,), cite)[_SEQUENCE_LENGTH.name]
    reader.need(2 * count, f"a hopping sequence of {count} channels", cite)
    fields["hopping_sequence"] = [
        read_pieces(reader, (_CHANNEL,), cite)["channel"] for _ in range(count)
    ]
    return fields | read_pieces(reader, (_CURRENT_HOP,), cite)


def _write_hopping(fields: Mapping[str, Any], cite: Cite) -> bytes:
    octets = write_pieces(fields, (_HOPPING_ID,), cite)
    if fields.keys() <= {_HOPPING_ID.name}:
        return octets
    octets += write_pieces(fields, _HOPPING, cite)
    if bitmap := _bitmap(fields):
        octets += write_pieces(fields, (bitmap,), cite)
    sequence = fields["hopping_sequence"]
    octets += write_part(len(sequence), _SEQUENCE_LENGTH, cite)
    octets += b"".join(write_part(channel, _CHANNEL, cite) for channel in sequence)
    return octets + write_pieces(fields, (_CURRENT_HOP,), cite)


SLOTFRAMES = Coded(
    "TSCH slotframe and link IE", ieee(2015, "7.4.4.3"), _read_slotframes, _write_slotframes
)
HOPPING = Coded("channel hopping IE", ieee(2015, "7.4.4.31"), _read_hopping, _write_hopping)
