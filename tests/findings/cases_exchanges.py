"""A capture that fires each finding about what comes back for requests of CoAP, and near misses that do not."""

from collections.abc import Callable
from dataclasses import replace
from functools import partial

from findings import air
from findings.air import NODE, ROOT, Capture
from findings.cases_application import ENDS, RELAY
from findings.cases_further import Further
from findings.judge import Case, Told

from lowpanbudget import open_oscore_request, protect_oscore_request, protect_oscore_response

CLIENT = "2001:db8:1::ff:fe00:17"
SERVER = "2001:db8:1::ff:fe00:1"
BOTH = f"{CLIENT} to {SERVER} on port 5683"
CON, NON, ACK, RST = range(4)  # RFC 7252 section 3
GET, POST, PUT = 1, 2, 3
CONTENT, CHANGED, CONTINUE = 2 << 5 | 5, 2 << 5 | 4, 2 << 5 | 31
NOT_FOUND, UNAUTHORIZED, INCOMPLETE = 4 << 5 | 4, 4 << 5 | 1, 4 << 5 | 8
PRECONDITION_FAILED, TOO_LARGE = 4 << 5 | 12, 4 << 5 | 13
UNAVAILABLE = 5 << 5 | 3
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

    def answer(
        self, code: int, mid: int, options: bytes = b"", kind: int = ACK, data: bytes = b""
    ) -> "Talk":
        return self.say(air.coap_message(options, data, kind, code, mid, b"t"), back=True)

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


def asked(*codes: int, method: int = GET, options: bytes = PATH, back: bytes = b"") -> Talk:
    """Requests of one method, each answered by the next of these codes, a refusal with these options."""
    talk = Talk()
    for mid, code in enumerate(codes, 1):
        talk.ask(mid, options, method).answer(code, mid, back if code >> 5 > 2 else b"")
    return talk


def uploaded(*codes: int) -> Capture:
    """Blocks of bodies: Block1 (27 = 11 + 13 + 3) of 16 octets, block 0 with M where 2.31 answers, else the last, 1."""
    talk = Talk()
    for mid, code in enumerate(codes, 1):
        block = b"\xd1\x03" + bytes([0x08 if code == CONTINUE else 0x10])
        talk.ask(mid, PATH + block, PUT).answer(code, mid)
    return talk.capture()


def refused_for(seconds: int) -> Capture:
    """Three requests that a busy server refuses for so long, and one that goes through; each 1 s behind the answer."""
    return asked(*[UNAVAILABLE] * 3, CHANGED, method=POST, back=bytes([0xD1, 1, seconds])).capture()


def refused(
    severity: str, count: int, of: int, what: str, for_a_while: int = 0
) -> Callable[[Callable[[], Capture]], Further]:
    """What is said where the first requests are refused, or each second one; how many went through later."""
    later = f"for a while: {for_a_while}, and then the same went through"
    every = 4 if of == 2 * count else 2
    return lambda capture: Further(
        "request-refused",
        capture,
        Told(
            severity,
            BOTH,
            f"2001:db8:1::ff:fe00:1 refuses {count} of {of} requests on port 5683",
            (f"{what}: {count}", *[later] * bool(for_a_while)),
            tuple(range(2, 2 + every * count, every)),
            count,
        ),
    )


def talked(begin: bytes, text: str) -> Capture:
    """Six texts of a server's port that begin like these octets of CoAP: version 1 and type, token length, code."""
    talk = Talk()
    for mid in range(6):
        talk.say(begin + mid.to_bytes(2, "big") + text.encode(), back=True)
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


OBSERVE = b"\x60"  # option 6 without octets: 0, register (RFC 7641 section 2)


