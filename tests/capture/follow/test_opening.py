"""Contents opened with a key file: OSCORE against RFC 8613 appendix C, DTLS records against sealed ones of our own.

No output holds anything of the keys.
"""

import json
import random
from pathlib import Path
from typing import Any, Literal

import pytest
from capture.captures import CONTEXTS, eui, frames_of, ip_of, mac_of, records, udp_datagram
from capture.captures import KEY as LINK_KEY
from contract.entry import invoke
from vector_files import document

from lowpanbudget import (
    CoapOption,
    DtlsSender,
    Env,
    RecordKeys,
    RequestError,
    SecurityContext,
    annotate,
    audit,
    coap_path,
    compress,
    dtls_suite,
    encode_frame,
    follow,
    list_frames,
    parse_design,
    protect_oscore_request,
    protect_oscore_response,
    read_keys,
    seal_dtls,
    survey,
    write_dtls,
)
from lowpanbudget.bits import tiles
from lowpanbudget.capture.files.record import Record
from lowpanbudget.capture.files.writing import write_pcap
from lowpanbudget.capture.follow.tracing import Trace
from lowpanbudget.design.path import paths
from lowpanbudget.design.skeleton import Skeleton, text_of
from lowpanbudget.layers.internet.coap.codes import coap_code
from lowpanbudget.layers.internet.coap.message import CoapMessage

VECTORS = document(Path(__file__).parents[3] / "vectors" / "rfc8613" / "appendix-c.toml")
SECRET = bytes.fromhex(VECTORS["master_secret"])
MESSAGES = {one["id"]: one for one in VECTORS["message"]}
CONTEXT = {one["id"]: one for one in VECTORS["derivation"]}
CLIENT, SERVER = eui(1), eui(2)
PORT = 61000
NOT_OPENED = "content-not-opened"


def context(name: str = "C.1", *, server: bool = False, **changes: Any) -> SecurityContext:
    row = CONTEXT[name]
    ids = [bytes.fromhex(row["client_id"]), bytes.fromhex(row["server_id"])]
    sender, recipient = reversed(ids) if server else ids
    identified = {"id_context": bytes.fromhex(row["id_context"])} if "id_context" in row else {}
    salt = bytes.fromhex(row["master_salt"])
    known: dict[str, Any] = {"master_secret": SECRET, "master_salt": salt, **identified, **changes}
    return SecurityContext.derive(
        known.pop("master_secret"), sender_id=sender, recipient_id=recipient, **known
    )


def sent(payload: bytes, *, back: bool = False, port: int = 5683, room: int = 100) -> list[bytes]:
    """Return the frames of a datagram from the client to the server, or back."""
    source, destination = (SERVER, CLIENT) if back else (CLIENT, SERVER)
    ports = (port, PORT) if back else (PORT, port)
    datagram = udp_datagram(ip_of(source), ip_of(destination), payload, ports)
    return frames_of(datagram, source, destination, room=room)


def protected(name: str) -> bytes:
    return bytes.fromhex(MESSAGES[name]["protected"])


def opened(frames: list[bytes], **known: Any) -> list[Any]:
    return list(follow(records(frames), contexts=CONTEXTS, **known))


def inner(frame: Any) -> CoapMessage:
    found = [one for one in frame.frame.layers if isinstance(one, CoapMessage)]
    assert isinstance(found[-1], CoapMessage)
    return found[-1]


def why(frame: Any) -> list[str]:
    return [notice.text for notice in frame.notices if notice.name == NOT_OPENED]


