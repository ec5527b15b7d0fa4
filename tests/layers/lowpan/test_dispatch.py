"""The dispatch table, said once more: RFC 4944 figure 2 as RFC 6282, 8025, 8066, 8138 and 8931 left it."""

import pytest

from lowpanbudget import RequestError, Reserved
from lowpanbudget.bits import Reader, Writer
from lowpanbudget.cites import rfc
from lowpanbudget.fields import Patterns
from lowpanbudget.layers.lowpan import dispatch


def name_in_page_0(octet: int) -> str:
    """Return the key by ranges, in the order of figure 2."""
    single = {0x40: "esc", 0x41: "ipv6", 0x42: "hc1", 0x43: "dff", 0x50: "bc0"}
    if octet < 0x40:
        return "nalp"
    if octet in single:
        return single[octet]
    for first, last, key in (
        (0x60, 0x7F, "iphc"), (0x80, 0xBF, "mesh"), (0xC0, 0xC7, "frag1"), (0xE0, 0xE7, "fragn"),
        (0xE8, 0xE9, "rfrag"), (0xEA, 0xEB, "rfrag-ack"), (0xF0, 0xFF, "page"),
    ):  # fmt: skip
        if first <= octet <= last:
            return key
    return "reserved"


def test_page_0() -> None:
    for octet in range(256):
        found = dispatch.PAGE_0[octet]
        expected = name_in_page_0(octet)
        assert found.key == expected or {found.key, expected} <= {"reserved", "unassigned"}, hex(
            octet
        )
        assert found.name
        assert found.cite.document.startswith("RFC ")


def test_page_1() -> None:
    """RFC 8138 section 4: 100xxxxx critical, 101xxxxx elective; RFC 8025: LOWPAN_IPHC and page switches."""
    for octet in range(256):
        key = dispatch.PAGE_1[octet].key
        if octet >= 0xF0:
            assert key == "page"
        elif 0x60 <= octet < 0x80:
            assert key == "iphc"
        elif 0x80 <= octet < 0xA0:
            assert key == "critical-6lorh"
        elif 0xA0 <= octet < 0xC0:
            assert key == "elective-6lorh"
        else:
            assert key in {"reserved", "unassigned"}


@pytest.mark.parametrize("page", range(2, 16))
def test_other_pages_hold_the_page_switch_alone(page: int) -> None:
    table = dispatch.PAGES[page]
    assert all((table[octet].key == "page") == (octet >= 0xF0) for octet in range(256))
    assert all(table[octet].name for octet in range(256))


@pytest.mark.parametrize("page", range(16))
def test_a_page_switch_there_and_back(page: int) -> None:
    writer = Writer()
    dispatch.write_page(writer, page)
    assert writer.data == bytes([0xF0 | page])
    reader = Reader(bytes(writer.data))
    assert dispatch.read_page(reader) == page
    # RFC 8025 sections 3 and 6, RFC 8138 section 4.1
    known = {0: "page 0, the default", 1: "page 1: routing headers", 15: "page 15: experiments"}
    assert reader.spans[-1].meaning == known.get(page, "a page without any headers yet")


@pytest.mark.parametrize("page", [-1, 16])
def test_no_other_page_exists(page: int) -> None:
    with pytest.raises(RequestError, match="page"):
        dispatch.write_page(Writer(), page)


def test_0x41_is_the_only_octet_before_an_uncompressed_header() -> None:
    for octet in range(256):
        reader = Reader(bytes([octet]))
        if octet == 0x41:
            dispatch.IPV6.read(reader)
        else:
            with pytest.raises(Reserved):
                dispatch.IPV6.read(reader)


def test_two_patterns_for_one_octet_refuse_to_exist() -> None:
    with pytest.raises(TypeError, match="two patterns"):
        Patterns(
            "twice",
            rfc(4944),
            (("0100000x", "a", "a", rfc(4944)), ("01000001", "b", "b", rfc(4944))),
        )
