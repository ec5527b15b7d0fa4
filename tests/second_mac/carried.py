"""What frames carry, read by the layouts of ``contents``: elements with their fields, beacons, commands, payload."""

from dataclasses import dataclass
from typing import Any

from construct import Construct, ConstructError, GreedyBytes, Struct
from second_mac.contents import (
    COMMANDS,
    HEADER_CONTENTS,
    LONG_CONTENTS,
    MLME,
    PAYLOAD_CONTENTS,
    SHORT_CONTENTS,
    SUPERFRAME,
)
from second_mac.frame import Elements, Mpdu, Refused, in_pairs, walk
from second_mac.headers import BEACON, COMMAND, NESTED, PAYLOAD_IE, PAYLOAD_TERMINATION


@dataclass(frozen=True)
class Told:
    """An element with what its content says; ``fields`` is None where it makes no sense, ``nested`` likewise."""

    id: int
    content: bytes
    fields: dict[str, Any] | None
    nested: tuple["Told", ...] | None = ()


@dataclass(frozen=True)
class Contents:
    """What a frame carries: elements, payload (command identifier and beacon fields in it), and these read."""

    header_ies: tuple[Told, ...]
    payload_ies: tuple[Told, ...] = ()
    payload: bytes = b""
    command: tuple[int, dict[str, Any], bytes] | None = None
    beacon: dict[str, Any] | None = None
    trouble: str = ""


def plain(value: Any) -> Any:
    """Return parsed fields as numbers, octets, lists and tables; groups of bits count as fields of what holds them."""
    if isinstance(value, dict):
        found: dict[str, Any] = {}
        for name, one in value.items():
            if (
                name in {"_io", "count", "end"}
                or one is None
                or one == b""
                or (name == "reserved" and not one)
            ):
                continue
            found |= plain(one) if isinstance(one, dict) else {name: plain(one)}
        return found
    if isinstance(value, list):
        return [plain(one) for one in value]
    return int(value) if isinstance(value, bool) else value


def fields_of(layout: Construct | None, content: bytes) -> dict[str, Any] | None:
    """Return the fields of a content: none where no layout is known, None where it does not fit."""
    if layout is None:
        return {}
    try:
        return dict(plain(layout.parse(content)))
    except ConstructError:
        return None


def nested_in(content: bytes) -> tuple[Told, ...] | None:
    """Return the elements of an MLME IE, or None where they do not fill it."""
    try:
        elements, _ = walk(NESTED, content)
    except Refused:
        return None
    layouts = (SHORT_CONTENTS, LONG_CONTENTS)
    return tuple(
        Told(
            one.head.id,
            one.content,
            fields_of(layouts[one.head.type].get(one.head.id), one.content),
        )
        for one in elements
    )


def told(
    elements: Elements, layouts: dict[int, Construct], nesting: int | None = None
) -> tuple[Told, ...]:
    """Return these elements with their fields; those with the id ``nesting`` hold others."""
    return tuple(
        Told(
            one,
            content,
            fields_of(layouts.get(one), content),
            nested_in(content) if one == nesting else (),
        )
        for one, content in elements
    )


def contents(frame: Mpdu, clear: bytes) -> Contents:
    """Return what ``clear``, the MAC payload of this frame, says."""
    ahead = told(frame.header_ies, HEADER_CONTENTS)
    ies: tuple[Told, ...] = ()
    payload = clear
    if frame.has_payload_ies:
        try:
            elements, payload = walk(PAYLOAD_IE, clear, PAYLOAD_TERMINATION)
        except Refused:
            return Contents(ahead, payload=clear, trouble="payload IE")
        ies = told(in_pairs(elements), PAYLOAD_CONTENTS, MLME)
    try:
        if frame.frame_type == COMMAND:
            return Contents(ahead, ies, payload, command=command(payload))
        if frame.frame_type == BEACON and not frame.later:
            return Contents(ahead, ies, payload, beacon=beacon(payload))
    except (ConstructError, IndexError) as error:
        return Contents(ahead, ies, payload, trouble=f"content: {error}")
    return Contents(ahead, ies, payload)


def command(payload: bytes) -> tuple[int, dict[str, Any], bytes]:
    """Return the identifier of a command, its fields, and the octets behind those."""
    layout = Struct("content" / COMMANDS.get(payload[0], Struct()), "more" / GreedyBytes)
    read = layout.parse(payload[1:])
    return payload[0], plain(read.content), read.more


def beacon(payload: bytes) -> dict[str, Any]:
    """Return the fields of a beacon before version 2; of each guaranteed slot its address, start, length, direction."""
    read = SUPERFRAME.parse(payload)
    slots = [
        (one.short_address, one.word.start, one.word.length, bool(read.directions >> place & 1))
        for place, one in enumerate(read.slots)
    ]
    word: dict[str, Any] = plain(read.word)
    word.pop("reserved", None)
    return word | {
        "gts_permit": int(read.gts.gts_permit),
        "slots": slots,
        "pending_short": list(read.pending_short),
        "pending_extended": list(read.pending_extended),
        "payload": payload[read.end :],
    }