@pytest.mark.parametrize("server", [False, True], ids=["client's view", "server's view"])
@pytest.mark.parametrize("request_id", ["C.4", "C.5", "C.6"])
def test_requests_of_the_standard(request_id: str, server: bool) -> None:
    """RFC 8613 appendix C.4 to C.6: what was protected stands in the frame, each octet where its ciphertext is."""
    vector = MESSAGES[request_id]
    known = context(vector["context"], server=server)
    (frame,) = opened(sent(protected(request_id)), oscore=[known])
    assert bytes(inner(frame)).hex() == vector["clear"]
    assert not why(frame)
    spans = frame.frame.spans
    assert tiles(spans, len(frame.octets) * 8)
    said = {span.name: span.value for span in spans if span.layer == "CoAP inside OSCORE"}
    assert said["code"] == bytes.fromhex(vector["plaintext"])[0]
    tag = next(span for span in spans if span.name == "tag")
    assert tag.value == bytes.fromhex(vector["ciphertext"])[-8:]


@pytest.mark.parametrize("response_id", ["C.7", "C.8"])
def test_responses_of_the_standard(response_id: str) -> None:
    """RFC 8613 appendix C.7 and C.8: a response opens by the request that it answers, and by no other."""
    answer = sent(protected(response_id), back=True)
    request, response = opened([*sent(protected("C.4")), *answer], oscore=[context()])
    assert bytes(inner(response)).hex() == MESSAGES[response_id]["clear"]
    assert inner(response).payload == b"Hello World!"
    assert not why(request) + why(response)
    (alone,) = opened(answer, oscore=[context()])
    assert "request was not seen" in why(alone)[0]


def test_a_response_to_another_request_stays_shut() -> None:
    """RFC 8613 section 5.4: kid and Partial IV of the request are authenticated with the response."""

    clear = bytes.fromhex(MESSAGES["C.4"]["clear"])
    other = protect_oscore_request(clear, context(), sequence=21)
    answer = sent(protected("C.7"), back=True)
    request, response = opened([*sent(other.octets), *answer], oscore=[context()])
    assert not why(request)
    assert "the tag does not match" in why(response)[0]
    assert response.frame.layers[-1].payload == bytes.fromhex(MESSAGES["C.7"]["ciphertext"])
    # both requests under one token, as where a response comes late
    both = [*sent(protected("C.4")), *sent(other.octets), *answer]
    assert bytes(inner(opened(both, oscore=[context()])[-1])).hex() == MESSAGES["C.7"]["clear"]


def asked_and_answered(end: SecurityContext, mid: int, kind: int = 0) -> list[list[bytes]]:
    """Return the frames of a request under one token, and of its answer: piggybacked on an acknowledgement, or not."""
    clear = CoapMessage(kind, coap_code("GET"), mid, b"\x21")
    request = protect_oscore_request(clear, end, sequence=mid)
    answer = CoapMessage(2 - kind, coap_code("Content"), mid, b"\x21", payload=b"here")
    response = protect_oscore_response(answer, end.other_end, request.binding)
    return [sent(request.octets), sent(response.octets, back=True)]


@pytest.mark.parametrize("kind", [0, 1], ids=["piggybacked", "separate"])
def test_an_answer_is_that_to_the_last_request_under_its_token(kind: int) -> None:
    """RFC 7252 section 5.3.2: token and endpoints, and the message ID of a piggybacked one."""
    other = SecurityContext.derive(SECRET, sender_id=b"\x02", recipient_id=b"\x01")
    before, shut = asked_and_answered(context(), 5, kind), asked_and_answered(other, 6, kind)
    heard = opened([*before[0], *before[1], *shut[0], *shut[1]], oscore=[context()])
    assert [why(frame) for frame in heard[:2]] == [[], []]
    assert "no context for it" in why(heard[2])[0]
    assert why(heard[3]) == ["an OSCORE message is not opened: its request is not opened"]
    # the later request was not heard: the one that is known was answered, or had another message ID
    late = asked_and_answered(context(), 7, kind)[1]
    unasked = opened([*before[0], *before[1], *late], oscore=[context()])[-1]
    assert "request was not seen" in why(unasked)[0]
    # an answer that comes after the next request of its token, which does not open, still is that of its own
    crossed = opened([*before[0], *shut[0], *before[1]], oscore=[context()])
    assert inner(crossed[-1]).payload == b"here"


