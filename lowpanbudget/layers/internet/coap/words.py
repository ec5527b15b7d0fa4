"""Words of CoAP: what people call things that no table here has as its name."""

from lowpanbudget.cites import rfc
from lowpanbudget.fields import Gloss
from lowpanbudget.layers.internet.coap import codes, times


def _codes(kind: int) -> dict[str, str]:
    """Return the codes of a class, as they are written, with their names."""
    texts = (codes.code_text(code) for code in codes.CODES if codes.class_of(code) == kind and code)
    return dict(text.split(" ", 1) for text in texts)


def _answers(kind: int, says: str, section: str) -> Gloss:
    """Return what the response codes of a class are; a code is asked for with its point or without."""
    known = _codes(kind)
    named = ", ".join(f"{code} {name}" for code, name in known.items())
    also = (*known, *(code.replace(".", "") for code in known))
    return Gloss(f"{says}: {named}.", rfc(7252, section), ("CoAP codes", "GET"), also)


WORDS = {
    "constrained application protocol (CoAP)": Gloss(
        "How programs on small nodes ask and answer: a request has a method and a path, a response a code, both in few "
        "octets and over UDP.",
        rfc(7252, "1"), ("header CoAP", "GET", "option of CoAP", "CON", "flow.coap"),
    ),
    "method of CoAP (GET)": Gloss(
        f"What a request asks for, in its code: {', '.join(_codes(0).values())}. GET and FETCH change nothing; PUT, "
        "DELETE and iPATCH do no more where they come twice, POST and PATCH may.",
        rfc(7252, "5.8"), ("CoAP codes", "2.05", "request-never-answered"), also=tuple(_codes(0).values())[1:],
    ),
    "success code of CoAP (2.xx)": _answers(2, "Of a response: the request was understood and done", "5.9.1"),
    "client error of CoAP (4.xx)": _answers(4, "Of a response: the request is wrong, and must be changed", "5.9.2"),
    "server error of CoAP (5.xx)": _answers(5, "Of a response: the server cannot do what may be right", "5.9.3"),
    "proxy": Gloss(
        "A node that asks in the place of a client: a forward-proxy for whom the client names a server, a "
        "reverse-proxy as if it were the server itself. It may answer out of a cache, for as long as Max-Age says. "
        "What OSCORE seals it passes on and cannot read.",
        rfc(7252, "5.7"), ("Max-Age", "OSCORE", "pledge"),
        also=("forward-proxy", "reverse-proxy", "Proxy-Uri", "Proxy-Scheme"),
    ),
    "confirmable message (CON)": Gloss(
        "A CoAP message that wants an acknowledgement (ACK) from the far end, and is sent again until it comes. "
        "Beside it: NON, which wants none, and RST, by which a receiver says that it can make nothing of a message.",
        rfc(7252, "4.2"), ("flow.coap", "header CoAP", "ACK_TIMEOUT", "message id", "NON"),
        also=("confirmable", "RST", "reset"),
    ),
    "non-confirmable message (NON)": Gloss(
        "A CoAP message that nobody acknowledges and that is sent once. Retries of the link are there all the same.",
        rfc(7252, "4.3"), ("flow.coap", "CON", "NSTART"), also=("non-confirmable",),
    ),
    "message ID (MID)": Gloss(
        "The 2 octets of CoAP by which an acknowledgement names its message and a receiver tells one that came twice. "
        "What joins a request and its response is the token.",
        rfc(7252, "4.4"), ("header message id", "token", "EXCHANGE_LIFETIME"),
    ),
    "token": Gloss(
        "0 to 8 octets of CoAP, chosen by who asks, by which a response is matched to its request. Without one, only "
        "one request may be open at a time.",
        rfc(7252, "5.3.1"), ("flow.coap.token_octets", "token length", "message ID"),
        also=("CoAP token",),
    ),
    "ACK_TIMEOUT (MAX_RETRANSMIT)": Gloss(
        f"How long a CoAP sender waits for the acknowledgement of a CON before it sends again: {times.ACK_TIMEOUT_S:g} "
        f"s up to half as much more, twice as long each time. After {times.MAX_RETRANSMIT} repeats it gives up, "
        f"{times.MAX_TRANSMIT_WAIT_S} s after the first at the latest.",
        rfc(7252, "4.8"), ("CON", "EXCHANGE_LIFETIME"), also=("ACK_RANDOM_FACTOR", "MAX_TRANSMIT_WAIT"),
    ),
    "EXCHANGE_LIFETIME (NON_LIFETIME)": Gloss(
        f"How long a message ID of CoAP must not be used again: {times.EXCHANGE_LIFETIME_S} s of a CON, "
        f"{times.NON_LIFETIME_S} s of a NON.",
        rfc(7252, "4.8.2"), ("message ID", "CON"),
    ),
    "NSTART": Gloss(
        "How many exchanges a CoAP client may have open with one server: 1 unless something better limits it.",
        rfc(7252, "4.7"), ("CON", "NON"),
    ),
    "piggybacked response": Gloss(
        "A CoAP response that is in the acknowledgement of its request. One that takes longer comes on its own, as a "
        "message that is acknowledged in turn: two frames more.",
        rfc(7252, "5.2.1"), ("flow.answer", "CON"), also=("separate response", "piggybacked"),
    ),
    "block-wise transfer (Block1)": Gloss(
        "A body too large for one CoAP message goes in blocks of 16 to 1024 octets, each with its own exchange: "
        "Block1 of a request, Block2 of a response.",
        rfc(7959, "2"), ("flow.coap.block1", "flow.coap.block2", "flow.coap.block2.size"), also=("blockwise",),
    ),
    "observe": Gloss(
        "An option of CoAP: who asks once is sent each change of a resource from then on.",
        rfc(7641, "1"), ("flow.coap.observe", "CoAP options"), also=("notification",),
    ),
    "option of CoAP": Gloss(
        "What a CoAP message says beside its payload, such as Uri-Path or Content-Format. Options stand in the order "
        "of their numbers, each tells the difference to the one before, and a length.",
        rfc(7252, "3.1"), ("CoAP options", "flow.coap.option", "flow.coap.path"),
        also=("option delta", "Uri-Path", "Uri-Query", "Uri-Host", "ETag", "Max-Age", "Accept", "No-Response"),
    ),
    "payload marker (0xff)": Gloss(
        "The octet 0xff between options and payload of a CoAP message; without payload it is not there.",
        rfc(7252, "3"), ("header CoAP",),
    ),
}  # fmt: skip
