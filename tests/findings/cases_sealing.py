"""Numbers in the clear that are used twice, and near misses that are not."""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

from findings import air
from findings.air import Capture
from findings.cases_application import (
    MASTER_SECRET,
    answered_twice,
    asked_under,
    in_records,
    messages,
)
from findings.cases_further import Further
from findings.cases_records import CLIENT, DATA, hello, record, up
from findings.judge import Case, Told

from lowpanbudget import (
    DtlsSender,
    RecordKeys,
    SecurityContext,
    dtls_suite,
    protect_oscore_request,
    read_coap,
    write_coap,
)

TWICE = "two different contents are sealed under one number"
RENEWED = SecurityContext.derive(
    MASTER_SECRET, sender_id=b"\x17", recipient_id=b"\x01", id_context=b"new"
)


def without_keys(capture: Capture) -> Capture:
    return replace(capture, oscore=(), dtls=())


def in_blocks() -> Capture:
    """One sealed message in two outer blocks (RFC 8613 section 4.1.3.4.2): Block1, 27, behind OSCORE, 9."""
    (octets,) = asked_under(20)
    whole = read_coap(octets)
    parts = []
    for number, more in enumerate((8, 0)):
        head = air.coap_message(kind=1, mid=number + 1, token=b"a")
        option = bytes([0x90 | len(whole.options[0].octets)]) + whole.options[0].octets
        data = whole.payload.ljust(32, b".")[16 * number :][:16]
        parts.append(head + option + b"\xd1\x05" + bytes([number << 4 | more]) + b"\xff" + data)
    return messages(*parts)


def asked_anew() -> Capture:
    """A request, one with a new kid context (RFC 8613 appendix B.2), and one that leaves it out from then on."""
    first, second = asked_under(20, 21)
    request = air.coap_message(b"\xb1b", code=1, kind=1, mid=2, token=b"b")
    result = protect_oscore_request(request, RENEWED, sequence=19, send_kid_context=True)
    other = read_coap(second)
    again = read_coap(first)
    # the same number over the ciphertext of another message
    third = write_coap(replace(again, mid=9, payload=other.payload))
    return messages(first, bytes(result.message), third)


def exchanged_between() -> Capture:
    """Between two requests under one number, a POST in the clear as key exchanges send it (RFC 9528, from memory)."""
    first, second = asked_under(20, 20)
    exchange = air.coap_message(b"\xbb.well-known\x05edhoc", b"message 1", code=2, mid=77)
    return messages(first, exchange, second)


def records(*fragments: bytes, between: bytes = b"") -> Capture:
    """Records of epoch 1 under one number, with other octets between them."""
    sent = [record(DATA, fragment, 1, 5) for fragment in fragments]
    return up(*([*sent[:1], between, *sent[1:]] if between else sent))


ONE, OTHER = bytes(24), bytes(8) + bytes(range(16))

SUITE13 = dtls_suite("TLS_AES_128_CCM_8_SHA256")
KEYS13 = RecordKeys(bytes(range(16)), bytes(12), bytes(range(16, 32)))


def unified(octets: int, **known: Any) -> Capture:
    """A record of RFC 9147 figure 3: 001, C, S and L set, epoch 3; connection ID 44, number, length and ciphertext."""
    record = b"\x3f\x44\xaa\xcf" + octets.to_bytes(2, "big") + bytes(range(octets))
    return replace(up(record), dtls=(DtlsSender(SUITE13, KEYS13, **known),))


SEALING_CASES: dict[str, Case] = {
    # "MUST NOT reuse a previous Sender Sequence Number" (RFC 8613 section 7.5); 20 of kid 0x17
    "sealing-number-used-twice": Case(
        lambda: messages(*asked_under(20, 20)),
        lambda: messages(*asked_under(20), *asked_under(20, 21)),
        Told(
            "risk",
            CLIENT,
            TWICE,
            ("Partial IV 20 of kid 17 in frames 1 and 2",),
            (1, 2),
        ),
    ),
}

SEALING_NEAR: dict[str, tuple[str, Callable[[], Capture]]] = {
    what: ("sealing-number-used-twice", capture)
    for what, capture in {
        "answers under numbers of their own": lambda: without_keys(answered_twice(own=True)),
        "parts of one sealed message": in_blocks,
        "numbers behind a new kid context": asked_anew,
        "numbers behind an exchange of keys": exchanged_between,
        "records that come in another order": lambda: without_keys(in_records(5, 2, 3)),
        "a record that comes again": lambda: records(ONE, ONE),
        # RFC 6347 section 4.2.8: a client that lost its association begins a new one with a hello
        "records of a new association": lambda: records(ONE, OTHER, between=hello(1)),
        "one number in two epochs": lambda: up(record(DATA, ONE, 1, 5), record(DATA, OTHER, 2, 5)),
        "what is judged with its keys": lambda: in_records(5, 5),
    }.items()
}


def not_opened(why: str, cite: str, *, fits: bool = True) -> Told:
    return Told(
        "risk" if fits else "remark",
        CLIENT,
        "nothing opens with the keys that fit by their names"
        if fits
        else "the key file does not have what opens it",
        (f"a DTLS record is not opened: {why}",),
        (1,),
        advice="Compare the record keys and the epoch with those of the node; give the keys that are missing in the "
        "key file (--keys).",
        cite=cite,
    )


SEALING_FURTHER = (
    # "any given sequence/epoch pair is unique" (RFC 6347 section 4.1)
    Further(
        "sealing-number-used-twice",
        lambda: records(ONE, OTHER),
        Told(
            "risk",
            CLIENT,
            TWICE,
            ("DTLS record 5 of epoch 1 in frames 1 and 2",),
            (1, 2),
            cite="RFC 6347 §4.1",
        ),
    ),
    # "requires the ciphertext length to be at least 16 bytes. Receivers MUST reject shorter records" (RFC 9147 4.2.3)
    Further(
        "sealed-content-not-opened",
        lambda: unified(14, cid=b"\x44"),
        Told(
            "failure",
            f"{CLIENT}: short records",
            "1 record of DTLS 1.3 with fewer than 16 octets of ciphertext",
            ("a DTLS record is not opened: 14 octets of ciphertext where 16 are the least",),
            (1,),
            advice="Let the node pad what is short with zeros before it seals it, until ciphertext and tag have 16 "
            "octets: of these no receiver can tell the number, whatever the keys.",
            cite="RFC 9147 §4.2.3",
        ),
    ),
    # of keys that say how long it is alone, this may be as wrong
    Further(
        "sealed-content-not-opened",
        lambda: unified(14, cid_length=1),
        not_opened(
            "a connection ID of 1 octet (cid, cid_length) does not fit: it would end elsewhere",
            "RFC 9147 §4",
        ),
    ),
    Further(
        "sealed-content-not-opened",
        lambda: unified(16, cid=b"\x44"),
        not_opened(
            "the tag does not match: another key, another sequence number, or altered octets",
            "RFC 9147 §4.5.2",
        ),
    ),
    Further(
        "sealed-content-not-opened",
        lambda: unified(16, cid=b"\x45"),
        not_opened(
            "the key file has no keys for it (connection ID 44, keys are given for 45)",
            "RFC 9147 §4.5.2",
            fits=False,
        ),
    ),
)
