"""Captures through the public names: read, followed, picked, audited, surveyed, converted; scapy reads them as well."""

import io
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from inspect import getdoc, signature
from pathlib import Path
from typing import Any, Unpack

import pytest
from contract import air
from scapy.layers.inet6 import IPv6
from scapy.utils import RawPcapReader

from lowpanbudget import (
    Activity,
    CapturedFrame,
    CaptureFile,
    CaptureFindings,
    CaptureFrames,
    Cell,
    Comparison,
    Contexts,
    ContinuedCapture,
    Counters,
    Datagram,
    Decoder,
    Device,
    Discarded,
    DtlsSender,
    Env,
    FcsVerdict,
    FlowKey,
    Frame,
    FrameList,
    FrameRow,
    Key,
    KeyRing,
    LearnedContext,
    LeftOut,
    ListedFrame,
    Mac,
    Matched,
    MessageValue,
    ReadingNotice,
    Reception,
    Record,
    RecordKeys,
    RequestError,
    Security,
    Severity,
    Shrinker,
    Survey,
    SurveyedFile,
    Tally,
    TimeSeries,
    TraceOptions,
    Truncated,
    WireError,
    annotate,
    audit,
    compress,
    decode_frame,
    decompress,
    decrypt,
    dtls_suite,
    encode_frame,
    expand,
    explain,
    follow,
    frame_rows,
    list_frames,
    load_design,
    measure,
    parse_design,
    read_capture,
    read_coap,
    read_continued,
    read_keys,
    read_together,
    seal_dtls,
    shrink,
    survey,
    survey_files,
    write_dtls,
    write_frame_table,
    write_pcap,
)

EXAMPLES = Path(__file__).parents[1] / "examples"
ARCHIVE, CAPTURE = load_design(EXAMPLES / "archive.toml"), EXAMPLES / "archive.pcap"
NODE, ROOT = air.eui(1), air.eui(0x100)
DATAGRAM = air.udp_datagram(air.ip_of(NODE), air.ip_of(ROOT), b"12345678")
FLOW = FlowKey(air.ip_of(NODE), air.ip_of(ROOT), air.UDP, 0xF0B1, 0xF0B2)


def records(frames: list[bytes], link_type: int = 195) -> list[Record]:
    """Return records two seconds apart: longer than retries last."""
    return [Record(n, 2 * n * 10**9, link_type, f, len(f)) for n, f in enumerate(frames, 1)]


@pytest.fixture(scope="module")
def ring(tmp_path_factory: pytest.TempPathFactory) -> KeyRing:
    path = tmp_path_factory.mktemp("keys") / "keys.toml"
    path.write_bytes((EXAMPLES / "archive.keys.toml").read_bytes())
    path.chmod(0o644)
    with pytest.raises(RequestError, match="may be used by others"):
        read_keys(str(path))
    path.chmod(0o600)
    return read_keys(str(path))


@pytest.mark.parametrize("digits", ["9" * 5000, "0x" + "f" * 5000, "-1" + "0" * 30])
def test_a_key_file_with_endless_numbers_is_refused(tmp_path: Path, digits: str) -> None:
    path = tmp_path / "keys.toml"
    path.write_text(f'[[key]]\noctets = "{bytes(16).hex()}"\nindex = {digits}\n')
    path.chmod(0o600)
    with pytest.raises(RequestError) as caught:
        read_keys(str(path))
    assert "999" not in str(caught.value)
    assert str(path) in str(caught.value)


