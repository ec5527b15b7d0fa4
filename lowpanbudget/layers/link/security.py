"""Link security: CCM* over a frame's header and payload (IEEE 802.15.4-2006 clause 7.6 and annex B, 2015 clause 9.3).

CCM* adds to CCM (RFC 3610) the level without integrity code; the library does the rest. Clauses are from memory.

Open (authenticated, never encrypted): the MAC header with its header IEs and, before version 2, command identifier and
beacon fields. Private: the rest; payload IEs belong to it. A sender must never use one nonce twice under one key: it
gives the plain text away. Encoding cannot know what was sent before, so that stays the caller's duty; ``take`` (of
``encode_frame``: ``used``) is asked where a caller remembers.
"""

from collections.abc import Callable, Iterable

from lowpanbudget.arguments import number_within, value_of
from lowpanbudget.cites import ieee
from lowpanbudget.errors import BadMic, RequestError, plural, repeated
from lowpanbudget.hidden import HiddenOctets
from lowpanbudget.layers.link import beacon
from lowpanbudget.layers.link.auxiliary import LEVELS, Security, counter_to_send
from lowpanbudget.layers.link.ccm import Ccm, CounterMode, Unencrypted, prepare
from lowpanbudget.layers.link.mac import FrameType, Mac
from lowpanbudget.layers.link.nonces import Devices, nonces
from lowpanbudget.values import dataclass, field

TRANSFORM = ieee(2006, "7.6.3.4")
_LAYER = "link security"
_DATA = FrameType.DATA  # a member asked of its class takes as long as a call
_KEY_HINT = "Give 16 octets or 32 hex digits"


@dataclass(frozen=True, slots=True, init=False)
class Key:
    """An AES-128 key with restrictive use: it opens only frames that may name it.

    ``octets`` are 16 octets or their hex text, never shown. ``key_id_mode``, ``index`` and ``source`` (bytes or hex, 4
    or 8 octets, either way round) limit the use; None means any. A key with an index opens no frame without one; a key
    with a source also opens frames that carry none: mode 1 means the default source, which no frame shows. Raises
    ``RequestError`` (without the key) when they cannot be used. Source: IEEE 802.15.4-2006 §7.6.2, from memory.
    """

    octets: bytes = field(repr=False)
    key_id_mode: int | None
    index: int | None
    source: bytes | None
    _ciphers: dict[int, Ccm | CounterMode] = field(repr=False, compare=False)

    def __init__(
        self,
        octets: bytes | str,
        key_id_mode: int | None = None,
        index: int | None = None,
        source: bytes | str | None = None,
    ) -> None:
        # what is no number is not shown either: it may be a key in the wrong place
        mode = None if key_id_mode is None else number_within(key_id_mode, 2)
        if mode is None is not key_id_mode:
            raise RequestError(f"key_id_mode is {_shown(key_id_mode)}, not 0, 1, 2 or 3")
        number = None if index is None else number_within(index, 8)
        if number is None is not index:
            raise RequestError(f"index is {_shown(index)}, not a number from 0 to 255")
        key, key_source = HiddenOctets(_octets(octets, "a link key", _KEY_HINT)), None
        if len(key) != 16:
            raise RequestError("a link key has 16 octets", hint=_KEY_HINT, cite=TRANSFORM)
        if source is not None:
            key_source = _octets(source, "a key source")
            if len(key_source) not in {4, 8}:
                raise RequestError("a key source has 4 or 8 octets", cite=TRANSFORM)
        object.__setattr__(self, "octets", key)
        object.__setattr__(self, "key_id_mode", mode)
        object.__setattr__(self, "index", number)
        object.__setattr__(self, "source", key_source)
        object.__setattr__(self, "_ciphers", {})

    def __reduce__(self) -> tuple[type["Key"], tuple[object, ...]]:
        """Return how to make a copy: without the prepared ciphers, which cannot be copied."""
        return Key, (self.octets, self.key_id_mode, self.index, self.source)

    @classmethod
    def of(cls, value: object) -> "Key":
        """Return a key from octets, hex text or a ``Key``."""
        return value if isinstance(value, cls) else cls(value)  # type: ignore[arg-type]  # _octets checks

    def opens(self, security: Security) -> bool:
        """Return whether a frame with these fields may name this key."""
        if security.__class__ is not Security:
            value_of(Security, security)
        if self.key_id_mode is not None and self.key_id_mode != security.key_id_mode:
            return False
        if self.index is not None and security.key_index != self.index:
            return False
        if self.source is None or security.key_source is None:
            return True
        return security.key_source in (self.source, self.source[::-1])

    def cipher(self, tag: int) -> Ccm | CounterMode:
        """Return the cipher for an integrity code of ``tag`` octets, 0 for level 4; prepared once."""
        cipher = self._ciphers.get(tag)
        if cipher is None:
            cipher = self._ciphers[tag] = prepare(self.octets, tag)
        return cipher


def key_for_sizes() -> Key:
    """Return a key that seals nothing: what it leaves is as long as what is sealed, and no cipher library is loaded."""
    key, ciphers = Key(bytes(16)), {level.mic: Unencrypted(level.mic) for level in LEVELS}
    object.__setattr__(key, "_ciphers", ciphers)
    return key


