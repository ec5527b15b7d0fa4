"""The sealed frames of a batch, opened before any is counted."""

from typing import Any

from lowpanbudget.bits import Reader
from lowpanbudget.capture.columns import places as p
from lowpanbudget.capture.columns.batch import Batch
from lowpanbudget.capture.columns.loops import Loops
from lowpanbudget.capture.columns.state import Front, State
from lowpanbudget.errors import WireError
from lowpanbudget.layers.link.mac import Mac, decode
from lowpanbudget.layers.link.security import Key, unseal
from lowpanbudget.stack.decoder import Decoder
from lowpanbudget.values import replace

_MOST_HEADERS = 4096


class FrameOpener:
    """Opens frames with the keys and devices of a decoder.

    What a frame counter stands beside is the same for all frames of a node: it is read once.
    """

    def __init__(self, state: State) -> None:
        self._state = state
        self._headers: dict[bytes, tuple[Mac | None, tuple[Key, ...]]] = {}

    def open_batch(self, batch: Batch, at: int, decoder: Decoder, loops: Loops) -> None:
        """Open the frames of a batch from one on; what no key of a frame opens is left to be followed on its own."""
        if not decoder.keys:
            return
        opened, clear = bytearray(), batch.clear
        for place in range(at, len(batch)):
            clear[place] = p.SEALED
            frame = batch.frame(place) if batch.checks[place] >= 0 else b""
            front = self._state.front(frame) if frame else None
            if front is None or not front.secured:
                continue
            payload = self._opened(frame, front, decoder, batch.slot(place))
            if payload is None:
                continue
            clear[place] = len(opened) if payload is not False else p.UNOPENED
            opened += payload or b""
        batch.opened = loops.of_octets(bytes(opened))

    def _opened(self, frame: bytes, front: Front, decoder: Decoder, asn: int | None) -> Any:
        """Return the payload in the clear; None where no key is for it, False where none of its keys opens it."""
        if front.header + front.mic > len(frame):
            return False
        counter = front.counter
        behind = frame[counter + 4 : front.header] if counter else b""
        name = frame[:2] + frame[2 + front.sequenced : counter or front.header] + b"|" + behind
        known = self._headers.get(name)
        if known is None:
            if len(self._headers) >= _MOST_HEADERS:
                self._headers.clear()
            known = self._headers[name] = _read(frame, decoder.keys)
        mac, keys = known
        if mac is None or mac.header_length != front.header:
            return False
        if not keys:
            return None
        security = mac.security
        if counter and security is not None:
            number = int.from_bytes(frame[counter : counter + 4], "little")
            mac = replace(mac, security=replace(security, frame_counter=number))
        for key in keys:
            try:
                payload = unseal(
                    mac,
                    frame[: front.header],
                    frame[front.header :],
                    key,
                    asn=asn,
                    devices=decoder.devices,
                )
            except WireError:
                continue
            return payload[: len(frame) - front.header - front.mic]
        return False


def _read(frame: bytes, keys: tuple[Key, ...]) -> tuple[Mac | None, tuple[Key, ...]]:
    try:
        mac = decode(Reader(frame))
    except WireError:
        return None, ()
    security = mac.security
    if mac.fault is not None or security is None or not security.level:
        return None, ()
    return mac, tuple(key for key in keys if key.opens(security))
