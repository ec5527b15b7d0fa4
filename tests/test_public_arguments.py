"""Each argument of each public name given wrong: an error of the package that says so, never a bare one of Python."""

import inspect
import io
import signal
from collections.abc import Callable, Iterator
from ipaddress import IPv6Address
from pathlib import Path
from types import FunctionType
from typing import Any, NamedTuple

import pytest
from contract import air
from design.designs import SMALL
from public_inner import INNER, PARTS

import lowpanbudget
from lowpanbudget import (
    Beacon,
    Block,
    CoapMessage,
    CoapOption,
    Command,
    Context,
    Contexts,
    Counters,
    Decoder,
    Design,
    DtlsRecord,
    DtlsSender,
    EchoRequest,
    Element,
    Env,
    Fragment,
    GuaranteedSlot,
    Key,
    LeftOut,
    LowpanError,
    Mac,
    Mesh,
    Message,
    NeighborSolicitation,
    Nonces,
    OptionsHeader,
    OscoreBinding,
    OscoreOption,
    Reassembler,
    Record,
    RecordKeys,
    Rfrag,
    Rpi,
    Security,
    SecurityContext,
    Shrinker,
    SourceRoute,
    SrhLorh,
    Survey,
    TimeSeries,
    Udp,
    Unified,
    airtime,
    annotate,
    audit,
    budget,
    carry,
    carry_burst,
    carrying,
    changes_that_help,
    changes_that_help_together,
    coap_code,
    coap_flaws,
    coap_path,
    compatible,
    compress,
    decode_datagram,
    decode_frame,
    decompress,
    decrypt,
    dtls_suite,
    encode_frame,
    encodings,
    expand,
    explain,
    fit,
    follow,
    frame_rows,
    generate,
    list_frames,
    load_design,
    measure,
    open_dtls,
    open_oscore_request,
    open_oscore_response,
    page_of_capture,
    page_of_design,
    parse_design,
    protect_oscore_request,
    protect_oscore_response,
    read_capture,
    read_coap,
    read_continued,
    read_dtls,
    read_dtls_content,
    read_ghc,
    read_keys,
    read_oscore_option,
    read_senml,
    read_together,
    resolve_senml,
    review,
    room_by_hops,
    seal_dtls,
    shortest_form,
    show,
    shrink,
    split,
    survey,
    survey_files,
    sweep,
    weigh,
    write_coap,
    write_dtls,
    write_frame_table,
    write_ghc,
    write_header,
    write_icmpv6,
    write_pcap,
    write_senml,
)
from lowpanbudget.arguments import explains
from lowpanbudget.errors import repeated