def test_all_frames_that_stay_shut_are_marked_in_a_list() -> None:
    """A finding names the first twelve frames; a list marks each of them, with the answers."""
    other = SecurityContext.derive(SECRET, sender_id=b"\x02", recipient_id=b"\x01")
    pairs = [asked_and_answered(other, number) for number in range(1, 11)]
    heard = records([frame for asked, answer in pairs for frame in (*asked, *answer)])
    marked = list_frames(heard, contexts=CONTEXTS, oscore=[context()]).frames
    assert ["sealed-content-not-opened" in frame.findings for frame in marked] == [True] * 20
    found = {one.name: one for one in audit(heard, contexts=CONTEXTS, oscore=[context()]).findings}
    assert found["sealed-content-not-opened"].count == 10
    assert len(found["sealed-content-not-opened"].frames) == 12


@pytest.mark.parametrize(
    ("known", "reason"),
    [
        (context(master_secret=bytes(16)), "the tag does not match"),
        (context("C.2"), "no context for it (kid of no octets)"),
    ],
    ids=["wrong secret", "no such kid"],
)
def test_what_does_not_open_stays_as_it_is(known: SecurityContext, reason: str) -> None:
    frames = sent(protected("C.4"))
    (sealed,) = opened(frames)
    (frame,) = opened(frames, oscore=[known])
    assert reason in why(frame)[0]
    assert frame.frame.spans == sealed.frame.spans
    assert frame.frame.layers == sealed.frame.layers
    assert not why(sealed)


def test_inside_a_frame_that_the_link_sealed() -> None:
    """Two seals, one in the other: RFC 8613 appendix C.4 under a link key."""
    datagram = udp_datagram(ip_of(CLIENT), ip_of(SERVER), protected("C.4"), (PORT, 5683))
    frames = frames_of(datagram, CLIENT, SERVER, key=LINK_KEY)
    (frame,) = opened(frames, keys=LINK_KEY, oscore=[context()])
    assert bytes(inner(frame)).hex() == MESSAGES["C.4"]["clear"]
    assert tiles(frame.frame.spans, len(frame.octets) * 8)


def test_a_datagram_in_fragments() -> None:
    trace = Trace(contexts=CONTEXTS, oscore=[context()])
    first, *_, last = trace.follow(records(sent(protected("C.4"), room=40)))
    assert first.datagram is None
    assert last.contents is not None
    message = [one for one in last.contents.layers if isinstance(one, CoapMessage)][-1]
    assert bytes(message).hex() == MESSAGES["C.4"]["clear"]


# --- DTLS: sealed by the functions that tests/layers check against the standards -------------------

COAP = bytes(CoapMessage(1, coap_code("POST"), 7, b"\x21", coap_path("/t"), b"\x18\x2a"))
TLS12, TLS13 = "TLS_PSK_WITH_AES_128_CCM_8", "TLS_AES_128_CCM_SHA256"
KEY, IV12, IV13, SN = bytes(range(16)), b"\xa1\xb2\xc3\xd4", bytes(range(12)), bytes(range(16, 32))


def keys_for(suite: str) -> RecordKeys:
    return RecordKeys(KEY, IV12) if suite == TLS12 else RecordKeys(KEY, IV13, SN)


def record(suite: str, sequence: int, content: bytes = COAP, **how: Any) -> bytes:
    sealed = seal_dtls(
        content,
        keys_for(suite),
        dtls_suite(suite),
        **{"epoch": 1 if suite == TLS12 else 3, "sequence": sequence, **how},
    )
    return write_dtls(sealed)


