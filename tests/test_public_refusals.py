"""What is refused of a value that somebody wrote by hand: which class and item, the clause, and what would be right."""

from collections.abc import Callable
from ipaddress import IPv6Address
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from contract import air

from lowpanbudget import (
    Beacon,
    Block,
    CoapOption,
    Command,
    Context,
    Decoder,
    DtlsSender,
    EchoRequest,
    Element,
    Env,
    Fragment,
    FragmentHeader,
    GuaranteedSlot,
    IpInIp,
    Mac,
    Mesh,
    NeighborAdvertisement,
    NeighborSolicitation,
    OptionsHeader,
    PadN,
    Reassembler,
    Record,
    RecordKeys,
    RequestError,
    Rfrag,
    Rpi,
    Security,
    SourceRoute,
    SrhLorh,
    dtls_suite,
    encode_frame,
    follow,
    load_design,
    read_capture,
    read_dtls_content,
    survey,
    write_header,
    write_icmpv6,
)

ADDRESS = IPv6Address("fe80::1")
SHORT = bytes(2)
WHOLE = bytes(16)
EXAMPLES = Path(__file__).parents[1] / "examples"
ARCHIVE = load_design(EXAMPLES / "archive.toml")
SUITE, KEYS = dtls_suite("TLS_PSK_WITH_AES_128_CCM_8"), RecordKeys(WHOLE, bytes(4))
SEALED = air.mac_of(air.eui(1), air.eui(2), security=Security(5, 1, 0, None, 1))


def route(*addresses: bytes, left: int = 1, cmpr_e: int = 0, pad: int = 0) -> SourceRoute:
    return SourceRoute(
        next_header=17, segments_left=left, cmpr_e=cmpr_e, pad=pad, addresses=addresses
    )


# value, what its error must say: class and field, clause, what would be right
HEADERS: tuple[tuple[Any, tuple[str, ...]], ...] = (
    # RFC 4944 section 5.3: 11 bits of size, 16 of tag, 8 of offset in units of 8 octets, which FRAG1 has not
    (Fragment(5000, 1), ("Fragment: FRAGN datagram_size 5000", "RFC 4944 §5.3", "0 to 2047")),
    (Fragment(200, 1, offset=4), ("Fragment.offset 4", "RFC 4944 §5.3", "0 or 8")),
    (Fragment(200, 1, offset=8, first=True), ("Fragment.offset 8", "RFC 4944 §5.3", "Leave")),
    # RFC 8931 section 5.1: Fragment_Offset is the size in a first fragment, the offset in others, 0 in what aborts
    (Rfrag(1, 5, 100, offset=4, size=9), ("Rfrag.offset", "RFC 8931 §5.1", "abort=True")),
    (Rfrag(1, 0, 10, offset=7, size=50), ("Rfrag.size", "RFC 8931 §5.1", "datagram's size")),
    (Rfrag(1, 3, 10, offset=50, abort=True), ("Rfrag: what aborts", "RFC 8931 §5.1", "Leave")),
    (Rfrag(1, 32, 8, 8), ("Rfrag: RFRAG Sequence 32", "RFC 8931 §5.1", "0 to 31")),
    # IEEE 802.15.4-2015 clause 7.3.1, from memory: a beacon of version 2 has no superframe specification
    (Beacon(pan_coordinator=True), ("Beacon.pan_coordinator", "2015 §7.3.1", "beacon_order=15")),
    (Beacon(16), ("Beacon: superframe", "2006 §7.2.2.1.2", "0 to 15")),
    # RFC 4944 section 5.2, RFC 8138 sections 5.1, 6.3 and 7
    (Mesh(300, SHORT, SHORT), ("Mesh.hops_left 300", "RFC 4944 §5.2", "0 to 255")),
    (Mesh(3, b"123", SHORT), ("Mesh.originator has 3 octets", "RFC 4944 §5.2", "not 2 or 8")),
    (SrhLorh((b"12", b"345")), ("SrhLorh.hops", "2 and 3 octets", "RFC 8138 §5.1", "all of 1, 2")),
    (Rpi(300), ("Rpi.instance 300", "RFC 8138 §6.3", "0 to 255")),
    (Rpi(1, 1 << 16), ("Rpi.sender_rank 65536", "RFC 8138 §6.3", "0 to 65535")),
    (IpInIp(3, bytes(17)), ("IpInIp.encapsulator has 17", "RFC 8138 §7", "the last octets")),
    # RFC 8200 sections 4.2 and 4.5
    (
        OptionsHeader(0, 17, (1,)),  # type: ignore[arg-type]
        (
            "OptionsHeader: 1",
            "RFC 8200 §4.2",
            "PadN, RplOption",
        ),
    ),
    (
        FragmentHeader(next_header=17, offset=12, more=True, identification=1),
        ("FragmentHeader: fragment offset 12", "RFC 8200 §4.5", "8 or 16"),
    ),
    # RFC 6554 section 3: CmprI and CmprE octets are elided, Hdr Ext Len counts 8 octets in 8 bits
    (route(), ("SourceRoute.addresses", "RFC 6554 §3", "Give those")),
    (route(WHOLE, left=2), ("SourceRoute.segments_left 2", "RFC 6554 §3", "0 to 1")),
    (route(bytes(15)), ("SourceRoute.addresses[0] has 15", "cmpr_e 0", "RFC 6554 §3")),
    (route(WHOLE, pad=8), ("SourceRoute.pad 8", "RFC 6554 §3", "Leave it out")),
    (route(bytes(2), cmpr_e=14), ("SourceRoute.pad 0", "RFC 6554 §3", "Give 6")),
    (route(*[WHOLE] * 128), ("SourceRoute.addresses have 2048", "RFC 6554 §3", "Elide")),
    # of what is nested: which item, what it is, what it should be
    (Beacon(15, slots=((1, 7, 2),)), ("Beacon.slots[0]", "tuple of 3", "GuaranteedSlot(...)")),  # type: ignore[arg-type]
    (
        Beacon(15, slots=(GuaranteedSlot(1, 7, 2), GuaranteedSlot(2, 9, "long"))),  # type: ignore[arg-type]
        ("Beacon.slots[1]: GuaranteedSlot.length", "a whole number, not str 'long'"),
    ),
    (Beacon(15, pending_short=(1, SHORT)), ("Beacon.pending_short[1] is a whole", "not bytes")),  # type: ignore[arg-type]
    (SrhLorh(b"12"), ("SrhLorh.hops", "not bytes", "(value,)")),  # type: ignore[arg-type]
    (SrhLorh((SHORT, "0102")), ("SrhLorh.hops[1]", "'0102'. Hex text", "bytes.fromhex")),  # type: ignore[arg-type]
    (Command(1, more="low"), ("Command.more is octets, not str 'low'. Text", "encode()")),  # type: ignore[arg-type]
    (route(ADDRESS), ("SourceRoute.addresses[0]", "IPv6Address", "packed")),  # type: ignore[arg-type]
    (Command(1, [1]), ("Command.fields is a mapping", "tuple of 1", '{"name": value}')),  # type: ignore[arg-type]
    (
        OptionsHeader(0, 17, 1),  # type: ignore[arg-type]
        (
            "OptionsHeader.options is a tuple, each a Pad1 or a PadN",
            "not int",
        ),
    ),
)


