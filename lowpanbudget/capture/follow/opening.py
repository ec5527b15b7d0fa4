"""What ends sealed for each other, opened with what was given for it: OSCORE messages, DTLS records.

    datagram -> UDP -> DTLS record -> CoAP -> OSCORE -> CoAP -> application

The ciphers keep the order of octets, so what stood in the clear gets its spans where its ciphertext stands. What does
not open stays as it is, and a notice tells why: nothing is ever read that no tag proves.
"""

from collections.abc import Sequence

from lowpanbudget.bits import Nature, Reader, Span, Writer
from lowpanbudget.capture.follow.flows import FlowKey, upper_of
from lowpanbudget.capture.follow.opened import (
    NOT_OPENED,
    NonceUse,
    OpenedContent,
    moved,
    nonce_use,
)
from lowpanbudget.capture.follow.oscore_ends import OscoreEnds
from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.cites import rfc
from lowpanbudget.errors import RequestError, WireError, plural
from lowpanbudget.fields import Head
from lowpanbudget.layers.internet import ipv6, udp
from lowpanbudget.layers.internet.coap import message as coap
from lowpanbudget.layers.internet.coap.registry import OSCORE
from lowpanbudget.layers.internet.dtls import record as dtls
from lowpanbudget.layers.internet.dtls.content import LAYER, ContentType, decode_content
from lowpanbudget.layers.internet.dtls.protect import open_dtls
from lowpanbudget.layers.internet.dtls.record import DtlsRecord, Unified
from lowpanbudget.layers.internet.dtls.seal import OpenedRecord, plaintext_of
from lowpanbudget.layers.internet.dtls.sender import DtlsSender
from lowpanbudget.layers.internet.dtls.suites import DtlsSuite
from lowpanbudget.layers.internet.oscore.context import SecurityContext
from lowpanbudget.stack.applications import REGISTERED, Applications
from lowpanbudget.stack.incoming import Notice
from lowpanbudget.stack.upper import APPLICATION_DATA, COAP, DTLS
from lowpanbudget.values import replace

_INVALID_1_2, _INVALID_1_3 = rfc(6347, "4.1.2.7"), rfc(9147, "4.5.2")
_MOST_CIDS = 3  # that a notice names; our choice
_NO_CID = "no keys that fit its sender come with a connection ID (cid or cid_length)"


def opener_of(
    contexts: Sequence[SecurityContext], senders: Sequence[DtlsSender]
) -> "ContentOpener | None":
    """Return what opens contents with these; None without any. Raises ``RequestError`` for what is none of them."""
    for name, kind, given in (("oscore", SecurityContext, contexts), ("dtls", DtlsSender, senders)):
        if (
            isinstance(given, str | bytes)
            or not isinstance(given, Sequence)
            or not all(isinstance(one, kind) for one in given)
        ):
            raise RequestError(
                f"{name}: what opens contents is given as a list, each a {kind.__name__}",
                hint="read_keys returns them: oscore=ring.oscore, dtls=ring.dtls",
            )
    return ContentOpener(contexts, senders) if contexts or senders else None


def look_into(sighting: Sighting, opener: "ContentOpener") -> None:
    """Open what stands sealed in the datagram that a sighting brings; tell in its notices what does not open."""
    datagram, flow = sighting.datagram, sighting.flow
    if datagram is None or flow is None or flow.protocol != ipv6.UDP:
        return
    place = upper_of(datagram)
    if place is None or place.kind != ipv6.UDP:
        return
    at = place.offset + udp.OCTETS
    opened = opener.look(flow, datagram[at:], sighting.decoder.applications)
    if opened is None:
        return
    sighting.opened = opened
    notices = opened.holding(sighting.notices)
    notices += [one._replace(offset=one.offset + at) for one in opened.notices]
    sighting.notices = tuple(notices)