@pytest.mark.parametrize(
    ("text", "place", "what", "hint"),
    [
        (
            '[devices]\n"0x0011" = "02"\n"0x0011" = "03"\n',
            3,
            "a name stands",
            "Leave one of the two",
        ),
        ('[[key]]\noctets = "6b"\noctets = "6b"\n', 3, "a name stands", "Leave one of the two"),
        ("[devices]\n[[key]]\n[devices]\n", 3, "a table begins", "has two brackets"),
        ('[key]\noctets = "6b"\n[key]\n', 3, "a table begins", "has two brackets"),
        ('["6b (at 6b)"]\n["6b (at 6b)"]\n', 2, "a table begins", "has two brackets"),
        ('[[key]]\noctets = "6b\n', 2, "", "32 hex digits"),  # the near miss: no end of a text
    ],
)
def test_what_stands_twice_in_a_key_file_is_told_and_not_shown(
    tmp_path: Path, text: str, place: int, what: str, hint: str
) -> None:
    """TOML 1.0.0, "Keys" and "Table", from memory: neither a key nor a table may be defined more than once."""
    path = tmp_path / "twice"
    path.write_text(text)
    path.chmod(0o600)
    with pytest.raises(RequestError, match=rf"no valid TOML \(at line {place}, ") as caught:
        read_keys(str(path))
    said = caught.value.message.removeprefix(str(path)) + caught.value.hint
    assert ("second time" in said) is bool(what)
    assert what in said
    assert hint in said
    assert "6b" not in said


def test_a_key_file_may_hold_devices_alone(tmp_path: Path) -> None:
    """Who has no key still knows which EUI-64 has which short address."""
    path = tmp_path / "keys.toml"
    path.write_text('[devices]\n"0x0001" = "0200000000000001"\n')
    path.chmod(0o600)
    ring = read_keys(str(path))
    assert (ring.keys, ring.oscore, ring.dtls) == ((), (), ())
    assert ring.devices == {1: "0200000000000001"}
    path.write_text("[devices]\n")
    with pytest.raises(RequestError, match="no key and no device"):
        read_keys(str(path))


@pytest.mark.parametrize(
    ("source", "opens"),
    [("0102030405060708", True), ("0807060504030201", True), ("0102030405060709", False)],
)
def test_a_key_source_opens_as_it_is_read_and_as_it_is_sent(
    tmp_path: Path, source: str, *, opens: bool
) -> None:
    """Fields of the MAC go least significant octet first (IEEE 802.15.4-2015 clause 4, from memory); both are told."""
    key, named = bytes(range(16)), bytes.fromhex("0102030405060708")
    security = Security(5, 3, 1, key_source=named, key_index=1)
    mac = Mac(
        destination_pan=1, destination=ROOT, source=NODE, pan_id_compression=True, security=security
    )
    octets = encode_frame(mac, b"sealed", key=key).octets
    assert named[::-1] in octets
    path = tmp_path / "keys.toml"
    path.write_text(f'[[key]]\noctets = "{key.hex()}"\nkey_id_mode = 3\nsource = "{source}"\n')
    path.chmod(0o600)
    frame = decode_frame(octets, keys=read_keys(str(path)).keys)
    assert (frame.payload == b"sealed") is opens
    (found,) = explain("key.source")
    assert "most significant octet first or in the order of the air" in str(found.data)


def test_a_record_is_opened_with_the_keys_of_its_sender() -> None:
    suite, keys = dtls_suite("TLS_PSK_WITH_AES_128_CCM_8"), RecordKeys(bytes(16), bytes(4))
    sealed = write_dtls(seal_dtls(b"\x50\x01\x00\x07", keys, suite, epoch=1, sequence=0))
    datagram = air.udp_datagram(air.ip_of(NODE), air.ip_of(ROOT), sealed, (61000, 5684))
    (octets,) = air.frames_of(datagram, NODE, ROOT)
    sender = DtlsSender(suite, keys, source=air.ip_of(NODE), port=61000)
    (frame,) = follow(
        [Record(1, 0, 195, octets, len(octets))], contexts=air.CONTEXTS, dtls=[sender]
    )
    assert frame.frame.layers[-1] == read_coap(b"\x50\x01\x00\x07")