@pytest.mark.parametrize(("header", "said"), HEADERS, ids=lambda value: type(value).__name__)
def test_what_cannot_be_written_is_told_by_class_clause_and_what_would_do(
    header: Any, said: tuple[str, ...]
) -> None:
    with pytest.raises(RequestError) as told:
        write_header(header)
    text = str(told.value)
    assert [one for one in said if one not in text] == [], text


def sent(**changes: Any) -> bytes:
    around = {
        "frame_type": 1,
        "version": 2,
        "destination_pan": 1,
        "destination": SHORT,
        "source": SHORT,
    }
    mac = Mac(**{**around, "pan_id_compression": True, **changes})
    return encode_frame(mac, b"A", key=air.KEY).octets


# IEEE 802.15.4-2015 clauses 7.2.2, 7.4.2, 9.4 and table 9-7, from memory
@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"sequence": 256}, "Mac: sequence number 256 .*Give 0 to 255"),
        ({"source": b"123"}, "Mac: the source address has 3 octets, not 2 or 8 .*EUI-64"),
        ({"security": Security(5, 2, 0, SHORT, 1)}, "Mac: key id mode 2 .*2 octets .*4 or 8 octets"),
        ({"security": Security(5, 1, 0, None, 256)}, "Mac: key index 256 .*Give 0 to 0xff$"),
        ({"header_ies": (b"1",)}, r"Mac.header_ies\[0\] is an Element, not bytes. Give Element"),
        ({"header_ies": Element(0x22)}, r"Mac.header_ies is a tuple.*\(value,\)"),
        ({"header_ies": (Element(0x22, b"1", long=True),)}, "Element.long: a header IE has no long"),
        # what was read of octets is not written again without them
        ({"payload_ies": (Element(1, nested=(Element(0x1A),)),)}, "Element.nested .*Element.id, content"),
        ({"header_ies": (Element(0x1E, fields={"nack": 1}),)}, "Element.fields of element id 30"),
    ],
)  # fmt: skip
def test_what_a_mac_header_cannot_carry_is_told(changes: dict[str, Any], said: str) -> None:
    assert sent()
    with pytest.raises(RequestError, match=said):
        sent(**changes)