class ContentOpener:
    """Opens what stands sealed in datagrams, given in order of time; what it remembers is bounded.

    ``contexts`` serve both of their ends.
    """

    def __init__(
        self, contexts: Sequence[SecurityContext] = (), senders: Sequence[DtlsSender] = ()
    ) -> None:
        self._oscore = OscoreEnds(contexts) if contexts else None
        self._senders = tuple(senders)
        self._next = [sender.next_sequence for sender in senders]

    def look(
        self, flow: FlowKey | None, octets: bytes, applications: Applications = REGISTERED
    ) -> OpenedContent | None:
        """Return what a UDP payload of this flow holds; None where nothing in it is sealed."""
        if flow is None or flow.source_port is None or flow.destination_port is None:
            return None
        what = applications.of(flow.source_port, flow.destination_port)
        if not what:
            return None
        content = OpenedContent(octets)
        try:
            if what == COAP and self._oscore:
                self._coap(content, flow, octets, 0)
            elif what == DTLS and self._senders:
                content = self._dtls(flow, octets)
        except WireError:
            return None  # it is told where the datagram is read
        return content if content.is_open or content.notices else None

    # --- CoAP and OSCORE --------------------------------------------------------------------------

    def _coap(self, content: OpenedContent, flow: FlowKey, octets: bytes, at: int) -> None:
        """Add a CoAP message that starts at octet ``at``, and what it holds."""
        reader = Reader(octets)
        message = coap.decode(reader)
        result = None
        if self._oscore is not None and message.first(OSCORE) is not None:
            result = self._oscore.opened(content, flow, message, octets, at)
        content.heads.append(Head(message, at, at + len(octets)))
        if result is None:
            content.spans += moved(reader.spans, at)
            content.message = content.hidden = message
            content.application = message.payload
            return
        sealed, tag = len(message.payload), result.spans[-1].bits // 8
        end = at + len(octets)
        content.heads.append(Head(result.message, end - sealed, end - tag))
        content.spans += moved(result.spans, at)
        content.message, content.application = result.message, result.message.payload
        # what stands outside is told of the message that carries it
        within = tuple(one for one in result.message.options if "E" in one.definition.oscore)
        content.hidden = replace(result.message, token=b"", options=within)
        content.unseal(end - sealed, end - tag)

    # --- DTLS -------------------------------------------------------------------------------------

    def _dtls(self, flow: FlowKey, octets: bytes) -> OpenedContent:
        """Return the records of a datagram, read with each length that connection IDs may have, until one opens."""
        fitting = [
            number
            for number, sender in enumerate(self._senders)
            if sender.sends_from(flow.source, flow.source_port)
        ]
        lengths = sorted({self._senders[number].cid_length for number in fitting}) or [0]
        fault: WireError | None = None
        named: WireError | None = None  # behind a connection ID that keys are given for
        content = OpenedContent(octets)
        for length in lengths:
            usable = [number for number in fitting if self._senders[number].cid_length == length]
            try:
                read = self._records(flow, octets, length, usable)
            except WireError as error:
                fault = error
                if self._names_its_cid(octets, usable):
                    named = error
                continue
            if read.is_open:
                return read
            content.notices = content.notices or read.notices
            content.refused |= read.refused
        # any other fault is told where the datagram is read
        if fault is not None and not content.notices and _has_cid(octets):
            tried = [plural(length, "octet") for length in lengths if length]
            why, cite = _NO_CID, dtls.UNIFIED_CITE if _is_unified(octets) else dtls.CID_CITE
            if named is not None:
                why, cite = named.message, named.cite or cite
            elif tried:
                why = f"a connection ID of {' or '.join(tried)} (cid, cid_length) does not fit: it would end elsewhere"
            content.refused = bool(tried)
            text = f"a DTLS record is not opened: {why}"
            content.notices.append(Notice(NOT_OPENED, text, cite, fault.offset))
        return content

    def _names_its_cid(self, octets: bytes, usable: list[int]) -> bool:
        """Return whether the first record of a datagram has a connection ID that keys are given for."""
        at = dtls.UNIFIED.octets if _is_unified(octets) else dtls.RECORD.octets
        known = (self._senders[number].cid for number in usable)
        return any(cid and octets[at:].startswith(cid) for cid in known)

    def _records(
        self, flow: FlowKey, octets: bytes, cid_length: int, usable: list[int]
    ) -> OpenedContent:
        content, reader = OpenedContent(octets), Reader(octets)
        while reader.left:
            start, spans = reader.pos, len(reader.spans)
            record = dtls.decode(reader, cid_length=cid_length)
            content.heads.append(Head(record, start, reader.pos))
            found = None
            if isinstance(record, Unified) or record.sealed:
                found = self._unsealed(content, record, usable, start)
            if found is None:
                content.spans += reader.spans[spans:]
            else:
                again = Reader(octets, start, reader.pos)
                dtls.decode(again, cid_length=cid_length, suite=found[1])
                self._inside(content, flow, record, found[0], again.spans)
        return content

    def _unsealed(
        self, content: OpenedContent, record: DtlsRecord | Unified, usable: list[int], at: int
    ) -> tuple[OpenedRecord, DtlsSuite] | None:
        """Return what a record holds, and the suite it was sealed with; None, with a notice, where it does not open."""
        why = self._no_keys(record, usable)
        for number in usable:
            sender = self._senders[number]
            if not sender.fits(record):
                continue
            try:
                opened = open_dtls(
                    record, sender.keys, sender.suite, next_sequence=self._next[number]
                )
            except WireError as error:
                content.refused, why = True, error.message
                continue
            self._next[number] = max(self._next[number], opened.sequence + 1)
            content.nonces.append(_record_nonce(record, sender, opened))
            return opened, sender.suite
        text = f"a DTLS record is not opened: {why}"
        cite = _INVALID_1_3 if isinstance(record, Unified) else _INVALID_1_2
        content.notices.append(Notice(NOT_OPENED, text, cite, at))
        return None

    def _no_keys(self, record: DtlsRecord | Unified, usable: list[int]) -> str:
        """Return that nothing fits a record, with its connection ID where all keys of that length have another."""
        why = "the key file has no keys for it"
        known = {self._senders[number].cid for number in usable}
        if not record.cid or known & {record.cid, None}:
            return why
        named = sorted(cid.hex() for cid in known if cid)[:_MOST_CIDS]
        return f"{why} (connection ID {record.cid.hex()}, keys are given for {' and '.join(named)})"

    def _inside(
        self,
        content: OpenedContent,
        flow: FlowKey,
        record: DtlsRecord | Unified,
        opened: OpenedRecord,
        spans: list[Span],
    ) -> None:
        """Add the spans of an opened record, with those of what it holds in place of its ciphertext."""
        tag = len(spans) - 1
        # an empty content has no ciphertext, only its tag
        place = tag - (spans[tag - 1].nature is Nature.SEALED)
        at = spans[place].offset_bits // 8
        length = spans[tag].offset_bits // 8 - at
        text = Writer(LAYER)
        text.data += opened.content
        text.spans = self._content(content, flow, opened, at)
        inside = plaintext_of(record, opened, text, length)
        content.unseal(at, at + max(len(inside.data), 1))
        content.spans += [*spans[:place], *moved(inside.spans, at), spans[tag]]

    def _content(
        self, content: OpenedContent, flow: FlowKey, opened: OpenedRecord, at: int
    ) -> list[Span]:
        """Return the spans of what a record at octet ``at`` held, counted from there; adds its heads to ``content``."""
        octets, inner = opened.content, OpenedContent(opened.content)
        try:
            if opened.content_type != ContentType.APPLICATION:
                reader = Reader(octets, layer=LAYER)
                decode_content(reader, opened.content_type)
                return reader.spans
            self._coap(inner, flow, octets, 0)
        except WireError:
            inner = OpenedContent(octets, application=octets)
            writer = Writer("payload")
            writer.octets(octets, "payload", APPLICATION_DATA, nature=Nature.PAYLOAD)
            inner.spans = writer.spans
        content.heads += [Head(head.value, head.start + at, head.end + at) for head in inner.heads]
        content.notices += [one._replace(offset=one.offset + at) for one in inner.notices]
        content.message, content.hidden = inner.message, inner.hidden
        content.application = inner.application
        content.nonces += inner.nonces
        return inner.spans


def _has_cid(octets: bytes) -> bool:
    """Return whether a record has a connection ID, whose length no octet of it tells."""
    try:
        dtls.decode_datagram(Reader(octets))
    except WireError as error:
        return error.cite == dtls.CID_CITE
    return False


def _is_unified(octets: bytes) -> bool:
    """Return whether a datagram begins with the unified header of DTLS 1.3."""
    return dtls.UNIFIED.starts(octets)


def _record_nonce(
    record: DtlsRecord | Unified, sender: DtlsSender, opened: OpenedRecord
) -> NonceUse:
    """Return the use of the nonce of a record that was opened: it is made of what it sends of it, or of its number."""
    explicit = record.fragment[: sender.suite.explicit]
    number = record.epoch.to_bytes(2, "big") + opened.sequence.to_bytes(6, "big")
    told = f"DTLS record {opened.sequence} of epoch {record.epoch}"
    if explicit and explicit != number:
        told += f", explicit nonce {explicit.hex()}"
    cite = rfc(9147, "4.2") if isinstance(record, Unified) else rfc(6347, "4.1")
    return nonce_use(sender.keys.key, explicit or number, record.fragment, told, cite)
