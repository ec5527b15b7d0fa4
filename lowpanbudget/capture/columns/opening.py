"""The sealed frames of a batch, opened before any is counted."""

from collections.abc import Iterable
from typing import Any

from lowpanbudget.bits import Reader
from lowpanbudget.capture.columns import places as p
from lowpanbudget.capture.columns.batch import Batch
from lowpanbudget.capture.columns.loops import Loops
from lowpanbudget.capture.columns.state import Front, State
from lowpanbudget.errors import WireError
from lowpanbudget.layers.link.auxiliary import UNPROVEN
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
        self._by_short: dict[int, list[int]] = {}  # places of frames of the batch that keys are for
        self._clear = bytearray()  # what was opened of it

    def open_batch(self, batch: Batch, decoder: Decoder, loops: Loops) -> None:
        """Open the frames of a batch; what no key of a frame opens is left to be followed on its own."""
        self._by_short.clear()
        self._clear = bytearray()
        if decoder.keys:
            self._open(batch, range(len(batch)), decoder, loops)

    def open_again(
        self, batch: Batch, at: int, shorts: Iterable[int], decoder: Decoder, loops: Loops
    ) -> None:
        """Open the frames from one on that come from these short addresses, whose devices are others now."""
        for short in shorts:
            places = [place for place in self._by_short.pop(short, ()) if place >= at]
            if places:
                self._open(batch, places, decoder, loops)

    def _open(self, batch: Batch, places: Iterable[int], decoder: Decoder, loops: Loops) -> None:
        clear = batch.clear
        for place in places:
            clear[place] = p.SEALED
            frame = batch.frame(place) if batch.checks[place] >= 0 else b""
            front = self._state.front(frame) if frame else None
            if front is None or not front.secured:
                continue
            payload = self._opened(frame, front, decoder, batch.slot(place), place)
            if payload is None:
                continue
            clear[place] = len(self._clear) if payload is not False else p.UNOPENED
            self._clear += payload or b""
        batch.opened = loops.of_octets(bytes(self._clear))

    def _opened(
        self, frame: bytes, front: Front, decoder: Decoder, asn: int | None, place: int
    ) -> Any:
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
        if mac.source is not None and len(mac.source) == 2:
            self._by_short.setdefault(int.from_bytes(mac.source, "big"), []).append(place)
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
    usable = tuple(key for key in keys if key.opens(security))
    if security.level == UNPROVEN and len(usable) > 1:
        return None, ()  # what each key gives tells which of them it is
    return mac, usable
