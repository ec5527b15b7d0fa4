"""A capture in which what is planned sealed goes in the clear, and near misses in which it does not."""

from collections.abc import Callable
from dataclasses import replace

from findings import air
from findings.air import CONTEXTS, NODE, ROOT, Capture
from findings.cases_application import DESIGN, ENDS, MASTER_SECRET, messages
from findings.cases_further import Further
from findings.cases_records import DATA as DATA_RECORD
from findings.cases_records import hello, record
from findings.judge import Case, Told

from lowpanbudget import SecurityContext, protect_oscore_request
from lowpanbudget.design.meaning import Design

CLIENT, SERVER = "2001:db8:1::ff:fe00:17", "2001:db8:1::ff:fe00:1"
READING = b"\x01\x00\xc8"  # of the three octets that the design has
OSCORE = '[flow.oscore]\nsender_id = "17"\nrecipient_id = "01"'
DTLS = '[flow.dtls]\nsuite = "TLS_PSK_WITH_AES_128_CCM_8"'
POST = '[flow.coap]\ncode = "POST"\npath = "a"\n'
# beside it, of the same ports and ends, and for the same path: in the clear
PLAIN = f"""
[[flow]]
name = "plain"
source = "probe"
destination = "sink"
source_port = 0xf0b1
destination_port = {{port}}
messages = ["reading"]
{POST}"""


def planned(protection: str, port: int, coap: str = POST, more: str = "") -> Design:
    text = DESIGN.format(link="").replace("0xf0b2", str(port))
    return air.design(text.replace("[[message]]", f"{coap}{protection}\n{more}[[message]]", 1))


def post(path: bytes = b"a", *, mid: int = 1) -> bytes:
    """RFC 7252 section 3 and 5.10: 0x51 is version 1, NON, a token of one octet; Uri-Path (11) of one octet; marker."""
    return b"\x51\x02\x00" + bytes([mid]) + b"t" + b"\xb1" + path + b"\xff" + READING


def sent(design: Design, *payloads: bytes, port: int = 5683, back: bool = False) -> Capture:
    links, ports = ((ROOT, NODE), (port, 0xF0B1)) if back else ((NODE, ROOT), (0xF0B1, port))
    packets = [air.datagram(one, links=links, ports=ports) for one in payloads]
    return Capture([*air.frames(packets, links)], CONTEXTS, design)


def with_oscore(*payloads: bytes, more: str = "") -> Capture:
    return sent(planned(OSCORE, 5683, more=more), *payloads)


def with_dtls(*payloads: bytes, port: int = 5684, back: bool = False, coap: str = POST) -> Capture:
    return sent(planned(DTLS, port, coap), *payloads, port=port, back=back)


STRANGER, SERVER_TOO = b"\x00\x77", b"\x00\x88"
# another node of the design, which sends nothing on these ports
SECOND = '[[station]]\nname = "second"\nrole = "node"\nshort = 0x0077\nprefix = "2001:db8:1::/64"\n'


def between(source: bytes, destination: bytes, octets: bytes, *, declared: bool = True) -> Capture:
    """A datagram between two that the flow of the design may not have, on its ports."""
    links = source, destination
    text = DESIGN.format(link="").replace("0xf0b2", "5683")
    text = text.replace("[[message]]", f"{POST}{OSCORE}\n[[message]]", 1)
    text = text.replace("[[flow]]", f"{SECOND if declared else ''}[[flow]]", 1)
    packet = air.datagram(octets, links=links, ports=(0xF0B1, 5683))
    return Capture([*air.frames([packet], links)], CONTEXTS, air.design(text))


def beside(source: str, ends: str, evidence: str) -> Told:
    return Told(
        "remark",
        f"{source}: beside flow readings",
        "in the clear on the ports of flow readings, which has OSCORE, between "
        f"{ends}: the design has no such flow",
        (evidence,),
        (1,),
        advice="Look whose it is, and what it is for. Where it belongs to the flow, seal it, and let the server refuse "
        "what comes without protection; else give it a flow of its own in the design, and ask whether that is to be "
        "sealed as well.",
    )


def otherwise(used: str, planned: str, evidence: str) -> Told:
    return Told(
        "risk",
        f"{CLIENT}: {used}",
        f"flow readings: protected with {used}, not with the {planned} that the design has for it",
        (evidence,),
        (1,),
        advice="Bring node and design together: switch the planned protection on at both ends, or plan with the one "
        "that is used, after you have weighed what each of them leaves in the clear, and how much room it takes. Never "
        "go without both.",
        cite="" if used == "OSCORE" else SECTION,
    )


