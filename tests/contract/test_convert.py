"""compress and decompress: the octets are the standard's, and what is shown is what was sent."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result
from scapy.layers.inet import UDP
from scapy.layers.inet6 import IPv6
from vector_files import document

Invoke = Callable[..., Result]


def packet(source: str) -> bytes:
    """Return a datagram as the packet library builds it, checksum included."""
    header = IPv6(src=source, dst="fe80::ff:fe00:2", hlim=64)
    return bytes(header / UDP(sport=0xF0B1, dport=0xF0B2) / b"hi")


# RFC 6282 section 3.2.2: 0000:00ff:fe00:XXXX from a short address, so both addresses can be elided
LOCAL = packet("fe80::ff:fe00:1")
ENDS = ("--source", "0001", "--destination", "0002")


def test_best_case_of_the_standard(invoke: Invoke) -> None:
    """RFC 6282 section 3: "LOWPAN_IPHC can compress the IPv6 header down to two octets".

    UDP takes the NHC octet, two ports of 4 bits (section 4.3.1) and the checksum: 4.
    """
    done = invoke("compress", LOCAL.hex(), *ENDS, "--json")
    assert done.exit_code == 0, done.stderr
    answer = json.loads(done.stdout)
    assert answer["version"] == 1
    assert answer["header_octets"] == 2 + 4
    assert answer["covers"] == 40 + 8
    octets = bytes.fromhex(answer["octets"])
    assert octets[0] >> 5 == 0b011  # RFC 6282 section 3.1: the dispatch of LOWPAN_IPHC
    assert octets[6:] == b"hi"
    assert sum(span["bits"] for span in answer["spans"]) == 8 * len(octets)


def test_there_and_back_on_the_command_line(invoke: Invoke) -> None:
    there = invoke("compress", LOCAL.hex(), *ENDS, "--hex")
    back = invoke("decompress", there.stdout.strip(), *ENDS, "--hex")
    assert back.stdout == LOCAL.hex() + "\n"
    assert back.stderr == ""


def test_a_context_shortens_and_expand_only_does_not(invoke: Invoke) -> None:
    """RFC 6775 section 4.2: such a context "MUST NOT be used for compression but SHOULD be used in decompression"."""
    far = packet("2001:db8::ff:fe00:1")
    sizes = [
        json.loads(invoke("compress", far.hex(), *ENDS, "--json", *extra).stdout)["header_octets"]
        for extra in (
            (),
            ("--context", "0=2001:db8::/64"),
            ("--context", "0=2001:db8::/64:expand-only"),
        )
    ]
    assert sizes == [2 + 16 + 4, 2 + 4, 2 + 16 + 4]  # RFC 6282 section 3.1.1, SAC and SAM


def test_checksum_elision_wants_the_right_checksum(invoke: Invoke) -> None:
    elided = invoke("compress", LOCAL.hex(), *ENDS, "--elide-udp-checksum", "--json")
    assert (
        json.loads(elided.stdout)["header_octets"] == 2 + 2
    )  # RFC 6282 section 4.3.2: two octets less
    wrong = LOCAL[:46] + b"\x12\x34" + LOCAL[48:]
    refused = invoke("compress", wrong.hex(), *ENDS, "--elide-udp-checksum")
    assert refused.exit_code == 2
    assert "RFC 6282 §4.3.2" in refused.stderr


@pytest.mark.parametrize(
    "text",
    [
        LOCAL.hex(" "),
        LOCAL.hex(":").upper(),
        "0x" + LOCAL.hex(),
        " ".join(f"0x{octet:02x}," for octet in LOCAL),
        LOCAL.hex("-", 4),
    ],
    ids=["spaces", "colons", "prefix", "list", "groups"],
)
def test_hex_in_the_forms_that_people_paste(invoke: Invoke, text: str) -> None:
    assert (
        invoke("compress", text, "--hex").stdout == invoke("compress", LOCAL.hex(), "--hex").stdout
    )


def test_link_addresses_with_separators(invoke: Invoke) -> None:
    plain = invoke("compress", LOCAL.hex(), "--source", "0200000000000001", "--hex")
    assert plain.stdout == invoke(
        "compress", LOCAL.hex(), "--source", "02:00:00:00:00:00:00:01", "--hex"
    ).stdout  # fmt: skip


def test_what_people_see_names_size_value_and_clause(invoke: Invoke) -> None:
    shown = invoke("compress", LOCAL.hex(), *ENDS).stdout
    assert "50 octets of datagram become 8: 48 of headers become 6" in shown
    assert "hop limit form (HLIM) = 2: the hop limit is 64" in shown
    assert "RFC 6282 §3.1.1" in shown


# RFC 7400 appendix A, figure 9: a message of 92 octets behind an IPv6 header of 40, and 52 octets of byte code for it
RFC_7400 = document(Path(__file__).parents[2] / "vectors" / "rfc7400" / "appendix-a.toml")
DIO = next("".join(one["ipv6"].split()) for one in RFC_7400["case"] if one["id"] == "rpl-dio")


def test_byte_code_of_a_payload_is_no_header(invoke: Invoke) -> None:
    answer = json.loads(invoke("compress", DIO, "--ghc", "--json").stdout)
    headers = len(answer["octets"]) // 2 - 52
    assert (answer["covers"], answer["header_octets"]) == (40, headers)
    assert (answer["expanded"], answer["byte_code"]) == (92, 52)
    shown = " ".join(invoke("compress", DIO, "--ghc").stdout.split())
    assert (
        f"132 octets of datagram become {headers + 52}: 40 of headers become {headers}, "
        "92 of payload become 52 of byte code"
    ) in shown
    plain = json.loads(invoke("compress", DIO, "--json").stdout)
    assert (plain["covers"], plain["expanded"], plain["byte_code"]) == (40, 0, 0)


def test_byte_code_of_no_use_is_told_where_it_was_asked_for(invoke: Invoke) -> None:
    """RFC 7400 table 1: "hi" as a literal takes a code octet more than as it is."""
    asked, plain = (
        invoke("compress", LOCAL.hex(), *ENDS, *more).stdout for more in (["--ghc"], [])
    )
    assert "byte code would make nothing shorter" in " ".join(asked.split())
    assert "byte code" not in plain


def test_standard_input(invoke: Invoke, program: Callable[..., object]) -> None:
    done = program(
        "compress", "-", "--hex", stdin=b"# a datagram\n\n" + LOCAL.hex().encode() + b"\n"
    )
    assert getattr(done, "stdout").decode() == invoke("compress", LOCAL.hex(), "--hex").stdout  # noqa: B009
    two = program("compress", "-", stdin=b"60\n60\n")
    assert getattr(two, "returncode") == 2  # noqa: B009
