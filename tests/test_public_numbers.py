"""Whole numbers of numpy are those of Python wherever one is taken (``__index__``, PEP 357); its truths are none."""

from array import array
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from contract import air

from lowpanbudget import (
    CoapMessage,
    CoapOption,
    Contexts,
    Decoder,
    DtlsRecord,
    Env,
    Key,
    Mac,
    Reassembler,
    Record,
    RecordKeys,
    RequestError,
    Security,
    SecurityContext,
    annotate,
    budget,
    carry_burst,
    carrying,
    coap_path,
    decode_datagram,
    decode_frame,
    dtls_suite,
    encode_frame,
    fit,
    follow,
    load_design,
    open_dtls,
    protect_oscore_request,
    read_dtls,
    read_dtls_content,
    room_by_hops,
    seal_dtls,
    show,
    split,
    weigh,
    write_coap,
    write_dtls,
)

EXAMPLES = Path(__file__).parents[1] / "examples"
CAPTURE = EXAMPLES / "archive.pcap"
ARCHIVE, FOOTBRIDGE = (load_design(EXAMPLES / f"{name}.toml") for name in ("archive", "footbridge"))
NODE, ROOT = air.eui(1), air.eui(0x100)
DATAGRAM = air.udp_datagram(air.ip_of(NODE), air.ip_of(ROOT), bytes(200))
FLOW = ARCHIVE.flow("climate")
SHORT = b"\x00\x01"
CONTEXT = SecurityContext.derive(air.KEY, sender_id=b"", recipient_id=b"1")
CLEAR = CoapMessage(type=0, code=1, mid=2, options=coap_path("/a"))
SUITE = dtls_suite("TLS_PSK_WITH_AES_128_CCM_8")

KEYS = RecordKeys(air.KEY, b"salt")
SEALED = seal_dtls(b"text", KEYS, SUITE, epoch=1, sequence=2)
assert isinstance(SEALED, DtlsRecord)

Number = Callable[[int], Any]


def counted(n: Number) -> Any:
    """Sealed with a frame counter, by a short address."""
    security = Security(n(5), n(1), n(90), None, n(7))
    mac = Mac(
        n(1), n(1), n(3), n(100), b"\x00\x34", None, SHORT, pan_id_compression=True, security=security
    )  # fmt: skip
    devices = {n(1): NODE}
    octets = encode_frame(mac, b"x", key=Key(air.KEY, n(1), n(7)), devices=devices).octets
    return octets, Decoder(keys=air.KEY, devices={(n(100), n(1)): NODE}).frame(octets).payload


def slotted(n: Number) -> Any:
    """Sealed with a slot number, by a short address."""
    security = Security(n(6), frame_counter=None, asn_in_nonce=True)
    mac = Mac(1, n(2), n(3), n(100), b"\x00\x34", n(101), SHORT, security=security)
    octets = encode_frame(mac, b"x", key=air.KEY, asn=n(99)).octets
    return octets, decode_frame(octets, keys=air.KEY, asn=n(99)).payload


