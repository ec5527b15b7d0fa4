"""Link security: CCM* over a frame's header and payload (IEEE 802.15.4-2006 clause 7.6 and annex B, 2015 clause 9.3).

    nonce, counter form:  extended source address 8 | frame counter 4 | level 1
    nonce, slot form:     source address 8          | absolute slot number 5        (time-slotted networks, 2015)

CCM* adds to CCM (RFC 3610) the level without integrity code; the library does the rest. Clauses are from memory;
the counter form is checked against annex C of the 2006 edition. With a short source address the slot form of the
2015 edition fills the address from 0xba55ec, a zero octet, PAN ID and short address: from memory, not confirmed.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from lowpanbudget.cites import ieee
from lowpanbudget.env import link_address
from lowpanbudget.errors import BadMic, RequestError, WireError
from lowpanbudget.layers.link.auxiliary import Security
from lowpanbudget.layers.link.mac import FrameType, Mac

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.ciphers.aead import AESCCM

NONCE = ieee(2015, "9.3.2")
TRANSFORM = ieee(2006, "7.6.3.4")
_SHORT_FORM = bytes.fromhex("ba55ec00")
_LAYER = "link security"


@dataclass(frozen=True, slots=True, init=False)
class Key:
    """An AES-128 key with restrictive use: it opens only frames that may name it.

    ``octets`` are 16 octets or their hex text, never shown. ``key_id_mode``, ``index`` and
    ``source`` (bytes or hex, 4 or 8 octets) limit the use; None means any. Raises ``RequestError``
    (without the key) when they cannot be used.
    """

    octets: bytes = field(repr=False)
    key_id_mode: int | None
    index: int | None
    source: bytes | None

    def __init__(
        self,
        octets: bytes | str,
        key_id_mode: int | None = None,
        index: int | None = None,
        source: bytes | str | None = None,
    ) -> None:
        if key_id_mode not in {None, 0, 1, 2, 3}:
            raise RequestError(f"key_id_mode {key_id_mode!r} is not 0, 1, 2 or 3")
        key, key_source = _octets(octets, "a link key"), None
        if len(key) != 16:
            raise RequestError(
                "a link key has 16 octets", hint="Give 16 octets or 32 hex digits", cite=TRANSFORM
            )
        if source is not None:
            key_source = _octets(source, "a key source")
            if len(key_source) not in {4, 8}:
                raise RequestError("a key source has 4 or 8 octets", cite=TRANSFORM)
        object.__setattr__(self, "octets", key)
        object.__setattr__(self, "key_id_mode", key_id_mode)
        object.__setattr__(self, "index", index)
        object.__setattr__(self, "source", key_source)

    @classmethod
    def of(cls, value: object) -> "Key":
        """Return a key from octets, hex text or a ``Key``."""
        return value if isinstance(value, cls) else cls(value)  # type: ignore[arg-type]  # _octets checks

    def opens(self, security: Security) -> bool:
        """Return whether a frame with these fields may name this key."""
        if self.key_id_mode not in (None, security.key_id_mode):
            return False
        if self.index is not None and security.key_index not in (None, self.index):
            return False
        if self.source is None or security.key_source is None:
            return True
        return security.key_source in (self.source, self.source[::-1])


def _octets(value: bytes | str, what: str) -> bytes:
    """Return octets from octets or hex text; the error never shows the value."""
    if isinstance(value, str):
        try:
            return bytes.fromhex(value.removeprefix("0x"))
        except ValueError:
            raise RequestError(f"{what} is no hex text") from None
    if isinstance(value, bytes | bytearray):
        return bytes(value)
    raise RequestError(f"{what} is octets or hex text, not {type(value).__name__}")


Devices = Mapping[int | tuple[int, int], bytes]


def devices_of(table: Mapping[object, object] | None) -> dict[int | tuple[int, int], bytes]:
    """Return a device table with EUI-64s as 8 octets; keys are short addresses or (PAN ID, short address)."""
    devices: dict[int | tuple[int, int], bytes] = {}
    for key, value in (table or {}).items():
        eui = link_address(value, "device")
        if len(eui) != 8:
            raise RequestError(f"device {key!r} needs an EUI-64 of 8 octets")
        devices[key] = eui  # type: ignore[index]  # keys are only looked up
    return devices


def nonce(mac: Mac, devices: Devices, asn: int | None) -> bytes:
    """Return the 13-octet nonce of a frame.

    Raises ``WireError`` that names what is missing: the EUI-64 behind a short address, or the slot number.
    """
    security = mac.security
    assert security is not None
    by_slot = security.asn_in_nonce or security.frame_counter is None
    if by_slot and asn is None:
        raise WireError(
            "the nonce holds the absolute slot number, and it is not known",
            layer=_LAYER, cite=NONCE, hint="Give it as asn=",
        )  # fmt: skip
    source = mac.source
    if source is None:
        raise WireError("the frame has no source address", layer=_LAYER, cite=NONCE)
    if len(source) == 2:
        source = _extended(mac, source, devices, by_slot=by_slot)
    if by_slot:
        assert asn is not None
        return source + (asn & (1 << 40) - 1).to_bytes(5, "big")
    assert security.frame_counter is not None
    return source + security.frame_counter.to_bytes(4, "big") + bytes([security.level])


def _extended(mac: Mac, short: bytes, devices: Devices, *, by_slot: bool) -> bytes:
    number, pan = int.from_bytes(short, "big"), mac.pan_id
    eui = devices.get(number)
    if pan is not None:
        eui = devices.get((pan, number), eui)
    if eui is not None:
        return eui
    if by_slot and pan is not None:
        return _SHORT_FORM + pan.to_bytes(2, "big") + short
    raise WireError(
        f"the nonce needs the EUI-64 of the node with short address 0x{number:04x}, and it is not known",
        layer=_LAYER,
        cite=NONCE,
        hint=f"Give it as devices={{0x{number:04x}: '...'}}",
    )


def open_part(mac: Mac, payload: bytes) -> int:
    """Return how many octets of the MAC payload are authenticated but never encrypted.

    Of a beacon before version 2 all but the beacon payload, of a command before version 2 the command identifier
    (IEEE 802.15.4-2006 table 97); of later ones nothing (from memory).
    """
    if mac.version >= 2:
        return 0
    if mac.frame_type == FrameType.COMMAND:
        return min(1, len(payload))
    if mac.frame_type == FrameType.BEACON:
        return _beacon_fields(payload)
    return 0


def _beacon_fields(payload: bytes) -> int:
    """Return the octets of superframe specification, GTS fields and pending addresses."""
    at = 2
    if at < len(payload):
        slots = payload[at] & 7
        at += 1 + (1 + 3 * slots if slots else 0)
    if at < len(payload):
        at += 1 + 2 * (payload[at] & 7) + 8 * (payload[at] >> 4 & 7)
    return min(at, len(payload))


def seal(
    mac: Mac, header: bytes, payload: bytes, key: Key, *, asn: int | None, devices: Devices
) -> bytes:
    """Return the protected payload followed by its MIC."""
    security = mac.security
    assert security is not None
    clear, private, additional = _parts(mac, header, payload)
    level = security.protection
    if level.mic:
        sealed = _ccm(key, level.mic).encrypt(nonce(mac, devices, asn), private, additional)
        return clear + sealed
    if not level.encrypted:
        return payload
    return clear + _counter_mode(key, nonce(mac, devices, asn), private)


def unseal(
    mac: Mac, header: bytes, sealed: bytes, key: Key, *, asn: int | None, devices: Devices
) -> bytes:
    """Return the payload in the clear; ``sealed`` holds the protected payload and its MIC.

    Raises ``BadMic`` when the integrity code does not match, ``WireError`` when the nonce cannot be made.
    """
    from cryptography.exceptions import InvalidTag  # noqa: PLC0415  # heavy: only secured frames

    security = mac.security
    assert security is not None
    level = security.protection
    body, mic = sealed[: len(sealed) - level.mic], sealed[len(sealed) - level.mic :]
    clear, private, additional = _parts(mac, header, body)
    if not level.mic:
        if not level.encrypted:
            return sealed
        return clear + _counter_mode(key, nonce(mac, devices, asn), private)
    try:
        opened = _ccm(key, level.mic).decrypt(nonce(mac, devices, asn), private + mic, additional)
    except InvalidTag:
        raise BadMic(
            "the integrity code does not match: another key, another nonce, or altered octets",
            offset=len(header) + len(body),
            layer=_LAYER,
            cite=TRANSFORM,
        ) from None
    return clear + opened


def _parts(mac: Mac, header: bytes, payload: bytes) -> tuple[bytes, bytes, bytes]:
    """Return what goes in clear, what is handed to the cipher as text, and as additional data.

    At levels 1 to 3 nothing is encrypted: all is additional data.
    """
    assert mac.security is not None
    if not mac.security.protection.encrypted:
        return payload, b"", header + payload
    at = open_part(mac, payload)
    return payload[:at], payload[at:], header + payload[:at]


def _ccm(key: Key, tag: int) -> "AESCCM":
    from cryptography.hazmat.primitives.ciphers.aead import AESCCM  # noqa: PLC0415  # heavy

    return AESCCM(key.octets, tag_length=tag)


def _counter_mode(key: Key, nonce_octets: bytes, text: bytes) -> bytes:
    """Return text encrypted or decrypted without integrity code: counter mode from block 1 (annex B.4)."""
    from cryptography.hazmat.primitives.ciphers import Cipher, algorithms, modes  # noqa: PLC0415

    block = b"\x01" + nonce_octets + b"\x00\x01"
    encryptor = Cipher(algorithms.AES(key.octets), modes.CTR(block)).encryptor()
    return encryptor.update(text) + encryptor.finalize()


def keys_of(values: object) -> tuple[Key, ...]:
    """Return keys from one key or an iterable of several, each octets, hex or ``Key``."""
    if isinstance(values, Iterable) and not isinstance(values, str | bytes | bytearray):
        return tuple(Key.of(value) for value in values)
    return (Key.of(values),)
