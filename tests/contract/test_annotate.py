"""annotate: frames from the command line, from files and from standard input, sealed and broken ones too."""

import json
import os
import stat
import zlib
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result
from contract.shelf import written
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scapy.layers.dot15d4 import Dot15d4Data, Dot15d4FCS
from scapy.layers.inet import UDP
from scapy.layers.inet6 import IPv6
from vector_files import document

from lowpanbudget import Env, Mac, Security, compress, encode_frame, split

Invoke = Callable[..., Result]

# Made by scapy: data, version 1, short addresses, one PAN ID; a LoWPAN_IPHC payload by hand (RFC 6282 section 3.1.1):
# TF 11, NH 0, HLIM 10, no context, both addresses from the link layer; next header 59, "no next header"
SCAPY = Dot15d4FCS(
    fcf_frametype=1, fcf_panidcompress=1, fcf_destaddrmode=2, fcf_srcaddrmode=2, fcf_framever=1, seqnum=9
) / Dot15d4Data(dest_panid=0xABCD, dest_addr=0x0002, src_addr=0x0001)  # fmt: skip
FRAME = bytes(SCAPY / bytes.fromhex("7a333b"))
KEY = "00112233445566778899aabbccddeeff"  # an invented key


def frames(result: Result) -> list[dict[str, object]]:
    found: list[dict[str, object]] = json.loads(result.stdout)["frames"]
    return found


def test_fields_agree_with_the_packet_library_that_built_the_frame(invoke: Invoke) -> None:
    done = invoke("annotate", FRAME.hex(), "--json")
    assert done.exit_code == 0, done.stderr
    (frame,) = frames(done)
    mac = frame["mac"]
    assert isinstance(mac, dict)
    assert (mac["sequence"], mac["destination_pan"]) == (9, 0xABCD)
    assert (mac["destination"], mac["source"]) == ("0002", "0001")
    assert mac["fcs_ok"] is True
    spans = frame["spans"]
    assert isinstance(spans, list)
    assert sum(span["bits"] for span in spans) == 8 * len(FRAME)
    assert frame["datagram"]["octets"][:2] == "60"  # type: ignore[index]
    assert frame["fault"] is None


def test_what_people_see(invoke: Invoke) -> None:
    shown = invoke("annotate", FRAME.hex()).stdout
    assert "destination PAN ID = 43981 (0xabcd)" in shown
    assert "sent cd ab" in shown  # little-endian on the air (IEEE 802.15.4-2006 clause 7.2)
    assert "the hop limit is 64" in shown
    assert "The datagram it carries, expanded to 40 octets:" in shown


@pytest.mark.parametrize(
    ("fcs", "cut"), [("2", 0), ("none", 2)], ids=["with check sequence", "taken off"]
)
def test_check_sequence_options(invoke: Invoke, fcs: str, cut: int) -> None:
    octets = FRAME[: len(FRAME) - cut]
    (frame,) = frames(invoke("annotate", octets.hex(), "--fcs", fcs, "--json"))
    assert frame["datagram"] is not None


def test_a_damaged_frame_is_noticed(invoke: Invoke) -> None:
    done = invoke("annotate", FRAME[:-1].hex() + f"{FRAME[-1] ^ 1:02x}")
    assert done.exit_code == 0
    assert "the FCS does not match" in " ".join(done.stdout.split())


def test_a_file_of_frames(invoke: Invoke, tmp_path: Path) -> None:
    file = tmp_path / "frames.txt"
    file.write_text(f"# two frames\n\n{FRAME.hex()}  # the first\n{FRAME.hex(' ')}\r\n", "utf-8")
    found = frames(invoke("annotate", str(file), "--json"))
    assert [frame["place"] for frame in found] == [f"{file}:3", f"{file}:4"]
    shown = invoke("annotate", str(file)).stdout
    assert f"Frame of {len(FRAME)} octets, 2 of 2" in shown


def test_a_header_of_one_field_is_named_once(invoke: Invoke) -> None:
    """RFC 8200 section 4.3: 8 octets of hop-by-hop options behind IPHC, and 4 octets of a UDP header that is cut."""
    octets = "41880102d1020001007a33001100010400000000f0b1f0b2"
    shown = " ".join(invoke("annotate", octets, "--fcs", "none").stdout.split())
    assert "fewer hop-by-hop options: 8 octets here" in shown
    assert "options hop-by-hop options" not in shown


