"""Every word of a header reads as many octets as its rows say, without reading them."""

from dataclasses import replace
from ipaddress import IPv6Network

import pytest
import second_decoder
from second.tape import Refused

from lowpanbudget import Env, WireError
from lowpanbudget.bits import Reader, tiles
from lowpanbudget.fields import Choice
from lowpanbudget.layers.lowpan import forms, ghc_headers, iphc, lorh, nhc


@pytest.mark.long
def test_every_word_of_iphc_reads_as_many_octets_as_its_rows_say() -> None:
    """And means what the second decoder says, or is reserved for both."""
    contexts = {0: "2001:db8::/64", 1: "2001:db8:1::/48", 15: "2001:db8:0:0:aaaa::/80"}
    env = Env("02005eef10000001", "0007", contexts=contexts)
    prefixes = {number: IPv6Network(prefix) for number, prefix in contexts.items()}
    tail = bytes.fromhex("f1 3b") + bytes(range(40))
    reserved = 0
    for word in range(1 << 16):
        octets = word.to_bytes(2, "big") + tail
        reader = Reader(octets)
        try:
            layer = iphc.decode(reader, env)
        except WireError:
            reserved += 1
            if (
                word >> 13 == 0b011
            ):  # M=0 DAC=1 DAM=00 or M=1 DAC=1 DAM=01, 10, 11, and nothing else
                assert word & 15 in (0b0100, 0b1101, 0b1110, 0b1111)
                with pytest.raises(Refused):
                    second_decoder.expand(octets, env.source, env.destination, prefixes)
            continue
        assert word >> 13 == 0b011
        assert reader.pos == 2 + iphc.HEADER.inline(word)
        assert tiles(reader.spans, reader.pos * 8)
        if not layer.nhc:
            second = second_decoder.expand(octets, env.source, env.destination, prefixes)
            plain = bytes(replace(layer.header, payload_length=len(octets) - reader.pos))
            assert plain + octets[reader.pos :] == second
    assert reserved == 65536 - 8192 + 8192 // 16 * 4


def test_every_nhc_octet_reads_as_many_octets_as_its_rows_say() -> None:
    """UDP as RFC 6282 section 4.3.3 and, with byte code behind, as RFC 7400 section 3.1 have it."""
    read: dict[str, int] = {}
    for octet in range(256):
        key = nhc.KINDS[octet].key
        read[key] = read.get(key, 0) + 1
        if key == "udp":
            reader = Reader(bytes([octet]) + bytes(8))
            nhc.decode_udp(reader)
            assert reader.pos == 1 + nhc.UDP.inline(octet)
        elif key == "udp-ghc":
            reader = Reader(bytes([octet]) + bytes(8))
            nhc.decode_udp(reader, ghc_headers.UDP)
            assert reader.pos == 1 + ghc_headers.UDP.inline(octet)
    assert (read["udp"], read["udp-ghc"]) == (8, 8)


def test_every_rpi_6lorh_reads_as_many_octets_as_its_rows_say() -> None:
    """RFC 8138 figures 9 to 13: 100ORFIK, type 5; the four lengths 3, 4, 4, 5 are all there."""
    lengths = set()
    for first in range(0b1000_0000, 0b1010_0000):
        reader = Reader(bytes([first, 5]) + b"\x01\x02\x03\x04")
        lorh.decode(reader)
        assert reader.pos == 2 + lorh.RPI.inline(first << 8 | 5)
        lengths.add((first & 0b11, reader.pos))
    assert lengths == {(0b11, 3), (0b10, 4), (0b01, 4), (0b00, 5)}


def test_a_choice_that_leaves_codes_out_refuses_to_exist() -> None:
    rows = forms.NH.rows
    with pytest.raises(TypeError, match="do not cover"):
        Choice("nh", "next header", 1, rows[:1])
    with pytest.raises(TypeError, match="do not cover"):
        Choice("nh", "next header", 1, (rows[0], rows[0]))
