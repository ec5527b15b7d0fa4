"""Numbers in the clear that nonces are made of: the Partial IV of OSCORE, epoch and sequence number of DTLS 1.2.

What keys open is judged with them (``sealed``). Here two contents are told apart by what is sealed, and two keys by
nothing: whatever may begin a new security context in between, before anybody's eyes, begins anew here as well.
"""

from collections.abc import Iterator
from hashlib import blake2b
from itertools import count

from lowpanbudget.bits import Reader
from lowpanbudget.capture.recent import Recent
from lowpanbudget.cites import rfc
from lowpanbudget.errors import WireError
from lowpanbudget.findings import concerns
from lowpanbudget.findings.datagrams import HeardDatagram
from lowpanbudget.findings.exchanges import message_carried
from lowpanbudget.findings.finding import Hit
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.layers.internet.coap import message as coap
from lowpanbudget.layers.internet.coap.codes import coap_code
from lowpanbudget.layers.internet.coap.options import CoapOption
from lowpanbudget.layers.internet.coap.registry import BLOCK1, BLOCK2, OSCORE
from lowpanbudget.layers.internet.dtls.content import ContentType
from lowpanbudget.layers.internet.dtls.record import DtlsRecord
from lowpanbudget.layers.internet.oscore import option as oscore
from lowpanbudget.values import dataclass, field

SEALING_NUMBERS = Subject("sealing-numbers", across=True)

_MOST = 4096  # numbers that are remembered
_POST = coap_code("POST")
_OF_OSCORE, _OF_DTLS = rfc(8613, "7.2"), rfc(6347, "4.1")

Options = tuple[CoapOption, ...]
_Number = tuple[
    object, ...
]  # sender, receiver, their keys, and what of them tells a number from others


@dataclass(slots=True)
class _Pair:
    """Two ends, or two sockets: a number for the keys that they may have agreed on last, kid context and kids heard."""

    keys: int
    context: bytes = b""
    kids: set[bytes] = field(default_factory=set)

    def renew(self, keys: int, context: bytes = b"") -> None:
        """Take other keys, with this kid context."""
        self.keys, self.context, self.kids = keys, context, set()


@dataclass(slots=True)
class _Numbers:
    """What was sealed under each number first, as a digest with the options around it, and in which frame."""

    used: Recent[_Number, tuple[bytes, Options, int]] = field(default_factory=lambda: Recent(_MOST))
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
        self, datagram: HeardDatagram, number: _Number, sealed: bytes, options: Options = ()
    ) -> Hits:
        """Take a number with what is sealed under it, and options in the clear that stand in the same octets.

        Return what a second content proves: where the options differ, nothing.
        """
        digest, frame = blake2b(sealed, digest_size=16).digest(), datagram.numbers[0]
        first, around, before = self.used.setdefault(number, (digest, options, frame))
        if first == digest or around != options:
            return ()
        cause = "two different contents are sealed under one number"
        evidence = (f"{_told(number)} in frames {before} and {frame}",)
        cite = _OF_OSCORE if options else _OF_DTLS
        return (Hit(cause, evidence, str(datagram.header.source), (before, frame), cite=cite),)


def _told(number: _Number) -> str:
    """Return the words for a number."""
    *_, epoch, last = number
    if not isinstance(last, bytes):
        return f"DTLS record {last} of epoch {epoch}"
    try:
        option = oscore.decode(Reader(last))
    except WireError:  # it is told where the message is read
        return f"OSCORE option {last.hex()}"
    of_kid = "" if option.kid is None else f" of kid {option.kid.hex() or 'without octets'}"
    return f"Partial IV {option.sequence}{of_kid}"


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
    source, destination = datagram.ends
    sockets = source, content.source_port, destination, content.destination_port
    pair = memory.pair(*sockets)
    hits: list[Hit] = []
    for record in records:
        if not record.sealed:
            if record.content_type == ContentType.HANDSHAKE:
                pair.renew(next(memory.new_keys))
            continue
        number = *sockets, record.cid, pair.keys, record.epoch, record.sequence
        hits += memory.use(datagram, number, record.fragment)
    return hits


@SEALING_NUMBERS.rule(
    "sealing-number-used-twice", HeardDatagram, memory=_Numbers, concerns=concerns.open_post
)
def keys_exchanged(memory: _Numbers, _scene: Scene, datagram: HeardDatagram) -> None:
    """Take a POST that is not sealed for an exchange of keys, where its ends seal others."""
    message = message_carried(datagram) if memory.pairs else None
    if message is not None and message.code == _POST and message.first(OSCORE) is None:
        pair = memory.pairs.get(_both(*datagram.ends))
        if pair is not None:
            pair.renew(next(memory.new_keys))


@SEALING_NUMBERS.rule(
    "sealing-number-used-twice", HeardDatagram, memory=_Numbers, concerns=concerns.oscore
)
def partial_ivs(memory: _Numbers, scene: Scene, datagram: HeardDatagram) -> Hits | None:
    """Compare messages of one Partial IV; a new kid context makes new keys."""
    message, head = message_carried(datagram), datagram.coap_head
    option = None if message is None else message.first(OSCORE)
    if message is None or head is None or option is None or not option.octets:
        return None  # an answer under the nonce of its request
    source, destination = datagram.ends
    pair, (piv_octets, has_context, has_kid) = (
        memory.pair(source, destination), oscore.flags_of(option.octets)
    )  # fmt: skip
    names = option.octets[oscore.FLAGS.octets + piv_octets :]  # kid context and kid
    if has_context and names != pair.context:
        pair.renew(next(memory.new_keys), names)
    if has_kid and len(pair.kids) < 2:
        pair.kids.add(names)
    if not piv_octets or datagram.is_sum_wrong:
        return None  # octets that were damaged on their way are no second content
    if scene.opened is not None and scene.opened.nonces:
        return None
    if message.first(BLOCK1) is not None or message.first(BLOCK2) is not None:
        return None  # parts of one sealed message have its number (RFC 8613 section 4.1.3.4.2)
    if not has_kid and len(pair.kids) > 1:
        return None  # an answer does not say under which of several keys
    number = source, destination, pair.keys, option.octets
    # behind message ID and token, which a message that is sent once more may have anew
    sealed = datagram.udp_octets[coap.HEADER.octets + len(head.token) :]
    return memory.use(datagram, number, sealed, message.options)