def test_standard_input(program: Callable[..., object]) -> None:
    done = program("annotate", "-", "--json", stdin=FRAME.hex().encode())
    assert len(json.loads(getattr(done, "stdout"))["frames"]) == 1  # noqa: B009


def test_a_broken_frame_is_shown_as_far_as_it_goes(invoke: Invoke) -> None:
    """The payload's first header is cut short: all before it is explained, the exit code says that octets are wrong."""
    broken = bytes(SCAPY / b"\x7a")
    done = invoke("annotate", broken.hex())
    assert done.exit_code == 3
    assert "source address = 0001" in done.stdout
    assert "Reading stopped at octet 9" in done.stdout
    assert "not decoded" in done.stdout
    assert "octet 9" in done.stderr
    (frame,) = frames(invoke("annotate", broken.hex(), "--json"))
    fault = frame["fault"]
    assert isinstance(fault, dict)
    assert (fault["kind"], fault["offset"]) == ("Truncated", 9)


# the MHR of FRAME alone with an FCS of 4 octets: CRC-32, as IEEE 802.15.4-2015 clause 7.2.10 has it, from memory
WITH_CRC32 = FRAME[:9] + zlib.crc32(FRAME[:9]).to_bytes(4, "little")


@pytest.mark.parametrize(
    ("octets", "says"),
    [
        (FRAME[:-2], "a frame without FCS, its 12 octets make sense to the end"),
        (WITH_CRC32, "last 4 octets are an FCS that matches"),
        (bytes([len(FRAME)]) + FRAME, "tells how many follow, 14, as a PHR does: leave it out"),
        (bytes([len(FRAME)]) + FRAME[:-2], "leave it out and say that it has no FCS"),
        (bytes.fromhex("7a333b"), "begins as a 6LoWPAN payload, and has no MHR"),
        (bytes.fromhex("7bf6333b"), "begins as a 6LoWPAN payload, and has no MHR"),
        (FRAME[:8], "look at the snap length"),
        (FRAME[:10], "look at the snap length"),
    ],
    ids=["no FCS", "longer FCS", "PHR", "PHR, no FCS", "no MHR", "no MHR, a context", "cut", "cut later"],
)  # fmt: skip
def test_what_to_try_is_what_fits(invoke: Invoke, octets: bytes, says: str) -> None:
    """Each frame is FRAME with one known thing done to it; the proposal must be that thing."""
    done = invoke("annotate", octets.hex())
    assert done.exit_code == 3
    assert says in " ".join(done.stdout.split())


def test_nothing_is_proposed_for_a_frame_that_came_whole(invoke: Invoke) -> None:
    """Its check sequence is right, so its octets are all there: whoever sent it is wrong."""
    (frame,) = frames(invoke("annotate", bytes(SCAPY / b"\x7a").hex(), "--json"))
    fault = frame["fault"]
    assert isinstance(fault, dict)
    assert (fault["kind"], fault["hint"]) == ("Truncated", "")


def test_many_broken_frames_are_told_in_few_lines(invoke: Invoke, tmp_path: Path) -> None:
    file = tmp_path / "frames.txt"
    file.write_text("41\n" * 50)
    done = invoke("annotate", str(file), "--json")
    assert done.exit_code == 3
    assert len(done.stderr.splitlines()) == 6
    assert "50 of 50 frames" in done.stderr


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.binary(min_size=1, max_size=140))
def test_any_octets_give_an_answer(invoke: Invoke, octets: bytes) -> None:
    done = invoke("annotate", octets.hex(), COLUMNS="80")
    assert done.exit_code in (0, 3)
    assert done.stderr == "" or done.exit_code == 3
    assert all(char.isprintable() for char in done.stdout.replace("\n", ""))
    assert all(len(line) <= 80 for line in done.stdout.splitlines())


# --- sealed frames --------------------------------------------------------------------------------


