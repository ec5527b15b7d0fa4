"""What stands between a message and UDP: CoAP, OSCORE, DTLS. Each is really encoded, under stand-in keys.

    message -> CoAP message -> OSCORE message -> DTLS record -> UDP

Spans look into ciphertext, since the ciphers keep the order of octets. The knobs stand at the end.
"""

from collections.abc import Iterator
from functools import partial

from lowpanbudget.bits import Nature, Reader, Span, Writer
from lowpanbudget.cites import rfc
from lowpanbudget.design.knob import Knob, replacing
from lowpanbudget.layers.internet.coap import message as coap
from lowpanbudget.layers.internet.coap.codes import Type
from lowpanbudget.layers.internet.coap.options import CoapOption
from lowpanbudget.layers.internet.coap.registry import OBSERVE
from lowpanbudget.layers.internet.dtls.seal import seal_1_2, seal_1_3
from lowpanbudget.layers.internet.dtls.suites import SUITES, DtlsSuite, RecordKeys
from lowpanbudget.layers.internet.oscore import protect as oscore
from lowpanbudget.layers.internet.oscore.context import SecurityContext
from lowpanbudget.stack.contents import ContentLayout
from lowpanbudget.values import dataclass, replace

LAYER = "payload"


@dataclass(frozen=True, slots=True)
class Coap:
    """The CoAP message around a payload; ``options`` are complete, in any order."""

    code: int
    type: int = Type.NON
    token: bytes = b""
    options: tuple[CoapOption, ...] = ()

    def message(self, payload: bytes) -> coap.CoapMessage:
        """Return the message with this payload."""
        return coap.CoapMessage(self.type, self.code, 0x2A17, self.token, self.options, payload)


@dataclass(frozen=True, slots=True)
class Oscore:
    """OSCORE around the CoAP message: identifiers, and the sequence number that has been reached."""

    sender_id: bytes
    recipient_id: bytes
    id_context: bytes | None = None
    send_id_context: bool = False
    sequence: int = 0
    response_sequence: bool = False

    def protect(self, message: coap.CoapMessage) -> oscore.OscoreResult:
        """Return the message protected under a stand-in context: real lengths, no secret."""
        context = SecurityContext.stand_in(
            sender_id=self.sender_id, recipient_id=self.recipient_id, id_context=self.id_context
        )
        if message.is_request:
            return oscore.protect_oscore_request(
                message, context, sequence=self.sequence, send_kid_context=self.send_id_context
            )
        binding = oscore.OscoreBinding(self.recipient_id, b"\x00")
        sequence = self.sequence if self.response_sequence else None
        return oscore.protect_oscore_response(message, context, binding, sequence=sequence)


@dataclass(frozen=True, slots=True)
class Dtls:
    """A DTLS record around the UDP payload: suite (which decides the version), connection ID, epoch and sequence."""

    suite: DtlsSuite
    cid: bytes = b""
    epoch: int = 1
    sequence: int = 0

    def seal(self, content: Writer) -> Writer:
        """Return the record under stand-in keys: real lengths, no secret."""
        writer = Writer()
        seal = seal_1_2 if self.suite.version == "1.2" else seal_1_3
        keys = RecordKeys.stand_in(self.suite)
        seal(
            writer,
            content,
            keys,
            self.suite,
            epoch=self.epoch,
            sequence=self.sequence,
            cid=self.cid,
        )
        return writer


@dataclass(frozen=True, slots=True)
class Application:
    """The protocols between a message and UDP, outermost last; all None: the message is the UDP payload."""

    coap: Coap | None = None
    oscore: Oscore | None = None
    dtls: Dtls | None = None

    def write(self, payload: bytes, layout: ContentLayout | None = None) -> Writer:
        """Return the UDP payload that carries ``payload``, explained; application data have the layer "payload".

        With a ``layout`` its fields are told in place of the data. Raises ``RequestError`` for what cannot be encoded.
        """
        writer = self._message(payload)
        if payload:
            # the data stand last; OSCORE puts its tag behind them
            place = len(writer.spans) - (1 if self.oscore is None else 2)
            data = writer.spans[place]._replace(layer=LAYER)
            writer.spans[place : place + 1] = (
                [data] if layout is None else _field_spans(data, layout)
            )
        return writer if self.dtls is None else self.dtls.seal(writer)

    def _message(self, payload: bytes) -> Writer:
        writer = Writer(LAYER)
        if self.coap is None:
            writer.octets(payload, "payload", "application data", nature=Nature.PAYLOAD)
            return writer
        message = self.coap.message(payload)
        if self.oscore is None:
            coap.encode(writer, message)
            return writer
        result = self.oscore.protect(message)
        writer.data += result.octets
        writer.spans += result.spans
        return writer


