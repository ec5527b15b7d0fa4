"""The pcapng format: blocks, each with its length before and behind.

    type 4 | total length 4 | body, padded to 4 octets | total length 4

A section header block sets the byte order; interface description blocks number the interfaces, each with its link
type and time resolution. draft-ietf-opsawg-pcapng, from memory; the tests have a second opinion.
"""

import struct
from collections.abc import Iterator

from lowpanbudget.capture.files.pcap import LONGEST, SECOND, note_lengths
from lowpanbudget.capture.files.record import Notices, Record
from lowpanbudget.capture.files.source import Source
from lowpanbudget.values import dataclass, field

SECTION = b"\x0a\x0d\x0d\x0a"  # reads the same in both byte orders
_ORDERS = {b"\x1a\x2b\x3c\x4d": ">", b"\x4d\x3c\x2b\x1a": "<"}
_INTERFACE, _OBSOLETE, _SIMPLE, _STATISTICS, _ENHANCED = 1, 2, 3, 5, 6
# blocks with a frame: what stands before the length that it had on the air
_FRAMES = {
    _ENHANCED: ("4I", "interface high low kept"),
    _OBSOLETE: ("2H3I", "interface drops high low kept"),
    _SIMPLE: ("", ""),
}
_LONGEST_BLOCK = 16 << 20
_MOST_INTERFACES = 4096
_NAME, _RESOLUTION, _OFFSET = 2, 9, 14  # options of an interface: if_name, if_tsresol, if_tsoffset
_DROPS = {
    5: "the interface",
    7: "the operating system",
}  # options of statistics: isb_ifdrop, isb_osdrop
# blocks that hold names, secrets, logs or somebody's own data: no frames
_SILENT = {4, 9, 10, 0xBAD, 0x40000BAD}
_LOCAL = 0x80000000  # from here on for local use: no frames of this link


@dataclass(slots=True)
class Interface:
    """What the blocks of an interface share; ``per_second`` are its units of time, ``snapshot`` the octets it keeps."""

    link_type: int
    snapshot: int
    name: str
    per_second: int = 1_000_000
    offset_s: int = 0

    def nanoseconds(self, units: int) -> int:
        """Return a time in nanoseconds."""
        return self.offset_s * SECOND + units * SECOND // self.per_second


@dataclass(slots=True)
class Section:
    """What the blocks of a section share: the order of octets for struct, and the interfaces described so far."""

    order: str
    interfaces: list[Interface] = field(default_factory=list)

    def number(self, octets: bytes, *, signed: bool = False) -> int:
        """Return the number that octets are."""
        return int.from_bytes(octets, "big" if self.order == ">" else "little", signed=signed)


def read_pcapng(source: Source, notices: Notices) -> Iterator[Record]:
    """Yield the frames of all whole blocks; what cannot be read is noticed with its place."""
    section = source.layout = Section("<")
    while True:
        start, number = source.offset, source.frames
        head = source.peek(12)
        if len(head) < 12:
            if head or source.trouble:
                text = source.trouble or f"a block header has {len(head)} octets, not 12"
                notices.add("file-cut", text, number, start)
            return
        if head[:4] == SECTION:
            order = _ORDERS.get(head[8:12])
            if order is None:
                notices.add("block-wrong", "a section header without byte order", number, start + 8)
                return
            section = source.layout = Section(order)
        kind, total = struct.unpack(section.order + "2I", head[:8])
        if total < 12 or total % 4 or total > _LONGEST_BLOCK:
            notices.add(
                "length-wrong",
                f"a block says {total} octets: the rest of the file cannot be found",
                number,
                start + 4,
            )
            return
        block = source.take(total)
        if len(block) < total:
            text = source.trouble or f"the last block has {len(block)} of its {total} octets"
            notices.add("file-cut", text, number, start)
            return
        if block[4:8] != block[-4:]:
            text = "the lengths before and behind a block differ"
            notices.add("length-wrong", text, number, start + total - 4)
        record = _block(section, kind, block, number + 1, start, notices)
        if record is not None:
            source.frames = number + 1
            yield record


