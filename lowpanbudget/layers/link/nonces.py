"""Nonces of link security, and what they are made of beside the frame: EUI-64s of short addresses, slot numbers.

    counter form:  extended source address 8 | frame counter 4 | level 1
    slot form:     source address 8          | absolute slot number 5        (time-slotted networks, 2015)

The counter form is checked against annex C of the 2006 edition. With a short source address the slot form of the 2015
edition fills the address from 0xba55ec, a zero octet, PAN ID and short address: from memory, not confirmed.
"""

from collections.abc import Mapping
from struct import Struct
from typing import Any

from lowpanbudget.arguments import number_within
from lowpanbudget.cites import ieee
from lowpanbudget.env import link_address
from lowpanbudget.errors import RequestError, WireError, repeated
from lowpanbudget.layers.link.mac import Mac
from lowpanbudget.values import FrozenDict

NONCE = ieee(2015, "9.3.2")
_COUNTED = Struct(">IB").pack
_SHORT_FORM = bytes.fromhex("ba55ec00")
_LAYER = "link security"


class Devices(FrozenDict[int | tuple[int, int], bytes]):
    """EUI-64s (8 octets, most significant first) by short address or (PAN ID, short address)."""

    __slots__ = ()


def devices_of(table: object) -> Devices:
    """Return a device table from a mapping of short addresses to EUI-64s, or ``table`` itself if it is one already.

    A short address is a number, or two octets or hex text as link addresses are given elsewhere. Raises
    ``RequestError`` that names the entry which cannot be used.
    """
    if isinstance(table, Devices):
        return table
    if table is not None and not isinstance(table, Mapping):
        raise RequestError(
            f"devices is a mapping of short addresses to EUI-64s, not {type(table).__name__}",
            hint="Give devices={0x0001: '02:00:00:00:00:00:00:01'}, or {(PAN ID, short address): EUI-64}",
        )
    devices: dict[int | tuple[int, int], bytes] = {}
    for key, value in (table or {}).items():
        numbers = tuple(map(_short, key)) if isinstance(key, tuple) else (_short(key),)
        shorts = [
            one for one in (number_within(number, 16) for number in numbers) if one is not None
        ]
        if len(numbers) > 2 or len(shorts) < len(numbers) or not shorts:
            raise RequestError(
                f"device {repeated(key)} is neither a short address nor (PAN ID, short address)",
                hint="Give a number from 0 to 0xffff, or two octets as they are or in hex",
            )
        eui = link_address(value, f"the EUI-64 of device {repeated(key)}")
        if len(eui) != 8:
            raise RequestError(f"device {repeated(key)} needs an EUI-64 of 8 octets")
        devices[(shorts[0], shorts[1]) if len(shorts) == 2 else shorts[0]] = eui
    return Devices(devices)


def _short(given: object) -> Any:
    """Return the number of a short address or PAN ID that is given as octets or hex text; what is none as it is."""
    try:
        octets = link_address(given, "a short address")
    except RequestError:
        return given
    return int.from_bytes(octets, "big") if len(octets) == 2 else given


def slot_number(asn: object) -> int | None:
    """Return an absolute slot number, or None for an unknown one; ``RequestError`` for what is none."""
    if asn is None:
        return None
    number = number_within(asn, 40)
    if number is None:
        said = repeated(asn) if isinstance(asn, int) else type(asn).__name__
        raise RequestError(f"asn is {said}, not a number of 40 bits", cite=NONCE)
    return number


def nonces(
    mac: Mac, devices: Devices, asn: int | None, counter: int | None = None
) -> tuple[bytes, ...]:
    """Return the 13-octet nonces that a frame may have been sealed with, the likelier first.

    ``counter`` is the frame counter, where it is not that of the header.
    One, but for a short source address in a slot-number nonce: then the form of the short address, "one of the inputs
    in the construction of the nonce" (RFC 9031 section 8.4.4.1), and that of the EUI-64, if it is known: the 2012
    amendment knew no other (from memory). Raises ``WireError`` that names what is missing: EUI-64 or slot number.
    """
    security, source = mac.security, mac.source
    assert security is not None
    by_slot = security.is_by_slot
    if by_slot and asn is None:
        raise WireError(
            "the nonce holds the absolute slot number, and it is not known",
            layer=_LAYER, cite=NONCE, hint="Give it (asn); captures of such networks tell it",
        )  # fmt: skip
    if source is None:
        raise WireError(
            "the nonce holds the sender's EUI-64, and the frame has no source address",
            layer=_LAYER,
            cite=NONCE,
        )
    if by_slot:
        assert asn is not None
        end = asn.to_bytes(5, "big")
    else:
        sent = security.frame_counter if counter is None else counter
        assert sent is not None
        end = _COUNTED(sent, security.level)
    if len(source) == 8:
        return (source + end,)
    return _extended(mac, source, devices, end, by_slot=by_slot)


def _extended(
    mac: Mac, short: bytes, devices: Devices, end: bytes, *, by_slot: bool
) -> tuple[bytes, ...]:
    """Return the nonces with this end of a short source address."""
    number, pan = int.from_bytes(short, "big"), mac.pan_id
    senders = []
    eui = devices.get(number)
    if pan is not None:
        eui = devices.get((pan, number), eui)
    if by_slot and pan is not None:
        senders.append(_SHORT_FORM + int(pan).to_bytes(2, "big") + short)
    if eui is not None:
        senders.append(eui)
    if senders:
        return tuple([sender + end for sender in senders])
    raise WireError(
        f"the nonce needs the EUI-64 of the node with short address 0x{number:04x}, and it is not known",
        layer=_LAYER,
        cite=NONCE,
        hint=(
            f'Give it in [devices] of the key file: "0x{number:04x}" = "EUI-64 in hex"; '
            f'from Python as devices={{0x{number:04x}: "EUI-64 in hex"}}'
        ),
    )
