"""Records out again, as a pcap file (nanoseconds, little-endian) into a binary file that somebody else opens."""

import struct
from collections.abc import Iterable
from typing import Protocol

from lowpanbudget.arguments import explains, open_for_octets, several, whole_number
from lowpanbudget.capture.files.pcap import SECOND
from lowpanbudget.capture.files.record import Record
from lowpanbudget.errors import RequestError, repeated

_HEADER = struct.Struct("<I2H2I2I")
_RECORD = struct.Struct("<4I")
_NANOSECONDS, _SNAPSHOT = 0xA1B23C4D, 1 << 18
_LAST = (1 << 32) * SECOND - 1  # the format has 32 bits for seconds


class BinaryOutput(Protocol):
    """What can be written to."""

    def write(self, octets: bytes, /) -> object:
        """Append octets."""


class PcapWriter:
    """Writes records of one link type; ``count`` tells how many.

    Records without a time stamp get time 0; times that the format cannot hold get the nearest that it can.
    """

    def __init__(self, file: BinaryOutput, link_type: int) -> None:
        self._file = file
        self._link_type = link_type
        self.count = 0
        file.write(_HEADER.pack(_NANOSECONDS, 2, 4, 0, 0, _SNAPSHOT, link_type))

    @explains
    def write(self, record: Record) -> None:
        """Append a record; raises ``RequestError`` for one of another link type."""
        if record.link_type != self._link_type:
            raise RequestError(
                f"a record of link type {repeated(record.link_type)} does not go into a file of {self._link_type}",
                hint="One pcap file has one link type",
            )
        seconds, fraction = divmod(min(max(record.time_ns or 0, 0), _LAST), SECOND)
        octets = record.octets
        original = max(record.original_length, len(octets)) & 0xFFFF_FFFF
        self._file.write(_RECORD.pack(seconds, fraction, len(octets), original) + octets)
        self.count += 1


def write_pcap(file: BinaryOutput, records: Iterable[Record], link_type: int) -> int:
    """Write records as a pcap file (nanoseconds) to ``file``, open for octets; return their number.

    Records without a time get time 0; times that the format cannot hold get the nearest that it can. Raises
    ``RequestError`` for a record of another link type than ``link_type``, or what cannot be written to.
    """
    writer = PcapWriter(
        open_for_octets(file, "write"), whole_number(link_type, "link_type", most=0xFFFF_FFFF)
    )
    for record in several(records, "records"):
        writer.write(record)
    return writer.count
