"""A complete IEEE 802.15.4 frame written: header, elements, payload, integrity code, check sequence."""

from collections.abc import Mapping
from typing import Any

from lowpanbudget.arguments import explains, flag, of_class, value_of
from lowpanbudget.bits import Span, StandInOctets, Writer
from lowpanbudget.errors import RequestError, WireError
from lowpanbudget.layers.internet.aead import Nonces
from lowpanbudget.layers.link import contents, elements
from lowpanbudget.layers.link import mac as mac_layer
from lowpanbudget.layers.link.auxiliary import LEVELS_CITE
from lowpanbudget.layers.link.fcs import CITE as FCS_CITE
from lowpanbudget.layers.link.fcs import fcs as fcs_of
from lowpanbudget.layers.link.mac import FrameType, Mac
from lowpanbudget.layers.link.nonces import devices_of, slot_number
from lowpanbudget.layers.link.security import Key, key_for_sizes, seal
from lowpanbudget.stack.split import octets_of
from lowpanbudget.values import dataclass, replace

STAND_IN_KEY = Key(bytes(16))  # for sizes: a MIC of the right length, never a secret
SIZES_KEY = key_for_sizes()


@dataclass(frozen=True, slots=True)
class Encoded:
    """``octets`` of a frame and the ``spans`` that its encoder left; they tile it."""

    octets: bytes
    spans: tuple[Span, ...]


def encode_frame(
    mac: Mac,
    payload: bytes | Writer,
    *,
    key: object = None,
    asn: int | None = None,
    fcs: int = 2,
    devices: Mapping[Any, Any] | None = None,
    used: Nonces | None = None,
) -> Encoded:
    """Return a complete frame: header, payload IEs, payload (sealed when the header says so), MIC and FCS.

    ``payload`` is octets, or a ``Writer`` whose spans are kept. ``key`` (octets, hex or ``Key``) is needed for levels 1
    to 7; ``devices`` gives the EUI-64 behind a short source address, for nonces with a frame counter. A nonce with a
    slot number (``asn``) holds the short address itself, as BA-55-EC, 00, PAN ID, short address (the 2015 edition,
    clause 9.3.2, from memory), and no EUI-64. ``used``, one for each key, refuses a nonce that comes twice: a frame
    counter or slot number that was sent already (a retransmission sends the same octets: keep them). Raises
    ``RequestError`` for a header that cannot be written, a missing key, what the nonce lacks, a nonce used before, or
    the frame counter 0xffffffff, which ends a key (IEEE 802.15.4-2006 clause 7.5.8.2.1, from memory).
    Sizes are not limited here, but to the 65535 octets that a cipher seals: the PHY's are the caller's matter.
    """
    key = None if key is None else Key.of(key)  # no traceback shows its octets from here on
    return _encoded(mac, payload, key, asn, fcs, devices, used)


@explains
def _encoded(
    mac: Mac,
    payload: bytes | Writer,
    key: Key | None,
    asn: int | None,
    fcs: int,
    devices: Mapping[Any, Any] | None,
    used: Nonces | None,
) -> Encoded:
    if not isinstance(mac, Mac):
        raise RequestError(f"a Mac is needed, not {type(mac).__name__}", cite=mac_layer.CITE)
    for name in ("frame_type", "version"):
        if isinstance(value := getattr(mac, name), bool):
            said = f"Mac.{name} is a number, not {value}"
            raise RequestError(said, cite=mac_layer.CITE, hint=f"Write {int(value)}")
    asn = slot_number(asn)
    take = None if used is None else value_of(Nonces, used).take
    fcs = 2 if fcs is True else fcs
    writer = Writer("MAC")
    if isinstance(payload, Writer):
        body = payload
    elif mac.frame_type == FrameType.DATA or mac.frame_type not in tuple(FrameType):
        body = contents.unexplained(octets_of(payload))
    else:
        body = contents.explained(mac, octets_of(payload))
    if flag(mac.ie_present, "Mac.ie_present") or mac.header_ies or mac.payload_ies:
        header_ies, payload_ies = elements.terminated(
            mac.header_ies, mac.payload_ies, payload=bool(body.data)
        )
        mac = replace(mac, header_ies=header_ies, payload_ies=payload_ies, ie_present=True)
    try:
        mac_layer.encode(writer, mac)
    except RequestError as error:
        raise of_class(error, mac) from None
    header = bytes(writer.data)
    if mac.payload_ies:
        with_elements = Writer()
        elements.encode_ies(with_elements, mac.payload_ies, payload=True)
        with_elements.append(body)
        body = with_elements
    writer.append(body)
    writer.layer = "MAC"
    security = mac.security
    octets = bytes(writer.data)
    if security is not None and security.level:
        if key is None:
            raise RequestError(
                f"security level {security.level} needs a key", hint="Give key=, 16 octets"
            )
        try:
            sealed = seal(
                mac,
                header,
                bytes(body.data),
                key,
                asn=asn,
                devices=devices_of(devices),
                take=take,
            )
        except WireError as error:
            raise RequestError(error.message, cite=error.cite, hint=error.hint) from None
        octets = header + sealed
        mic = sealed[len(sealed) - security.protection.mic :] if security.protection.mic else b""
        writer.octets(
            StandInOctets(mic) if key is STAND_IN_KEY else mic, "MIC", str(security.protection), LEVELS_CITE,
            "a shorter code protects less: no advice",
        )  # fmt: skip
    check = fcs_of(octets, fcs)
    writer.octets(check, "FCS", "check sequence, matches", FCS_CITE)
    return Encoded(octets + check, tuple(writer.spans))