EXAMPLES = Path(__file__).parents[1] / "examples"
CAPTURE = EXAMPLES / "archive.pcap"
ARCHIVE, FOOTBRIDGE = (load_design(EXAMPLES / f"{name}.toml") for name in ("archive", "footbridge"))
CLIMATE, FLOW, LINK, STATION = (
    ARCHIVE.message("climate"), ARCHIVE.flow("climate"), ARCHIVE.link, ARCHIVE.stations[0]
)  # fmt: skip
SERIES = next(one for one in (*ARCHIVE.messages, *FOOTBRIDGE.messages) if one.batch_field)
FEW = parse_design(SMALL)
# short addresses of the link, and ports of 4 bits: there is one setting that could be another
GAUGE = parse_design("""
title = "A gauge of a weir"
link = {frame_version = 0, addresses = "short", pan_id = 1}
station = [
  {name = "gauge", role = "node", short = 0x11, prefix = "fe80::/64"},
  {name = "root", role = "border", short = 1, prefix = "fe80::/64"},
]
[[flow]]
name = "level"
source = "gauge"
destination = "root"
source_port = 0xf0b1
destination_port = 0xf0b2
messages = ["level"]
[[message]]
name = "level"
byte_order = "big"
bit_order = "msb-first"
layout = "bit-packed"
field = [{kind = "number", name = "level", min = 0, max = 4000, step = 1}]
""")
NODE, ROOT = air.eui(1), air.eui(0x100)
DATAGRAM = air.udp_datagram(air.ip_of(NODE), air.ip_of(ROOT), b"12345678")
OCTETS = air.frames_of(DATAGRAM, NODE, ROOT)[0]
FRAME = decode_frame(OCTETS, contexts=air.CONTEXTS)
CUT = decode_frame(air.frames_of(DATAGRAM, NODE, ROOT, room=50)[0], contexts=air.CONTEXTS)
ENV = Env(NODE, ROOT, contexts=air.CONTEXTS)
SEALED = air.mac_of(NODE, ROOT, security=Security(5, 1, 0, None, 1))
RECORDS = (Record(1, 0, 195, OCTETS, len(OCTETS)), Record(2, 10**9, 195, OCTETS, len(OCTETS)))
PLAIN = Record(1, 0, 229, DATAGRAM, len(DATAGRAM))
CONTEXT = SecurityContext.derive(air.KEY, sender_id=b"", recipient_id=b"1")
OTHER = CONTEXT.other_end
CLEAR = CoapMessage(type=0, code=1, mid=2, options=coap_path("/a"))
ANSWER = CoapMessage(type=2, code=69, mid=2, payload=b"21")
REQUEST = protect_oscore_request(CLEAR, CONTEXT, sequence=3)
RESPONSE = protect_oscore_response(ANSWER, OTHER, REQUEST.binding)
CCM, CCM_13 = dtls_suite("TLS_PSK_WITH_AES_128_CCM_8"), dtls_suite("TLS_AES_128_CCM_8_SHA256")
KEYS, KEYS_13 = RecordKeys(air.KEY, b"salt"), RecordKeys(air.KEY, bytes(12), air.KEY)
DTLS = seal_dtls(b"text", KEYS, CCM, epoch=1, sequence=0)
DTLS_13 = seal_dtls(b"text", KEYS_13, CCM_13, epoch=3, sequence=0)
ENDS = {"source": "fe80::1", "destination": "ff02::1a"}
LINKS = {"source": air.short(1), "destination": air.short(2)}
AROUND = {"contexts": air.CONTEXTS, "root": "2001:db8::1", "rpi_type": 0x63}
PACKET = {"packet": DATAGRAM, "env": ENV, "elide_udp_checksum": False, "ghc": False, "lorh": False}
KNOWN: dict[str, Any] = {
    "capture": RECORDS, **AROUND, "keys": [air.KEY], "devices": {1: NODE}, "design": ARCHIVE, "fcs": 2,
    "timeout_s": 60, "node": NODE.hex(), "flow": "61617", "since": 0, "until": 9, "oscore": [CONTEXT],
    "dtls": [DtlsSender(CCM, KEYS)],
}  # fmt: skip


class Row(NamedTuple):
    """What is called, and arguments that are right."""

    function: Callable[..., Any]
    right: dict[str, Any]

    @property
    def name(self) -> str:
        """Return the public name, also where a value is made to be used."""
        return str(getattr(self.function, "__qualname__", self.function))


def row(called: Callable[..., Any], /, **right: Any) -> Row:
    return Row(called, right)


def made(kind: Any, use: Callable[[Any], Any], /, **right: Any) -> Row:
    """Return a row for a value that is looked at only when it is used."""

    def make(**given: Any) -> Any:
        return use(kind(**given))

    make.__qualname__ = kind.__qualname__
    return Row(make, right)


def parts(value: Any) -> dict[str, Any]:
    """Return the arguments that a value was made of."""
    return {name: getattr(value, name) for name in inspect.signature(type(value)).parameters}


def framed(**changes: Any) -> bytes:
    return encode_frame(air.mac_of(NODE, ROOT, **changes), b"A", key=air.KEY).octets