@pytest.mark.parametrize(
    ("suite", "how", "known"),
    [
        (TLS12, {}, {}),
        (TLS12, {"cid": b"\x0a\x0b", "padding": 3}, {"cid_length": 2}),
        (TLS12, {"cid": b"\x0a\x0b"}, {"cid": b"\x0a\x0b"}),
        (TLS13, {}, {"epoch": 3}),
        (TLS13, {"cid": b"\x0a", "has_length": True}, {"cid_length": 1}),
        (TLS13, {"sequence": 700}, {"next_sequence": 690}),
    ],
)
def test_records(suite: str, how: dict[str, Any], known: dict[str, Any]) -> None:
    """RFC 6347, 9146 and 9147: the CoAP message stands where its ciphertext stands, and spans tile."""
    frames = sent(record(suite, **{"sequence": 9, **how}), port=5684)
    sender = DtlsSender(dtls_suite(suite), keys_for(suite), **known)
    (frame,) = opened(frames, dtls=[sender])
    assert bytes(inner(frame)) == COAP
    assert not frame.notices
    spans = frame.frame.spans
    assert tiles(spans, len(frame.octets) * 8)
    payload = next(span for span in spans if span.value == b"\x18\x2a")
    assert payload.layer == "CoAP"
    assert survey(records(frames), contexts=CONTEXTS, dtls=[sender]).total.application == 2
    other = DtlsSender(dtls_suite(suite), keys_for(suite), source=ip_of(SERVER), **known)
    (shut,) = opened(frames, dtls=[other])
    assert "no keys for it" in why(shut)[0] or "come with a connection ID" in why(shut)[0]


def test_numbers_of_1_3_are_followed() -> None:
    """RFC 9147 section 4.2.2: of a number that went as one octet, the one closest to that expected next is meant."""
    frames = [sent(record(TLS13, number), port=5684)[0] for number in (100, 200, 300, 400)]
    sender = DtlsSender(dtls_suite(TLS13), keys_for(TLS13))
    assert [bytes(inner(frame)) for frame in opened(frames, dtls=[sender])] == [COAP] * 4
    assert "the tag does not match" in why(opened(frames[2:], dtls=[sender])[0])[0]


def test_oscore_inside_dtls_and_a_record_that_is_no_coap() -> None:
    sender = DtlsSender(dtls_suite(TLS12), keys_for(TLS12))
    inside = sent(record(TLS12, 1, protected("C.4")), port=5684)
    (both,) = opened(inside, dtls=[sender], oscore=[context()])
    assert bytes(inner(both)).hex() == MESSAGES["C.4"]["clear"]
    assert tiles(both.frame.spans, len(both.octets) * 8)
    # closing an association: an alert, close_notify (RFC 5246 section 7.2.1)
    for content, kind in ((b"\x01\x00", 21), (b"\xff\xff\xff", 23), (b"", 23)):
        (other,) = opened(
            sent(record(TLS12, 2, content, content_type=kind), port=5684), dtls=[sender]
        )
        assert not why(other)
        assert tiles(other.frame.spans, len(other.octets) * 8)


def test_a_record_that_came_as_byte_code(tmp_path: Path) -> None:
    """RFC 7400: no octet of it stands in the frame, and its CoAP message is explained in the datagram."""
    datagram = udp_datagram(ip_of(CLIENT), ip_of(SERVER), record(TLS12, 1), (PORT, 5684))
    packed = compress(datagram, Env(CLIENT, SERVER, contexts=CONTEXTS), ghc=True)
    frames = [encode_frame(mac_of(CLIENT, SERVER), packed.octets).octets]
    path = tmp_path / "coded.pcap"
    with path.open("wb") as file:
        write_pcap(file, records(frames), 195)
    given = ("--keys", key_file(tmp_path, DTLS_TABLE), "--context", f"0={CONTEXTS[0]}")
    told = invoke("annotate", path, "--frame", 1, "--json", *given)
    (frame,) = json.loads(told.stdout)["frames"]
    layers = [span["layer"] for span in frame["contents"]["spans"]]
    assert list(dict.fromkeys(layers)) == ["DTLS", "CoAP"]
    assert [one["value"] for one in frame["contents"]["spans"] if one["name"] == "payload"] == [
        "182a"
    ]


# --- the key file, and outputs -------------------------------------------------------------------

OSCORE_TABLE = f"""
[[oscore]]
master_secret = "{SECRET.hex()}"
master_salt = "{CONTEXT["C.1"]["master_salt"]}"
sender_id = ""
recipient_id = "01"
"""
DTLS_TABLE = f"""
[[dtls]]
suite = "{TLS12}"
key = "{KEY.hex()}"
iv = "{IV12.hex()}"
source = "{ip_of(CLIENT)}"
"""