def test_records_are_those_that_scapy_reads() -> None:
    reader = RawPcapReader(str(CAPTURE))
    theirs = [(n, octets) for n, (octets, _) in enumerate(reader, 1)]
    reader.close()
    with read_capture(CAPTURE) as found:
        assert isinstance(found, CaptureFile)
        assert found.format == "pcap"
        assert [(one.number, one.octets) for one in found] == theirs
    frames = follow(CAPTURE, design=ARCHIVE)
    assert isinstance(frames, CaptureFrames)
    assert [(one.number, one.octets) for one in frames] == theirs
    assert all(isinstance(verdict, FcsVerdict) for verdict in frames.check_sequences)
    assert isinstance(frames.contexts, Contexts)
    assert frames.notices == ()


def test_captures_of_two_receivers_are_followed_and_listed_as_one() -> None:
    """The second one's clock is 3 ms late, and it missed the first frame."""
    frames = [air.frames_of(DATAGRAM, NODE, ROOT, sequence=number)[0] for number in range(3)]
    late = [one._replace(time_ns=(one.time_ns or 0) + 3 * 10**6) for one in records(frames)[1:]]
    files = []
    for heard in (records(frames), late):
        files.append(io.BytesIO())
        write_pcap(files[-1], heard, 195)
        files[-1].seek(0)
    found = follow(read_together(files), contexts=air.CONTEXTS)
    assert [(one.number, one.heard_as) for one in found] == [
        (1, None), (2, None), (3, 2), (4, None), (5, 4),
    ]  # fmt: skip
    assert found.receptions == (Reception("capture 1", 3, 2), Reception("capture 2", 2, 2))
    for file in files:
        file.seek(0)
    listed = list_frames(read_together(files), contexts=air.CONTEXTS, since=2)
    assert isinstance(listed, FrameList)
    assert (listed.total, listed.first_ns) == (5, 2 * 10**9)
    assert all(isinstance(one, ListedFrame) for one in listed.frames)
    assert [(one.number, one.source, one.heard_as) for one in listed.frames] == [
        (2, NODE, None), (3, NODE, 2), (4, NODE, None), (5, NODE, 4),
    ]  # fmt: skip
    with pytest.raises(RequestError, match="times"):
        list(follow(read_together([read_capture(io.BytesIO(frames[0].hex().encode()))])))


def test_a_datagram_is_expanded_once_for_each_hop() -> None:
    """What is passed on has one hop less to go (RFC 8200 section 3)."""
    relay = air.eui(7)
    passed = DATAGRAM[:7] + bytes([DATAGRAM[7] - 1]) + DATAGRAM[8:]
    frames = [*air.frames_of(DATAGRAM, NODE, relay), *air.frames_of(passed, relay, ROOT)]
    datagrams = [record.octets for record in expand(records(frames), contexts=air.CONTEXTS)]
    assert datagrams == [DATAGRAM, passed]


def test_a_list_keeps_once_what_frames_have_alike() -> None:
    """Captures have hundreds of thousands of frames, and few words for them."""
    frames = air.frames_of(DATAGRAM, NODE, ROOT) * 2
    first, second = list_frames(records(frames), contexts=air.CONTEXTS).frames
    assert first.source is second.source
    assert first.flow is second.flow


def test_a_capture_is_a_path_a_file_a_reader_or_records() -> None:
    frames = air.frames_of(DATAGRAM, NODE, ROOT)
    file = io.BytesIO()
    assert write_pcap(file, records(frames), 195) == 1
    known: Any = {"contexts": air.CONTEXTS, "fcs": 2}
    for capture in (io.BytesIO(file.getvalue()), read_capture(io.BytesIO(file.getvalue()))):
        (one,) = follow(capture, **known)
        assert one.datagram == Datagram(DATAGRAM)
    (one,) = follow(records(frames), **known)
    assert isinstance(one, CapturedFrame)
    assert (one.number, one.time_ns, one.kind, one.flow) == (1, 2 * 10**9, "data", FLOW)
    assert (one.fcs_ok, one.damaged, one.verified, one.fault, one.reason) == (
        True, False, False, None, "",
    )  # fmt: skip
    assert one.frame == decode_frame(frames[0], contexts=air.CONTEXTS)
    assert [head.name for head in one.restored] == ["IPv6", "UDP"]
    (notice,) = list_notices(b"no capture")
    assert isinstance(notice, ReadingNotice)
    assert notice.is_damage