def _field_spans(data: Span, layout: ContentLayout) -> list[Span]:
    """Return the spans of the fields that a layout reads in application data, where the data stand."""
    reader = Reader(bytes(data.value))
    layout.read(reader)
    return [span._replace(offset_bits=span.offset_bits + data.offset_bits) for span in reader.spans]


NONE = Application()


def application_knobs(application: Application) -> Iterator[Knob[Application]]:
    """Yield every change of CoAP, OSCORE or DTLS keys that may free octets."""
    if application.dtls is not None:
        for dtls_knob in _dtls_knobs(application.dtls):
            yield dtls_knob.within(_dtls_of, lambda outer, dtls: replace(outer, dtls=dtls), "dtls.")
    if application.coap is None:
        return
    for coap_knob in _coap_knobs(application.coap):
        yield coap_knob.within(_coap_of, lambda outer, coap: replace(outer, coap=coap), "coap.")
    ids = application.oscore
    if ids is not None and len(ids.sender_id) > 1 and ids.recipient_id != b"\x01":
        knob = Knob[Oscore](
            "sender_id",
            "01",
            "flow.oscore.sender_id",
            "a sender identifier of 1 octet",
            rfc(8613, "3.3"),
            replacing(sender_id=b"\x01"),
            "identifiers stay unique under one master secret: 256 senders at most",
        )
        yield knob.within(_oscore_of, lambda outer, ids: replace(outer, oscore=ids), "oscore.")


def _coap_of(application: Application) -> Coap:
    assert application.coap is not None
    return application.coap


def _oscore_of(application: Application) -> Oscore:
    assert application.oscore is not None
    return application.oscore


def _dtls_of(application: Application) -> Dtls:
    assert application.dtls is not None
    return application.dtls


def _coap_knobs(message: Coap) -> Iterator[Knob[Coap]]:
    if len(message.token) > 1:
        yield Knob(
            "token_octets",
            "1",
            "flow.coap.token_octets",
            f"a token of 1 octet instead of {len(message.token)}",
            rfc(7252, "5.3.1"),
            lambda coap: replace(coap, token=coap.token[:1]),
            "few requests are open at a time; without OSCORE or DTLS a short token is easier to guess",
        )
    elective = {
        option.name: option
        for option in message.options
        if option.number != OBSERVE and option.octets and not option.definition.critical
    }
    for name, option in elective.items():
        yield Knob(
            name,
            "none",
            "flow.coap",
            f"no {name} option",
            option.definition.cite,
            partial(_without_option, name=name),
            "both sides know it without being told",
        )
    paths = [option for option in message.options if option.name == "Uri-Path"]
    if len(paths) > 1 or (paths and len(paths[0].octets) > 1):
        yield Knob(
            "path",
            "a",
            "flow.coap.path",
            "a path of one letter",
            rfc(7252, "5.10.1"),
            _short_path,
            "the server offers it",
        )


def _without_option(coap: Coap, name: str) -> Coap:
    return replace(coap, options=tuple(option for option in coap.options if option.name != name))


def _short_path(coap: Coap) -> Coap:
    rest = _without_option(coap, "Uri-Path")
    return replace(rest, options=(*rest.options, CoapOption.of("Uri-Path", "a")))


def _dtls_knobs(dtls: Dtls) -> Iterator[Knob[Dtls]]:
    aead = dtls.suite.aead
    if dtls.suite.version == "1.2":
        newer = next(s for s in SUITES.values() if s.version == "1.3" and s.aead == aead)
        yield Knob(
            "suite",
            newer.name,
            "flow.dtls.suite",
            f"DTLS 1.3 ({newer.name}) instead of 1.2",
            rfc(9147, "4"),
            replacing(suite=newer),
            "both ends speak DTLS 1.3; one record a datagram, whose length is then left out",
        )
    if len(dtls.cid) > 1:
        yield Knob(
            "cid",
            dtls.cid[:1].hex(),
            "flow.dtls.cid",
            f"a connection ID of 1 octet instead of {len(dtls.cid)}",
            rfc(9146, "3"),
            lambda record: replace(record, cid=record.cid[:1]),
            "the receiver has at most 256 connections",
        )
    for suite in SUITES.values():
        other = suite.aead
        same = suite.version == dtls.suite.version and other.family == aead.family
        if not same or other.key != aead.key or other.tag == aead.tag:
            continue
        # one of several suites that differ in their handshake only
        if any(s.aead == other and s.version == suite.version for s in _before(suite)):
            continue
        yield Knob(
            "suite",
            suite.name,
            "flow.dtls.suite",
            f"{suite.name}, a tag of {other.tag} octets instead of {aead.tag}",
            suite.cite,
            replacing(suite=suite),
            caution=""
            if other.tag > aead.tag
            else "a shorter tag is easier to forge; this weakens protection and is no advice",
            stronger=other.tag > aead.tag,
        )


def _before(suite: DtlsSuite) -> list[DtlsSuite]:
    suites = list(SUITES.values())
    return suites[: suites.index(suite)]
