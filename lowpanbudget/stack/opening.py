"""Opening a protected frame: which keys fit, whether its integrity code is right, the payload in the clear."""

from typing import Protocol

from lowpanbudget.bits import Nature, Reader, Span
from lowpanbudget.errors import BadMic, WireError
from lowpanbudget.layers.link.auxiliary import KEY_IDS_CITE, LEVEL_TEXTS, LEVELS, LEVELS_CITE
from lowpanbudget.layers.link.mac import Mac
from lowpanbudget.layers.link.nonces import NONCE, Devices
from lowpanbudget.layers.link.security import Key, unsealed
from lowpanbudget.stack.incoming import Notice
from lowpanbudget.values import replace

_BY_EUI = (
    "the integrity code is right with the sender's EUI-64 in the nonce, as the 2012 amendment has it for time-slotted "
    "networks; with a short source address the 2015 edition has BA-55-EC, 00, PAN ID and short address there (both "
    "from memory)"
)
_WRITTEN = (
    "Receivers of the 2015 edition drop it; encode_frame writes the form of that edition alone"
)

_new, _HEADER = tuple.__new__, Nature.HEADER  # a member asked of its class takes as long as a call


class Protected(Protocol):
    """What opening a payload fills in: ``fault`` is an integrity code that no key of the frame makes right."""

    notices: list[Notice]
    payload: bytes | None
    verified: bool
    fault: WireError | None


def open_payload(
    frame: Protected,
    reader: Reader,
    mac: Mac,
    keys: tuple[Key, ...],
    devices: Devices,
    asn: int | None,
    sender: bytes | None,
    trailer: list[Span],
) -> bool:
    """Return whether the payload that ``reader`` stands before is in the clear, if only as it was never encrypted.

    Moves the reader's end before the MIC, whose span goes before the ``trailer``, and swaps in the octets of an
    encrypted payload that a key opens. ``sender`` sent the frame where it names none. Raises ``WireError`` when it is
    too short for its MIC.
    """
    security, data, start = mac.security, reader.data, reader.pos
    assert security is not None
    level, mic, end = security.level, security.mic, reader.end
    if level == 0:
        return True
    name, encrypted, octets_of_mic = LEVELS[level]
    if reader.missing and octets_of_mic:
        return _without_end(reader, mic, level, trailer)
    if len(mic) < octets_of_mic:
        reader.need(octets_of_mic, f"the {name} integrity code", LEVELS_CITE)
    header, sealed = data[:start], data[start:end]
    if mic:
        reader.end = end = end - octets_of_mic
        trailer.insert(0, _mic_span(end, mic, LEVEL_TEXTS[level]))
    elif encrypted:
        text = "the payload is encrypted without any integrity check"
        frame.notices.append(Notice("no-integrity-check", text, LEVELS_CITE, start))
    by = mac if mac.source is not None or sender is None else replace(mac, source=sender)
    octets = failure = None
    for key in keys:
        if key.opens(security):
            try:
                octets, place = unsealed(by, header, sealed, key, asn, devices)
            except WireError as error:
                failure = error.bare()
                continue
            if place:
                frame.notices.append(Notice("nonce-of-eui-64", _BY_EUI, NONCE, start, _WRITTEN))
            break
    if octets is None:
        _note_failure(frame, by, start, failure, has_keys=bool(keys))
        if encrypted:
            _leave_sealed(reader, "encrypted; no key opens it")
        return not encrypted
    frame.verified = octets_of_mic > 0
    if encrypted:
        reader.data, frame.payload = header + octets, octets
    return True


def _leave_sealed(reader: Reader, text: str) -> None:
    reader.layer = "sealed"
    reader.rest("sealed payload", text, nature=Nature.SEALED)


def _mic_span(at: int, mic: bytes, meaning: str) -> Span:
    told = (
        at * 8, len(mic) * 8, "MAC", "MIC", mic, meaning, LEVELS_CITE,
        "a shorter code protects less: no advice", "big", "", False, _HEADER,
    )  # fmt: skip
    return _new(Span, told)


def _without_end(reader: Reader, mic: bytes, level: int, trailer: list[Span]) -> bool:
    """Pass a payload whose integrity code was not kept, or not all of it: it judges no key."""
    whole = LEVELS[level].mic
    if mic:
        reader.end -= len(mic)
        text = f"{LEVEL_TEXTS[level]}; {len(mic)} of its {whole} octets are there"
        trailer.insert(0, _mic_span(reader.end, mic, text))
    if LEVELS[level].encrypted:
        _leave_sealed(
            reader,
            "encrypted; the integrity code behind it was not captured, so no key can be tried",
        )
    return not LEVELS[level].encrypted


def _note_failure(
    frame: Protected, mac: Mac, at: int, failure: WireError | None, *, has_keys: bool
) -> None:
    """Note why no key opened a payload that stands at an octet: none is for it, or the last one tried failed."""
    security = mac.security
    assert security is not None
    if failure is None:
        wanted = _key_name(mac)
        is_sealed = security.protection.encrypted
        state = "sealed" if is_sealed else "in the clear, its integrity code not checked"
        missing = "no key for this frame" if has_keys else f"{state}; the key wanted"
        frame.notices.append(Notice("key-missing", f"{missing}: {wanted}", KEY_IDS_CITE, at))
        return
    if isinstance(failure, BadMic):
        frame.fault = failure
    name = "mic-wrong" if isinstance(failure, BadMic) else "nonce-unknown"
    frame.notices.append(Notice(name, failure.message, failure.cite, at, failure.hint))


def _key_name(mac: Mac) -> str:
    security = mac.security
    assert security is not None
    text = f"key id mode {security.key_id_mode}"
    if security.key_index is not None:
        text += f", index {security.key_index}"
    if security.key_source is not None:
        text += f", source {security.key_source.hex()}"
    return text
