"""The second opinion and the package asked for the same octets; only public names of the package."""

from collections import Counter, defaultdict
from collections.abc import Iterator
from random import Random
from typing import Any

from second_mac.carried import Contents, Told, contents
from second_mac.frame import NO_ROOM, Mpdu, Refused, read
from second_mac.frames import Drawn, anything, damaged, frame
from second_mac.security import Known, NoNonce, opened

from lowpanbudget import (
    Beacon,
    Command,
    Element,
    Frame,
    Key,
    Mac,
    RequestError,
    Security,
    decode_frame,
    encode_frame,
)

SAME = [
    "frame_type",
    "version",
    "sequence",
    "destination_pan",
    "destination",
    "source_pan",
    "source",
    "pan_id_compression",
    "pending",
    "ack_request",
    "long_control",
    "fcs_ok",
]
SAME_SECURITY = [
    "level",
    "key_id_mode",
    "frame_counter",
    "key_source",
    "key_index",
    "asn_in_nonce",
    "mic",
]
Difference = tuple[str, Any, Any]


def devices_of(known: Known) -> dict[Any, bytes]:
    """Return the EUI-64s as the package takes them, by (PAN ID, short address) or by the short address alone."""
    return {
        (int.from_bytes(short, "big") if pan is None else (pan, int.from_bytes(short, "big"))): eui
        for (pan, short), eui in known.devices.items()
    }


def decoded(octets: bytes, fcs: int, known: Known | None) -> Frame:
    """Return the frame as the package reads it, told what ``known`` knows."""
    if known is None:
        return decode_frame(octets, fcs=fcs or False)
    return decode_frame(
        octets, fcs=fcs or False, keys=Key(known.key), devices=devices_of(known), asn=known.asn
    )


def differences(
    octets: bytes, fcs: int, known: Known | None = None, tally: Counter[str] | None = None
) -> list[Difference]:
    """Return what the two readers tell differently of these octets: where, the second opinion, the package.

    ``tally`` counts what both refused, could not read to the end, or opened.
    """
    tally = Counter() if tally is None else tally
    theirs = decoded(octets, fcs, known)
    try:
        mine = read(octets, fcs)
    except Refused as error:
        if theirs.mac is None and theirs.fault is not None:
            tally["refused"] += 1
            return []
        return [("refused", str(error), theirs.mac)]
    if theirs.mac is None:
        return [("refused", mine, theirs.fault)]
    tally["cut_short"] += bool(mine.trouble)
    tally["opened"] += theirs.verified
    return [*in_header(mine, theirs.mac), *behind(mine, theirs, known)]


def in_header(mine: Mpdu, mac: Mac) -> Iterator[Difference]:
    for name in SAME:
        if getattr(mine, name) != getattr(mac, name):
            yield name, getattr(mine, name), getattr(mac, name)
    flags = (mine.ie_present and mine.later, mine.has_payload_ies)  # reserved before version 2
    if flags != (mac.ie_present, mac.payload_ies_follow) and not mine.trouble:
        yield "IEs present, payload IEs follow", flags, (mac.ie_present, mac.payload_ies_follow)
    yield from in_security(mine, mac.security)
    if mine.trouble != NO_ROOM and bool(mine.trouble) != (mac.fault is not None):
        yield "trouble", mine.trouble, mac.fault
    if not mine.trouble:
        if len(mine.mhr) != mac.header_length:
            yield "header length", len(mine.mhr), mac.header_length
        heard = tuple((one.id, one.content) for one in mac.header_ies)
        if mine.header_ies != heard:
            yield "header IEs", mine.header_ies, heard


def in_security(mine: Mpdu, security: Security | None) -> Iterator[Difference]:
    if mine.security is None or security is None:
        if (mine.security is None) != (security is None):
            yield "security", mine.security, security
        return
    for name in SAME_SECURITY if mine.trouble != NO_ROOM else SAME_SECURITY[:-1]:
        if getattr(mine.security, name) != getattr(security, name):
            yield f"security {name}", getattr(mine.security, name), getattr(security, name)


def behind(mine: Mpdu, theirs: Frame, known: Known | None) -> Iterator[Difference]:
    """Yield what differs behind the header: protection, elements, payload, beacon and command fields."""
    if mine.trouble:
        if theirs.fault is None:
            yield "trouble", mine.trouble, theirs.fault
        return
    secured = mine.security is not None and mine.security.level > 0
    noticed = {one.name for one in theirs.notices}
    clear: bytes | None = mine.body
    if secured:
        try:
            clear = opened(mine, known) if known is not None else None
        except NoNonce as error:
            if theirs.verified or ("nonce-unknown" not in noticed and theirs.fault is None):
                yield "opened", str(error), (theirs.verified, theirs.notices)
            return
        if known is None:
            if theirs.verified:
                yield "opened", "no key", theirs.verified
            return
        checked = clear is not None and mine.security is not None and mine.security.level != 4
        if checked != theirs.verified:
            yield "verified", checked, (theirs.verified, theirs.fault, theirs.notices)
    if clear is None:
        return
    yield from in_contents(contents(mine, clear), theirs)