def key_file(folder: Path, text: str) -> str:
    path = folder / "keys.toml"
    path.write_text(text)
    path.chmod(0o600)
    return str(path)


def test_nothing_of_the_keys_is_ever_shown(tmp_path: Path) -> None:
    """What a command prints with a key file, on both streams, holds no octets of the file, in no form."""
    frames = [*sent(protected("C.4")), *sent(protected("C.7"), back=True)]
    frames += sent(record(TLS12, 1), port=5684)
    path = tmp_path / "sealed.pcap"
    with path.open("wb") as file:
        write_pcap(file, records(frames), 195)
    ring = read_keys(keys := key_file(tmp_path, OSCORE_TABLE + DTLS_TABLE))
    secrets = [SECRET, KEY, bytes.fromhex(CONTEXT["C.1"]["master_salt"]), IV12]
    secrets += [bytes.fromhex(CONTEXT["C.1"][name]) for name in ("client_key", "common_iv")]
    shown = [repr(ring), repr(ring.oscore), repr(ring.dtls)]
    options = ["--keys", keys, "--context", f"0={CONTEXTS[0]}"]
    target = ("-o", str(tmp_path / "out.pcap"))
    for command, more in (("annotate", ()), ("survey", ()), ("audit", ()), ("expand", target)):
        shown += [
            invoke(command, path, *options, *more, *form).output for form in ((), ("--json",))
        ]
    lines = tmp_path / "sealed.txt"
    lines.write_text("\n".join(frame.hex() for frame in frames))
    alone = invoke("annotate", lines, *options, "--json").output  # a response after its request
    assert b"Hello World!".hex() in alone.replace(" ", "")
    shown.append(alone)
    known: dict[str, Any] = {"contexts": CONTEXTS, "oscore": ring.oscore, "dtls": ring.dtls}
    shown += [repr(annotate(path, **known)), repr(audit(path, **known))]
    assert any("Hello World!" in text or b"Hello World!".hex() in text for text in shown)
    for text in shown:
        for secret in secrets:
            assert secret.hex() not in text.lower().replace(" ", "")
            assert repr(secret)[2:-1] not in text


@pytest.mark.parametrize(
    ("text", "place"),
    [
        (OSCORE_TABLE.replace(SECRET.hex(), SECRET.hex() + "zz"), "oscore 1: master_secret"),
        (OSCORE_TABLE.replace('sender_id = ""', 'sender_id = "01"'), "oscore 1: sender and"),
        (OSCORE_TABLE + f"algorithm = {int(KEY.hex()[20:], 16)}", "oscore 1: algorithm"),
        (OSCORE_TABLE + f'"{KEY.hex()}" = 1', "oscore 1 has an unknown entry"),
        (OSCORE_TABLE.replace("sender_id", "sender"), "Did you mean sender_id? Allowed are"),
        ("[[key]]\nactets = 1\n", "Did you mean octets? Allowed are"),
        (DTLS_TABLE.replace(TLS12, KEY.hex()), "dtls 1: no suite"),
        (DTLS_TABLE.replace(IV12.hex(), KEY.hex()), "dtls 1: the IV has 16 octets"),
        (DTLS_TABLE.replace(str(ip_of(CLIENT)), KEY.hex()), "dtls 1: source"),
        (DTLS_TABLE + f'port = "{KEY.hex()}"', "dtls 1: port"),
        (
            "[[keys]]\n",
            "unknown entry, keys Did you mean [[key]]? Allowed are [[key]], [[oscore]],",
        ),
        (
            f'"{KEY.hex()}" = 1',
            ": the top level has an unknown entry, number 1 of those in it Allowed are",
        ),
        ("[devices]\n", "has no key and no device in it"),
        (
            f'[[oscore]]\nmaster_secret{KEY.hex()[:16]} = "{SECRET.hex()}"',
            ", line 1: oscore 1 has an unknown entry, number 1 of those in it",
        ),
        ("[[key]]\nactets = 1\n", ", line 1: key 1 has an unknown entry, actets"),
        (
            f'# mine\n[[key]]\noctets = "{KEY.hex()}"\n[[key]]\n"{KEY.hex()}" = 1',
            ", line 4: key 2 has",
        ),
        (
            '[devices]\n"0x0001" = "0200000000000001"\n0x0013 = "13"',
            ", line 3: device 0x0013 has no EUI-64",
        ),
        (f'[devices]\n"{KEY.hex()}" = "0200000000000001"', "device 1 cannot be read"),
    ],
)
def test_faults_are_told_by_place(tmp_path: Path, text: str, place: str) -> None:
    with pytest.raises(RequestError) as caught:
        read_keys(key_file(tmp_path, text))
    told = f"{caught.value} {caught.value.hint}"
    if place.endswith("Allowed are") or "[[keys]]" in text:
        told = f"{caught.value.message} {caught.value.hint}"
    assert place in told
    assert SECRET.hex() not in told
    assert KEY.hex() not in told


