"""OSCORE: protecting a CoAP message end to end, and opening it again (RFC 8613 sections 4, 5 and 8).

    original     header | token | U options | E options | 0xff payload
    OSCORE       header | token | U options, OSCORE option | 0xff ciphertext
    ciphertext   of:  code | E options | 0xff payload;  then the tag

The caller keeps sequence numbers and the binding of a response to its request; ``Nonces`` refuses one used twice.
Not here: group communication (Group OSCORE), replay windows, block-wise reassembly, HTTP.
"""

from lowpanbudget.arguments import as_declared, explains, several, value_of, with_flags
from lowpanbudget.bits import Reader, Span, Writer
from lowpanbudget.cites import Cite, rfc
from lowpanbudget.errors import Malformed, RequestError, WireError
from lowpanbudget.fields import bits, layout_of, part, structure
from lowpanbudget.layers.internet.aead import Nonces, failure_at
from lowpanbudget.layers.internet.coap import message as coap
from lowpanbudget.layers.internet.coap.codes import coap_code, code_text
from lowpanbudget.layers.internet.coap.options import CoapOption, CoapOptions, CoapPayload
from lowpanbudget.layers.internet.coap.registry import OBSERVE, OSCORE, PROXY_URI
from lowpanbudget.layers.internet.oscore import option as oscore_option
from lowpanbudget.layers.internet.oscore.context import SecurityContext
from lowpanbudget.layers.internet.oscore.option import LAYER, OscoreOption
from lowpanbudget.values import dataclass

INNER = "CoAP inside OSCORE"
CITE = rfc(8613, "5")
PLAINTEXT = rfc(8613, "5.3")
_POST, _FETCH, _CHANGED, _CONTENT = (
    coap_code(name) for name in ("POST", "FETCH", "Changed", "Content")
)


@structure(INNER, PLAINTEXT)
class _Plaintext:
    """What is encrypted."""

    code: int = bits(8, lambda code: f"{code_text(code)}, encrypted")
    options: tuple[CoapOption, ...] = part(CoapOptions)
    payload: bytes = part(CoapPayload)


_PLAINTEXT = layout_of(_Plaintext)


@dataclass(frozen=True, slots=True)
class OscoreBinding:
    """What a response is bound to: kid and Partial IV of its request (RFC 8613 section 5.4)."""

    kid: bytes
    piv: bytes

    def __post_init__(self) -> None:
        as_declared(self)


@dataclass(frozen=True, slots=True)
class OscoreResult:
    """A message protected or opened (RFC 8613 section 8).

    ``message`` is the one that came out. ``octets`` and ``spans`` are those of the *protected* message, each
    encrypted octet named by what it holds. ``binding`` is the request's: keep it for the response.
    """

    message: coap.CoapMessage
    octets: bytes
    spans: tuple[Span, ...]
    binding: OscoreBinding


@explains
@with_flags
def protect_oscore_request(
    message: coap.CoapMessage | bytes,
    context: SecurityContext,
    *,
    sequence: int,
    send_kid_context: bool = False,
    outer: tuple[CoapOption, ...] = (),
    used: Nonces | None = None,
) -> OscoreResult:
    """Return the OSCORE request for a CoAP request, given as a message or as octets (RFC 8613 section 8.1).

    ``sequence`` is the sender sequence number, to be used once; ``used``, one for each context, refuses a second use.
    ``outer`` adds unprotected options for proxies. Raises ``RequestError`` for what cannot be protected, ``WireError``
    for octets that are no CoAP message.
    """
    message = coap.message_of(message)
    _check(context)
    if not message.is_request:
        raise RequestError(f"{code_text(message.code)} is no request", cite=rfc(8613, "8.1"))
    if send_kid_context and context.id_context is None:
        raise RequestError("there is no ID context to send", cite=rfc(8613, "5.1"))
    piv = oscore_option.piv_octets(sequence)
    value = OscoreOption(piv, context.id_context if send_kid_context else None, context.sender_id)
    return _protect(
        message,
        context,
        value,
        OscoreBinding(context.sender_id, piv),
        context.sender_id,
        outer,
        used,
    )