def in_contents(mine: Contents, theirs: Frame) -> Iterator[Difference]:
    if theirs.mac is None:
        return
    yield from in_elements("header", mine.header_ies, theirs.mac.header_ies)
    if mine.trouble:
        if theirs.fault is None:
            yield "content", mine.trouble, theirs.fault
        return
    yield from in_elements("payload", mine.payload_ies, theirs.mac.payload_ies)
    if (
        mine.payload[:1] < b"\x40" and theirs.fault is not None
    ):  # else 6LoWPAN speaks too (RFC 4944 section 5.1)
        yield "fault", None, theirs.fault
    if mine.payload != theirs.payload:
        yield "payload", mine.payload, theirs.payload
    if mine.command is not None:
        command = theirs.packet.find(Command)
        heard = (
            None if command is None else (command.id, without_nothing(command.fields), command.more)
        )
        if mine.command != heard:
            yield "command", mine.command, heard
    if mine.beacon is not None:
        found = theirs.packet.find(Beacon)
        fields = None if found is None else beacon_fields(found)
        if mine.beacon != fields:
            yield "beacon", mine.beacon, fields


def beacon_fields(beacon: Beacon) -> dict[str, Any]:
    flags = ["association_permit", "pan_coordinator", "battery_life_extension", "gts_permit"]
    numbers = ["final_cap_slot", "superframe_order", "beacon_order", "payload"]
    slots = [
        (one.short_address, one.starting_slot, one.length, one.receive) for one in beacon.slots
    ]
    return {
        **{name: int(getattr(beacon, name)) for name in flags},
        **{name: getattr(beacon, name) for name in numbers},
        "slots": slots,
        "pending_short": list(beacon.pending_short),
        "pending_extended": list(beacon.pending_extended),
    }


def without_nothing(value: Any) -> Any:
    """Return fields as the second opinion has them: lists, and no octets that are not there."""
    if isinstance(value, (tuple, list)):
        return [without_nothing(one) for one in value]
    if hasattr(value, "items"):
        return {name: without_nothing(one) for name, one in value.items() if one not in (b"", None)}
    return int(value) if isinstance(value, bool) else value


def in_elements(where: str, mine: tuple[Told, ...], theirs: Any) -> Iterator[Difference]:
    """Yield elements that differ: id, content, fields, nested ones, and whether the content makes sense."""
    if [(one.id, one.content) for one in mine] != [(one.id, one.content) for one in theirs]:
        yield f"{where} IEs", mine, theirs
        return
    for one, other in zip(mine, theirs, strict=True):
        wrong = one.fields is None or one.nested is None
        if wrong != (other.fault is not None):
            yield f"{where} IE {one.id:#x} wrong", one, other
        elif not wrong:
            if one.fields != without_nothing(other.fields):
                yield f"{where} IE {one.id:#x}", one.fields, dict(other.fields)
            yield from in_elements(f"nested {where}", one.nested or (), other.nested)


def written(drawn: Drawn) -> bytes | str:
    """Return the octets that the package writes for this frame, or why it does not write it."""
    frame, security = drawn.frame, drawn.frame.security
    fields = {name: getattr(frame, name) for name in SAME if name != "fcs_ok"}
    # a long frame control is asked for only where one octet could say all: 2015, clause 7.3.5
    facts = (security, frame.destination_pan, frame.pending, frame.ack_request, frame.ie_present)
    fields["long_control"] = (
        frame.long_control
        and frame.sequence is not None
        and facts == (None, None, False, False, False)
    )
    told = None
    if security is not None:
        told = Security(**{name: getattr(security, name) for name in SAME_SECURITY})
    mac = Mac(
        **fields,
        ie_present=frame.ie_present,
        payload_ies_follow=frame.has_payload_ies,
        security=told,
        header_ies=tuple(Element(*one) for one in frame.header_ies),
        payload_ies=tuple(Element(*one) for one in drawn.payload_ies),
    )
    known = drawn.known
    try:
        return encode_frame(
            mac,
            drawn.payload,
            key=known.key,
            asn=known.asn,
            fcs=drawn.fcs,
            devices=devices_of(known),
        ).octets
    except RequestError as error:
        return str(error)


AS_DRAWN, DAMAGED, ANYTHING, WRITTEN = (
    "read as drawn",
    "read damaged",
    "read, any octets",
    "written",
)


def _is_spent(drawn: Drawn) -> bool:
    """Return whether a frame has the counter that ends a key: it is read, and not to be written (2006, 7.5.8.2.1)."""
    security = drawn.frame.security
    return security is not None and security.frame_counter == 0xFFFFFFFF


def of_both(
    draw: Random, tallies: dict[str, Counter[str]] | None = None
) -> dict[str, list[Difference]]:
    """Return what differs about a drawn frame: read as drawn, read damaged, written; and read of any octets at all.

    Where the second opinion cannot seal it, the package must refuse as well, and any integrity code is read.
    ``tallies`` has a tally for each way.
    """
    drawn = frame(draw)
    theirs = written(drawn)
    counted = defaultdict(Counter) if tallies is None else tallies
    wrote: list[Difference] = []
    try:
        octets = drawn.on_air()
        if theirs != octets and not (isinstance(theirs, str) and _is_spent(drawn)):
            wrote = [("octets", octets.hex(), theirs)]
        octets = drawn.on_air(draw.choice((0, -1)))
    except NoNonce as error:
        octets = drawn.filled(draw)
        counted[WRITTEN]["refused"] += 1
        if isinstance(theirs, bytes):
            wrote = [("refusal", str(error), theirs.hex())]
    hurt, others = damaged(draw, octets, drawn.fcs), anything(draw)
    return {
        way: differences(given, drawn.fcs, drawn.known, counted[way])
        for way, given in ((AS_DRAWN, octets), (DAMAGED, hurt), (ANYTHING, others))
    } | {WRITTEN: wrote}