def test_changed_octets_raise_nothing() -> None:
    """Whatever was damaged on the way is told, or reads as it would without keys."""
    rng = random.Random(11)
    senders = [
        DtlsSender(dtls_suite(TLS12), keys_for(TLS12), cid_length=2),
        DtlsSender(dtls_suite(TLS12), keys_for(TLS12)),
        DtlsSender(dtls_suite(TLS13), keys_for(TLS13)),
    ]
    payloads = [
        (protected("C.4"), False, 5683), (protected("C.6"), False, 5683), (protected("C.8"), True, 5683),
        (record(TLS12, 1), False, 5684), (record(TLS12, 2, cid=b"ab"), False, 5684), (record(TLS13, 3), False, 5684),
    ]  # fmt: skip
    found: list[Record] = []
    for round_number in range(40):
        for payload, back, port in payloads:
            octets = bytearray(payload)
            for _ in range(round_number % 4):
                octets[rng.randrange(len(octets))] = rng.randrange(256)
            cut = len(octets) - rng.randrange(4) * (round_number % 2)
            found += records(sent(bytes(octets[:cut]), back=back, port=port))
    known: dict[str, Any] = {"contexts": CONTEXTS, "oscore": [context(), context("C.3")]}
    for frame in follow(found, **known, dtls=senders):
        assert tiles(frame.frame.spans, len(frame.octets) * 8)
    audit(found, **known, dtls=senders)
    assert survey(found, **known, dtls=senders).total.frames == len(found)


@pytest.mark.parametrize("transport", ["oscore", "dtls"])
def test_the_message_of_a_design_stands_inside(transport: Literal["oscore", "dtls"]) -> None:
    """Frames of a design are sealed under zeros: opened with those, they hold what was packed."""
    design = parse_design(text_of(Skeleton(level=0, transport=transport)))
    flow, message = design.flows[0], design.message("reading")
    path = paths(design.link, design.contexts, flow)[-1]
    values = {"sequence": 5, "temperature": 21.5, "humidity": 40.0}
    encoded = path.frames(message.pack(values), message)
    known: dict[str, Any] = {"design": design}
    if flow.application.oscore is not None:
        ids = flow.application.oscore
        known["oscore"] = [
            SecurityContext.stand_in(sender_id=ids.recipient_id, recipient_id=ids.sender_id)
        ]
    if flow.application.dtls is not None:
        suite = flow.application.dtls.suite
        known["dtls"] = [DtlsSender(suite, RecordKeys.stand_in(suite))]
    found = records([frame.octets for frame in encoded])
    (frame,) = follow(found, **known)
    assert frame.message is not None
    assert frame.message.values == {"version": 1, **values}
    if len(encoded) == 1:
        names = [span.name for span in frame.frame.spans]
        assert [name for name in names if name in values] == list(values)
    (sealed,) = follow(found, design=design)
    assert sealed.message is not None
    assert sealed.message.sealed
    counted = survey(found, **known)
    assert counted.total.application == len(message.pack(values))
    assert sum(counted.total.layer_bits.values()) == 8 * counted.total.octets


