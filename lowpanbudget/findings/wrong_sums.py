"""Wrong checksums of an audit: each read once, where it is heard first, and whether what it covers is dropped."""

from collections.abc import Sequence
from typing import Any

from lowpanbudget.capture.recent import Recent
from lowpanbudget.env import (
    IID_MASK,
    SHORT_IID,
    UNIVERSAL_LOCAL,
    interface_identifier,
    link_text,
)
from lowpanbudget.findings import checksum
from lowpanbudget.findings.checksum import SumReading
from lowpanbudget.findings.datagrams import HeardDatagram
from lowpanbudget.findings.guesses import Slip
from lowpanbudget.findings.heard_headers import Ends
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.senders import pan_of
from lowpanbudget.findings.surroundings import Surroundings
from lowpanbudget.layers.internet.coap.message import CoapMessage
from lowpanbudget.layers.internet.dtls.record import DtlsRecord, Unified
from lowpanbudget.layers.internet.icmpv6 import Icmpv6
from lowpanbudget.layers.link.nonces import Devices

MOST_READINGS = 2000  # checksums that are explained; a flood of wrong ones must not take for ever
# some octets behind it are meant, and nothing but the sum tells which; or all but the ports
_OTHER_OCTETS = {Slip.TAIL, Slip.PORT}
_COVERED = (Icmpv6, CoapMessage, DtlsRecord, Unified)


def source_name(scene: Scene) -> str:
    """Return who sent a datagram first, as text: it is who computed the checksum, wherever the datagram was heard.

    Its link address, where the identifier of its IPv6 source is made of a short address or of a node that was heard.
    """
    link, datagram = scene.link_source, scene.datagram
    if link is None or datagram is None:
        return scene.sender
    source = datagram.header.source
    identifier = int(source) & IID_MASK
    if identifier == interface_identifier(link):
        return scene.known.home.name(link, scene.mac)
    if identifier >> 16 == SHORT_IID >> 16:
        return scene.known.home.name((identifier & 0xFFFF).to_bytes(2, "big"), scene.mac)
    extended = (identifier ^ UNIVERSAL_LOCAL).to_bytes(8, "big")
    is_heard = scene.mac is not None and (pan_of(scene.mac), extended) in scene.known.senders
    return link_text(extended) if is_heard else str(source)


class WrongSums:
    """Reads wrong checksums; a receiver drops what they cover (RFC 8200 section 8.1, RFC 1122 section 4.1.3.4)."""

    def __init__(self, known: Surroundings) -> None:
        self._known = known
        self._readings = 0
        self._said: dict[Ends, SumReading | None] = {}
        self._heard = Recent[int | None, bool]()  # those heard last, whether they are dropped

    def read(self, scene: Scene, datagram: HeardDatagram) -> SumReading | None:
        """Return the reading of a wrong checksum where it is heard first: routers send on what they got.

        A datagram whose contents nobody takes for what was sent is dropped then, with what was read in it.
        """
        mark, passage = datagram.mark, scene.passage
        before, reading = self._heard.get(mark), None
        if passage is not None and (before is not None or passage.keeps_segments):
            is_dropped = before or False
        else:
            reading = self._reading(datagram, scene.sighting.decoder.devices)
            is_dropped = reading is not None and not self._is_as_meant(scene, datagram, reading)
        self._heard.renew(mark, is_dropped)
        if is_dropped:
            datagram.drop(without_contents(datagram.layers))
        return reading

    def _reading(self, datagram: HeardDatagram, devices: Devices) -> SumReading | None:
        """Return why a checksum is wrong; behind many of them what was said of one between the same addresses."""
        ends = datagram.ends
        if self._readings < MOST_READINGS:
            self._readings += 1
            reading = self._said[ends] = checksum.explain(datagram, self._known, devices)
            return reading
        return checksum.read_alike(datagram, self._said.get(ends))

    def _is_as_meant(self, scene: Scene, datagram: HeardDatagram, reading: SumReading) -> bool:
        """Return whether the octets that it covers are those that its sender meant, as far as is known by now."""
        if reading.slip in _OTHER_OCTETS:
            return False
        if reading.slip is Slip.NONE:
            # all off by the same may be a prefix that is not known here
            sums = self._known.sums.get((source_name(scene), datagram.contexts_used))
            off = 0 if sums is None else sums.constant
            return off != 0 and off == reading.off
        form = self._known.forms.get(datagram.headers.form)
        return form is None or checksum.detail_of(datagram, reading.slip) not in form.rights


def without_contents(layers: Sequence[Any]) -> Sequence[Any]:
    """Return the headers in a datagram without those that its checksum covers as contents."""
    return [one for one in layers if not is_content(one)]


def is_content(layer: object) -> bool:
    """Return whether a header in a datagram is one that its checksum covers as contents."""
    return isinstance(layer, _COVERED)


def changed_by(known: Surroundings) -> dict[str, str]:
    """Return who changed what others sent, by those: it was wrong behind one router alone, and not where it began.

    That router sent on such of several, or other checksums of the sender are right where somebody else sent them.
    """
    right: dict[int, set[str]] = {}
    for form, sums in known.forms.items():
        if sums.rights:
            right.setdefault(form.source, set()).add(link_text(form.link_source))
    by_router: dict[str, dict[str, int]] = {}
    for (sender, _), found in known.sums.items():
        if len(found.by) == 1 and sender not in found.by:
            by_router.setdefault(next(iter(found.by)), {})[sender] = found.source
    return {
        sender: router
        for router, senders in by_router.items()
        for sender, source in senders.items()
        if len(senders) > 1 or right.get(source, set()) - {router}
    }