def sealed_request() -> bytes:
    return bytes(protect_oscore_request(post(), ENDS, sequence=1).message)


def protected(*paths: bytes) -> Capture:
    """The same requests, sealed."""
    requests = [
        protect_oscore_request(post(path, mid=n), ENDS, sequence=n).message
        for n, path in enumerate(paths, 1)
    ]
    return replace(messages(*map(bytes, requests)), contexts=CONTEXTS, design=planned(OSCORE, 5683))


def sealed_beyond(ends: SecurityContext = ENDS, *, opened: bool = True) -> Capture:
    """A request that is sealed though its flow is planned in the clear."""
    request = protect_oscore_request(post(), ends, sequence=300).message
    capture = replace(messages(bytes(request)), contexts=CONTEXTS, design=planned("", 5683))
    return replace(capture, oscore=(ends,) if opened else ())


def sealed_as_planned(
    octets: bytes,
    *,
    hop_limit: int = 64,
    protection: str = OSCORE,
    ends: SecurityContext | None = None,
) -> Capture:
    """Octets on the ports of a flow that is planned sealed."""
    port, coap = (5683, POST) if protection == OSCORE else (5684, "")
    packet = air.datagram(octets, hop_limit=hop_limit, ports=(0xF0B1, port))
    capture = Capture([air.frame(packet)], CONTEXTS, planned(protection, port, coap))
    return replace(capture, oscore=() if ends is None else (ends,))


def request_under(sequence: int, ends: SecurityContext = ENDS) -> bytes:
    return bytes(protect_oscore_request(post(), ends, sequence=sequence).message)


def sealed_each(every: float, *, beside: bool = False) -> Capture:
    """Twelve sealed readings, and GETs in the clear between the same ports, from the other end, each second."""
    text = DESIGN.format(link="").replace("0xf0b2", "5683").replace("0xf0b1", "5683")
    design = air.design(text.replace("[[message]]", f"{POST}{OSCORE}\n[[message]]", 1))
    sent = [(1 + every * number, request_under(number), (NODE, ROOT)) for number in range(12)]
    if beside:
        gets = (b"\x51\x01\x10" + bytes([number]) + b"g\xb1d" for number in range(24))
        sent += [(31.5 + number, one, (ROOT, NODE)) for number, one in enumerate(gets)]
    frames = [
        (time_s, air.frame(air.datagram(octets, links=links, ports=(5683, 5683)), number, links))
        for number, (time_s, octets, links) in enumerate(sorted(sent))
    ]
    return Capture([*frames], CONTEXTS, design)


def damaged() -> Capture:
    """An octet of a datagram is other than its checksum has it: what was sent nobody knows."""
    packet = air.datagram(post(), ports=(0xF0B1, 5683))
    packet = packet[:-1] + bytes([packet[-1] ^ 1])
    return Capture([air.frame(packet)], CONTEXTS, planned(OSCORE, 5683))


SECTION = "RFC 9147 §4.1"
_WITHOUT = "without the {} that the design has for it: in the clear from end to end"

PROTECTION_CASES: dict[str, Case] = {
    # "The OSCORE option indicates that the CoAP message is an OSCORE message" (RFC 8613 section 2): here none has it
    "protection-not-as-planned": Case(
        lambda: with_oscore(post(mid=1), post(mid=2), post(mid=3)),
        lambda: protected(b"a", b"a", b"a"),
        Told(
            "failure",
            CLIENT,
            f"flow readings {_WITHOUT.format('OSCORE')}",
            ("readable as CoAP: 0.02 POST /a",),
            (1, 2, 3),
            3,
        ),
    ),
}


def dtls_told(evidence: str, frames: tuple[int, ...], *, back: bool = False) -> Told:
    what = "answers to flow readings" if back else "flow readings"
    return Told(
        "failure",
        SERVER if back else CLIENT,
        f"{what} {_WITHOUT.format('DTLS')}",
        (evidence,),
        frames,
        len(frames),
        cite=SECTION,
    )