def _block(
    section: Section, kind: int, block: bytes, number: int, start: int, notices: Notices
) -> Record | None:
    """Return the frame in a block, or None after noting what a block of another kind says."""
    if kind in _FRAMES:
        return _frame(section, block, number, start, notices, *_FRAMES[kind])
    if kind == _INTERFACE:
        _add_interface(section, block, number - 1, start, notices)
    elif kind == _STATISTICS:
        for code, value in _options(section, block, 20):
            if code in _DROPS and len(value) == 8:
                count = section.number(value)
                if count:
                    text = f"{_DROPS[code]} dropped {count} frames while capturing"
                    notices.add("frames-dropped", text, number - 1, start)
    elif kind not in _SILENT and kind < _LOCAL and block[:4] != SECTION:
        notices.add("block-unknown", f"a block of unknown type {kind}", number - 1, start)
    return None


def _frame(
    section: Section,
    block: bytes,
    number: int,
    start: int,
    notices: Notices,
    layout: str,
    names: str,
) -> Record | None:
    body = 8 + struct.calcsize("=" + layout) + 4
    if len(block) < body + 4:
        text = f"a frame's block has {len(block)} octets, under {body + 4}"
        notices.add("block-wrong", text, number - 1, start)
        return None
    numbers = struct.unpack_from(section.order + layout + "I", block, 8)
    values = dict(zip((*names.split(), "original"), numbers, strict=True))
    interface = _interface(section, values.get("interface", 0), number, start, notices)
    if interface is None:
        return None
    original, time_ns = values["original"], None
    # a simple block tells neither its time nor how much of the frame it kept
    kept = values.get("kept", min(original, interface.snapshot or original))
    if "low" in values:
        time_ns = interface.nanoseconds(values["high"] << 32 | values["low"])
    there = len(block) - body - 4
    if kept > min(there, LONGEST):
        text = f"a block says {kept} octets of a frame, {there} are there: left out"
        notices.add("length-wrong", text, number - 1, start)
        return None
    if kept != original or not kept:
        note_lengths(notices, number, start, kept, original, interface.snapshot)
    octets = block[body : body + kept]
    receiver = interface.name if len(section.interfaces) > 1 else None
    return Record(number, time_ns, interface.link_type, octets, original, start + body, receiver)


def _interface(
    section: Section, index: int, number: int, start: int, notices: Notices
) -> Interface | None:
    if index < len(section.interfaces):
        return section.interfaces[index]
    text = f"a frame of interface {index}, which is not described: left out"
    notices.add("interface-unknown", text, number - 1, start)
    return None


def _add_interface(
    section: Section, block: bytes, number: int, start: int, notices: Notices
) -> None:
    if len(block) < 20 or len(section.interfaces) >= _MOST_INTERFACES:
        text = "an interface description that is too short, or one too many"
        notices.add("block-wrong", text, number, start)
        return
    link_type, _, snapshot = struct.unpack_from(section.order + "2HI", block, 8)
    name = f"interface {len(section.interfaces)}"
    interface = Interface(link_type, snapshot, name)
    for code, value in _options(section, block, 16):
        if code == _NAME and value:
            own = value.rstrip(b"\0").decode("utf-8", "replace")
            interface.name = f"{name} ({own})"
        elif code == _RESOLUTION and value:
            # "If the Most Significant Bit is equal to zero", a power of 10
            base = 2 if value[0] & 0x80 else 10
            interface.per_second = base ** (value[0] & 0x7F)
        elif code == _OFFSET and len(value) == 8:
            interface.offset_s = section.number(value, signed=True)
    section.interfaces.append(interface)


def _options(section: Section, block: bytes, at: int) -> Iterator[tuple[int, bytes]]:
    """Yield code and value of each option; a list that overruns its block ends."""
    end = len(block) - 4
    while at + 4 <= end:
        code, length = struct.unpack_from(section.order + "2H", block, at)
        at += 4
        if code == 0 or at + length > end:
            return
        yield code, block[at : at + length]
        at += length + -length % 4
