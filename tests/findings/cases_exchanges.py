"""A capture that fires each finding about what comes back for requests of CoAP, and near misses that do not."""

from collections.abc import Callable

from findings import air
from findings.air import NODE, ROOT, Capture
from findings.cases_further import Further
from findings.judge import Case, Told

CLIENT = "2001:db8:1::ff:fe00:17"
SERVER = "2001:db8:1::ff:fe00:1"
BOTH = f"{CLIENT} to {SERVER} on port 5683"
CON, NON, ACK, RST = range(4)  # RFC 7252 section 3
GET, POST = 1, 2
CONTENT, CHANGED = 2 << 5 | 5, 2 << 5 | 4
NOT_FOUND, UNAUTHORIZED, INCOMPLETE = 4 << 5 | 4, 4 << 5 | 1, 4 << 5 | 8
PRECONDITION_FAILED, TOO_LARGE = 4 << 5 | 12, 4 << 5 | 13
PATH = b"\xb1t"  # Uri-Path (11), one octet (RFC 7252 section 5.10)
ECHO = b"\xd1\xef\x07"  # option 252 = 13 + 239, one octet (RFC 9175 section 2.2, from memory)
BLOCK1 = b"\xd1\x0e\x00"  # option 27 = 13 + 14: block 0 of 16 octets (RFC 7959 section 2.1)


class Talk:
    """Messages between a client and the root, each ``gap`` seconds after the one before."""

    def __init__(self, gap: float = 1.0) -> None:
        self.sent: list[tuple[float, bytes]] = []
        self.now, self.gap = 1.0, gap

    def say(self, message: bytes, *, back: bool = False, after: float | None = None) -> "Talk":
        links = (ROOT, NODE) if back else (NODE, ROOT)
        number = len(self.sent)
        if number:
            self.now += self.gap if after is None else after
        self.sent.append((self.now, air.frame(air.coap(message, links, back=back), number, links)))
        return self

    def ask(self, mid: int, options: bytes = PATH, code: int = GET, kind: int = CON) -> "Talk":
        return self.say(air.coap_message(options, code=code, kind=kind, mid=mid, token=b"t"))

    def answer(self, code: int, mid: int, options: bytes = b"", kind: int = ACK) -> "Talk":
        return self.say(air.coap_message(options, b"", kind, code, mid, b"t"), back=True)

    def reset(self, mid: int, *, back: bool = True) -> "Talk":
        return self.say(air.coap_message(kind=RST, code=0, mid=mid), back=back)

    def capture(self) -> Capture:
        return Capture([*self.sent])


def answered(*codes: int, options: bytes = b"", kind: int = ACK) -> Capture:
    """GETs, each answered by the next of these codes; a code of 0 stands for a Reset."""
    talk = Talk()
    for mid, code in enumerate(codes, 1):
        talk.ask(mid)
        talk.answer(code, mid, options, kind) if code else talk.reset(mid)
    return talk.capture()


def answered_again() -> Capture:
    """One request sent three times, answered by the same octets each time."""
    talk = Talk()
    for _ in range(3):
        talk.ask(1).answer(NOT_FOUND, 1)
    return talk.capture()


def pinged() -> Capture:
    """Three empty confirmable messages, and their Resets: a "CoAP ping" (RFC 7252 section 4.3)."""
    talk = Talk()
    for mid in range(1, 4):
        talk.say(air.coap_message(code=0, mid=mid)).reset(mid)
    return talk.capture()


EXCHANGES_CASES: dict[str, Case] = {
    # RFC 7252 section 5.9.2.5: 4.04 is Not Found
    "request-refused": Case(
        lambda: answered(NOT_FOUND, NOT_FOUND, NOT_FOUND),
        lambda: answered(NOT_FOUND, NOT_FOUND, CONTENT),
        Told(
            "risk",
            BOTH,
            "2001:db8:1::ff:fe00:1 refuses 3 of 3 requests on port 5683",
            ("4.04 Not Found to GET /t: 3",),
            (2, 4, 6),
            3,
        ),
    ),
}

EXCHANGES_NEAR: dict[str, tuple[str, Callable[[], Capture]]] = {
    what: ("request-refused", capture)
    for what, capture in {
        "one refusal that is sent again": answered_again,
        "Resets that answer pings": pinged,
        # RFC 9175 section 2.3 (from memory): the same request is wanted once more, with the Echo option
        "answers that ask for freshness": lambda: answered(*[UNAUTHORIZED] * 3, options=ECHO),
        # RFC 7959 section 2.9.3: "a hint to try that smaller SZX"
        "answers that ask for smaller blocks": lambda: answered(*[TOO_LARGE] * 3, options=BLOCK1),
        # RFC 7252 section 5.10.8: what a condition asks for
        "conditions that do not hold": lambda: answered(*[PRECONDITION_FAILED] * 3),
    }.items()
}

EXCHANGES_FURTHER = (
    # RFC 7252 section 4.2: "Rejecting a Confirmable message is effected by sending a matching Reset message"
    Further(
        "request-refused",
        lambda: answered(0, 0, 0, CONTENT),
        Told(
            "risk",
            BOTH,
            "2001:db8:1::ff:fe00:1 refuses 3 of 4 requests on port 5683",
            ("Reset to GET /t: 3",),
            (2, 4, 6),
            3,
        ),
    ),
    # three of seven are fewer than half; what comes apart from the acknowledgement shows no request
    Further(
        "request-refused",
        lambda: answered(*[NOT_FOUND] * 3, *[CONTENT] * 4, kind=NON),
        Told(
            "remark",
            BOTH,
            "2001:db8:1::ff:fe00:1 refuses 3 of 7 requests on port 5683",
            ("4.04 Not Found: 3",),
            (2, 4, 6),
            3,
        ),
    ),
    # RFC 7959 section 2.9.2: "the server has not received the blocks of the request body that it needs to proceed"
    Further(
        "request-refused",
        lambda: answered(CHANGED, CHANGED, INCOMPLETE),
        Told(
            "remark",
            BOTH,
            "2001:db8:1::ff:fe00:1 refuses 1 of 3 requests on port 5683",
            ("4.08 Request Entity Incomplete to GET /t: 1",),
            (6,),
        ),
    ),
)
