"""Generic header compression in captures: what of the air it is, and what it costs when it is not the shortest."""

import json
import struct
from pathlib import Path
from typing import Any

import pytest
from capture.captures import CONTEXTS, records
from capture.columns.columns_help import by_columns
from contract import air, shelf
from contract.entry import invoke
from vector_files import document

from lowpanbudget import Env, Mac, compress, encode_frame, split, survey, write_ghc

# RFC 7400 appendix A: whole IPv6 packets with ICMPv6 messages, and the byte code of each as printed
FIGURES = document(Path(__file__).parents[2] / "vectors" / "rfc7400" / "appendix-a.toml")["case"]
DIO = next(one for one in FIGURES if one["id"] == "rpl-dio")
IPV6, ICMPV6_GHC = 40, 0xDF  # RFC 8200 section 3; RFC 7400 figure 3


def octets(text: str) -> bytes:
    return bytes.fromhex("".join(text.split()))


def framed(payload: bytes, sequence: int) -> bytes:
    mac = Mac(
        sequence=sequence, destination_pan=0xABCD, pan_id_compression=True,
        destination=b"\x00\x02", source=b"\x00\x01",
    )  # fmt: skip
    return encode_frame(mac, payload).octets


def headers(packet: bytes) -> bytes:
    """What stands before the code in the frame of a figure, of which no figure says anything."""
    packed = compress(packet, ghc=True).octets
    return packed[: packed.index(ICMPV6_GHC) + 1]


def cut(packet: bytes, at: int, tag: int, sequence: int) -> list[bytes]:
    """The packet in two fragments (RFC 4944 section 5.3); the first brings byte code for its part (RFC 7400 section 5).

    What follows stands in the second one as it is.
    """
    size = len(packet)
    code = write_ghc(packet[IPV6:at], packet[8:24], packet[24:40])
    first = struct.pack("!HH", 0b11000 << 11 | size, tag) + headers(packet) + code
    second = struct.pack("!HHB", 0b11100 << 11 | size, tag, at // 8) + packet[at:]
    return [framed(first, sequence), framed(second, sequence + 1)]


@pytest.mark.parametrize(
    "figure", [one for one in FIGURES if "ipv6" in one], ids=lambda one: one["id"]
)
def test_byte_code_and_what_it_stands_for(figure: dict[str, Any]) -> None:
    packet, (expanded, code) = octets(figure["ipv6"]), figure["sizes"]
    total = survey(records([framed(headers(packet) + octets(figure["code"]), 1)])).total
    assert (total.byte_code, total.expanded) == (code, expanded)
    assert total.layer_bits["GHC"] == 8 * code
    assert total.datagram_octets == IPV6 + expanded


def test_fragments_in_byte_code_that_one_frame_holds() -> None:
    """The figure's 52 octets of code fit one frame; by section 2 a first fragment may have code as well."""
    packet = octets(DIO["ipv6"])
    fragments = cut(packet, 96, 7, 1)
    whole = framed(headers(packet) + octets(DIO["code"]), 1)
    total = survey(records(fragments)).total
    assert total.datagrams == total.assembled == 1
    assert total.avoidable == sum(map(len, fragments)) - len(whole)
    assert total.expanded == 96 - IPV6


def test_what_annotate_and_survey_say_of_fragments_is_the_same(tmp_path: Path) -> None:
    path = shelf.written(tmp_path / "a.pcap", cut(octets(DIO["ipv6"]), 96, 7, 1))
    counted = json.loads(invoke("survey", path, "--json").stdout)["survey"]["total"]
    told = json.loads(invoke("annotate", path, "--json").stdout)["frames"]
    assert [one["shortest"]["saved"] for one in told] == [counted["avoidable"]] * 2


# RFC 4944 section 5.2: a mesh header with short addresses, 5 hops left; it stays in every form
@pytest.mark.parametrize("mesh", [b"", octets("b5 0001 0002")])
@pytest.mark.parametrize("elided", [False, True])
def test_needless_fragments_of_other_methods_are_avoidable(mesh: bytes, *, elided: bool) -> None:
    """The shortest form keeps what the fragments have: a mesh header in each frame, an elided checksum."""
    datagram = air.udp_datagram(air.ip_of(air.short(1)), air.ip_of(air.short(2)), bytes(range(60)))
    env = Env(source="0001", destination="0002", contexts=CONTEXTS)
    pieces = split(datagram, env, room=40, elide_udp_checksum=elided)
    whole = compress(datagram, env, elide_udp_checksum=elided).octets
    fragments = [framed(mesh + piece, n) for n, piece in enumerate(pieces)]
    total = survey(records(fragments), contexts=CONTEXTS).total
    assert total.avoidable == sum(map(len, fragments)) - len(framed(mesh + whole, 1))


def test_byte_code_is_counted_by_columns_as_frame_by_frame() -> None:
    """Each figure again and again under new numbers, between plain forms, cut ones, and some sent twice."""
    made: list[bytes] = []
    for n in range(60):
        figure = FIGURES[n % len(FIGURES)]
        packet = octets(figure.get("ipv6", DIO["ipv6"]))
        sequence = 5 * n % 251
        plain, coded = compress(packet).octets, compress(packet, ghc=True).octets
        made += [framed(plain, sequence), framed(coded, sequence + 1)]
        if len(packet) > 80:
            tail = bytes([n]) * (len(packet) - 64)
            made += cut(packet[:64] + tail if n % 2 else packet, 64, n, sequence + 2)
        if n % 7 == 0:
            made.append(made[-1])
    captured = records(made)
    found, shares = by_columns(captured)
    expected = survey(captured)
    assert found == expected
    assert found.total.byte_code
    assert found.total.avoidable
    assert shares.columns > len(made) // 4


# RFC 6347 section 4.1: a record of DTLS 1.2 in epoch 1, of 13 + 28 octets; RFC 6282 section 4.3.3 and RFC 7400
# section 3.1: behind NHC 11110000 as it is, behind 11010000 as byte code of 28 octets (worked out by hand from table 1)
RECORD = octets("17fefd0001000000000005001c 0001000000000005") + bytes(range(100, 120))
IPHC = octets("7e33")
PLAIN = IPHC + octets("f0 c001 1634 0000") + RECORD
CODED = IPHC + octets("d0 c001 1634 0000  fc 04 0005001c f2 14") + bytes(range(100, 120))


@pytest.mark.parametrize(
    ("payloads", "says"),
    [
        ([PLAIN], "application data 41 octets, "),
        ([CODED], "application data 41 octets; 28 octets of byte code stand for 41"),
        ([PLAIN, CODED], "application data 82 octets; 28 octets of byte code stand for 41"),
    ],
)
def test_what_applications_sent_is_called_compressed_only_where_it_is(
    tmp_path: Path, payloads: list[bytes], says: str
) -> None:
    made = [framed(payload, n) for n, payload in enumerate(payloads)]
    path = shelf.written(tmp_path / "a.pcap", made)
    shown = " ".join(invoke("survey", path).stdout.split())
    assert says in shown
    if "byte code" not in says:
        share = 100 * 41 / sum(map(len, made))
        assert f"{says}{share:.0f} % of the air" in shown
    assert "into 0" not in shown
