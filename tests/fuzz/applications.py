"""What stands in datagrams: CoAP, OSCORE, DTLS, byte code, SenML. Read and written again; sealed and opened again."""

from typing import Any

from fuzz.registry import (
    KEYS,
    OUTCOMES,
    Choices,
    check_fault,
    check_request,
    check_secrecy,
    entry,
    refusal,
    sampled,
)

from lowpanbudget import (
    CoapMessage,
    RecordKeys,
    RequestError,
    SecurityContext,
    WireError,
    coap_flaws,
    dtls_suite,
    open_dtls,
    open_oscore_request,
    open_oscore_response,
    protect_oscore_request,
    protect_oscore_response,
    read_coap,
    read_dtls,
    read_dtls_content,
    read_ghc,
    read_oscore_option,
    read_senml,
    resolve_senml,
    seal_dtls,
    write_coap,
    write_dtls,
    write_ghc,
    write_senml,
)
from lowpanbudget.layers.internet.dtls.suites import SUITES

ENDS = ("2001:db8::ff:fe00:1", "fe80::1")


def failed(error: WireError, octets: int) -> None:
    check_fault(error, octets)
    OUTCOMES[type(error).__name__] += 1


@entry("CoAP", longest=200)
def any_coap(data: bytes) -> None:
    try:
        message = read_coap(data)
    except WireError as error:
        failed(error, len(data))
        return
    assert write_coap(message) == data
    for flaw in coap_flaws(message):
        assert str(flaw)
    OUTCOMES["a message"] += 1


@entry("DTLS records", longest=200)
def any_records(data: bytes) -> None:
    choice, octets = data[:1], data[1:]
    length = None if not choice or choice[0] & 7 == 7 else choice[0] & 7
    try:
        records = read_dtls(octets, cid_length=length)
    except WireError as error:
        failed(error, len(octets))
        return
    assert b"".join(map(write_dtls, records)) == octets
    for record in records:
        try:
            read_dtls_content(record.fragment, getattr(record, "content_type", 23))
        except WireError as error:
            check_fault(error, len(record.fragment))
    OUTCOMES["records"] += 1


SUITE_NAMES = tuple(SUITES)


