"""What stands between a message and UDP: CoAP, OSCORE, DTLS. Each is really encoded, under stand-in keys.

    message -> CoAP message -> OSCORE message -> DTLS record -> UDP

Spans look into ciphertext, since the ciphers keep the order of octets. The knobs stand in ``application_knobs``.
"""

from functools import lru_cache

from lowpanbudget.bits import Nature, Reader, Span, Writer
from lowpanbudget.layers.internet.coap import message as coap
from lowpanbudget.layers.internet.coap.codes import CoapType, code_text, is_request, is_response
from lowpanbudget.layers.internet.coap.options import CoapOption
from lowpanbudget.layers.internet.coap.registry import OBSERVE
from lowpanbudget.layers.internet.dtls.seal import seal_1_2, seal_1_3
from lowpanbudget.layers.internet.dtls.suites import SUITES, DtlsSuite, RecordKeys
from lowpanbudget.layers.internet.oscore import protect as oscore
from lowpanbudget.layers.internet.oscore.context import SecurityContext
from lowpanbudget.stack.contents import ContentLayout
from lowpanbudget.values import dataclass

LAYER = "payload"
# of application data: after the one change of ciphers (RFC 6347 section 4.1: "initially zero"), RFC 9147 section 6.1
_FIRST_EPOCH = {"1.2": 1, "1.3": 3}


@dataclass(frozen=True, slots=True)
class Coap:
    """The CoAP message around a payload, with a message ID; ``options`` are complete, in any order."""

    code: int
    type: int = CoapType.NON
    token: bytes = b""
    options: tuple[CoapOption, ...] = ()
    mid: int = 0x2A17

    @property
    def notifies(self) -> bool:
        """Return whether it is a response with Observe, as notifications are (RFC 7641 section 2)."""
        return is_response(self.code) and any(one.number == OBSERVE for one in self.options)

    def message(self, payload: bytes) -> coap.CoapMessage:
        """Return the message with this payload."""
        return coap.CoapMessage(self.type, self.code, self.mid, self.token, self.options, payload)


@dataclass(frozen=True, slots=True)
class Oscore:
    """OSCORE around the CoAP message: identifiers, and the sequence number that has been reached.

    ``response_sequence``: whether a response carries it; a request does in any case.
    """

    sender_id: bytes
    recipient_id: bytes
    id_context: bytes | None = None
    send_id_context: bool = False
    sequence: int = 0
    response_sequence: bool = False

    def protect(self, message: coap.CoapMessage) -> oscore.OscoreResult:
        """Return the message protected under a stand-in context: real lengths, no secret."""
        context = _stand_in(self.sender_id, self.recipient_id, self.id_context)
        if message.is_request:
            return oscore.protect_oscore_request(
                message, context, sequence=self.sequence, send_kid_context=self.send_id_context
            )
        binding = oscore.OscoreBinding(self.recipient_id, b"\x00")
        sequence = self.sequence if self.response_sequence else None
        return oscore.protect_oscore_response(message, context, binding, sequence=sequence)


@lru_cache(maxsize=64)  # its keys take longer to derive than a message to protect
def _stand_in(sender_id: bytes, recipient_id: bytes, id_context: bytes | None) -> SecurityContext:
    return SecurityContext.stand_in(
        sender_id=sender_id, recipient_id=recipient_id, id_context=id_context
    )


@dataclass(frozen=True, slots=True)
class Dtls:
    """A DTLS record around the UDP payload: suite (which decides the version), connection ID, epoch and sequence.

    Without an ``epoch`` it is the first of application data. Of the sequence number DTLS 1.3 carries ``number_octets``,
    1 or 2; whether it carries a length, is a choice as well.
    """

    suite: DtlsSuite
    cid: bytes = b""
    epoch: int | None = None
    sequence: int = 0
    number_octets: int = 1
    length_present: bool = False

    def seal(self, content: Writer) -> Writer:
        """Return the record under stand-in keys: real lengths, no secret."""
        writer = Writer()
        keys, suite, cid = RecordKeys.stand_in(self.suite), self.suite, self.cid
        epoch, number = self.epoch, self.sequence
        if epoch is None:
            epoch = _FIRST_EPOCH[suite.version]
        if suite.version == "1.2":
            seal_1_2(writer, content, keys, suite, epoch=epoch, sequence=number, cid=cid)
        else:
            seal_1_3(
                writer, content, keys, suite, epoch=epoch, sequence=number, cid=cid,
                sequence_octets=self.number_octets, has_length=self.length_present,
            )  # fmt: skip
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

    @property
    def is_sealed(self) -> bool:
        """Return whether both ends protect their messages from all between them."""
        return self.oscore is not None or self.dtls is not None

    @property
    def is_numbered(self) -> bool:
        """Return whether messages carry a sequence number of OSCORE: requests do, and responses where that is so."""
        if self.oscore is None or self.coap is None:
            return False
        return is_request(self.coap.code) or self.oscore.response_sequence

    @property
    def called(self) -> str:
        """Return what a message without a payload is called: its code."""
        return "empty" if self.coap is None else code_text(self.coap.code)

    def octets(self, payload_octets: int) -> int:
        """Return how many octets the UDP payload has that carries a payload of so many; raises as ``write``."""
        return _octets(self, payload_octets)

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


@lru_cache(maxsize=8192)  # the paths of a flow ask for the same ones
def _octets(application: Application, payload_octets: int) -> int:
    return len(application.write(bytes(payload_octets)).data)


def _field_spans(data: Span, layout: ContentLayout) -> list[Span]:
    """Return the spans of the fields that a layout reads in application data, where the data stand."""
    reader = Reader(bytes(data.value))
    layout.read(reader)
    return [span._replace(offset_bits=span.offset_bits + data.offset_bits) for span in reader.spans]


NONE = Application()
# what is planned where a design has nothing: a number that a node does not pass while it lasts, so that the room
# holds, and a suite that RFC 9147 section 4.5.3 does not warn of
LASTING_SEQUENCE = (1 << 24) - 1
ADDED_OSCORE = Oscore(b"\1", b"\2", sequence=LASTING_SEQUENCE)
ADDED_DTLS = Dtls(SUITES["TLS_AES_128_CCM_SHA256"])