# RFC 9147 figure 5: octets 20 to 26 and 32 to 63 begin a record; 0x51 is 81, and all of CoAP begins with 64 to 127
# of a protection that is not the planned one nothing was in the clear: outside an OSCORE message stands 0.02, whatever
# it asks for (RFC 8613 section 4.2), and 17 fe fd begins data of DTLS 1.2 (RFC 6347 section 4.1)
OTHERWISE_FURTHER = (
    (
        lambda: with_dtls(sealed_request()),
        otherwise("OSCORE", "DTLS", "CoAP with the OSCORE option"),
    ),
    (
        lambda: with_oscore(record(DATA_RECORD, bytes(16), epoch=1)),
        otherwise("DTLS", "OSCORE", "a DTLS record: content type and version are 17 fe fd"),
    ),
    # another station of the design, another server, another code (0.03 is PUT, RFC 7252 section 12.1.1) for the path
    (
        lambda: between(STRANGER, ROOT, post()),
        beside("2001:db8:1::ff:fe00:77", "other ends", "readable as CoAP: 0.02 POST /a"),
    ),
    (
        lambda: between(STRANGER, SERVER_TOO, post(), declared=False),
        beside("2001:db8:1::ff:fe00:77", "other ends", "readable as CoAP: 0.02 POST /a"),
    ),
    (
        lambda: with_oscore(b"\x51\x03" + post()[2:]),
        beside(CLIENT, "its ends", "readable as CoAP: 0.03 PUT /a"),
    ),
    # a node stands for all like it
    (
        lambda: between(STRANGER, ROOT, post(), declared=False),
        Told(
            "failure",
            "2001:db8:1::ff:fe00:77",
            f"flow readings {_WITHOUT.format('OSCORE')}",
            ("readable as CoAP: 0.02 POST /a",),
            (1,),
        ),
    ),
)
PROTECTION_FURTHER = tuple(
    Further("protection-not-as-planned", fires, said)
    for fires, said in (
        *OTHERWISE_FURTHER,
        (
            lambda: with_dtls(post(mid=1), post(mid=2)),
            dtls_told("readable as CoAP: 0.02 POST /a", (1, 2)),
        ),
        # on a port that nothing registers frames are alike whatever they carry: the second is a record
        (
            lambda: with_dtls(
                post(mid=1), record(DATA_RECORD, bytes(16), epoch=1), post(mid=2), port=0xF0B4
            ),
            dtls_told("readable as CoAP: 0.02 POST /a", (1, 3)),
        ),
        (
            lambda: with_dtls(READING, coap=""),
            dtls_told("no DTLS record: its first octet is 1", (1,)),
        ),
        (
            lambda: with_dtls(READING, port=0xF0B4, coap=""),
            dtls_told("no DTLS record: its first octet is 1", (1,)),
        ),
        # 0x61: an acknowledgement with a token of one octet, 2.04 without options
        (
            lambda: with_dtls(b"\x61\x44\x00\x01t", back=True),
            dtls_told("readable as CoAP: 2.04 Changed", (1,), back=True),
        ),
    )
)


def beyond(octets: str, tag: int) -> Told:
    """RFC 8613 sections 5.3 and 6.1: one octet before the option, flags 1, Partial IV 2 (300), kid 1; then 2 and tag.

    A Uri-Path of two octets goes inside, with the code and a marker; outside stay 4, the token 1 and the marker 1.
    """
    return Told(
        "risk",
        "flow readings, 0x0017: OSCORE",
        f"headers take {octets} octets more than budgeted for the first hop: the message is sealed with OSCORE, and "
        "the design has it in the clear",
        (
            "CoAP: 7 octets, planned 8",
            f"OSCORE: {4 + tag} octets, planned none",
            "CoAP inside OSCORE: 4 octets, planned none",
        ),
        (1,),
        advice="Set [flow.oscore] with the IDs of both ends in flow readings, and plan with what it leaves. That the "
        "node protects its messages is no fault: switch it off for no octets.",
    )


# COSE 1 is AES-GCM of 128 bits with a tag of 16 octets (RFC 8152 section 10.1, from memory)
GCM = SecurityContext.derive(MASTER_SECRET, sender_id=b"\x17", recipient_id=b"\x01", algorithm=1)
BEYOND = tuple(
    Further("longer-than-budgeted", fires, told)
    for fires, told in (
        (sealed_beyond, beyond("15", 8)),
        (lambda: sealed_beyond(opened=False), beyond("at least 15", 8)),
        (lambda: sealed_beyond(GCM), beyond("23", 16)),
    )
)


def over_plan(octets: str, field: str, evidence: str, cite: str = "") -> Told:
    return Told(
        "risk",
        f"flow readings, 0x0017: {field}",
        f"headers take {octets} more than budgeted for the first hop",
        (f"{field}: {evidence}",),
        (1,),
        cite=cite,
    )


