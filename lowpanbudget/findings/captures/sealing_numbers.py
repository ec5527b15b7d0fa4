"""Numbers in the clear that nonces are made of: the Partial IV of OSCORE, epoch and sequence number of DTLS 1.2.

What keys open is judged with them (``sealed``). Here two contents are told apart by what is sealed, and two keys by
nothing: whatever may begin a new security context in between, before anybody's eyes, begins anew here as well.
"""

from collections.abc import Iterator
from hashlib import blake2b
from itertools import count

from lowpanbudget.bits import Reader
from lowpanbudget.capture.recent import Recent
from lowpanbudget.cites import Cite, rfc
from lowpanbudget.errors import WireError
from lowpanbudget.findings import concerns
from lowpanbudget.findings.datagrams import HeardDatagram
from lowpanbudget.findings.exchanges import message_carried
from lowpanbudget.findings.finding import Hit
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.layers.internet.coap import message as coap
from lowpanbudget.layers.internet.coap.codes import coap_code
from lowpanbudget.layers.internet.coap.message import CoapMessage
from lowpanbudget.layers.internet.coap.registry import BLOCK1, BLOCK2, OSCORE
from lowpanbudget.layers.internet.dtls.content import Content
from lowpanbudget.layers.internet.dtls.record import DtlsRecord
from lowpanbudget.layers.internet.oscore import option as oscore
from lowpanbudget.layers.internet.oscore.option import OscoreOption
from lowpanbudget.values import dataclass, field

SEALING_NUMBERS = Subject("sealing-numbers")

_MOST = 4096  # numbers that are remembered
_POST = coap_code("POST")
_OF_OSCORE, _OF_DTLS = rfc(8613, "7.2"), rfc(6347, "4.1")

_Number = tuple[object, ...]  # sender and receiver, and what of them tells a number from others


@dataclass(slots=True)
class _Pair:
    """Two ends, or two sockets: a number for the keys that they may have agreed on last, kid context and kids heard."""

    keys: int
    kid_context: bytes | None = None
    kids: set[bytes] = field(default_factory=set)


@dataclass(slots=True)
class _Numbers:
    """What was sealed under each number first, as a digest, and in which frame; what ends may have agreed on."""

    used: Recent[_Number, tuple[bytes, int]] = field(default_factory=lambda: Recent(_MOST))
    pairs: Recent[tuple[int, ...], _Pair] = field(default_factory=Recent)
    new_keys: Iterator[int] = field(
        default_factory=count
    )  # those of a pair that was forgotten are none of its next

    def pair(self, *ends: int) -> _Pair:
        """Return what is known of two ends, or sockets, in whatever order."""
        key = _both(*ends)
        pair = self.pairs.get(key)
        if pair is None:
            pair = self.pairs[key] = _Pair(next(self.new_keys))
        return pair

    def use(
        self, datagram: HeardDatagram, number: _Number, sealed: bytes, told: str, cite: Cite
    ) -> Hits:
        """Take a number with what is sealed under it; yield what a second content proves."""
        digest = blake2b(sealed, digest_size=16).digest()
        frame = datagram.numbers[0]
        first, before = self.used.setdefault(number, (digest, frame))
        if first != digest:
            cause = "two different contents are sealed under one number"
            evidence = (f"{told} in frames {before} and {frame}",)
            yield Hit(cause, evidence, str(datagram.header.source), (before, frame), cite=cite)


def _both(*ends: int) -> tuple[int, ...]:
    half = len(ends) // 2
    return min(ends, (*ends[half:], *ends[:half]))


@SEALING_NUMBERS.rule(
    "sealing-number-used-twice", HeardDatagram, memory=_Numbers, concerns=concerns.records
)
def record_numbers(memory: _Numbers, scene: Scene, datagram: HeardDatagram) -> Hits | None:
    """Compare records of one number; a handshake in the clear makes new keys."""
    content = datagram.udp
    records = [one for one in datagram.layers if isinstance(one, DtlsRecord)]
    if content is None or not records or datagram.is_sum_wrong:
        return None  # octets that were damaged on their way are no second content
    if scene.opened is not None and scene.opened.is_open:
        return None
    source, destination = map(int, datagram.ends)
    sockets = source, content.source_port, destination, content.destination_port
    pair = memory.pair(*sockets)
    hits: list[Hit] = []
    for record in records:
        if not record.sealed:
            if record.content_type == Content.HANDSHAKE:
                pair.keys = next(memory.new_keys)
            continue
        number = *sockets, record.cid, pair.keys, record.epoch, record.sequence
        told = f"DTLS record {record.sequence} of epoch {record.epoch}"
        hits += memory.use(datagram, number, record.fragment, told, _OF_DTLS)
    return hits


@SEALING_NUMBERS.rule(
    "sealing-number-used-twice", HeardDatagram, memory=_Numbers, concerns=concerns.oscore
)
def partial_ivs(memory: _Numbers, scene: Scene, datagram: HeardDatagram) -> Hits | None:
    """Compare messages of one Partial IV; a new kid context, and a POST that is not sealed, may make new keys."""
    message = message_carried(datagram)
    if message is None:
        return None
    source, destination = map(int, datagram.ends)
    option = _oscore(message)
    if option is None:
        known = memory.pairs.get(_both(source, destination)) if memory.pairs else None
        if known is not None and message.code == _POST and message.first(OSCORE) is None:
            known.keys = next(memory.new_keys)
        return None
    pair = memory.pair(source, destination)
    if option.kid_context is not None and option.kid_context != pair.kid_context:
        pair.keys = next(memory.new_keys)
        pair.kid_context = option.kid_context
    if option.kid is not None and len(pair.kids) < 2:
        pair.kids.add(option.kid)
    if option.piv is None or datagram.is_sum_wrong:
        return None  # it has the nonce of its request, or was damaged on its way
    if scene.opened is not None and scene.opened.nonces:
        return None
    if message.first(BLOCK1) is not None or message.first(BLOCK2) is not None:
        return None  # parts of one sealed message have its number (RFC 8613 section 4.1.3.4.2)
    if option.kid is None and len(pair.kids) > 1:
        return None  # an answer does not say under which of several keys
    try:
        sealed = coap.decode(Reader(datagram.udp_octets)).payload
    except WireError:
        return None
    number = source, destination, option.kid, option.kid_context, pair.keys, option.sequence
    of_kid = "" if option.kid is None else f" of kid {option.kid.hex() or 'without octets'}"
    told = f"Partial IV {option.sequence}{of_kid}"
    return memory.use(datagram, number, sealed, told, _OF_OSCORE)


def _oscore(message: CoapMessage) -> OscoreOption | None:
    option = message.first(OSCORE)
    try:
        return None if option is None else oscore.decode(Reader(option.octets))
    except WireError:  # it is told where the message is read
        return None
