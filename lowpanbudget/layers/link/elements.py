"""Information elements: the walk over header IEs and payload IEs (IEEE 802.15.4-2015 clause 7.4, from memory).

    header IE    bit 0-6 length, 7-14 element id, 15 type 0; content
    payload IE   bit 0-10 length, 11-14 group id, 15 type 1; content

Header IEs end with termination 1 (payload IEs follow), termination 2 (payload follows), or with the frame.
"""

from typing import NamedTuple

from lowpanbudget.bits import Reader, Writer
from lowpanbudget.cites import ieee
from lowpanbudget.errors import Malformed, RequestError
from lowpanbudget.fields import Bits, Header

CITE = ieee(2015, "7.4")
TERMINATION_1, TERMINATION_2, PAYLOAD_TERMINATION = 0x7E, 0x7F, 0xF

HEADER_IES = {
    0x00: "vendor-specific header IE",
    0x1A: "CSL IE",
    0x1B: "RIT IE",
    0x1C: "DSME PAN descriptor IE",
    0x1D: "rendezvous time IE",
    0x1E: "time correction IE",
    0x21: "extended DSME PAN descriptor IE",
    0x22: "fragment sequence context description IE",
    0x23: "simplified superframe specification IE",
    0x24: "simplified GTS specification IE",
    0x25: "LECIM capabilities IE",
    0x26: "TRLE descriptor IE",
    0x27: "RCC capabilities IE",
    0x28: "RCCN descriptor IE",
    0x29: "global time IE",
    0x2B: "DA IE",
    TERMINATION_1: "header termination 1 IE: payload IEs follow",
    TERMINATION_2: "header termination 2 IE: the payload follows",
}
PAYLOAD_IES = {
    0x0: "encapsulated service data unit IE",
    0x1: "MLME IE",
    0x2: "vendor-specific nested IE",
    0x5: "IETF IE",
    PAYLOAD_TERMINATION: "payload termination IE",
}

HEADER_IE = Header(
    "header IE",
    ieee(2015, "7.4.2"),
    (
        Bits("length", 7, "octets of content"),
        Bits("element id", 8, lambda value: HEADER_IES.get(value, "unassigned header IE")),
        Bits("type", 1, "header IE", fixed=0),
    ),
    order="little",
)
PAYLOAD_IE = Header(
    "payload IE",
    ieee(2015, "7.4.3"),
    (
        Bits("length", 11, "octets of content"),
        Bits("group id", 4, lambda value: PAYLOAD_IES.get(value, "unassigned payload IE")),
        Bits("type", 1, "payload IE", fixed=1),
    ),
    order="little",
)


class Element(NamedTuple):
    """One information element: its id (element id or group id), content octets, and name."""

    id: int
    content: bytes
    name: str = ""


def decode_header_ies(reader: Reader) -> tuple[tuple[Element, ...], bool]:
    """Return the header IEs up to termination or the end, and whether payload IEs follow.

    Terminations are among them, so that encoding gives the same octets. Raises ``Truncated`` and ``Reserved``.
    """
    elements: list[Element] = []
    while reader.left:
        values, _ = HEADER_IE.read(reader)
        number = values["element id"]
        name = HEADER_IES.get(number, "unassigned header IE")
        content = reader.octets(values["length"], "content", name, HEADER_IE.cite)
        elements.append(Element(number, content, name))
        if number in (TERMINATION_1, TERMINATION_2):
            return tuple(elements), number == TERMINATION_1
    return tuple(elements), False


def decode_payload_ies(reader: Reader) -> tuple[Element, ...]:
    """Return the payload IEs up to their termination or the end; raises ``Truncated`` and ``Reserved``."""
    elements: list[Element] = []
    while reader.left:
        values, _ = PAYLOAD_IE.read(reader)
        number = values["group id"]
        name = PAYLOAD_IES.get(number, "unassigned payload IE")
        content = reader.octets(values["length"], "content", name, PAYLOAD_IE.cite)
        elements.append(Element(number, content, name))
        if number == PAYLOAD_TERMINATION:
            if content:
                raise Malformed(
                    "the payload termination IE has content",
                    offset=reader.pos - len(content),
                    layer=reader.layer,
                    cite=PAYLOAD_IE.cite,
                )
            break
    return tuple(elements)


def encode_ies(writer: Writer, elements: tuple[Element, ...], *, payload: bool) -> None:
    """Append information elements as given, terminations included.

    Raises ``RequestError`` for a content that its length field cannot count.
    """
    header = PAYLOAD_IE if payload else HEADER_IE
    names = PAYLOAD_IES if payload else HEADER_IES
    key = "group id" if payload else "element id"
    width = header.fields[0].width
    for element in elements:
        if len(element.content) >= 1 << width:
            raise RequestError(
                f"an IE content of {len(element.content)} octets is over {(1 << width) - 1}",
                cite=header.cite,
            )
        header.write(
            writer, {"length": len(element.content), key: element.id, "type": int(payload)}
        )
        writer.octets(element.content, "content", names.get(element.id, "unassigned"), header.cite)
