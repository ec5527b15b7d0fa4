"""A capture that fires each finding about answers of CoAP and notifications, and near misses that do not."""

from collections.abc import Callable

from findings import air
from findings.air import NODE, ROOT, Capture
from findings.judge import Case, Told

RELAY = b"\x00\x18"
SERVER = "2001:db8:1::ff:fe00:1"


def exchange(*tokens: bytes, answer: bytes, mid: int = 7) -> Capture:
    """Confirmable GETs under one message ID, each with a token, and a piggybacked answer (RFC 7252 section 5.2.1)."""
    frames = [
        air.frame(air.coap(air.coap_message(code=1, mid=7, token=token)), number)
        for number, token in enumerate(tokens)
    ]
    back = air.coap_message(data=b"20", kind=2, code=69, mid=mid, token=answer)
    frames.append(air.frame(air.coap(back, (ROOT, NODE), back=True), 9, (ROOT, NODE)))
    return Capture([*frames])


def notified(
    *numbers: int | None,
    apart_s: float = 1.0,
    by: bytes = ROOT,
    mids: tuple[int, ...] = (1, 2, 3, 4),
) -> Capture:
    """Notifications of the root under one token (RFC 7641 section 2: option 6), or for None a registration."""
    frames: list[tuple[float, bytes]] = []
    for at, (number, mid) in enumerate(zip(numbers, mids, strict=False)):
        time_s = 1 + at * apart_s
        if number is None:
            request = air.coap_message(b"\x60", code=1, mid=mid, token=b"t")
            frames.append((time_s, air.frame(air.coap(request), at)))
            continue
        value = number.to_bytes(-(-number.bit_length() // 8), "big")
        message = air.coap_message(bytes([0x60 | len(value)]) + value, b"%d" % at, 1, 69, mid, b"t")
        packet = air.coap(message, (ROOT, NODE), back=True)
        frames.append((time_s, air.frame(packet, at, (by, NODE))))
    return Capture([*frames])


def with_message_ids(*mids: tuple[int, int], token: bytes = b"") -> Capture:
    """GETs with a message ID and a token, their number or always the same, each answered under another message ID."""
    frames: list[bytes | tuple[float, bytes]] = []
    for number, (mid, back) in enumerate(mids):
        named = token or bytes([number])
        request = air.coap_message(code=1, mid=mid, token=named)
        frames.append(air.frame(air.coap(request), number))
        answer = air.coap_message(data=b"20", kind=2, code=69, mid=back, token=named)
        frames.append(air.frame(air.coap(answer, (ROOT, NODE), back=True), number, (ROOT, NODE)))
    return Capture(frames)


ANSWERS_CASES: dict[str, Case] = {
    "answer-with-other-token": Case(
        lambda: exchange(b"a", answer=b"b"),
        lambda: exchange(b"a", answer=b"a"),
        Told(
            "failure",
            SERVER,
            "answers come with the message ID of a request and not with its token",
            ("message ID 0x0007: token 61 in frame 1, 62 in frame 2",),
            (1, 2),
        ),
    ),
    # RFC 7252 section 3: network byte order
    "answer-with-other-message-id": Case(
        lambda: with_message_ids((0x1200, 0x0012), (0x1201, 0x0112), (0x1202, 0x0212)),
        lambda: with_message_ids((0x1200, 0x1200), (0x1201, 0x1201), (0x1202, 0x1202)),
        Told(
            "failure",
            SERVER,
            "answers come with the token of a request and its message ID with the octets exchanged",
            (
                "token 00: message ID 0x1200 in frame 1, 0x0012 in frame 2",
                "token 01: message ID 0x1201 in frame 3, 0x0112 in frame 4",
                "token 02: message ID 0x1202 in frame 5, 0x0212 in frame 6",
            ),
            (1, 2, 3, 4, 5, 6),
            3,
        ),
    ),
    # 0 comes after 2 ** 24 - 1
    "observe-number-not-raised": Case(
        lambda: notified(5, 6, 4),
        lambda: notified(5, 6, 0x7FFFFF, 0x800000),
        Told(
            "failure",
            SERVER,
            "notifications do not have higher numbers than those before (Observe)",
            ("frame 2: 6; frame 3: 4",),
            (2, 3),
        ),
    ),
}

ANSWERS_NEAR: dict[str, tuple[str, Callable[[], Capture]]] = {
    "an answer to a request that was not heard": (
        "answer-with-other-token",
        lambda: exchange(b"a", answer=b"b", mid=8),
    ),
    # the answers to 7 to 10, which were not heard
    "answers to other requests under the token that a client has for all": (
        "answer-with-other-message-id",
        lambda: with_message_ids((1, 7), (2, 8), (3, 9), (4, 10), token=b"t"),
    ),
    "an answer to what a client asked before it began anew": (
        "answer-with-other-token",
        lambda: exchange(b"b", b"a", answer=b"b"),
    ),
    "numbers that begin anew": (
        "observe-number-not-raised",
        lambda: notified(0xFFFFFE, 0xFFFFFF, 0, 1),
    ),
    "numbers of a new registration": (
        "observe-number-not-raised",
        lambda: notified(5, None, 4),
    ),
    # "T2 > T1 + 128 seconds"
    "numbers that nobody compares": (
        "observe-number-not-raised",
        lambda: notified(6, 4, apart_s=129.0),
    ),
    "a notification that is sent again": (
        "observe-number-not-raised",
        lambda: notified(6, 6, mids=(1, 1)),
    ),
    "notifications that may have changed places on their way": (
        "observe-number-not-raised",
        lambda: notified(6, 4, by=RELAY),
    ),
}
