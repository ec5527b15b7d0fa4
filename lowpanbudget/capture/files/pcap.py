"""The pcap format: a header of 24 octets, then records of 16 octets and the frame.

    magic 4 | major 2 | minor 2 | reserved 8 | snapshot length 4 | link type 4     the file, in the writer's byte order
    seconds 4 | microseconds or nanoseconds 4 | octets kept 4 | octets on the air 4     each record

draft-ietf-opsawg-pcap, from memory; the tests have a second opinion.
"""

import struct
from collections.abc import Iterator
from typing import NamedTuple

from lowpanbudget.capture.files.record import FILES_JOINED, FRAME_CUT, Notices, Record
from lowpanbudget.capture.files.source import Source

# magic as it stands in the file: byte order for struct, nanoseconds in a unit of the fraction
MAGICS = {
    b"\xa1\xb2\xc3\xd4": (">", 1000),
    b"\xd4\xc3\xb2\xa1": ("<", 1000),
    b"\xa1\xb2\x3c\x4d": (">", 1),
    b"\x4d\x3c\xb2\xa1": ("<", 1),
}
LONGEST = 1 << 18  # no link type has longer frames; a greater length is a damaged one
SECOND = 10**9
_HEADER, _RECORD = 24, 16
_VERSIONS = (struct.pack("<2H", 2, 4), struct.pack(">2H", 2, 4))
_new = tuple.__new__


class PcapLayout(NamedTuple):
    """What all records of a file share: the order of octets for struct, nanoseconds in a fraction's unit, link type."""

    order: str
    unit: int
    link_type: int


def read_pcap(source: Source, notices: Notices) -> Iterator[Record]:
    """Yield the whole records of a pcap file; what ends it early is noticed with its place."""
    head = source.take(_HEADER)
    order, unit = MAGICS[head[:4]]
    if len(head) < _HEADER:
        text = source.trouble or f"the file header has {len(head)} octets, not {_HEADER}"
        notices.add("file-cut", text, 0, len(head))
        return
    major, minor, _, _, snapshot, network = struct.unpack(f"{order}2H2I2I", head[4:])
    if major != 2:
        notices.add("version-unknown", f"version {major}.{minor} is read as 2.4", 0, 4)
    link_type = network & 0xFFFF  # the bits above tell of an FCS, which the trace tests instead
    layout = struct.Struct(f"{order}4I")
    source.layout = PcapLayout(order, unit, link_type)
    unpack = layout.unpack_from
    beginnings = {struct.unpack(f"{order}2I", m + v) for m in MAGICS for v in _VERSIONS}
    while True:
        number, buffer, at = source.frames, source.buffer, source.at
        start = at + _RECORD
        if start > len(buffer):
            head = source.peek(_RECORD)
            if len(head) == _RECORD:
                continue  # there is another buffer now
            if head or source.trouble:
                text = source.trouble or f"a record header has {len(head)} octets, not {_RECORD}"
                notices.add("file-cut", text, number, source.offset)
            return
        seconds, fraction, kept, original = unpack(buffer, at)
        if (seconds, fraction) in beginnings:
            text = (
                "the header of another pcap file stands here, as where two files were joined: nothing behind it is "
                "read. Cut the file in two at this octet, and read both"
            )
            notices.add(FILES_JOINED, text, number, source.offset)
            return
        if kept > LONGEST:
            notices.add(
                "length-wrong",
                f"a record says {kept} octets, over {LONGEST}: the rest of the file cannot be found",
                number,
                source.offset + 8,
            )
            return
        end = start + kept
        if end > len(buffer):
            there = len(source.peek(_RECORD + kept)) - _RECORD
            if there == kept:
                continue
            text = source.trouble or f"the last record has {there} of its {kept} octets"
            notices.add("file-cut", text, number, source.offset)
            return
        source.at, source.frames, offset = end, number + 1, source.gone + start
        past_ns = fraction * unit
        if past_ns >= SECOND:
            text = f"a fraction of {fraction} is over a second"
            notices.add("time-wrong", text, number + 1, offset - _RECORD + 4)
        if original != kept or not kept:
            note_lengths(notices, number + 1, offset - _RECORD + 8, kept, original, snapshot)
        time_ns, octets = seconds * SECOND + past_ns, buffer[start:end]
        yield _new(Record, (number + 1, time_ns, link_type, octets, original, offset, None))


def note_lengths(
    notices: Notices, number: int, offset: int, kept: int, original: int, snapshot: int
) -> None:
    """Notice a record that is empty, or whose two lengths differ: cut by the capture, or wrong.

    ``snapshot`` are the octets of a frame that the capture says it keeps.
    """
    if kept == original:
        notices.add("frame-empty", "a frame without octets", number, offset)
    elif kept > original:
        text = f"{kept} octets are there, {original} are said to have been on the air"
        notices.add("length-wrong", text, number, offset)
    else:
        text = f"the capture kept {kept} of {original} octets"
        if kept == snapshot:
            text += f": its snap length is {snapshot}"
        notices.add(FRAME_CUT, text, number, offset)
