"""Opening a protected frame: which keys fit, whether its integrity code is right, the payload in the clear."""

from lowpanbudget.bits import Nature, Reader, Span
from lowpanbudget.errors import BadMic, WireError
from lowpanbudget.layers.link import mac as mac_layer
from lowpanbudget.layers.link.auxiliary import CITE_2006, LEVEL_TEXTS, LEVELS, LEVELS_CITE, Security
from lowpanbudget.layers.link.mac import Mac
from lowpanbudget.layers.link.nonces import NONCE, Devices
from lowpanbudget.layers.link.security import Key, unsealed
from lowpanbudget.stack.incoming import Notice
from lowpanbudget.values import dataclass, replace

_BY_EUI = (
    "the integrity code is right with the sender's EUI-64 in the nonce, as the 2012 amendment has it for time-slotted "
    "networks; with a short source address the 2015 edition has BA-55-EC, 00, PAN ID and short address there (both "
    "from memory)"
)
_WRITTEN = (
    "Receivers of the 2015 edition drop it; encode_frame writes the form of that edition alone"
)
_OLD, _RESERVED = 1, (5, 6, 7)  # a version of the header, and what its security control leaves free


@dataclass(slots=True)
class OpenedFrame:
    """What opening a payload came to.

    ``readable``: the payload is in the clear, if only because it was never encrypted. ``verified``: its integrity code
    is right. ``mic`` is the span of that code; ``fault`` an integrity code that no key of the frame makes right.
    """

    readable: bool = True
    verified: bool = False
    mic: Span | None = None
    notices: tuple[Notice, ...] = ()
    fault: WireError | None = None


def open_payload(
    reader: Reader,
    mac: Mac,
    keys: tuple[Key, ...],
    devices: Devices,
    asn: int | None,
    sender: bytes | None = None,
) -> OpenedFrame:
    """Return what opening the payload that ``reader`` stands before came to; ``sender`` sent it where it names none.

    Moves the reader's end before the MIC and, for an encrypted payload, swaps in the opened octets. Raises
    ``WireError`` when the frame is too short for its MIC.
    """
    opened = OpenedFrame()
    security = mac.security
    if security is not None and mac.version == _OLD:
        _note_reserved(opened, reader, security)
    if security is None or security.level == 0:
        return opened
    level, mic = security.protection, security.mic
    if reader.missing and level.mic:
        return _without_end(reader, mic, security.level)
    if len(mic) < level.mic:
        reader.need(level.mic, f"the {level.name} integrity code", LEVELS_CITE)
    header, sealed = reader.data[: reader.pos], reader.data[reader.pos : reader.end]
    if mic:
        reader.end -= level.mic
        opened.mic = _mic_span(reader.end, mic, LEVEL_TEXTS[security.level])
    if level.encrypted and not level.mic:
        text = "the payload is encrypted without any integrity check"
        opened.notices += (Notice("no-integrity-check", text, mac_layer.CITE, reader.pos),)
    by = mac if mac.source is not None or sender is None else replace(mac, source=sender)
    octets = _try_keys(opened, by, header, sealed, keys, devices, asn)
    if octets is None:
        if level.encrypted:
            reader.layer = "sealed"
            reader.rest("sealed payload", "encrypted; no key opens it", nature=Nature.SEALED)
            opened.readable = False
        return opened
    opened.verified = bool(level.mic)
    start, end = reader.pos, reader.end
    reader.data = reader.data[:start] + octets[: end - start] + reader.data[end:]
    return opened


def _note_reserved(opened: OpenedFrame, reader: Reader, security: Security) -> None:
    """Note bits of the security control that mean something since the 2015 edition alone; all frames are read by it."""
    behind = 0 if security.frame_counter is None else 4
    behind += len(security.key_source or b"") + (security.key_index is not None)
    at = reader.pos - behind - 1  # in version 1 nothing stands between this header and the payload
    bits = [bit for bit in _RESERVED if reader.data[at] >> bit & 1]
    if bits:
        text = (
            f"security control {reader.data[at]:#04x} sets what is reserved in version {_OLD} "
            f"(of bits 5 to 7: {', '.join(map(str, bits))}); it is read as in version 2"
        )
        opened.notices += (Notice("security-bits-reserved", text, CITE_2006, at),)


def _mic_span(at: int, mic: bytes, meaning: str) -> Span:
    told = (
        at * 8, len(mic) * 8, "MAC", "MIC", mic, meaning, mac_layer.CITE,
        "a shorter code protects less: no advice", "big", "", False, Nature.HEADER,
    )  # fmt: skip
    return tuple.__new__(Span, told)


def _without_end(reader: Reader, mic: bytes, level: int) -> OpenedFrame:
    """Return what is there of a frame whose integrity code was not kept, or not all of it: it judges no key."""
    opened = OpenedFrame()
    whole = LEVELS[level].mic
    if mic:
        reader.end -= len(mic)
        text = f"{LEVEL_TEXTS[level]}; {len(mic)} of its {whole} octets are there"
        opened.mic = _mic_span(reader.end, mic, text)
    if LEVELS[level].encrypted:
        reader.layer = "sealed"
        text = "encrypted; the integrity code behind it was not captured, so no key can be tried"
        reader.rest("sealed payload", text, nature=Nature.SEALED)
        opened.readable = False
    return opened


def _try_keys(
    opened: OpenedFrame,
    mac: Mac,
    header: bytes,
    sealed: bytes,
    keys: tuple[Key, ...],
    devices: Devices,
    asn: int | None,
) -> bytes | None:
    """Return the payload in the clear by the first key that fits, or None after noting why none did."""
    security, failure = mac.security, None
    assert security is not None
    for key in keys:
        if key.opens(security):
            try:
                octets, place = unsealed(mac, header, sealed, key, asn=asn, devices=devices)
            except WireError as error:
                failure = error.bare()
                continue
            if place:
                opened.notices += (
                    Notice("nonce-of-eui-64", _BY_EUI, NONCE, len(header), _WRITTEN),
                )
            return octets
    if failure is None:
        wanted = _key_name(mac)
        is_sealed = security.protection.encrypted
        state = "sealed" if is_sealed else "in the clear, its integrity code not checked"
        text = f"no key for this frame: {wanted}" if keys else f"{state}; the key wanted: {wanted}"
        opened.notices += (Notice("key-missing", text, mac_layer.CITE, len(header)),)
        return None
    if isinstance(failure, BadMic):
        opened.fault = failure
    name = "mic-wrong" if isinstance(failure, BadMic) else "nonce-unknown"
    opened.notices += (Notice(name, failure.message, failure.cite, len(header), failure.hint),)
    return None


def _key_name(mac: Mac) -> str:
    security = mac.security
    assert security is not None
    text = f"key id mode {security.key_id_mode}"
    if security.key_index is not None:
        text += f", index {security.key_index}"
    if security.key_source is not None:
        text += f", source {security.key_source.hex()}"
    return text