@pytest.mark.parametrize("kind", [bytearray, memoryview])
def test_octets_of_records_may_be_of_any_kind(kind: Callable[[bytearray], Any]) -> None:
    """What a socket or a mapped file gives is read as bytes are, and not looked at again."""
    frames = air.frames_of(DATAGRAM, NODE, ROOT) * 3
    buffers = [bytearray(frame) for frame in frames]
    given = [kind(buffer) for buffer in buffers]
    made = [one._replace(octets=octets) for one, octets in zip(records(frames), given, strict=True)]
    found = []
    for sighting in follow(made, contexts=air.CONTEXTS):
        buffers[sighting.number - 1][0] ^= 0xFF
        found.append(sighting.frame.octets)
    assert found == [one.frame.octets for one in follow(records(frames), contexts=air.CONTEXTS)]


def list_notices(octets: bytes) -> tuple[ReadingNotice, ...]:
    with read_capture(io.BytesIO(octets + b"\xff\x00\x01")) as found:
        assert list(found) == []
        return found.notices


def test_fragments_are_put_together_and_repeats_are_told() -> None:
    long = air.udp_datagram(air.ip_of(NODE), air.ip_of(ROOT), bytes(200))
    cut = air.frames_of(long, NODE, ROOT)
    assert len(cut) == 3
    found = list(follow(records([cut[0], cut[0], *cut[1:]]), contexts=air.CONTEXTS, fcs=2))
    assert [one.datagram for one in found] == [None, None, None, Datagram(long)]
    assert found[-1].brought_by == (1, 3, 4)
    assert found[1].copy_of == 1 or found[1].retransmission_of == 1
    frames = follow(records(cut[:2]), contexts=air.CONTEXTS, fcs=2)
    assert [one.datagram for one in frames] == [None, None]
    (open_one,) = frames.unfinished
    assert isinstance(open_one, Discarded)
    assert open_one.marks == (1, 2)
    first, second = annotate(records(cut), [1, 2], contexts=air.CONTEXTS, fcs=2)
    assert first.brought_by == second.brought_by == (1, 2, 3)
    (lost,) = annotate(records(cut[:2]), [2], contexts=air.CONTEXTS, fcs=2)
    assert "ended" in lost.never_whole
    shortest = first.shortest
    assert isinstance(shortest, Comparison)
    assert shortest.frames_here == 3


def test_what_is_learned_can_be_asked_for(ring: KeyRing) -> None:
    assert all(isinstance(key, Key) for key in ring.keys)
    frames = follow(CAPTURE, keys=ring.keys, devices=ring.devices)
    read = sum(one.datagram is not None for one in frames)
    assert read > sum(one.datagram is not None for one in follow(CAPTURE))
    assert frames.learned_contexts
    assert all(isinstance(one, LearnedContext) for one in frames.learned_contexts)
    assert set(frames.contexts) == {one.cid for one in frames.learned_contexts}
    # a link-local address made of a universal EUI-64, behind a short address (RFC 4291 appendix A)
    eui64 = bytes.fromhex("00005eef10000001")
    own = air.udp_datagram(air.ip_of(eui64, "fe80::"), air.ip_of(ROOT), b"x")
    frames = follow(records(air.frames_of(own, air.short(7), ROOT)), contexts=air.CONTEXTS)
    assert len(list(frames)) == 1
    (device,) = frames.learned_devices
    assert isinstance(device, Device)
    assert (device.pan, device.short, device.eui64) == (air.PAN, 7, eui64)