IN_LINE = over_plan("1 octet", "IPHC hop limit", "1 octet, planned none")
# RFC 8613 section 6.1: a Partial IV has 1 to 5 octets, 2 from 256 on; RFC 6282 section 3.1.1: 64 goes without octets
SEALED_BEYOND = tuple(
    Further("longer-than-budgeted", fires, told)
    for fires, told in (
        (
            lambda: sealed_as_planned(request_under(300), ends=ENDS),
            over_plan("1 octet", "OSCORE Partial IV", "2 octets, planned 1 octet", "RFC 8613 §6.1"),
        ),
        (
            lambda: sealed_as_planned(request_under(1, GCM), ends=GCM),
            over_plan("8 octets", "OSCORE tag", "16 octets, planned 8 octets"),
        ),
        (lambda: sealed_as_planned(request_under(1), hop_limit=63, ends=ENDS), IN_LINE),
        (lambda: sealed_as_planned(request_under(1), hop_limit=63), IN_LINE),
        (
            lambda: sealed_as_planned(
                record(DATA_RECORD, bytes(19), epoch=1), hop_limit=63, protection=DTLS
            ),
            IN_LINE,
        ),
    )
)
BEYOND_FURTHER = (
    *SEALED_BEYOND,
    Further(
        "interval-off-plan",
        lambda: sealed_each(6.0),
        Told(
            "risk",
            f"flow readings, {CLIENT}",
            f"{CLIENT} sends every 6 s in flow readings, planned are 60 s",
            ("median of 11 intervals",),
            (1,),
        ),
    ),
    # without a plan: 0x17 is no CoAP, whose version is 1, and begins a record (RFC 7252 section 3, RFC 9147 figure 5)
    Further(
        "contents-unreadable",
        lambda: replace(with_oscore(record(DATA_RECORD, bytes(16), epoch=1)), design=None),
        Told(
            "failure",
            "0x0017: version is 0x0, not 0x1",
            "version is 0x0, not 0x1",
            ("octet 17", "a DTLS record: content type and version are 17 fe fd"),
            (1,),
            cite="RFC 7252 §3",
        ),
    ),
    *BEYOND,
)

PROTECTION_NEAR: dict[str, tuple[str, Callable[[], Capture]]] = (
    {
        what: ("protection-not-as-planned", capture)
        for what, capture in {
            "a request of another path, such as asks for new keys": lambda: with_oscore(post(b"b")),
            "a flow in the clear of the same ports and path": lambda: with_oscore(
                post(), more=PLAIN.format(port=5683)
            ),
            # 4.01 Unauthorized, which "MAY" answer what no context fits (RFC 8613 section 8.2)
            "what refuses a sealed request": lambda: sent(
                planned(OSCORE, 5683), b"\x61\x81\x00\x01t", back=True
            ),
            # 0x2c begins a record of DTLS 1.3 (RFC 9147 section 4), as other octets may as well
            "octets that are no message": lambda: with_oscore(b"\x2c" + bytes(20)),
            "what is sealed between others": lambda: between(
                STRANGER, SERVER_TOO, sealed_request()
            ),
            "records of another flow on the same ports": lambda: sent(
                planned(OSCORE, 5683, more=f"{PLAIN.format(port=5683)}{DTLS}\n"),
                record(DATA_RECORD, bytes(16), epoch=1),
            ),
            "records": lambda: with_dtls(record(DATA_RECORD, bytes(16), epoch=1)),
            "a handshake": lambda: with_dtls(hello(1)),
            # type 25 (RFC 9146 section 4): how long its connection ID is stands nowhere
            "a record with a connection ID": lambda: with_dtls(record(25, bytes(16), epoch=1)),
            "what was damaged": damaged,
            "a datagram without data": lambda: with_dtls(b"", port=0xF0B4),
        }.items()
    }
    | {
        # 0.01 is no POST, nothing seals it, and it goes the other way
        "requests of the other end between the ports of a flow": (
            "interval-off-plan",
            lambda: sealed_each(60.0, beside=True),
        ),
    }
    | {
        what: ("longer-than-budgeted", capture)
        for what, capture in {
            "a sealed message as it is planned": lambda: sealed_as_planned(
                request_under(1), ends=ENDS
            ),
            # what is in its tag and ciphertext nobody knows
            "a sealed message of which nobody opens a tag that is longer": lambda: (
                sealed_as_planned(request_under(1, GCM))
            ),
            "a record as it is planned": lambda: sealed_as_planned(
                record(DATA_RECORD, bytes(19), epoch=1), protection=DTLS
            ),
            # told as what goes without protection
            "a message in the clear with more of a path": lambda: with_oscore(
                b"\x51\x02\x00\x01t\xbd\x03" + bytes(16) + b"\xff" + READING
            ),
            # the other end asks from the same ports: 0.01 is GET
            "a request of the other end": lambda: between(
                ROOT, NODE, b"\x51\x01\x00\x01t\xbd\x03" + bytes(16)
            ),
        }.items()
    }
)