@entry("DTLS sealed", longest=200)
def sealed_records(data: bytes) -> None:
    choices = Choices(data)
    suite = dtls_suite(choices.of(SUITE_NAMES))
    flags, epoch, sequence, damage = (
        choices.octet(), choices.number(2), choices.number(6), choices.number(2),
    )  # fmt: skip
    cid, content = choices.sized(8), choices.rest()
    secret = KEYS[0] * 3
    keys = RecordKeys(
        secret[: suite.aead.key],
        secret[-suite.salt :],
        KEYS[1] * (suite.aead.key // 16) if suite.version == "1.3" else b"",
    )
    newer: dict[str, Any] = {"sequence_octets": 1 + (flags & 1), "has_length": bool(flags & 2)}
    try:
        record = seal_dtls(
            content, keys, suite, epoch=epoch, sequence=sequence, cid=cid, padding=flags >> 4,
            content_type=21 + (flags >> 2 & 3), **newer if suite.version == "1.3" else {},
        )  # fmt: skip
        octets = bytearray(write_dtls(record))
    except RequestError as error:
        check_request(error)
        OUTCOMES[f"not sealed: {refusal(error)}"] += 1
        return
    check_secrecy(f"{record!r} {keys!r} {suite!r}", content, bytes(octets))
    damaged = bool(damage & 1)
    if damaged:
        octets[damage % len(octets)] ^= 1 << (damage >> 13)
    try:
        opened = open_dtls(bytes(octets), keys, suite, cid_length=len(cid), next_sequence=sequence)
    except WireError as error:
        assert damaged
        failed(error, len(octets))
        return
    except RequestError as error:
        assert damaged
        check_request(error)
        return
    # what no integrity code covers can be done without: a version, a length
    assert opened.content == content
    OUTCOMES["opened"] += 1


def contexts() -> tuple[SecurityContext, SecurityContext]:
    given: dict[str, Any] = {"master_salt": b"salt", "id_context": b"\7"}
    client = SecurityContext.derive(KEYS[0], sender_id=b"\1", recipient_id=b"\2", **given)
    server = SecurityContext.derive(KEYS[0], sender_id=b"\2", recipient_id=b"\1", **given)
    return client, server


CLIENT, SERVER = contexts()


@entry("OSCORE", longest=200)
def any_protected(data: bytes) -> None:
    choices = Choices(data)
    sequence, flags, damage = choices.number(5), choices.octet(), choices.number(2)
    octets = choices.rest()
    if flags & 1:
        any_oscore_octets(octets)
        return
    try:
        message = read_coap(octets)
        request = CoapMessage(0, 1, 1)
        if message.is_request:
            result = protect_oscore_request(
                message, CLIENT, sequence=sequence, send_kid_context=bool(flags & 2)
            )
        else:
            asked = protect_oscore_request(request, CLIENT, sequence=1)
            number = sequence if flags & 2 else None
            result = protect_oscore_response(message, SERVER, asked.binding, sequence=number)
    except WireError as error:
        failed(error, len(octets))
        return
    except RequestError as error:
        check_request(error)
        OUTCOMES[f"not protected: {refusal(error)}"] += 1
        return
    if sampled(data, 8):
        keys = (CLIENT.sender_key, CLIENT.recipient_key, CLIENT.common_iv)
        assert not any(key.hex() in f"{result!r} {CLIENT!r}" for key in keys)
        check_secrecy(f"{result!r} {CLIENT!r}", octets, result.octets)
    sent = bytearray(result.octets)
    if damage & 1:
        sent[damage % len(sent)] ^= 1 << (damage >> 13)
    opened(bytes(sent), message, result.octets, result.binding)


def opened(sent: bytes, message: CoapMessage, whole: bytes, binding: Any) -> None:
    try:
        back = (
            open_oscore_request(sent, SERVER)
            if message.is_request
            else open_oscore_response(sent, CLIENT, binding)
        )
    except WireError as error:
        assert sent != whole
        failed(error, len(sent))
        return
    OUTCOMES["opened"] += 1
    inner = back.message
    assert (inner.code, inner.payload) == (message.code, message.payload)
    if sent == whole:
        assert inner.token == message.token
        assert bytes(read_coap(back.octets)) == back.octets


def any_oscore_octets(octets: bytes) -> None:
    try:
        value = read_oscore_option(octets)
    except WireError as error:
        failed(error, len(octets))
    else:
        assert bytes(value) == octets
        OUTCOMES["an option"] += 1
    try:
        open_oscore_request(octets, SERVER)
    except WireError as error:
        failed(error, len(octets))


@entry("byte code", longest=120)
def any_code(data: bytes) -> None:
    choice, octets = data[:1], data[1:]
    if choice and choice[0] & 1:
        stop = bool(choice[0] & 2)
        code = write_ghc(octets, *ENDS, stop=stop)
        assert len(code) <= len(octets) + (len(octets) + 94) // 95 + stop
        assert read_ghc(code, *ENDS).octets == octets
        OUTCOMES["written"] += 1
        return
    limit = 2047 if not choice or choice[0] & 2 else choice[0]
    try:
        expansion = read_ghc(octets, *ENDS, limit=limit)
    except WireError as error:
        failed(error, len(octets))
        return
    assert len(expansion.octets) <= limit
    OUTCOMES["expanded"] += 1
    if len(expansion.octets) <= 200 and sampled(data, 8):
        code = write_ghc(expansion.octets, *ENDS)
        assert len(code) <= len(octets)
        assert read_ghc(code, *ENDS).octets == expansion.octets


@entry("SenML", longest=300)
def any_pack(data: bytes) -> None:
    form: Any = "cbor" if data[:1] > b"\x7f" else "json"
    octets = data[1:]
    try:
        records = read_senml(octets, form)
    except WireError as error:
        failed(error, len(octets))
        return
    OUTCOMES["a pack"] += 1
    try:
        again = write_senml(records, form)
    except RequestError as error:
        check_request(error)
        OUTCOMES[f"not written: {refusal(error)}"] += 1
    else:
        assert read_senml(again, form) == records
    try:
        resolve_senml(records)
    except (WireError, RequestError) as error:
        OUTCOMES[f"not resolved: {type(error).__name__}"] += 1