ROUTE = SourceRoute(next_header=59, segments_left=1, addresses=(bytes(16),))
ROWS = (
    row(shortest_form, frame=FRAME, root="fe80::1", rpi_type=0x63, largest=127),
    row(follow, **KNOWN),
    # what the others know is checked in the same place
    *(
        row(one, capture=RECORDS, design=ARCHIVE)
        for one in (annotate, survey, audit, measure, frame_rows, list_frames, expand, decrypt)
    ),
    row(annotate, capture=RECORDS, numbers=1),
    row(survey, capture=RECORDS, every="1 s", columns=False),
    row(audit, capture=[Record(1, 0, 195, framed(), 0)], tell=None),
    row(measure, capture=RECORDS, design=FOOTBRIDGE, burst=FOOTBRIDGE.bursts[0].name),
    row(frame_rows, capture=RECORDS, name=""),
    row(expand, capture=RECORDS, left_out=LeftOut()),
    row(decrypt, capture=RECORDS, left_out=LeftOut()),
    row(ROUTE.expand, destination=IPv6Address("fe80::1")),
    row(ROUTE.visit, destination=IPv6Address("fe80::1")),
    row(LeftOut().add, reason="no datagram", hint="give one"),
    row(LeftOut().add_all, ended=[], is_cut=lambda _: False),
    row(LeftOut.of, given=None),
    row(read_continued, captures=[CAPTURE], through=None),
    row(read_keys, path="no keys"),
    row(read_capture, source=CAPTURE, link_type=195, live=False),
    row(read_capture(CAPTURE).through, passing=iter),
    row(read_together, captures=[CAPTURE]),
    row(write_pcap, file=io.BytesIO(), records=RECORDS, link_type=195),
    made(Record, lambda one: write_pcap(io.BytesIO(), [one], 195), **RECORDS[0]._asdict()),
    made(Record, lambda one: list(follow([one])), **RECORDS[0]._asdict()),
    row(Survey().merge, other=Survey()),
    row(TimeSeries(1, 1).merge, other=TimeSeries(1, 1)),
    row(survey_files, files=[EXAMPLES / "footbridge-burst.pcap"], executor=None, every="1 min"),
    row(
        Shrinker, design=ARCHIVE, flow=FLOW, hop="first", key=air.KEY, unprotected=False, counters=Counters(),
        devices={1: bytes(8)},
    ),
    row(Shrinker(ARCHIVE, unprotected=True).frames, datagram=DATAGRAM),
    row(Shrinker(ARCHIVE, unprotected=True).ends, datagram=DATAGRAM),
    made(Counters, lambda one: Shrinker(ARCHIVE, key=air.KEY, counters=one).frames(DATAGRAM), **parts(Counters())),
    row(shrink, capture=[PLAIN], shrinker=Shrinker(ARCHIVE, unprotected=True), left_out=LeftOut()),
    row(airtime, design=ARCHIVE, flow="climate"),
    row(carry_burst, design=FOOTBRIDGE, name=FOOTBRIDGE.bursts[0].name, seed=1, runs=20, tell=None),
    row(carry, design=FEW, seed=1),
    row(changes_that_help, design=FEW, network=None, tell=None),
    row(changes_that_help_together, design=FEW, played=None, tell=None),
    row(load_design, path=EXAMPLES / "archive.toml"),
    row(parse_design, text=SMALL, file="a"),
    row(ARCHIVE.flow, name="climate"),
    row(ARCHIVE.message, name="climate"),
    row(ARCHIVE.station, name=STATION.name),
    row(FOOTBRIDGE.burst, name=FOOTBRIDGE.bursts[0].name),
    row(ARCHIVE.paths, flow=FLOW),
    row(ARCHIVE.carriers, message=CLIMATE),
    row(ARCHIVE.with_contexts, contexts=air.CONTEXTS),
    row(ARCHIVE.with_flow, flow=FLOW),
    row(ARCHIVE.with_station, station=STATION),
    row(Design.of, design=ARCHIVE),
    row(FLOW.hop_list, form="short"),
    row(FLOW.routed, form="short"),
    row(FLOW.with_hops, hops=2),
    row(FLOW.with_station, station=STATION),
    row(STATION.ip, form="short"),
    row(STATION.is_short, form="short"),
    row(STATION.link_address, form="short"),
    row(LINK.room, **LINKS),
    row(LINK.mac, **LINKS),
    row(LINK.frame, **LINKS, payload=b"A"),
    row(LINK.acknowledgement, **LINKS),
    row(Context, prefix="2001:db8::/64", may_compress=True),
    row(Context("2001:db8::/64").covers, address=air.ip_of(NODE)),
    row(Contexts, table=air.CONTEXTS),
    row(Contexts.of, table=air.CONTEXTS),
    row(Env, source=NODE, destination=ROOT, pan_id=1, **AROUND),
    row(Env.of, env=ENV),
    row(ENV.between, source=NODE, destination=ROOT),
    *(row(getattr(FRAME.packet, name), kind=Mac) for name in ("all", "find", "innermost", "head")),
    *(row(getattr(FRAME.packet, name), head=FRAME.heads[0]) for name in ("inside", "spans_of")),
    row(review, design=FOOTBRIDGE),
    row(Nonces().take, nonce=bytes(13)),
    made(Block, lambda one: CoapOption.of("Block2", one), num=1, more=False, szx=2),
    row(Block.of, number=1),
    row(coap_code, text="0.01"),
    row(coap_flaws, message=CLEAR),
    made(CoapMessage, coap_flaws, **parts(CLEAR)),
    made(CoapMessage, write_coap, **parts(CLEAR)),
    made(CoapMessage, lambda one: protect_oscore_request(one, CONTEXT, sequence=0), **parts(CLEAR)),
    row(coap_path, path="/a"),
    row(read_coap, octets=write_coap(CLEAR)),
    row(write_coap, message=CLEAR),
    row(CLEAR.first, number=11),
    row(CLEAR.all, number=11),
    made(CoapOption, lambda one: write_coap(CoapMessage(0, 1, 2, options=(one,))), number=11, octets=b"a"),
    row(CoapOption.of, name="Uri-Path", value="a"),
    row(read_dtls_content, octets=b"\1\0", content_type=21),
    row(open_dtls, record=DTLS, keys=KEYS, suite=CCM, cid_length=0, next_sequence=0),
    row(open_dtls, record=DTLS_13, keys=KEYS_13, suite=CCM_13, cid_length=0, next_sequence=0),
    row(
        seal_dtls, content=b"text", keys=KEYS, suite=CCM, epoch=1, sequence=1, content_type=23, cid=b"1", padding=1,
        used=Nonces(),
    ),
    row(
        seal_dtls, content=b"text", keys=KEYS_13, suite=CCM_13, epoch=1, sequence=1, content_type=23, cid=b"",
        padding=0, sequence_octets=1, has_length=False, used=None,
    ),
    made(DtlsRecord, write_dtls, content_type=21, epoch=0, sequence=1, fragment=b"\1\0", version=65277, cid=b""),
    made(DtlsRecord, lambda one: open_dtls(one, KEYS, CCM), **parts(DTLS)),
    made(Unified, write_dtls, **parts(DTLS_13)),
    made(Unified, lambda one: open_dtls(one, KEYS_13, CCM_13), **parts(DTLS_13)),
    row(read_dtls, octets=write_dtls(DTLS), cid_length=0),
    row(write_dtls, record=DTLS),
    row(DtlsSender, **{**parts(DtlsSender(CCM, KEYS)), "source": air.ip_of(NODE), "port": 61000, "epoch": 1}),
    row(DtlsSender(CCM, KEYS).fits, record=DTLS),
    row(DtlsSender(CCM, KEYS).sends_from, source=air.ip_of(NODE), port=1),
    row(RecordKeys, **parts(KEYS_13)),
    row(KEYS.check, suite=CCM),
    row(RecordKeys.stand_in, suite=CCM),
    row(dtls_suite, name=CCM.name),
    row(SecurityContext, **parts(CONTEXT)),
    row(
        SecurityContext.derive, master_secret=air.KEY, sender_id=b"", recipient_id=b"1", master_salt=b"",
        id_context=None, algorithm=10,
    ),
    row(SecurityContext.stand_in, sender_id=b"", recipient_id=b"1", id_context=None, algorithm=10),
    row(CONTEXT.nonce, identifier=b"", piv=b"1"),
    made(OscoreOption, bytes, piv=b"1", kid_context=b"", kid=b""),
    row(read_oscore_option, octets=b"\x09\x01"),
    made(OscoreBinding, lambda one: protect_oscore_response(ANSWER, OTHER, one), kid=b"", piv=b"\3"),
    made(OscoreBinding, lambda one: open_oscore_response(RESPONSE.octets, CONTEXT, one), kid=b"", piv=b"\3"),
    row(open_oscore_request, message=REQUEST.octets, context=OTHER),
    row(open_oscore_response, message=RESPONSE.octets, context=CONTEXT, binding=REQUEST.binding),
    row(
        protect_oscore_request, message=CLEAR, context=CONTEXT, sequence=1, send_kid_context=False, outer=(),
        used=Nonces(),
    ),
    row(
        protect_oscore_response, message=ANSWER, context=OTHER, binding=REQUEST.binding, sequence=1, outer=(),
        used=Nonces(),
    ),
    made(Mac, lambda one: encode_frame(one, b"A", key=air.KEY), **parts(SEALED)),
    made(Security, lambda one: framed(security=one), **parts(SEALED.security)),
    made(
        Element, lambda one: framed(version=2, pan_id_compression=False, header_ies=(one,)),
        **parts(Element(0x22, b"1")),
    ),
    row(Key, octets=air.KEY, key_id_mode=1, index=1, source=bytes(8)),
    row(Key.of, value=air.KEY),
    row(Key(air.KEY).opens, security=SEALED.security),
    row(read_ghc, code=b"\0", **ENDS, limit=2047),
    row(write_ghc, octets=b"\0", **ENDS, stop=False),
    row(write_header, header=Mesh(1, air.short(1), air.short(2))),
    row(write_header, header=Udp(1, 2, 8, 0), carried=b"1", **ENDS),
    made(Beacon, write_header, **parts(Beacon(15, slots=(GuaranteedSlot(1, 7, 2),), pending_short=(1,)))),
    made(GuaranteedSlot, lambda one: write_header(Beacon(15, slots=(one,))), **parts(GuaranteedSlot(1, 7, 2))),
    made(Command, write_header, id=1, fields={}, more=b"1"),
    made(Mesh, write_header, **parts(Mesh(1, air.short(1), air.short(2)))),
    made(Fragment, write_header, **parts(Fragment(100, 1))),
    made(Rfrag, write_header, **parts(Rfrag(1, 1, 8, 8))),
    made(SrhLorh, write_header, **parts(SrhLorh((b"12", b"34")))),
    made(Rpi, write_header, **parts(Rpi(1, 256))),
    made(OptionsHeader, write_header, kind=0, next_header=17, options=()),
    made(SourceRoute, write_header, next_header=17, segments_left=1, pad=0, addresses=(bytes(range(16)),)),
    made(Udp, write_header, **parts(Udp(1, 2, 8, 0))),
    row(write_icmpv6, message=EchoRequest(identifier=1, sequence_number=2), **ENDS),
    made(EchoRequest, lambda one: write_icmpv6(one, **ENDS), identifier=1, sequence_number=2, data=b"1"),
    made(
        NeighborSolicitation, lambda one: write_icmpv6(one, **ENDS), target=IPv6Address("fe80::1"), options=(),
    ),
    row(generate, message=CLIMATE, prefix=None, floats=True),
    row(read_senml, octets=b'[{"n":"a","v":1}]', form="json"),
    row(write_senml, records=[{"n": "a", "v": 1}], form="json"),
    row(resolve_senml, records=[{"n": "a", "v": 1}]),
    row(Message, **parts(CLIMATE)),
    row(SERIES.batch, octets=80, case="greatest", every_s=600),
    row(SERIES.batch_example, count=3, case="greatest"),
    row(CLIMATE.bitmap, case="typical"),
    row(CLIMATE.bitmap_of, values=CLIMATE.example("typical")),
    row(CLIMATE.cddl, keyed=False),
    row(CLIMATE.example, case="typical", given={}),
    row(CLIMATE.last_bits, octets=CLIMATE.pack(CLIMATE.example("typical"))),
    row(CLIMATE.pack, values=CLIMATE.example("typical")),
    row(CLIMATE.size_bits, case="typical"),
    row(CLIMATE.unpack, octets=CLIMATE.pack(CLIMATE.example("typical")), ignore_tail=False),
    row(write_frame_table, file=io.BytesIO(), rows=list(frame_rows(RECORDS)), form="csv"),
    row(show, result=budget(ARCHIVE, "climate")[0], width=80),
    row(page_of_capture, capture=EXAMPLES / "archive-burst.pcap", frames=1),
    row(page_of_design, design=GAUGE, combinations=1, network=False),
    row(explain, term="iphc"),
    row(room_by_hops, design=ARCHIVE, hops=[1], flow="climate"),
    row(carrying, design=ARCHIVE, octets=90, flow="climate", most_frames=1, weaker=False),
    row(compatible, old=ARCHIVE, new=ARCHIVE, message="climate", ignore_tail=True),
    row(budget, design=ARCHIVE, flow="climate"),
    row(budget(ARCHIVE, "climate")[0].cliffs, frames=3),
    row(budget(ARCHIVE, "climate")[0].cut, octets=200),
    row(encodings, design=FEW, message="reading"),
    row(fit, design=ARCHIVE, message="climate", flow="climate", spare=0, advised=False, tell=None),
    row(sweep, design=FEW, flow="up", axes={"level": [5]}, weaker=False, tell=None),
    row(sweep(FEW, "up", axes={"level": [5]})[0].carrying, octets=3),
    row(weigh, design=FEW, message="reading", octets=None),
    row(compress, **PACKET),
    row(split, **PACKET, room=80, tag=0),
    row(decompress, octets=compress(DATAGRAM, ENV).octets, env=ENV),
    row(Decoder, **AROUND, keys=air.KEY, devices={1: NODE}, layouts={1: CLIMATE}, applications={2: "CoAP"}),
    row(Decoder().frame, octets=OCTETS, fcs=2, asn=1, left_out=0),
    row(Decoder().lowpan, octets=compress(DATAGRAM, ENV).octets, source=NODE, destination=ROOT),
    row(Decoder().datagram, octets=DATAGRAM),
    row(Decoder().env, source=NODE, destination=ROOT),
    row(decode_datagram, octets=DATAGRAM),
    row(decode_frame, octets=OCTETS, fcs=2, **AROUND, keys=air.KEY, devices={1: NODE}, asn=1),
    row(encode_frame, mac=SEALED, payload=b"A", key=air.KEY, asn=1, fcs=2, devices={1: NODE}, used=Nonces()),
    row(Reassembler, **AROUND, timeout_s=60, max_datagrams=256, max_octets=1 << 20),
    row(Reassembler().feed, frame=CUT, time_s=1.0, mark=None),
    row(Reassembler().marks, frame=CUT),
    row(Reassembler().close, time_s=1.0),
    row(Reassembler().renew, env=ENV),
)  # fmt: skip
WRONG: tuple[Any, ...] = (
    None,
    -1,
    10**30,
    -(10**5000),  # Python writes no number of more than 4300 digits
    float("nan"),
    "hush",
    b"hush",
    bytearray(2),
    "\ud800",
    [],
    [None],
    {"x": None},
    object(),
)
# an argument with this name may hold a key
SECRET = {
    "key", "keys", "master_secret", "sender_key", "recipient_key", "common_iv", "iv", "sequence_key",
}  # fmt: skip