def max_age(seconds: int) -> bytes:
    """Option 14, behind Observe (6), in as few octets as it takes (RFC 7252 section 5.10.5)."""
    value = seconds.to_bytes(-(-seconds.bit_length() // 8), "big")
    return bytes([0x80 | len(value)]) + value


class Observation(Talk):
    """A client observes the root; each notification has the next message ID and Observe number."""

    def __init__(self, gap: float = 1.0) -> None:
        super().__init__(gap)
        self.number = 0

    def register(self) -> "Observation":
        self.ask(100 + self.number, OBSERVE + b"\x51t")
        self.answer(CONTENT, 100 + self.number, b"\x61\1")
        return self

    def notify(self, options: bytes = b"", kind: int = NON, after: float | None = None) -> None:
        self.number += 1
        observe = b"\x61" + bytes([1 + self.number])
        message = air.coap_message(observe + options, b"", kind, CONTENT, self.number, b"t")
        self.say(message, back=True, after=after)

    def reject(self) -> None:
        self.reset(self.number, back=False)


def rejected(count: int, *, registered_between: bool = False) -> Capture:
    talk = Observation().register()
    for number in range(count):
        talk.notify()
        talk.reject()
        if registered_between and number == 0:
            talk.register()
    return talk.capture()


def rejected_at_once() -> Capture:
    """Three notifications are on their way before the first Reset comes."""
    talk = Observation().register()
    for _ in range(3):
        talk.notify()
    for mid in range(1, 4):
        talk.reset(mid, back=False)
    return talk.capture()


def hourly(hours: int, *, confirmable: int = 0, registered: int = 0) -> Capture:
    """Notifications each hour behind a first one; one may be confirmable, before one the client may register anew."""
    talk = Observation(3600.0)
    for hour in range(hours + 1):
        if hour and hour == registered:
            talk.ask(99, OBSERVE + b"\x51t")
            talk.now -= 3600.0
        talk.notify(max_age(7200), CON if hour and hour == confirmable else NON)
    return talk.capture()


def fresh_for(seconds: int | None, every_s: float, *, asked: bool = False) -> Capture:
    """Notifications with this Max-Age; the client may ask anew before each."""
    talk = Observation(every_s)
    for _ in range(4):
        if asked:
            talk.ask(99, OBSERVE + b"\x51t")
            talk.now -= every_s
        talk.notify(b"" if seconds is None else max_age(seconds))
    return talk.capture()


def rejected_answers() -> Capture:
    """Three separate responses (RFC 7252 section 5.2.2), each rejected: none is a notification."""
    talk = Talk()
    for mid in range(1, 4):
        talk.answer(CONTENT, mid, kind=NON).reset(mid, back=False)
    return talk.capture()


def waited(*waits: float, ages: tuple[int, ...] = (10,), relayed: bool = False) -> Capture:
    """Notifications, one behind each wait, with one Max-Age after the other; over a relay or straight.

    The first comes with the acknowledgement of a registration. A relay decrements the hop limit, octet 7 of the header
    (RFC 8200 section 3).
    """
    frames: list[bytes | tuple[float, bytes]] = []
    for number in range(1, 1 + len(waits)):
        options = bytes([0x61, number]) + max_age(ages[number % len(ages)])
        kind = ACK if number == 1 else NON
        message = air.coap_message(options, b"", kind, CONTENT, number, b"t")
        whole = air.coap(message, (ROOT, NODE), back=True)
        at = 1.0 + sum(waits[:number])
        frames.append((at, air.frame(whole, number, (ROOT, RELAY if relayed else NODE))))
        if relayed:
            on = whole[:7] + bytes([whole[7] - 1]) + whole[8:]
            frames.append((at + 0.02, air.frame(on, number, (RELAY, NODE))))
    return Capture(frames)


def stale(late: int, of: int, share: int, mean: str, frames: tuple[int, ...]) -> Told:
    """What is told of notifications with Max-Age 10, or 10 and 20 in turn."""
    return Told(
        "remark",
        f"{SERVER} to {CLIENT}, token 74",
        f"{late} of {of} notifications come when the one before is older than its Max-Age",
        (
            f"nothing fresh for {share}% of the time, the least Max-Age 10 s",
            f"{mean} s between them on average",
        ),
        frames,
        late,
    )


def block2(number: int, size_exponent: int = 0, *, more: bool = False, behind: int = 11) -> bytes:
    """Option 23 behind the one with that number: NUM, M, SZX in one octet (RFC 7959 section 2.2)."""
    return bytes([(23 - behind) << 4 | 1, number << 4 | more << 3 | size_exponent])


def blocks(*asked_and_came: tuple[bytes, bytes]) -> Capture:
    """GETs, each with its Block2 option or none, and what answers it, with its options."""
    talk = Talk()
    for mid, (asked, came) in enumerate(asked_and_came, 1):
        talk.ask(mid, PATH + asked).answer(CONTENT, mid, came, data=bytes(16 << (came[-1] & 7)))
    return talk.capture()


def tagged(*etags: int, numbers: tuple[int, ...] = (0, 1, 2, 3)) -> Capture:
    """Blocks of one body, each with an ETag (option 4) of one octet."""
    return blocks(
        *(
            (
                block2(number) if number else b"",
                bytes([0x41, etag]) + b"\xd1\x06" + block2(number, more=True)[1:],
            )
            for number, etag in zip(numbers, etags, strict=True)
        )
    )


def came(number: int, size_exponent: int = 0) -> bytes:
    """Block2 as the first option: 23 = 13 + 10."""
    return b"\xd1\x0a" + block2(number, size_exponent, more=True)[1:]


def sealed_blocks(asked: int, number: int, *, opened: bool = True) -> Capture:
    """A GET for a block and its answer with one: both inside, as class E of RFC 8613 section 4.1.3.4.1 has them."""
    request = air.coap_message(PATH + block2(asked), code=GET, mid=1, token=b"t")
    sealed = bytes(protect_oscore_request(request, ENDS, sequence=1).message)
    server = ENDS.other_end
    answer = air.coap_message(came(number), bytes(16), ACK, CONTENT, 1, b"t")
    binding = open_oscore_request(sealed, server).binding
    back = bytes(protect_oscore_response(answer, server, binding).message)
    capture = Talk().say(sealed).say(back, back=True).capture()
    return replace(capture, oscore=(ENDS,)) if opened else capture


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
    # "If a client rejects a ... notification with a Reset message ... the server MUST remove the associated entry";
    # "t" is 0x74
    "notification-after-reset": Case(
        lambda: rejected(3),
        lambda: rejected(2),
        Told(
            "waste",
            SERVER,
            "notifications go on behind Resets that reject those before",
            ("token 74: 3 or more, each behind a Reset",),
            (3, 4, 5, 6, 7, 8),
            3,
        ),
    ),
    # "at least every 24 hours": the notification of hour 24 is in time, those of 25 and 26 are not
    "notification-never-confirmable": Case(
        lambda: hourly(26),
        lambda: hourly(25),
        Told(
            "risk",
            SERVER,
            "a client is not asked for a confirmation within 24 hours of notifications",
            ("frame 1: confirmable, or the first heard; frame 27: 26.0 h later",),
            (1, 27),
        ),
    ),
    # of each 45 s nothing is fresh for 45 - 10
    "notification-stale": Case(
        lambda: fresh_for(10, 45.0),
        lambda: fresh_for(30, 45.0),
        Told(
            "remark",
            f"{SERVER} to {CLIENT}, token 74",
            "3 of 3 notifications come when the one before is older than its Max-Age",
            (
                "nothing fresh for 78% of the time, the least Max-Age 10 s",
                "45 s between them on average",
            ),
            (2, 3, 4),
            3,
        ),
    ),
    # "The NUM field in the Block2 Option gives the block number of the payload that is being requested"
    "block-not-as-asked": Case(
        lambda: blocks((block2(1), came(2))),
        lambda: blocks((block2(1), came(1))),
        Told(
            "failure",
            SERVER,
            "an answer brings another block than its request asks for",
            ("block 1 of 16 in frame 1, block 2 of 16 in frame 2",),
            (1, 2),
        ),
    ),
    "body-changes-while-fetched": Case(
        lambda: tagged(0, 1, 2, 2),
        lambda: tagged(0, 1, 1, 1),
        Told(
            "risk",
            SERVER,
            "a body changes again and again while its blocks are fetched, so that it is never whole",
            ("ETag in frame 4: 01; frame 6: 02",),
            (4, 6),
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
        # "Lengths 9-15 are reserved ... and MUST be processed as a message format error" (section 3), under code 4.04
        "texts that are no messages": lambda: talked(b"\x6f\x84", "texts"),
        # 0x75 would be code 3.21, and 3 is none of the classes 0, 2, 4 and 5 (section 3)
        "codes of a reserved class": lambda: talked(b"\x68\x75", "eight octets"),
    }.items()
} | {
    "Resets to notifications that were on their way": (
        "notification-after-reset",
        rejected_at_once,
    ),
    "Resets to answers that are no notifications": (
        "notification-after-reset",
        rejected_answers,
    ),
    "a client that registers again behind a Reset": (
        "notification-after-reset",
        lambda: rejected(3, registered_between=True),
    ),
    "one notification of a day that is confirmable": (
        "notification-never-confirmable",
        lambda: hourly(30, confirmable=12),
    ),
    # whoever registers is there
    "a client that registers again within a day": (
        "notification-never-confirmable",
        lambda: hourly(30, registered=12),
    ),
    # "A default value of 60 seconds is assumed" (RFC 7252 section 5.10.5)
    "notifications each minute without Max-Age": (
        "notification-stale",
        lambda: fresh_for(None, 60.1),
    ),
    # "If an origin server wishes to prevent caching, it MUST explicitly include a Max-Age Option with a value of zero
    # seconds" (RFC 7252 section 5.6.1)
    "notifications that nobody is to cache": ("notification-stale", lambda: fresh_for(0, 45.0)),
    "notifications of which as many are in time as are late": (
        "notification-stale",
        lambda: waited(0, 45, 45, 45, 5, 5, 5),
    ),
    "a client that asks anew when Max-Age is over": (
        "notification-stale",
        lambda: fresh_for(10, 45.0, asked=True),
    ),
    # block 1 of 32 octets begins where block 2 of 16 does
    "the same place in blocks of half the size": (
        "block-not-as-asked",
        lambda: blocks((block2(1, 1), came(2, 0))),
    ),
    "the first block, without being asked for it": (
        "block-not-as-asked",
        lambda: blocks((b"", came(0, 2))),
    ),
    "the block that was asked for, sealed": ("block-not-as-asked", lambda: sealed_blocks(2, 2)),
    "a sealed block that nobody opens": (
        "block-not-as-asked",
        lambda: sealed_blocks(1, 2, opened=False),
    ),
    # "to provide random access to power-of-two sized blocks" (RFC 7959 section 1)
    "a block that a client does not ask for": (
        "block-not-as-asked",
        lambda: blocks((block2(0), came(0)), (block2(1), came(1)), (block2(3), came(3))),
    ),
    "a body that is fetched anew each time it changed": (
        "body-changes-while-fetched",
        lambda: tagged(0, 1, 1, 2, numbers=(0, 1, 0, 1)),
    ),
}

EXCHANGES_FURTHER = (
    Further(
        "block-not-as-asked",
        lambda: sealed_blocks(1, 2),
        Told(
            "failure",
            SERVER,
            "an answer brings another block than its request asks for",
            ("block 1 of 16 in frame 1, block 2 of 16 in frame 2",),
            (1, 2),
        ),
    ),
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
    # RFC 7959 section 2.9.2: what 4.08 is about is the body; the whole of it goes through when it is begun anew
    refused("remark", 3, 6, "4.08 Request Entity Incomplete to PUT /t", 3)(
        lambda: uploaded(*[INCOMPLETE, CHANGED] * 3)
    ),
    # section 2.9.1: a block that is taken says nothing of the final outcome
    refused("risk", 3, 6, "4.08 Request Entity Incomplete to PUT /t")(
        lambda: uploaded(*[INCOMPLETE, CONTINUE] * 3)
    ),
    # three times in vain
    refused("risk", 3, 4, "4.08 Request Entity Incomplete to PUT /t")(
        lambda: uploaded(*[INCOMPLETE] * 3, CHANGED)
    ),
    # 4.04 (RFC 7252 section 5.9.2.5) until there is something
    refused("remark", 4, 5, "4.04 Not Found to GET /t", 4)(
        lambda: asked(*[NOT_FOUND] * 4, CONTENT).capture()
    ),
    # what was to be left there is lost
    refused("risk", 4, 5, "4.04 Not Found to POST /t")(
        lambda: asked(*[NOT_FOUND] * 4, CHANGED, method=POST).capture()
    ),
    # another path, /u, is there
    refused("risk", 3, 4, "4.04 Not Found to GET /t")(
        lambda: asked(*[NOT_FOUND] * 3).ask(9, b"\xb1u").answer(CONTENT, 9).capture()
    ),
    # RFC 7252 section 5.9.3.4: Max-Age is "the number of seconds after which to retry"; the next comes after 1
    refused("remark", 3, 4, "5.03 Service Unavailable to POST /t", 3)(lambda: refused_for(1)),
    refused("risk", 3, 4, "5.03 Service Unavailable to POST /t")(lambda: refused_for(2)),
    # three of five are most of them: 3 * 35 of 145 s
    Further(
        "notification-stale",
        lambda: waited(0, 45, 45, 45, 5, 5),
        stale(3, 5, 72, "29", (2, 3, 4)),
    ),
    # the least of those that were late, whichever comes first: 2 * 35 + 2 * 25 of 180 s
    *(
        Further(
            "notification-stale",
            partial(waited, 0, 45, 45, 45, 45, ages=ages),
            stale(4, 4, 67, "45", (2, 3, 4, 5)),
        )
        for ages in ((10, 20), (20, 10))
    ),
    # what a relay passes on is no notification of its own
    Further(
        "notification-stale",
        lambda: waited(0, 45, 45, 45, relayed=True),
        stale(3, 3, 78, "45", (3, 5, 7)),
    ),
)
