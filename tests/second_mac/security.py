"""Link security by the library ``cryptography``: nonce, what is authenticated, what is encrypted.

FROM MEMORY of IEEE 802.15.4-2006 clauses 7.6.3 and 7.5.8 and of the 2015 edition's clause 9.3; the three examples of
annex C.2 of the 2006 edition, which stand among the vectors, agree with it.
"""

from dataclasses import dataclass, field, replace

from construct import ConstructError
from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers import Cipher
from cryptography.hazmat.primitives.ciphers.aead import AESCCM
from cryptography.hazmat.primitives.ciphers.algorithms import AES
from cryptography.hazmat.primitives.ciphers.modes import CTR
from second_mac.contents import SUPERFRAME
from second_mac.frame import Mpdu, header_octets
from second_mac.headers import BEACON, COMMAND, MIC_OCTETS

SHORT_ADDRESS_CID = bytes.fromhex(
    "ba55ec"
)  # 2015, clause 9.3.3.2: IEEE 802.15's own company identifier


class NoNonce(Exception):
    """What the nonce is made of is not known."""


@dataclass(frozen=True)
class Known:
    """What both ends know: a key, the slot number, and the EUI-64 of short addresses by (PAN ID, address)."""

    key: bytes
    asn: int | None = None
    devices: dict[tuple[int | None, bytes], bytes] = field(default_factory=dict)


def nonces(frame: Mpdu, known: Known) -> list[bytes]:
    """Return the 13 octets: 2015, clause 9.3.3.1 with a frame counter, 9.3.3.2 with the absolute slot number.

    In time-slotted networks a short source address goes in ("one of the inputs in the construction of the nonce", RFC
    9031 section 8.4.4.1; in what form is from memory). Second comes what the amendment of 2012 had: the EUI-64 always,
    and the slot number wherever no counter is carried.
    """
    security, source = frame.security, frame.source
    pan = frame.destination_pan if frame.source_pan is None else frame.source_pan
    if security is None or source is None:
        raise NoNonce("no source address")
    by_slot = security.asn_in_nonce or security.frame_counter is None
    senders = [source]
    if len(source) == 2:
        senders = [known.devices[pan, source]] if (pan, source) in known.devices else []
        if by_slot and pan is not None:
            senders.insert(0, SHORT_ADDRESS_CID + b"\0" + pan.to_bytes(2, "big") + source)
    if by_slot and known.asn is None:
        raise NoNonce("no slot number")
    if not senders:
        raise NoNonce("no EUI-64")
    if by_slot:
        return [one + (known.asn or 0).to_bytes(5, "big") for one in senders]
    counter = (security.frame_counter or 0).to_bytes(4, "big")
    return [one + counter + bytes([security.level]) for one in senders]


def open_octets(frame: Mpdu, body: bytes) -> int:
    """Return how many octets of the MAC payload stay clear: 2006, clause 7.6.3.4.2 with table 96 beside it.

    Beacons: the superframe, GTS and pending address fields. Commands: the command identifier. From version 2 on, and in
    multipurpose frames, all of the MAC payload is private: elements come first there (2015, clause 9.3.4).
    """
    if frame.later:
        return 0
    if frame.frame_type == BEACON:
        try:
            return int(SUPERFRAME.parse(body).end)
        except ConstructError:  # cut within its fields: no beacon payload is there to be private
            return len(body)
    return min(1, len(body)) if frame.frame_type == COMMAND else 0


def counter_mode(key: bytes, nonce: bytes, octets: bytes) -> bytes:
    """Return the octets encrypted or decrypted as level 4 does: 2006, annex B.4.1.3, from block A1 on (RFC 3610)."""
    first = b"\x01" + nonce + b"\0\1"
    return Cipher(AES(key), CTR(first)).encryptor().update(octets)


def sealed(frame: Mpdu, clear: bytes, known: Known, form: int = 0) -> Mpdu:
    """Return the frame with ``clear`` as its MAC payload, protected as its level says, under this form of nonce."""
    if frame.security is None or frame.security.level == 0:
        return replace(frame, body=clear)
    level, unique = frame.security.level, nonces(frame, known)[form]
    mhr, start = header_octets(frame), open_octets(frame, clear)
    plain, private = clear[:start], clear[start:]
    if level == 4:
        return replace(frame, body=plain + counter_mode(known.key, unique, private))
    cipher = AESCCM(known.key, MIC_OCTETS[level])
    if level < 4:
        mic = cipher.encrypt(unique, b"", mhr + clear)
        return replace(frame, body=clear, security=replace(frame.security, mic=mic))
    octets = cipher.encrypt(unique, private, mhr + plain)
    end = len(private)
    return replace(
        frame, body=plain + octets[:end], security=replace(frame.security, mic=octets[end:])
    )


def opened(frame: Mpdu, known: Known) -> bytes | None:
    """Return the MAC payload in the clear, or None where the integrity code is that of no form of nonce."""
    if frame.security is None or frame.security.level == 0:
        return frame.body
    level, mic = frame.security.level, frame.security.mic
    start = open_octets(frame, frame.body)
    plain, private = frame.body[:start], frame.body[start:]
    for unique in nonces(frame, known):
        if level == 4:
            return plain + counter_mode(known.key, unique, private)
        cipher = AESCCM(known.key, MIC_OCTETS[level])
        try:
            if level > 4:
                return plain + cipher.decrypt(unique, private + mic, frame.mhr + plain)
            cipher.decrypt(unique, mic, frame.mhr + frame.body)
        except InvalidTag:
            continue
        return frame.body
    return None