def context_flag(given: Any) -> Any:
    return Env(contexts={1: Context("2001:db8::/64", may_compress=given)})


def router_flag(given: Any) -> bytes:
    message = NeighborAdvertisement(target=ADDRESS, router=given)
    return write_icmpv6(message, ADDRESS, ADDRESS)


FLAGS: tuple[tuple[str, Callable[[Any], object]], ...] = (
    *((name, lambda given, name=name: sent(**{name: given})) for name in ("pending", "ack_request")),
    ("pan_id_compression", lambda given: sent(pan_id_compression=given, source=None)),
    ("ie_present", lambda given: sent(ie_present=given)),
    ("ie_present", lambda given: sent(ie_present=given, version=1)),
    ("long_control", lambda given: sent(
        frame_type=5, version=0, pan_id_compression=False, long_control=given,
    )),
    ("asn_in_nonce", lambda given: sent(security=Security(5, 1, 0, None, 1, asn_in_nonce=given))),
    ("long", lambda given: sent(header_ies=(Element(0x22, b"1", long=given),))),
    ("more", lambda given: CoapOption.of("Block2", Block(1, given, 2))),
    ("deep", lambda given: write_header(Mesh(1, SHORT, SHORT, given))),
    ("may_compress", context_flag),
    ("router", router_flag),
    ("columns", lambda given: survey([Record(1, 0, 195, b"", 0)], columns=given)),
)  # fmt: skip


@pytest.mark.parametrize(("name", "use"), FLAGS)
@pytest.mark.parametrize("wrong", [1.0, 0.0, "no", 2, "1"])
def test_a_quantity_or_a_word_is_no_flag(
    name: str, use: Callable[[Any], object], wrong: object
) -> None:
    with pytest.raises(RequestError, match=f"{name}.* (is|none of) True") as told:
        use(wrong)
    assert repr(wrong) in str(told.value)


def test_numbers_and_truths_of_numpy_are_those_of_python_in_headers_by_hand() -> None:
    """PEP 357: what has ``__index__`` is a whole number; a header is written of it as of Python's own."""
    n, yes = np.uint16, np.True_
    for given, plain in (
        (Beacon(n(15), pan_coordinator=yes), Beacon(15, pan_coordinator=True)),  # type: ignore[arg-type]
        (
            Beacon(15, slots=(GuaranteedSlot(n(3), n(7), n(2), yes),), pending_short=(n(4),)),  # type: ignore[arg-type]
            Beacon(15, slots=(GuaranteedSlot(3, 7, 2, receive=True),), pending_short=(4,)),
        ),
        (Mesh(n(15), SHORT, SHORT), Mesh(15, SHORT, SHORT)),  # type: ignore[arg-type]
        (Rpi(n(9), n(256), yes), Rpi(9, 256, down=True)),  # type: ignore[arg-type]
        (OptionsHeader(n(0), n(17), (PadN(n(6)),)), OptionsHeader(0, 17, (PadN(6),))),  # type: ignore[arg-type]
    ):
        assert write_header(given) == write_header(plain)
    request = EchoRequest(identifier=n(1), sequence_number=n(2))  # type: ignore[arg-type]
    same = EchoRequest(identifier=1, sequence_number=2)
    assert write_icmpv6(request, ADDRESS, ADDRESS) == write_icmpv6(same, ADDRESS, ADDRESS)
    assert sent(pending=yes) == sent(pending=True)


RECORD = Record(1, 0, 195, b"", 0)