@pytest.mark.parametrize("version", [1, 5])
@pytest.mark.parametrize("suite", ["TLS_PSK_WITH_AES_128_CCM_8", "TLS_AES_128_CCM_8_SHA256"])
def test_a_message_straight_in_its_record(suite: str, version: int) -> None:
    """What the application sent is the content of the record (RFC 6347 section 4.1, RFC 9147 section 4).

    Version 5 in four bits makes its first octet 0x50, with which messages of CoAP begin as well (RFC 7252 section 3):
    such spans are read as one.
    """
    text = text_of(Skeleton(level=0, transport="dtls"))
    coap, dtls = text.index("[flow.coap]"), text.index("[flow.dtls]")
    text = (text[:coap] + text[dtls:]).replace("TLS_AES_128_CCM_8_SHA256", suite, 1)
    text = text.replace('"version", value = 1 }', f'"version", value = {version}, bits = 4 }}', 1)
    design = parse_design(text)
    flow, message = design.flows[0], design.message("reading")
    assert flow.application.coap is None
    assert flow.application.dtls is not None
    path = paths(design.link, design.contexts, flow)[-1]
    values = {"sequence": 5, "temperature": 21.5, "humidity": 40.0}
    packed = message.pack(values)
    assert packed[0] == version << 4
    (encoded,) = path.frames(packed, message)
    keys = RecordKeys.stand_in(flow.application.dtls.suite)
    senders = [DtlsSender(flow.application.dtls.suite, keys)]
    (frame,) = follow(records([encoded.octets]), design=design, dtls=senders)
    assert frame.message is not None
    assert frame.message.values == {"version": version, **values}
    fields = [span for span in frame.frame.spans if span.name in values]
    assert [span.name for span in fields] == (list(values) if version == 1 else [])
    assert tiles(frame.frame.spans, len(frame.octets) * 8)
    # the same flow ends its association with an alert, close_notify (RFC 5246 section 7.2.1): no message
    alert = seal_dtls(b"\x01\x00", keys, senders[0].suite, epoch=1, sequence=9, content_type=21)
    sealed = udp_datagram(
        flow.source.ip("extended"),
        flow.destination.ip("extended"),
        write_dtls(alert),
        (0xF0B1, 5684),
    )
    frames = frames_of(sealed, CLIENT, SERVER)
    (told,) = follow(records(frames), design=design, dtls=senders)
    assert told.message is None


def test_findings_read_what_was_opened() -> None:
    """RFC 7252 section 5.10, table 4: a Uri-Port has 2 octets at most; inside, nobody sees it without the keys."""
    options = (*coap_path("/t"), CoapOption(7, b"\1\2\3"))
    wrong = bytes(CoapMessage(1, coap_code("GET"), 7, b"\x21", options))
    frames = [sent(record(TLS12, n, wrong, cid=b"\x0a"), port=5684)[0] for n in range(3)]
    sealed = protect_oscore_request(wrong, context(), sequence=1).octets
    sender = DtlsSender(dtls_suite(TLS12), keys_for(TLS12), cid_length=1)

    def names(frames: list[bytes], **known: Any) -> set[str]:
        found = audit(records(frames), contexts=CONTEXTS, **known).findings
        return {finding.name for finding in found}

    forbidden = "coap-message-forbidden"
    assert forbidden not in names(frames)
    assert forbidden in names(frames, dtls=[sender])
    assert names(sent(sealed)) == names(sent(sealed), oscore=[context()])  # Uri-Port stays outside
    inside = bytes(CoapMessage(1, coap_code("GET"), 7, b"", (CoapOption(17, b"\1\2\3"),)))
    sealed = protect_oscore_request(inside, context(), sequence=2).octets
    assert forbidden in names(sent(sealed), oscore=[context()]) - names(sent(sealed))