def ends(row: Row, given: dict[str, Any]) -> LowpanError | None:
    """Return how a call ends: well, or with an error of the package; any other is raised, as for an endless run."""
    for held in given.values():
        if isinstance(held, io.BytesIO):
            held.seek(0)
    fresh = {name: Nonces() if isinstance(one, Nonces) else one for name, one in given.items()}
    try:
        found = row.function(**fresh)
        if isinstance(found, Iterator):
            list(found)
    except LowpanError as error:
        return error
    return None


@pytest.fixture(autouse=True)
def _in_time() -> Iterator[None]:
    """Fail a test that runs on and on: a minute of the processor, whatever else it has to do."""

    def over(*_: object) -> None:
        raise TimeoutError("endless")

    before = signal.signal(signal.SIGVTALRM, over)
    signal.setitimer(signal.ITIMER_VIRTUAL, 60)
    yield
    signal.setitimer(signal.ITIMER_VIRTUAL, 0)
    signal.signal(signal.SIGVTALRM, before)


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.name)
def test_a_wrong_argument_is_no_bare_error(row: Row) -> None:
    for name in row.right:
        for wrong in WRONG:
            try:
                error = ends(row, {**row.right, name: wrong})
            except Exception as bare:
                raise AssertionError(f"{name}={repeated(wrong):.40}: {bare!r}") from bare
            assert error is None or error.message, f"{name}={repeated(wrong):.40}"
            assert error is None or name not in SECRET or "hush" not in f"{error!r} {error}"