def sealed() -> bytes:
    mac = Mac(
        version=1, sequence=1, destination_pan=0xABCD, destination=b"\0\2", pan_id_compression=True,
        source=bytes.fromhex("0200000000000001"),
        security=Security(5, 1, 7, key_index=3),
    )  # fmt: skip
    return encode_frame(mac, bytes.fromhex("7a333b"), key=KEY).octets


def key_file(folder: Path, text: str, mode: int = 0o600) -> str:
    file = folder / "keys.toml"
    file.write_text(text)
    file.chmod(mode)
    return str(file)


GOOD = f'[[key]]\noctets = "{KEY}"\nindex = 3\n[devices]\n"0xabcd/0x0001" = "0200000000000001"\n'


def test_a_sealed_frame_without_a_key(invoke: Invoke) -> None:
    done = invoke("annotate", sealed().hex())
    assert done.exit_code == 0
    assert "sealed" in done.stdout
    assert "key id mode 1, index 3" in " ".join(done.stdout.split())


def test_what_a_sealed_frame_wants_is_told(invoke: Invoke, tmp_path: Path) -> None:
    """The nonce holds the EUI-64 (IEEE 802.15.4-2015 clause 9.3.2, from memory); levels 1 to 3 hide nothing."""
    path = key_file(tmp_path, GOOD.split("[devices]", maxsplit=1)[0])
    ends = {
        "destination_pan": 1,
        "destination": b"\0\2",
        "source": b"\0\1",
        "pan_id_compression": True,
    }
    hidden, clear = (
        encode_frame(
            Mac(**ends, security=Security(level, 1, 7, key_index=3)),  # type: ignore[arg-type]
            bytes.fromhex("7a333b"), key=KEY, devices={1: bytes(8)},
        ).octets.hex()
        for level in (5, 2)
    )  # fmt: skip
    told = " ".join(invoke("annotate", hidden, "--key-file", path).stdout.split())
    assert "it is not known" in told
    assert "try: Give it in [devices] of the key file" in told
    told = " ".join(invoke("annotate", clear).stdout.split())
    assert "in the clear, its integrity code not checked; the key wanted" in told
    assert "sealed;" not in told


def test_a_key_file_opens_and_is_never_shown(invoke: Invoke, tmp_path: Path) -> None:
    path = key_file(tmp_path, GOOD)
    for extra in ((), ("--json",)):
        done = invoke("annotate", sealed().hex(), "--key-file", path, *extra)
        assert done.exit_code == 0, done.stderr
        assert "hop limit is 64" in done.stdout
        assert KEY not in done.output
    shown = invoke("annotate", sealed().hex(), "--key-file", path).stdout
    assert "were sent encrypted and opened with a key" in shown
    assert "sent 7a 33" not in shown  # these octets were never on the air


@pytest.mark.skipif(os.name != "posix", reason="rights are no mode bits here")
@pytest.mark.parametrize("mode", [0o640, 0o604, 0o620, 0o660, 0o777])
def test_a_key_file_that_others_may_use_is_refused(
    invoke: Invoke, tmp_path: Path, mode: int
) -> None:
    done = invoke("annotate", sealed().hex(), "--key-file", key_file(tmp_path, GOOD, mode))
    assert done.exit_code == 2
    assert done.stdout == ""
    assert f"mode {mode:04o}" in done.stderr
    assert "chmod 600" in done.stderr


@pytest.mark.parametrize(
    "text",
    [
        "",
        "[devices]\n",
        f"[[key]]\noctets = {KEY}\n",
        f'[[key]]\noctets = "{KEY[:-2]}"\n',
        f'[[key]]\noctets = "{KEY}x"\n',
        f'[[key]]\noctets = "{KEY}"\nmode = 1\n',
        f'[[key]]\n"{KEY}" = 1\n',
        f'[[key]]\noctets = "{KEY}"\nindex = "three"\n',
        f'[[key]]\noctets = "{KEY}"\nkey_id_mode = 9\n',
        f'[[key]]\noctets = "{KEY}"\nsource = "012345"\n',
        f'["{KEY}"]\n["{KEY}"]\n',
        f'key = "{KEY}"\n',
        f'[[key]]\noctets = "{KEY}"\n[devices]\n"{KEY}" = "02"\n',
        f'[[key]]\noctets = "{KEY}"\n[devices]\n1 = "0200"\n',
        f'[[key]]\noctets = "{KEY}"\n[devices]\n"0x10001" = "0200000000000001"\n',
    ],
)  # fmt: skip
def test_faults_of_a_key_file_are_told_without_its_content(
    invoke: Invoke, tmp_path: Path, text: str
) -> None:
    done = invoke("annotate", sealed().hex(), "--key-file", key_file(tmp_path, text))
    assert done.exit_code == 2
    assert done.stdout == ""
    assert KEY[:-2] not in done.stderr
    assert len(done.stderr.splitlines()) <= 3