def test_messages_of_a_design_are_read() -> None:
    # frame 24 is in the clear: 14 octets behind MAC, IPHC and UDP; its values by hand from the octets 01020000f2f8...
    (one,) = annotate(CAPTURE, 24, design=ARCHIVE)
    assert isinstance(one.message, Matched)
    assert one.message.flow.name == "climate"
    assert isinstance(one.message.readings[0], MessageValue)
    values = one.message.values
    assert values is not None
    temperature = int.from_bytes(one.octets[18:20], "little", signed=True)
    assert values["temperature"] * 100 == temperature
    assert isinstance(one.frame, Frame)
    assert "message climate" in {span.layer for span in one.frame.spans}
    message = ARCHIVE.message("climate")
    assert message.pack(values) == one.octets[14:-2]


def test_an_audit_is_a_value(ring: KeyRing) -> None:
    found = audit(CAPTURE, design=ARCHIVE)
    assert isinstance(found, CaptureFindings)
    # README: 354 frames, 4 failures, 1 waste, 2 remarks
    assert found.frames == 354
    assert [one.severity for one in found.findings] == [
        *[Severity.FAILURE] * 4, Severity.WASTE, *[Severity.REMARK] * 2,
    ]  # fmt: skip
    assert found.has_weight
    more = audit(CAPTURE, design=ARCHIVE, keys=ring.keys, devices=ring.devices)
    planted = {"identifier-by-old-rule", "universal-local-bit-wrong", "context-table-differs"}
    assert planted <= {one.name for one in more.findings}
    right = records(air.frames_of(DATAGRAM, NODE, ROOT))
    assert audit(right, contexts=air.CONTEXTS).findings == ()
    assert [one.name for one in audit(right).findings] == ["context-unknown"]


def test_a_survey_counts_and_adds_up() -> None:
    frames = air.frames_of(DATAGRAM, NODE, ROOT)
    one = survey(records(frames), contexts=air.CONTEXTS)
    assert isinstance(one, Survey)
    assert isinstance(one.total, Tally)
    assert (one.total.frames, one.total.octets) == (1, len(frames[0]))
    assert set(one.cells) == {Cell("data", FLOW, NODE)}
    assert one.flows == {FLOW: one.total}
    assert (one + one).total.octets == 2 * len(frames[0])


def test_a_survey_over_time() -> None:
    """Three frames two seconds apart, in steps of five seconds from 1970: at 2 and 4, and at 6 s."""
    frames = [air.frames_of(DATAGRAM, NODE, ROOT, sequence=number)[0] for number in (1, 2, 4)]
    found = survey(records(frames), contexts=air.CONTEXTS, every=5).series
    assert isinstance(found, TimeSeries)
    size = len(frames[0])
    assert found.cells == {(0, NODE): Activity(2, 2 * size, 0), (1, NODE): Activity(1, size, 1)}
    assert found.nodes[NODE] == found.steps


def test_several_files_apart_by_any_executor_and_in_a_row(tmp_path: Path) -> None:
    frames = [air.frames_of(DATAGRAM, NODE, ROOT, sequence=number)[0] for number in range(6)]
    paths = [tmp_path / "late.pcap", tmp_path / "early.pcap"]
    for path, some in zip(paths, (records(frames)[3:], records(frames)[:3]), strict=True):
        with path.open("wb") as file:
            write_pcap(file, some, 195)
    with ThreadPoolExecutor(2) as executor:
        found = list(survey_files(paths, contexts=air.CONTEXTS, executor=executor))
    assert all(isinstance(one, SurveyedFile) for one in found)
    assert [one.survey.total.frames for one in found] == [3, 3]
    assert sum((one.survey for one in found), Survey()).total.datagrams == 6
    row = read_continued(paths)
    assert isinstance(row, ContinuedCapture)
    assert [one.octets for one in row] == frames
    assert row.file_of(4) == str(paths[0])
    for none in (0, "4", None):
        with pytest.raises(RequestError, match="number"):
            row.file_of(none)  # type: ignore[arg-type]