FLAGS = [
    (row, name)
    for row in ROWS
    for name, right in row.right.items()
    # octets, and what was read and is not written, are none
    if isinstance(right, bool) and name not in ("fcs", "payload_ies_follow")
]


@pytest.mark.parametrize(("row", "name"), FLAGS, ids=lambda part: getattr(part, "name", part))
def test_a_flag_is_true_or_false(row: Row, name: str) -> None:
    """A checksum is left out where somebody permits it (RFC 6282 section 4.3.2), and "no" permits nothing."""
    wrongs: tuple[object, ...] = ("no", 2, [], 1.0)
    for wrong in wrongs:
        error = ends(row, {**row.right, name: wrong})
        assert error is not None
        assert name in error.message, f"{name}={wrong!r}"


def public_functions() -> Iterator[tuple[str, Any]]:
    """Yield public functions, and methods of public classes, by name."""
    for name in lowpanbudget.__all__:
        value = getattr(lowpanbudget, name)
        if inspect.isfunction(value):
            yield name, value
        elif not issubclass(value, Exception) and name not in PARTS:
            for own, held in vars(value).items():
                if not own.startswith("_") and isinstance(held, FunctionType | classmethod):
                    yield f"{name}.{own}", getattr(value, own)


def test_all_arguments_of_all_public_functions_are_tried() -> None:
    tried: dict[str, set[str]] = {}
    for one in ROWS:
        tried.setdefault(one.name, set()).update(one.right)
    missing = {}
    for name, function in public_functions():
        wanted = inspect.signature(function).parameters.values()
        names = {one.name for one in wanted if one.kind is not one.VAR_KEYWORD} - {"self"}
        missing[name] = names - tried.get(name, set())
    assert {name for name, left in missing.items() if left} == set(INNER)