TAKEN: dict[str, Callable[[Number], Any]] = {
    "counter": counted,
    "slot": slotted,
    "fcs": lambda n: decode_frame(bytes(12), fcs=n(4)),
    "Env": lambda n: Env(pan_id=n(5), contexts={n(3): "2001:db8::/64"}, rpi_type=n(0x63)),
    "Contexts": lambda n: Contexts({n(15): "2001:db8::/64"}),
    "layouts": lambda n: Decoder(layouts={n(100): ARCHIVE.message("climate")}),
    "split": lambda n: split(DATAGRAM, Env(NODE, ROOT), room=n(100), tag=n(77)),
    "reassembler": lambda n: len(Reassembler(max_datagrams=n(9), max_octets=n(99)).close()),
    "coap": lambda n: write_coap(
        CoapMessage(
            type=n(0), code=n(1), mid=n(90), options=(CoapOption.of(n(12), n(60)), CoapOption(n(15), b"a"))
        )
    ),
    "coap options": lambda n: (CLEAR.all(n(11)), CLEAR.first(n(11))),
    "oscore": lambda n: protect_oscore_request(CLEAR, CONTEXT, sequence=n(20)).octets,
    "algorithm": lambda n: SecurityContext.derive(
        air.KEY, sender_id=b"", recipient_id=b"1", algorithm=n(10)
    ),
    "dtls": lambda n: seal_dtls(
        b"text", RecordKeys(air.KEY, b"salt"), SUITE, epoch=n(1), sequence=n(2), content_type=n(23)
    ),
    "dtls records": lambda n: read_dtls(
        bytes.fromhex("15fefd000000000000000100020100"), cid_length=n(0)
    ),
    "dtls by hand": lambda n: [
        write_dtls(DtlsRecord(n(21), n(0), n(1), b"\1\0")),
        open_dtls(
            DtlsRecord(n(23), n(1), n(2), SEALED.fragment), KEYS, SUITE, cid_length=n(0)
        ).content,
    ],
    "records": lambda n: [
        one.number for one in follow([Record(n(1), n(0), n(195), bytes(12), n(12))], node=n(1))
    ],
    "dtls content": lambda n: read_dtls_content(b"\1\0", n(21)),
    "annotate": lambda n: [one.number for one in annotate(CAPTURE, [n(2), n(3)])],
    "carrying": lambda n: carrying(ARCHIVE, n(80), "climate", most_frames=n(1)),
    "fit": lambda n: fit(ARCHIVE, "climate", spare=n(3)),
    "hops": lambda n: room_by_hops(ARCHIVE, [n(1), n(2)], "climate"),
    "with_hops": lambda n: FLOW.with_hops(n(2)),
    "weigh": lambda n: weigh(ARCHIVE, "climate", octets=n(9)),
    "show": lambda n: str(show(budget(ARCHIVE, "climate")[0], width=n(100))),
    "burst": lambda n: carry_burst(FOOTBRIDGE, "hundred", seed=n(1), runs=n(20)).plans,
    "pack": lambda n: ARCHIVE.message("climate").pack(
        ARCHIVE.message("climate").example("typical") | {"temperature": n(21)}
    ),
}  # fmt: skip


KINDS = (np.int64, np.uint8, np.int16)


@pytest.mark.parametrize(
    ("name", "kind"),  # a burst plays a network, once
    [(name, kind) for name in TAKEN for kind in (KINDS[:1] if name == "burst" else KINDS)],
)
def test_numbers_of_numpy_are_whole_numbers(name: str, kind: Number) -> None:
    asked = TAKEN[name]
    assert asked(kind) == asked(int)
    if not name.startswith(("fcs", "pack")):
        for wrong in (np.bool_, np.float64, lambda number: (number, number)):
            with pytest.raises(RequestError):
                asked(wrong)


def test_numbers_of_an_array_are_numbers_of_frames() -> None:
    assert [one.number for one in annotate(CAPTURE, np.array([3, 4]))] == [3, 4]


@pytest.mark.parametrize("kind", [np.float16, np.float32, np.float64, np.longdouble])
def test_a_float_of_any_width_is_packed(kind: Callable[[float], Any]) -> None:
    """A float is read by its shortest text: 23.5 has one in all widths (IEEE 754-2019 table 3.5)."""
    message = ARCHIVE.message("climate")
    values = message.example("typical")
    assert message.pack(values | {"temperature": kind(23.5)}) == message.pack(
        values | {"temperature": 23.5}
    )
    with pytest.raises(RequestError, match="NaN"):
        message.pack(values | {"temperature": kind("nan")})  # type: ignore[arg-type]


def test_a_truth_of_numpy_is_packed() -> None:
    message = ARCHIVE.message("door_alarm")
    values = message.example("typical")
    for truth in (True, False):
        assert message.pack(values | {"open": np.bool_(truth)}) == message.pack(
            values | {"open": truth}
        )
    for wrong in (np.int64(1), np.array([True, False]), 1):
        with pytest.raises(RequestError, match="Give true or false"):
            message.pack(values | {"open": wrong})


@pytest.mark.parametrize(
    ("given", "hint"),
    [
        ("6198", "fromhex"), ([1, 2], "bytes(...) makes"), (np.zeros(3, np.uint8), "bytes(...) makes"),
        (array("B", [1]), "bytes(...) makes"), (None, ""), (5, ""),
    ],
)  # fmt: skip
def test_what_are_no_octets_is_told_how_to_make_them(given: Any, hint: str) -> None:
    for asked in (decode_frame, decode_datagram, lambda one: split(one, Env(), room=80)):
        with pytest.raises(RequestError) as caught:
            asked(given)
        assert hint in caught.value.hint
        assert bool(hint) == bool(caught.value.hint)