def test_a_key_file_that_is_not_there(invoke: Invoke, tmp_path: Path) -> None:
    for path in (tmp_path / "none.toml", tmp_path):
        done = invoke("annotate", sealed().hex(), "--key-file", str(path))
        assert done.exit_code == 2
        assert "cannot be read" in done.stderr or "may be used by others" in done.stderr


def test_binary_key_file(invoke: Invoke, tmp_path: Path) -> None:
    file = tmp_path / "keys.toml"
    file.write_bytes(b"\xff\xfe\x00")
    file.chmod(stat.S_IRUSR)
    assert "UTF-8" in invoke("annotate", "41", "--key-file", str(file)).stderr


# --- wrong requests -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (("418",), "3 hex digits"),
        (("",), "no octets"),
        (("0x",), "no octets"),
        (("41 8g",), "neither hex ('g' is no hex digit) nor a file"),
        (("no-such-file.txt",), "nor a file that exists"),
        (("/",), "cannot be read"),
        (("a\0b",), "cannot be read"),
        (("41", "--fcs", "3"), "'3'"),
        (("41", "--asn", "many"), "--asn 'many'"),
        (("41", "--asn", str(1 << 40)), "2 to the 40th"),
        (("41", "--asn", "-1"), "slot number"),
        (("41", "--root", "nowhere"), "root 'nowhere' is not an IPv6 address"),
        (("41", "--context", "2001:db8::/64"), "is not a number and a prefix"),
        (("41", "--context", "16=2001:db8::/64"), "must be 0 to 15"),
        (("41", "--context", "1=2001:db8::1/64"), "did you mean 2001:db8::/64?"),
        (("41", "--context", "1=::/0", "--context", "1=::/1"), "more than once"),
        (("41", "--context", "1=2001:db8::"), "Give 2001:db8::/64, or 2001:db8::/128"),
        (("41", "--context", "1="), "not an IPv6 prefix"),
    ],
)
def test_wrong_requests_are_told_in_one_message(
    invoke: Invoke, args: tuple[str, ...], says: str
) -> None:
    done = invoke("annotate", *args)
    assert done.exit_code == 2
    assert done.stdout == ""
    assert says in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    ("content", "code", "says"),
    [
        (b"", 1, "holds no frame"),
        (b"# only words\n\n", 1, "holds no frame"),
        (b"4188\n41 8x\n", 2, ":2:5: 'x' is no hex digit"),
        (b"\x89PNG\r\n\x1a\n\0\0", 3, "octet 0"),
        (b"4" * 70000, 2, "65536 characters or more"),
        (b"\xff\xfe4\x001\x00", 3, "octet 0"),
        (b"4188 418\n", 2, ":1:6: '418' has 3 hex digits"),
    ],
    ids=["empty", "comments", "letter", "binary", "long line", "utf-16", "half an octet"],
)
def test_files_that_are_no_frames(
    invoke: Invoke, tmp_path: Path, content: bytes, code: int, says: str
) -> None:
    """Hex that is mistyped is a wrong request; octets that are no text and no capture are wrong octets."""
    file = tmp_path / "frames.txt"
    file.write_bytes(content)
    done = invoke("annotate", str(file))
    assert done.exit_code == code
    assert done.stdout == ""
    assert says in done.stderr


def test_a_file_named_like_hex_wants_a_path(
    invoke: Invoke, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "beef").write_text(FRAME.hex())
    monkeypatch.chdir(tmp_path)
    assert frames(invoke("annotate", "beef", "--json"))[0]["octets"] == "beef"
    assert frames(invoke("annotate", "./beef", "--json"))[0]["octets"] == FRAME.hex()