def test_of_several_arguments_that_are_not_as_declared_none_is_blamed_alone() -> None:
    """A list of octets would do for what is done with them: what the call fails for is the text."""

    @explains
    def longer(octets: bytes, count: int) -> int:
        return len(octets) + count

    with pytest.raises(
        LowpanError,
        match=r"^octets is octets, not list of 1; count is a whole number, not str '2'$",
    ):
        longer([1], "2")  # type: ignore[arg-type]
    with pytest.raises(LowpanError, match=r"^count is a whole number, not str '2'$"):
        longer(b"1", "2")  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "function",
    [annotate, audit, decrypt, expand, follow, frame_rows, list_frames, measure, page_of_capture, survey, survey_files],
    ids=lambda function: function.__name__,
)  # fmt: skip
def test_a_name_that_is_no_argument_is_told_by_the_function_that_was_called(function: Any) -> None:
    asked = f"^{function.__name__}\\(\\) has no argument 'key'. Did you mean keys\\?$"
    with pytest.raises(TypeError, match=asked):
        function([], key=b"hush")
    with pytest.raises(
        TypeError, match=r"no argument 'zzz'. What is known goes by contexts, keys, dev"
    ):
        function([], zzz=1)
    with pytest.raises(TypeError, match=r"no argument 'wait'[.] Did you mean timeout_s[?]"):
        function([], wait=5)  # as the command has it