def test_captures_that_continue_others_are_opened_one_by_one_and_their_notices_add_up(
    tmp_path: Path,
) -> None:
    """More lines without a frame than are kept as notices: all count, of both files."""
    bad = 1200
    paths = [tmp_path / f"{name}.txt" for name in ("first", "second")]
    for path in paths:
        path.write_text(f"{DATAGRAM.hex()}\n" + "no octets here\n" * bad)
    opened: list[str] = []
    row = read_continued(paths, through=lambda _file, name: opened.append(name))
    assert len(list(row)) == 2
    assert opened == [str(path) for path in paths]
    assert len(row.notices) < 2 * bad
    assert row.notice_count == 2 * bad


def test_a_capture_is_a_table(tmp_path: Path) -> None:
    made = list(frame_rows(CAPTURE, name="archive", design=ARCHIVE))
    assert all(isinstance(row, FrameRow) for row in made)
    # README: 354 frames; frame 24 has 28 octets and goes from 0x0122 to 0x0000, from port 61619 to 61620
    assert len(made) == 354
    row = made[23]
    assert (row.number, row.octets, row.source, row.destination) == (24, 28, "0x0122", "0x0000")
    assert (row.source_port, row.destination_port, row.in_design) == (61619, 61620, "climate")
    path = tmp_path / "frames.csv"
    with path.open("wb") as file:
        assert write_frame_table(file, made, "csv") == 354
    assert len(path.read_bytes().splitlines()) == 355


def test_datagrams_out_of_frames_and_frames_out_of_datagrams(ring: KeyRing) -> None:
    left_out = LeftOut()
    datagrams = list(expand(CAPTURE, left_out=left_out, keys=ring.keys, devices=ring.devices))
    assert left_out.count == sum(left_out.reasons.values())
    assert {one.link_type for one in datagrams} == {229}
    assert all(IPv6(one.octets).plen == len(one.octets) - 40 for one in datagrams)
    shrinker = Shrinker(ARCHIVE, unprotected=True, counters=Counters(sequence=7))
    frames = list(shrink(datagrams[:5], shrinker))
    sequence = frames[0].octets[2]
    assert sequence == 7
    again = expand(frames, design=ARCHIVE)
    assert [one.octets for one in again] == [one.octets for one in datagrams[:5]]


def test_protection_taken_off_is_off() -> None:
    sealed = air.frames_of(DATAGRAM, NODE, ROOT, key=air.KEY)
    (clear,) = decrypt(records(sealed), keys=Key(air.KEY), contexts=air.CONTEXTS)
    frame = decode_frame(clear.octets, contexts=air.CONTEXTS)
    assert frame.mac is not None
    assert frame.mac.security is None
    assert frame.datagram == Datagram(DATAGRAM)
    left_out = LeftOut()
    (same,) = decrypt(records(sealed), left_out=left_out)
    assert same.octets == sealed[0]
    assert left_out.count == 1