# RFC 7400 appendix A: ICMPv6 messages of neighbour discovery and RPL, given as whole IPv6 packets
RFC_7400 = document(Path(__file__).parents[2] / "vectors" / "rfc7400" / "appendix-a.toml")
FIGURES = [one for one in RFC_7400["case"] if "ipv6" in one]


@pytest.mark.parametrize("figure", FIGURES, ids=[one["id"] for one in FIGURES])
def test_what_byte_code_stands_for_is_explained_as_if_it_went_in_line(
    invoke: Invoke, figure: dict[str, str]
) -> None:
    packet = bytes.fromhex("".join(figure["ipv6"].split()))
    mac = Mac(
        sequence=1, destination_pan=0xABCD, pan_id_compression=True,
        destination=b"\x00\x02", source=b"\x00\x01",
    )  # fmt: skip
    coded, plain = (
        frames(invoke("annotate", encode_frame(mac, payload.octets).octets.hex(), "--json"))[0]
        for payload in (compress(packet, ghc=True), compress(packet))
    )
    told, sent = coded["contents"], plain["spans"]
    assert isinstance(told, dict)
    assert isinstance(sent, list)
    assert plain["contents"] is None
    # behind the 40 octets of the IPv6 header; in the plain frame before two octets of check sequence
    bits = 8 * (len(packet) - 40)
    end = 8 * (len(str(plain["octets"])) // 2 - 2)
    in_line = [span for span in sent if end - bits <= span["offset_bits"] < end]
    what = ("layer", "name", "value", "bits", "meaning", "cite")
    assert [[span[key] for key in what] for span in told["spans"]] == [
        [span[key] for key in what] for span in in_line
    ]
    assert [span["offset_bits"] for span in told["spans"]] == [
        320 + span["offset_bits"] - (end - bits) for span in in_line
    ]


# RFC 7400 appendix A, figure 9: 92 octets of message, and the shortest byte code for them has 52. A literal has at most
# 95 octets behind its code (section 2): one for all of them makes 93, which is longer than the message.
DIO = next(one for one in FIGURES if one["id"] == "rpl-dio")
MAC = Mac(
    sequence=1, destination_pan=0xABCD, pan_id_compression=True,
    destination=b"\x00\x02", source=b"\x00\x01",
)  # fmt: skip


@pytest.mark.parametrize(
    ("code", "says", "difference"),
    [
        (DIO["code"], "52 octets of byte code stand for 92: 40 fewer.", []),
        ("5c" + DIO["octets"], "93 octets of byte code stand for 92: 1 more.", [(8 * 93, 8 * 52)]),
    ],
)
def test_what_byte_code_gains_and_what_shorter_code_would(
    invoke: Invoke, code: str, says: str, difference: list[tuple[int, int]]
) -> None:
    packed = compress(bytes.fromhex("".join(DIO["ipv6"].split())), ghc=True).octets
    head = packed[: packed.index(0xDF) + 1]  # figure 3: ICMPv6 in byte code
    frame = encode_frame(MAC, head + bytes.fromhex("".join(code.split()))).octets.hex()
    assert says in " ".join(invoke("annotate", frame).stdout.split())
    shortest = frames(invoke("annotate", frame, "--json"))[0]["shortest"]
    assert isinstance(shortest, dict)
    told = [(one["name"], one["here"], one["shortest"]) for one in shortest["differences"]]
    assert told == [("payload", *sizes) for sizes in difference]


def test_the_shortest_form_without_byte_code_is_called_so(invoke: Invoke) -> None:
    """RFC 7400 section 3.4: a sender needs to know that its receiver reads it, so that none is called avoidable."""
    datagram = bytes.fromhex("".join(DIO["ipv6"].split()))
    env = Env(b"\x00\x01", b"\x00\x02")
    said = [
        " ".join(invoke("annotate", encode_frame(MAC, packed).octets.hex()).stdout.split())
        for packed in (compress(datagram, env, ghc=ghc).octets for ghc in (False, True))
    ]
    shortest = "The form that was sent is the shortest between these addresses with these contexts"
    assert f"{shortest}, without byte code." in said[0]
    assert f"{shortest}." in said[1]


def test_byte_code_that_does_not_pay_is_told(invoke: Invoke) -> None:
    """RFC 7400 table 1: four octets that nothing repeats take a code octet more; UDP as in figure 2, ports in line."""
    frame = bytes.fromhex("4188 01 cdab 0200 0100 7e33 d0 c001 c002 0000 04 11335577").hex()
    shown = " ".join(invoke("annotate", frame, "--fcs", "none").stdout.split())
    assert "payload: 5 octets here, 4 octets then as it is: byte code for it is no shorter" in shown
    assert "dispatches" not in shown


def test_octets_that_are_no_fields_are_told_in_both_forms(invoke: Invoke, tmp_path: Path) -> None:
    """RFC 4944 section 5.3: 4 octets before the first fragment, 5 before the next; then two of IPHC, one of NHC."""
    datagram = bytes.fromhex(
        "60000000 0020 11 40 fe80000000000000000000fffe000001 fe80000000000000000000fffe000002 f0b1f0b2 0020 0000"
    ) + bytes(24)
    first = bytes.fromhex("c048 0007 7e33 f3 12 0000") + datagram[48:64]
    second = bytes.fromhex("e048 0007 08") + datagram[64:]
    mac = Mac(
        sequence=1, destination_pan=0xABCD, pan_id_compression=True,
        destination=b"\x00\x02", source=b"\x00\x01",
    )  # fmt: skip
    made = [encode_frame(mac, part).octets for part in (first, second)]
    path = written(tmp_path / "a.pcap", made)
    told = frames(invoke("annotate", path, "--frame", "1", "--json"))[0]["shortest"]
    assert isinstance(told, dict)
    (difference,) = told["differences"]
    assert difference["name"].startswith("dispatches")
    assert (difference["here"], difference["shortest"]) == (8 * (4 + 5 + 2 + 1), 8 * (2 + 1))


def test_a_form_in_one_piece_is_not_called_what_is_cut(invoke: Invoke, tmp_path: Path) -> None:
    """RFC 7400 section 2: byte code ends with its frame, so that of the whole is not what fragments are cut from."""
    payload = bytes(64) + bytes(range(1, 180))
    datagram = bytes(
        IPv6(src="2001:db8::1", dst="2001:db8::2") / UDP(sport=61616, dport=49152) / payload
    )
    mac = Mac(
        sequence=1,
        destination_pan=0xABCD,
        pan_id_compression=True,
        destination=b"\x00\x02",
        source=b"\x00\x01",
    )
    parts = split(datagram, Env(), room=70, ghc=True)
    path = written(tmp_path / "a.pcap", [encode_frame(mac, part).octets for part in parts])
    shown = " ".join(invoke("annotate", path, "--frame", "1").stdout.split())
    assert (
        f"The shortest form in one piece, {len(compress(datagram, ghc=True).octets)} octets"
        in shown
    )


# RFC 7400 section 3.1, figure 2: an NHC octet 0xd3; section 2, table 1: codes by hand. Ports 0xf0b1 and 0xf0b2
# hold nothing that is known, port 5684 a record of DTLS 1.2 whose content is sealed (RFC 6347 section 4.1: epoch 1).
@pytest.mark.parametrize(
    ("udp", "code", "kinds"),
    [
        ("d312 7d7f", "03 616161 c0 d8 03 626262 c0 d8 b0 ed d8", ["payload"]),
        (
            "d0 f0b1 1634 0000",
            "11 17 fefd 0001 000000000005 0004 61626364",
            ["DTLS", "sealed payload"],
        ),
    ],
)
def test_what_byte_code_stands_for_is_told_to_programs(
    invoke: Invoke, udp: str, code: str, kinds: list[str]
) -> None:
    frame = bytes.fromhex(f"4188 01 cdab 0200 0100 7e33 {udp} {code}")
    done = invoke("annotate", frame.hex(), "--fcs", "none", "--json")
    assert done.exit_code == 0, done.stderr
    told = frames(done)[0]["contents"]
    assert isinstance(told, dict)
    assert [one["kind"] for one in told["segments"]] == kinds