@explains
def protect_oscore_response(
    message: coap.CoapMessage | bytes,
    context: SecurityContext,
    binding: OscoreBinding,
    *,
    sequence: int | None = None,
    outer: tuple[CoapOption, ...] = (),
    used: Nonces | None = None,
) -> OscoreResult:
    """Return the OSCORE response (RFC 8613 section 8.3) to the request that ``binding`` names.

    Without ``sequence`` the request's nonce serves, which may be done once: every notification but the first needs a
    sequence number of its own. Raises as ``protect_oscore_request``.
    """
    message = coap.message_of(message)
    _check(context)
    value_of(OscoreBinding, binding)
    if not message.is_response:
        raise RequestError(f"{code_text(message.code)} is no response", cite=rfc(8613, "8.3"))
    if sequence is None:
        return _protect(message, context, OscoreOption(), binding, binding.kid, outer, used)
    value = OscoreOption(oscore_option.piv_octets(sequence))
    return _protect(message, context, value, binding, context.sender_id, outer, used)


def _check(context: SecurityContext) -> None:
    if not isinstance(context, SecurityContext):
        raise RequestError(f"a SecurityContext is needed, not {type(context).__name__}")


def _protect(
    message: coap.CoapMessage,
    context: SecurityContext,
    value: OscoreOption,
    binding: OscoreBinding,
    identifier: bytes,
    outer: tuple[CoapOption, ...],
    used: Nonces | None,
) -> OscoreResult:
    inner, unprotected = _split(message, outer)
    text = Writer()
    plaintext = _Plaintext(code=message.code, options=inner, payload=message.payload)
    _PLAINTEXT.write(text, plaintext)
    sealed = context.aead.seal(
        context.sender_key,
        context.nonce(identifier, value.piv or binding.piv),
        bytes(text.data),
        additional_data(context, binding),
        used,
    )
    codes = (_POST, _FETCH) if message.is_request else (_CHANGED, _CONTENT)
    code = codes[message.first(OBSERVE) is not None]
    protected = coap.CoapMessage(
        message.type,
        code,
        message.mid,
        message.token,
        (*unprotected, CoapOption(OSCORE, bytes(value))),
        sealed,
    )
    return OscoreResult(protected, *_explain(protected, text.spans, context), binding)


def _split(
    message: coap.CoapMessage, outer: tuple[CoapOption, ...]
) -> tuple[tuple[CoapOption, ...], tuple[CoapOption, ...]]:
    """Return the inner and the outer options (RFC 8613 section 4.1)."""
    inner: list[CoapOption] = []
    unprotected = list(several(outer, "outer"))
    for option in outer:
        value_of(CoapOption, option, "CoapOption.of(name, value) makes one")
        if "U" not in option.definition.oscore or option.number in (OSCORE, OBSERVE):
            raise RequestError(f"{option.name} does not go outside", cite=rfc(8613, "4.1"))
    for option in message.options:
        if option.number == OSCORE:
            raise RequestError(
                "an OSCORE message is not protected once more", cite=rfc(8613, "4.1.3.7")
            )
        if option.number == PROXY_URI:
            raise RequestError(
                "a Proxy-Uri is decomposed before it is protected",
                cite=rfc(8613, "4.1.3.3"),
                hint="Give Proxy-Scheme, Uri-Host, Uri-Port, Uri-Path and Uri-Query",
            )
        if option.number == OBSERVE:
            # "For notifications, the Inner Observe option value MUST be empty" (section 4.1.3.5.2)
            inner.append(option if message.is_request else CoapOption(OBSERVE))
            unprotected.append(option)
        elif "E" in option.definition.oscore:
            inner.append(option)
        else:
            unprotected.append(option)
    return tuple(inner), tuple(unprotected)


@explains
def open_oscore_request(
    message: coap.CoapMessage | bytes, context: SecurityContext
) -> OscoreResult:
    """Return the request that an OSCORE request holds (RFC 8613 section 8.2); ``context`` is the receiver's.

    The message is given as a value or as octets. Raises ``BadMic``, or another ``WireError`` with an offset in these
    octets, for a message that is none or names another context. Whether the sequence number is new is for the caller
    to check.
    """
    message = coap.message_of(message)
    _check(context)
    value = _value_of(message)
    if not message.is_request:
        raise _wrong("the code is no request", rfc(8613, "8.2"))
    if value.piv is None or value.kid is None:
        raise _wrong("a request has a Partial IV and a kid", CITE)
    if value.kid != context.recipient_id:
        raise _wrong("the kid is not the recipient ID of this context", rfc(8613, "8.2"))
    if value.kid_context is not None and value.kid_context != context.id_context:
        raise _wrong("the kid context is not the ID context of this context", rfc(8613, "5.1"))
    binding = OscoreBinding(value.kid, value.piv)
    return _open(message, context, binding, context.nonce(value.kid, value.piv))


