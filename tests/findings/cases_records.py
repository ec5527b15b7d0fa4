"""A capture that fires each finding about records of DTLS in the clear, and near misses that do not."""

import struct
from collections.abc import Callable

from findings import air
from findings.air import NODE, ROOT, Capture
from findings.cases_further import Further
from findings.judge import Case, Told

CLIENT = "2001:db8:1::ff:fe00:17"
SERVER = "2001:db8:1::ff:fe00:1"
ALERT, HANDSHAKE, DATA = 21, 22, 23  # RFC 9147 figure 5


def record(kind: int, fragment: bytes, epoch: int = 0, sequence: int = 0) -> bytes:
    """RFC 6347 section 4.1: type, version 1.2, epoch, 48 bits of sequence number, length, fragment."""
    head = struct.pack(">BHHHI", kind, 0xFEFD, epoch, 0, sequence)
    return head + struct.pack(">H", len(fragment)) + fragment


def hello(random: int, *, cookie: bytes = b"", sequence: int = 0) -> bytes:
    """A client hello (RFC 6347 sections 4.2.1 and 4.2.2) with one suite, 0xc0a8, in a record of its own."""
    body = b"\xfe\xfd" + bytes([random]) * 32 + b"\0" + bytes([len(cookie)]) + cookie
    body += b"\0\2\xc0\xa8\1\0"
    length = len(body).to_bytes(3, "big")
    head = b"\1" + length + struct.pack(">H", sequence) + bytes(3) + length
    return record(HANDSHAKE, head + body, 0, sequence)


def alert(description: int, level: int = 2) -> bytes:
    """RFC 5246 section 7.2, from memory: level 2 is fatal."""
    return record(ALERT, bytes([level, description]))


def sent(*payloads: tuple[bool, bytes], port: int = 5684) -> Capture:
    """UDP payloads a second apart, from the root where that is told, else from the node."""
    frames = []
    for number, (back, payload) in enumerate(payloads, 1):
        links = (ROOT, NODE) if back else (NODE, ROOT)
        ports = (port, 0xF0B1) if back else (0xF0B1, port)
        frames.append(air.frame(air.datagram(payload, links=links, ports=ports), number, links))
    return Capture([*frames])


def up(*payloads: bytes) -> Capture:
    return sent(*((False, payload) for payload in payloads))


def refused(*descriptions: int, hellos: int = 1) -> Capture:
    """Handshakes that are begun, each hello sent again with a cookie, and what the server says of them all."""
    begun = [
        (False, hello(random, cookie=cookie, sequence=bool(cookie)))
        for random in range(hellos)
        for cookie in (b"", b"cookie")
    ]
    return sent(*begun, *((True, alert(one)) for one in descriptions))


RECORDS_CASES: dict[str, Case] = {
    # RFC 9147 section 6.1: "Epoch value (0) is used with unencrypted messages"
    "records-in-clear": Case(
        lambda: up(record(DATA, b"reading")),
        lambda: up(record(DATA, b"reading" + bytes(16), epoch=1)),
        Told(
            "failure",
            CLIENT,
            "application data go in epoch 0 of DTLS, where nothing is protected",
            ("frame 1: content type 23 in epoch 0, 7 octets",),
            (1,),
        ),
    ),
    # RFC 5246 section 7.2: 20 is bad_record_mac; 0, close_notify, ends what went well
    "dtls-alert-fatal": Case(
        lambda: refused(20, 20, 20),
        lambda: sent((False, hello(1)), (True, alert(0, level=1))),
        Told(
            "risk",
            SERVER,
            "3 fatal alerts to 2001:db8:1::ff:fe00:17, 1 handshake begun",
            ("bad record MAC (20): 3",),
            (3, 4, 5),
            3,
        ),
    ),
}

RECORDS_NEAR: dict[str, tuple[str, Callable[[], Capture]]] = {
    "a handshake in the clear, as all begin": ("records-in-clear", lambda: up(hello(1))),
    "such octets on another port": (
        "records-in-clear",
        lambda: sent((False, record(DATA, b"reading")), port=0xF0B2),
    ),
    # an alert that is sealed is not known for one
    "an alert of an epoch that is sealed": (
        "dtls-alert-fatal",
        lambda: up(*[record(ALERT, b"\2\x14" + bytes(16), epoch=1)] * 3),
    ),
}

RECORDS_FURTHER = (
    # one of two, each counted once though its hello was sent with and without cookie (RFC 6347 section 4.2.1);
    # 115 is unknown_psk_identity (RFC 8446 section 6, from memory)
    Further(
        "dtls-alert-fatal",
        lambda: refused(115, hellos=2),
        Told(
            "remark",
            SERVER,
            "1 fatal alert to 2001:db8:1::ff:fe00:17, 2 handshakes begun",
            ("unknown PSK identity (115): 1",),
            (5,),
        ),
    ),
)