def _octets(value: bytes | str, what: str, hint: str = "") -> bytes:
    """Return octets from octets or hex text; the error never shows the value."""
    if isinstance(value, str):
        try:
            return bytes.fromhex(value.removeprefix("0x"))
        except ValueError:
            from string import hexdigits  # noqa: PLC0415  # only a key that is wrong

            digits = len(value.removeprefix("0x"))
            if digits % 2 and set(value.removeprefix("0x")) <= set(hexdigits):
                wrong = f"{what} has {plural(digits, 'hex digit')}, and two are an octet"
                raise RequestError(wrong, hint=hint) from None
            raise RequestError(f"{what} is no hex text", hint=hint) from None
    if isinstance(value, bytes | bytearray | memoryview):
        return bytes(value)
    raise RequestError(f"{what} is octets or hex text, not {type(value).__name__}", hint=hint)


def _shown(value: object) -> str:
    return repeated(value) if isinstance(value, int) else type(value).__name__


_MIC_WRONG = "the integrity code does not match: another key, another nonce, or altered octets"
LEFT_IN_CLEAR = f"{_MIC_WRONG}; the payload, which is in the clear, is not handed on"


def open_part(mac: Mac, payload: bytes) -> int:
    """Return how many octets of the MAC payload are authenticated but never encrypted.

    Of a beacon before version 2 all but the beacon payload, of a command before version 2 the command identifier
    (IEEE 802.15.4-2006 table 97); of later ones, payload IEs included, nothing (from memory).
    """
    if mac.later:
        return 0
    if mac.frame_type == FrameType.COMMAND:
        return min(1, len(payload))
    if mac.frame_type == FrameType.BEACON:
        return beacon.fields_length(payload)
    return 0


def seal(
    mac: Mac,
    header: bytes,
    payload: bytes,
    key: Key,
    *,
    asn: int | None,
    devices: Devices,
    take: Callable[[bytes], None] | None = None,
) -> bytes:
    """Return the protected payload followed by its MIC.

    ``take`` is given the nonce before it is used, and may refuse it by raising. Raises ``WireError`` when the nonce
    cannot be made, ``RequestError`` for a frame counter that is used up.
    """
    security = mac.security
    assert security is not None
    level = security.protection
    if not (level.mic or level.encrypted):
        return payload
    if security.frame_counter is not None:
        counter_to_send(security.frame_counter)
    clear, private, additional = _parts(mac, header, payload)
    nonce = nonces(mac, devices, asn)[0]
    if take is not None:
        take(nonce)
    return clear + key.cipher(level.mic).seal(nonce, private, additional)


def unseal(
    mac: Mac, header: bytes, sealed: bytes, key: Key, *, asn: int | None, devices: Devices,
    counter: int | None = None,
) -> bytes:  # fmt: skip
    """Return the payload in the clear; ``sealed`` holds the protected payload and its MIC.

    ``counter`` is the frame counter, where ``mac`` is that of a frame with another one.
    Raises ``BadMic`` when the integrity code does not match, ``WireError`` when the nonce cannot be made.
    """
    return unsealed(mac, header, sealed, key, asn, devices, counter)[0]


def unsealed(
    mac: Mac, header: bytes, sealed: bytes, key: Key, asn: int | None, devices: Devices,
    counter: int | None = None,
) -> tuple[bytes, int]:  # fmt: skip
    """Return the payload in the clear and the place of the nonce that opened it among ``nonces``; raises as ``unseal``.

    Without an integrity code nothing tells them apart: it is the first.
    """
    security = mac.security
    assert security is not None
    _, encrypted, mic = LEVELS[security.level]
    if encrypted and mac.frame_type == _DATA:
        clear, private, additional = b"", sealed, header
    elif not (mic or encrypted):
        return sealed, 0
    else:
        at = len(sealed) - mic
        clear, private, additional = _parts(mac, header, sealed[:at])
        private += sealed[at:]
    cipher = key.cipher(mic)
    tried = nonces(mac, devices, asn, counter)
    for nonce in tried:
        opened = cipher.unseal(nonce, private, additional)
        if opened is not None:
            return clear + opened, tried.index(nonce)
    raise BadMic(
        _MIC_WRONG if encrypted else LEFT_IN_CLEAR,
        offset=len(header) + len(sealed) - mic,
        layer=_LAYER,
        cite=TRANSFORM,
    )


def _parts(mac: Mac, header: bytes, payload: bytes) -> tuple[bytes, bytes, bytes]:
    """Return what goes in clear, what is handed to the cipher as text, and as additional data.

    At levels 1 to 3 nothing is encrypted: all is additional data.
    """
    assert mac.security is not None
    if not mac.security.protection.encrypted:
        return payload, b"", header + payload
    at = open_part(mac, payload)
    return payload[:at], payload[at:], header + payload[:at]


def keys_of(values: object) -> tuple[Key, ...]:
    """Return keys from one key or an iterable of several, each octets, hex or ``Key``; none from None.

    A key that is empty is none that was left out, and is refused as any other of a wrong length.
    """
    if values is None:
        return ()
    if isinstance(values, Iterable) and not isinstance(
        values, str | bytes | bytearray | memoryview
    ):
        return tuple(map(_given, values))
    return (_given(values),)


def _given(value: object) -> Key:
    """Return a key as ``Key.of`` does; who gives the name of a key file is told how to read it."""
    try:
        return Key.of(value)
    except RequestError as error:
        hint = f"{error.hint}; read_keys(path).keys are those of a key file"
        raise RequestError(error.message, hint=hint, cite=error.cite) from None