@pytest.mark.parametrize(
    ("use", "said"),
    [
        (lambda: Env(contexts={0: "2001:db8::/64", 3: 7}), "^context 3: 7 is not an IPv6 prefix. .*/64"),
        (lambda: Decoder(devices=[(1, WHOLE)]), "^devices is a mapping .*not list. Give devices={0x0001: "),  # type: ignore[arg-type]
        (lambda: Decoder(layouts=[1]), "^layouts is a mapping, not list. .*layouts={61616: "),  # type: ignore[arg-type]
        (lambda: list(follow([RECORD, 1])), "^item 2 is no Record but int. read_capture"),  # type: ignore[list-item]
        (lambda: list(follow([RECORD], dtls=[1])), "^dtls: .* each a DtlsSender. read_keys"),  # type: ignore[list-item]
        (lambda: list(follow([RECORD], oscore=1)), "^oscore: .* each a SecurityContext. read_keys"),  # type: ignore[arg-type]
        (lambda: encode_frame(Mac(True, 1), b""), "^Mac.frame_type is a number, not True .*Write 1"),
        (lambda: encode_frame(Mac(1, False), b""), "^Mac.version is a number, not False .*Write 0"),
        (lambda: encode_frame(Mac(1, 1), b"", asn=True), "^asn is True, not a number of 40 bits"),
        (lambda: encode_frame(Mac(1, 1), b"", used=True), "^a Nonces is needed, not bool"),  # type: ignore[arg-type]
        (lambda: encode_frame(Mac(3, 1), Command(4)), "Command is neither octets .* write_header makes"),  # type: ignore[arg-type]
        (
            lambda: write_icmpv6(NeighborSolicitation(target=ADDRESS, options=(PadN(3),)), ADDRESS, ADDRESS),  # type: ignore[arg-type]
            "^NeighborSolicitation: .*is no ND option.* Give one of .*SourceLinkLayerAddress",
        ),
    ],
)  # fmt: skip
def test_an_item_of_several_is_told_with_an_example(use: Callable[[], object], said: str) -> None:
    with pytest.raises(RequestError, match=said):
        use()


def test_what_may_be_a_key_is_not_shown() -> None:
    """The least key of all these standards has 16 octets: 32 digits in hex, or a number of 128 bits."""
    secret = "8badf00d" * 4
    suite = dtls_suite("TLS_PSK_WITH_AES_128_CCM_8")
    for given in (secret, bytes.fromhex(secret), int(secret, 16), [secret], {secret: secret}):
        for use in (
            lambda given=given: write_header(Mesh(given, given, given)),
            lambda given=given: write_header(Command(1, more=given, fields=given)),
            lambda given=given: DtlsSender(suite, given),
        ):
            with pytest.raises(RequestError) as told:
                use()
            said = f"{told.value}"
            assert secret not in said
            assert str(int(secret, 16)) not in said
            assert repr(bytes.fromhex(secret))[2:-1] not in said


@pytest.mark.parametrize(
    ("use", "said"),
    [
        (lambda: Reassembler(timeout_s=True), "^a time-out of True s is not in 0 to 60"),
        (lambda: Reassembler().close(True), "^time_s True is no number of seconds"),
        (lambda: Reassembler().close(float("nan")), "^time_s nan is no number of seconds"),
        (lambda: Context("2001:db8::/64").covers(True), "^True is no IPv6Address"),  # type: ignore[arg-type]
        (lambda: Env(rpi_type=np.array([1, 2])), "^rpi_type .* is neither 0x63 nor 0x23"),  # type: ignore[arg-type]
        (lambda: Decoder(keys=np.int64(5)), "^a link key is octets or hex text, not int64"),
        (lambda: list(follow([RECORD], node=True)), "^node 'True'"),
        (lambda: read_dtls_content(b"", 300), "^content_type 300 is no number from 0 to 255"),
        (lambda: DtlsSender(SUITE, KEYS, port=1 << 16), "^port 65536 is no number from 0 to 65535"),
        (lambda: DtlsSender(SUITE, KEYS, epoch=1 << 16), "^epoch 65536 is no number from 0 to 65535"),
        (lambda: ARCHIVE.stations[0].link_address("long"), "^form 'long' is unknown. Give 'short' or"),  # type: ignore[arg-type]
        (lambda: ARCHIVE.flow(np.array(["a", "b"])), "^the design has no flow .* It has: climate"),  # type: ignore[arg-type]
        (lambda: ARCHIVE.message("climate_batch").batch(float("inf")), "^octets inf is no number from 0"),  # type: ignore[arg-type]
        (lambda: ARCHIVE.message("climate_batch").batch_example(True), "^count True is no number from 0"),
        (lambda: write_header(Command(1, {1: 1})), "has no such set of fields: 1 .*Give alternate"),  # type: ignore[dict-item]
        # CCM* counts octets in two (RFC 3610 section 2.1, L = 2)
        (lambda: encode_frame(SEALED, bytes(1 << 16), key=bytes(16)), "^65536 octets are too many .*CCM"),
    ],
)  # fmt: skip
def test_nonsense_that_would_pass_for_something_is_refused(
    use: Callable[[], object], said: str
) -> None:
    """A truth is no number, no word any form, an array no name."""
    with pytest.raises(RequestError, match=said):
        use()


def test_the_type_of_links_of_a_text_is_a_number_in_any_case() -> None:
    """Also where the file names one itself, and it would not be looked at."""
    for wrong in ("195", True, -1, None):
        with pytest.raises(RequestError, match=r"^link_type .* is no number from 0"):
            read_capture(EXAMPLES / "archive.pcap", link_type=wrong)  # type: ignore[arg-type]