@explains
def open_oscore_response(
    message: coap.CoapMessage | bytes, context: SecurityContext, binding: OscoreBinding
) -> OscoreResult:
    """Return the response that an OSCORE response holds (RFC 8613 section 8.4); raises as ``open_oscore_request``."""
    message = coap.message_of(message)
    _check(context)
    value_of(OscoreBinding, binding)
    value = _value_of(message)
    if not message.is_response:
        raise _wrong("the code is no response", rfc(8613, "8.4"))
    if value.piv is None:
        nonce = context.nonce(binding.kid, binding.piv)
    else:
        nonce = context.nonce(context.recipient_id, value.piv)
    return _open(message, context, binding, nonce)


def _value_of(message: coap.CoapMessage) -> OscoreOption:
    options = message.all(OSCORE)
    if len(options) != 1:
        raise _wrong(f"{len(options)} OSCORE options where one is needed", rfc(8613, "2"))
    if not message.payload:
        raise _wrong("an OSCORE message has a payload", rfc(8613, "2"))
    try:
        return oscore_option.decode(Reader(options[0].octets))
    except WireError as error:
        before = tuple(option for option in message.options if option.number <= OSCORE)
        head = coap.CoapMessage(message.type, message.code, message.mid, message.token, before)
        error.offset += len(bytes(head)) - len(options[0].octets)
        raise


def _wrong(text: str, cite: Cite) -> Malformed:
    return Malformed(text, layer=LAYER, cite=cite)


def _open(
    message: coap.CoapMessage, context: SecurityContext, binding: OscoreBinding, nonce: bytes
) -> OscoreResult:
    at = len(bytes(message)) - len(message.payload)
    reader = Reader(
        context.aead.unseal(
            context.recipient_key,
            nonce,
            message.payload,
            additional_data(context, binding),
            failure_at(at, LAYER, rfc(8613, "8")),
        )
    )
    try:
        inner = _PLAINTEXT.read(reader)
    except WireError as error:
        error.offset += at
        raise
    # "Discard Code and all Class E options [...] present in the received message" (section 8.2)
    outer = [option for option in message.options if "E" not in option.definition.oscore]
    options = (*(option for option in outer if option.number != OSCORE), *inner.options)
    clear = coap.CoapMessage(
        message.type, inner.code, message.mid, message.token, options, inner.payload
    )
    return OscoreResult(clear, *_explain(message, reader.spans, context), binding)


def additional_data(context: SecurityContext, binding: OscoreBinding) -> bytes:
    """Return the additional authenticated data, a COSE Enc_structure (RFC 8613 section 5.4).

    There are no class I options yet, so the last item is empty.
    """
    from cbor2 import dumps  # noqa: PLC0415  # only where something is protected

    array = [1, [context.algorithm], binding.kid, binding.piv, b""]
    return dumps(["Encrypt0", b"", dumps(array)])


def _explain(
    protected: coap.CoapMessage, text: list[Span], context: SecurityContext
) -> tuple[bytes, tuple[Span, ...]]:
    """Return the octets of the protected message, and spans that look into its ciphertext.

    The cipher keeps the order of the octets: the span of a plaintext octet is that of the same ciphertext octet.
    """
    writer = Writer()
    coap.encode(writer, protected)
    sealed = writer.spans.pop()
    at, tag = sealed.offset_bits, context.aead.tag * 8
    inside = [span._replace(offset_bits=span.offset_bits + at) for span in text]
    # a weaker tag is no advice, so nothing removes it
    seal = Span(
        at + sealed.bits - tag, tag, LAYER, "tag", protected.payload[-context.aead.tag :],
        "integrity of the message", CITE,
    )  # fmt: skip
    return bytes(writer.data), (*writer.spans, *inside, seal)
