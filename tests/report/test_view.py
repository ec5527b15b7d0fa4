"""Results as plain data: it goes through JSON unchanged, and what is hidden stays hidden."""

import json
import tracemalloc
from fractions import Fraction
from ipaddress import IPv6Address
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lowpanbudget import Key, Truncated, decode_frame, fit, load_design
from lowpanbudget.bits import Span
from lowpanbudget.cites import Cite
from lowpanbudget.env import Context
from lowpanbudget.report import machine, view
from lowpanbudget.report.screen import Screen, encodable, harmless

EXAMPLES = Path(__file__).parents[2] / "examples"


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (b"\x01\xab", "01ab"),
        (IPv6Address("2001:db8::1"), "2001:db8::1"),
        (Cite("RFC 6282", "3.1.1"), "RFC 6282 §3.1.1"),
        (Fraction(1, 4), 0.25),
        (Fraction(6, 2), 3),
        (Fraction(1, 3), "1/3"),
        (float("nan"), "nan"),
        (float("inf"), "inf"),
        ((1, None, True), [1, None, True]),
        ({1: b"\0"}, {"1": "00"}),
        (Context("2001:db8::/32"), {"prefix": "2001:db8::/32", "may_compress": True}),
    ],
)
def test_plain(value: Any, expected: Any) -> None:
    assert view.data_of(value) == expected


def test_a_key_is_never_in_it() -> None:
    key = Key(bytes(range(16)), index=3)
    text = machine.document(
        key=view.data_of(key), keys=view.data_of([key]), by={"a": view.data_of(key)}
    )
    assert bytes(range(16)).hex() not in text
    assert '"index": 3' in text


def test_faults() -> None:
    fault = Truncated("too short", offset=4, layer="X", cite=Cite("RFC 1", "2"), hint="more")
    assert view.data_of(fault) == {
        "kind": "Truncated", "message": "too short", "offset": 4, "layer": "X", "cite": "RFC 1 §2", "hint": "more",
    }  # fmt: skip


def test_a_document_takes_the_room_of_its_text() -> None:
    data = [{"number": number, "name": f"field {number}"} for number in range(20_000)]
    machine.document(data=data[:2])
    tracemalloc.start()
    text = machine.document(data=data)
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert json.loads(text)["data"] == data
    assert most < 6 * len(text)  # a list of its pieces takes half as much again, at least


def test_fits_of_one_message_share_its_bit_map() -> None:
    rows = view.fits(fit(load_design(EXAMPLES / "archive.toml"), "climate", "climate"))
    assert [row["hop"] for row in rows] == ["first", "forwarded"]
    assert rows[0]["bitmap"] is rows[1]["bitmap"]


@given(st.binary(max_size=130))
def test_any_frame_becomes_json(octets: bytes) -> None:
    frame = decode_frame(octets)
    text = machine.document(frame=view.data_of(frame), layers=view.layered(frame.layers))
    back = json.loads(text)
    assert back["version"] == 1
    assert text.isascii()
    assert bytes.fromhex(back["frame"]["octets"]) == octets
    assert sum(span["bits"] for span in back["frame"]["spans"]) == 8 * len(octets)


@given(st.binary(max_size=130))
def test_rows_and_segments_follow_the_spans(octets: bytes) -> None:
    frame = decode_frame(octets)
    rows, segments = view.rows(frame.spans, octets), view.segments(frame.spans)
    assert len(rows) == len(frame.spans) == sum(run["spans"] for run in segments)
    assert sum(run["bits"] for run in segments) == 8 * len(octets)
    sent = "".join(row["sent"].replace(" ", "") for row in rows if row["octets"] is not None)
    bits = "".join(row["sent"] for row in rows if row["octets"] is None)
    assert len(sent) * 4 + len(bits) == 8 * len(octets)


def test_places_are_what_people_count() -> None:
    spans = [
        Span(0, 3, "a", "first", 5, "", None),
        Span(3, 13, "a", "second", 1, "", None),
        Span(16, 32, "b", "third", b"\1\2\3\4", "", None),
    ]
    rows = view.rows(spans, bytes(2) + b"\4\3\2\1")
    assert [(row["octet"], row["part"], row["octets"]) for row in rows] == [
        ("0", "0-2", None), ("0-1", "3-15", None), ("2-5", "", 4),
    ]  # fmt: skip
    assert [row["sent"] for row in rows] == ["101", "0000000000001", "04 03 02 01"]
    assert [row["says"] for row in rows] == ["5", "1 (0x0001)", "01020304"]
    assert view.rows(spans, bytes(6), (2, 6))[2]["sent"] == ""


@given(st.text(max_size=60))
def test_text_is_made_harmless(text: str) -> None:
    """No control character, no bidirectional override, nothing that does not print (str.isprintable)."""
    made = harmless(text)
    assert made.isprintable()
    assert made == text or not text.isprintable()
    assert encodable(made, "ascii").isascii()


def test_known_dangers() -> None:
    """An escape sequence, a line end, a right-to-left override (Unicode U+202E), a lone surrogate."""
    assert harmless("\x1b[31m\r\n\u202e\ud800\x9b") == r"\x1b[31m\x0d\x0a\u202e\ud800\x9b"


def test_square_brackets_and_colons_are_no_markup() -> None:
    screen = Screen(80, colour=True)
    text = "[bold]x[/bold] [link] :smile: [0]"
    assert text in screen.draw(lambda console: console.print(text))


def test_the_run_of_an_auxiliary_security_header_has_its_name_and_not_that_of_its_first_octet() -> (
    None
):
    """IEEE 802.15.4-2015 clause 9.4, from memory: security control 1 octet, frame counter 4, key identifier 1."""
    frame = decode_frame(bytes.fromhex("4998 01 0d0c 0100 0200 0d 00000000 01 aabb 11111111 2222"))
    (run,) = [run for run in view.segments(frame.spans) if run["layer"] == "security control"]
    assert (run["label"], run["bits"]) == ("security header", 48)