NO_LISTS: Any = (5, None, "a.pcap", [None])


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: follow(5),  # type: ignore[arg-type]
        lambda: follow(CAPTURE.read_bytes()),  # type: ignore[arg-type]
        lambda: list(follow([b"octets"])),  # type: ignore[list-item]
        lambda: annotate(CAPTURE, ["1"]),  # type: ignore[list-item]
        lambda: annotate(CAPTURE, 355),
        lambda: shrink([], None),  # type: ignore[arg-type]
        lambda: write_pcap(None, [], 195),  # type: ignore[arg-type]
        lambda: read_keys(None),  # type: ignore[arg-type]
        lambda: follow("/nowhere/mesh.pcap"),
        lambda: follow([], design="archive.toml"),  # type: ignore[arg-type]
        lambda: follow([], contexts={16: "2001:db8::/64"}),
        lambda: follow([], keys="short"),
        # empty is not left out: an environment variable that is not set
        *(
            partial(call, keys=empty)
            for call in (Decoder, partial(follow, []))
            for empty in ("", b"", 0)
        ),
        lambda: follow([], rpi_type=0),
        lambda: follow([], oscore=""),  # type: ignore[arg-type]
        lambda: Decoder().frame(b"", left_out=-5),
        lambda: follow([], devices={1: "nothing"}),
        lambda: follow([], root="nowhere"),
        lambda: follow([], fcs=3),
        lambda: follow([], timeout_s=61),
        lambda: follow([], oscore=5),  # type: ignore[arg-type]
        lambda: follow([], dtls=[b"key"]),  # type: ignore[list-item]
        lambda: annotate([], [1]),
        lambda: audit("/nowhere/mesh.pcap"),
        lambda: survey(None),  # type: ignore[arg-type]
        lambda: survey([], every="now and then"),
        lambda: survey([], columns="x"),  # type: ignore[arg-type]
        *(
            partial(
                call, "/nowhere/mesh.pcap"
            )  # at the call: whoever iterates may be far from who asked
            for call in (follow, expand, decrypt, frame_rows, lambda path: survey_files([path]))
        ),
        lambda: survey_files([], every=0),
        lambda: read_continued([]),
        *(
            partial(call, wrong)
            for call in (survey_files, read_together, read_continued)
            for wrong in NO_LISTS
        ),
        *(partial(call, [], left_out=NO_LISTS[0]) for call in (expand, decrypt)),
        lambda: shrink([], Shrinker(ARCHIVE, unprotected=True), left_out=5),  # type: ignore[arg-type]
        lambda: frame_rows([], name=b"a"),  # type: ignore[arg-type]
        lambda: frame_rows(5),  # type: ignore[arg-type]
        lambda: frame_rows([], fcs=1),
        lambda: write_frame_table(io.BytesIO(), [], "text"),
        lambda: write_frame_table(None, [], "csv"),  # type: ignore[arg-type]
        lambda: expand([], rpi_type=1),
        lambda: decrypt([], fcs=1),
        lambda: shrink(5, Shrinker(ARCHIVE, unprotected=True)),  # type: ignore[arg-type]
        lambda: Shrinker(ARCHIVE),
        lambda: parse_design("title ="),
        lambda: read_capture(5),  # type: ignore[arg-type]
        lambda: read_keys("/nowhere/keys.toml"),
    ],
)
def test_requests_that_cannot_be_met_are_told_at_once(wrong: Callable[[], Any]) -> None:
    with pytest.raises(RequestError):
        wrong()


def test_a_line_with_a_lost_digit_is_told() -> None:
    """39 digits are 19 octets and a half; what stands there is not shown: it may be a key."""
    with read_capture(
        io.BytesIO(b"6188013412ffff00\n" + b"6" * 39 + b"\nno frame at all, but words\n")
    ) as records:
        assert len(list(records)) == 1
        said = [notice.text for notice in records.notices]
    assert said == [
        "line 2 is left out: character 1: 39 hex digits, half an octet too many",
        "line 3 has no octets in hex",
    ]


@pytest.mark.parametrize("call", [decompress, compress])
def test_who_gives_hex_where_octets_are_wanted_is_told_how(call: Callable[..., Any]) -> None:
    with pytest.raises(RequestError, match="neither octets nor a packet") as caught:
        call("7e33f0", Env())
    assert "bytes.fromhex" in caught.value.hint


def test_files_of_text_are_not_files_of_octets(tmp_path: Path) -> None:
    """A pcap file begins with octets that are no UTF-8: Python would say so in words of its own."""
    closed = io.BytesIO()
    closed.close()
    some: Any
    with (tmp_path / "rows.csv").open("w", encoding="utf-8") as text:
        for some in (io.StringIO(), text, closed):
            what = "closed" if some is closed else "file of text"
            for write in (
                partial(write_frame_table, rows=[], form="csv"),
                partial(write_pcap, records=[], link_type=195),
            ):
                with pytest.raises(RequestError, match=what) as caught:
                    write(some)
                assert 'open(name, "wb")' in caught.value.hint
    with CAPTURE.open(encoding="utf-8") as text:
        for some, what in ((text, "file of text"), (closed, "closed")):
            with pytest.raises(RequestError, match=what) as caught:
                audit(some)
            assert 'open(name, "rb")' in caught.value.hint


@pytest.mark.parametrize("given", ["keys.toml", Path("keys.toml"), ["keys.toml"]])
@pytest.mark.parametrize("call", [Decoder, partial(follow, [])])
def test_who_gives_the_name_of_a_key_file_is_told_how_to_read_it(
    call: Callable[..., Any], given: Any
) -> None:
    with pytest.raises(RequestError, match=r"32 hex digits; read_keys\(path\)\.keys"):
        call(keys=given)


def test_no_captures_are_not_one_that_is_given_twice() -> None:
    with pytest.raises(RequestError, match="no capture is given"):
        read_continued([])
    with pytest.raises(RequestError, match="given once"):
        read_continued([str(CAPTURE), str(CAPTURE)])


def test_what_is_no_tally_is_not_added_to_one() -> None:
    with pytest.raises(RequestError, match="other is a Tally, not int"):
        Tally(frames=1) + 1  # type: ignore[operator]


@pytest.mark.parametrize(
    ("call", "name"),
    [
        (read_capture, "read_capture"),
        (follow, "follow"),
        (partial(follow, []), "follow"),
        (lambda path: read_continued([path]), "read_continued"),
        (lambda path: read_together([path]), "read_together"),
        (frame_rows, "frame_rows"),
        (decrypt, "decrypt"),
        (lambda path: survey_files([path]), "survey_files"),
        (partial(expand, []), "expand"),
        (lambda path: expand(path, design=ARCHIVE), "expand"),
        (
            lambda path: shrink(expand(path, design=ARCHIVE), Shrinker(ARCHIVE, unprotected=True)),
            "shrink",
        ),
    ],
)
def test_frames_that_were_read_are_not_read_again(
    call: Callable[..., Iterator[Any]], name: str
) -> None:
    """A second loop, as a cell of a notebook that is run again has it, must not show a capture without frames."""
    frames = call() if isinstance(call, partial) else call(CAPTURE)
    first = list(frames)
    assert bool(first) is not isinstance(call, partial)
    assert next(frames, None) is None
    with pytest.raises(RequestError, match=rf"were read before.*[.] Call {name} again"):
        list(frames)


def test_what_is_known_goes_through_a_function_of_ones_own() -> None:
    """Whoever wraps a function of captures can say of its keywords what they are, and help() names them."""

    def sizes(**known: Unpack[TraceOptions]) -> list[int]:
        return [len(frame.octets) for frame in follow(CAPTURE, **known)]

    assert sizes(design=ARCHIVE, fcs=2) == sizes()
    with pytest.raises(RequestError):
        sizes(fcs=3)
    for function in (
        annotate,
        audit,
        decrypt,
        expand,
        follow,
        frame_rows,
        list_frames,
        measure,
        survey,
        survey_files,
    ):
        shown = str(signature(function))
        assert "**known: 'Unpack[TraceOptions]'" in shown
        assert "lowpanbudget.capture.files" not in shown.split("**known", maxsplit=1)[0]
    for name in TraceOptions.__annotations__:
        assert f"``{name}``" in (getdoc(follow) or "")


def test_frames_of_a_file_that_was_closed_are_not_read() -> None:
    with read_capture(CAPTURE) as frames:
        assert next(frames).number == 1
        assert next(iter(frames)).number == 2  # the same, further on
    for call in (list, audit, survey, follow, lambda given: list(read_together([given]))):
        with pytest.raises(RequestError, match="read before"):
            call(frames)


def test_what_is_wrong_in_octets_is_told_in_the_frame() -> None:
    datagram, frame = follow([*records([b"\x45"], 229), *records([b"\x41"])], root="2001:db8::1")
    assert isinstance(datagram.fault, WireError)
    assert datagram.reason == datagram.fault.message
    assert (datagram.kind, datagram.octets) == ("other", b"\x45")
    assert isinstance(frame.fault, Truncated)  # a frame control has two octets
    assert (frame.kind, frame.datagram, frame.frame.fault) == ("unreadable", None, frame.fault)
