"""``show``: a notebook gets the terminal's text as HTML, and nothing in it that is not text."""

import html
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from lowpanbudget import (
    Certainty,
    Cite,
    Finding,
    Picture,
    RequestError,
    Severity,
    airtime,
    annotate,
    audit,
    budget,
    carry,
    carry_burst,
    compatible,
    decode_frame,
    encodings,
    explain,
    fit,
    load_design,
    review,
    show,
    survey,
    weigh,
)

EXAMPLES = Path(__file__).parents[1] / "examples"
ARCHIVE = load_design(EXAMPLES / "archive.toml")
CAPTURE = EXAMPLES / "archive.pcap"
# what a finding may hold when a file or a frame names things: markup of pages and terminals, escapes, directions
NASTY = "<script>alert(1)</script> [red]&amp; \x1b[31m \u202e\u2066 \x00 </pre>"


def text_of(picture: Picture) -> str:
    """Return the text of a picture's HTML, as a browser shows it."""
    page = picture._repr_html_()
    assert re.findall(r"</?(\w+)", page)[0] == "pre"
    assert set(re.findall(r"</?(\w+)", page)) <= {"pre", "span"}
    return html.unescape(re.sub(r"<[^>]*>", "", page))


def lines_of(text: str) -> list[str]:
    return [line.rstrip() for line in text.rstrip("\n").split("\n")]


RESULTS: dict[str, Callable[[], Any]] = {
    "ledger": lambda: budget(ARCHIVE, "climate")[0].ledger,
    "budget": lambda: budget(ARCHIVE, "climate")[0],
    "budgets": lambda: budget(ARCHIVE, "climate"),
    # README: an acknowledged data frame without protection, compressed with IPHC and UDP NHC
    "frame": lambda: decode_frame(bytes.fromhex("619807412c310004017a33f0f0b3f0b4c5d31207")),
    "findings": lambda: review(load_design(EXAMPLES / "footbridge.toml")),
    "captured": lambda: annotate(CAPTURE, 24, design=ARCHIVE)[0],
    "audit": lambda: audit(CAPTURE, design=ARCHIVE),
    "survey": lambda: survey(CAPTURE, design=ARCHIVE),
    "explanation": lambda: explain("iphc"),
    "fits": lambda: fit(ARCHIVE, "climate"),
    "airtimes": lambda: airtime(ARCHIVE, "climate"),
    "network": lambda: carry(load_design(EXAMPLES / "footbridge.toml")),
    "burst": lambda: carry_burst(load_design(EXAMPLES / "footbridge.toml"), "hundred", runs=20),
    "weighed": lambda: weigh(ARCHIVE, "climate"),
    "encodings": lambda: encodings(ARCHIVE, "door_alarm"),
    "compared": lambda: compatible(ARCHIVE, load_design(EXAMPLES / "footbridge.toml")),
}
SAYS = {
    "ledger": "dispatch",
    "budget": "room for 95 octets",
    "budgets": "headers, then room",
    "frame": "Headers restored",
    "findings": "do: ",
    "captured": "Message climate of flow climate",
    "audit": "354 frames, 4 failures, 1 waste, 2 remarks",
    "survey": "354 frames",
    "explanation": "LOWPAN_IPHC",
    "fits": "climate",
    "airtimes": "Time on the air: 1696 to 4256 µs a frame",
    "network": "this network carries its messages",
    "burst": "What becomes of the packets",
    "weighed": "Message climate: 15 octets at most",
    "encodings": "CBOR",
    "compared": "waits for it in vain",
}


@pytest.mark.parametrize("name", RESULTS)
@pytest.mark.parametrize("width", [80, 120])
def test_the_page_says_what_the_terminal_says(name: str, width: int) -> None:
    picture = show(RESULTS[name](), width=width)
    text = str(picture)
    assert SAYS[name] in text
    assert max(map(len, text.split("\n"))) <= width
    assert "\x1b" not in text
    assert repr(picture) == text
    assert lines_of(text_of(picture)) == lines_of(text)


def test_nothing_that_a_frame_or_a_file_says_acts() -> None:
    finding = Finding(
        NASTY, NASTY, Severity.RISK, Certainty.FRAME, NASTY, NASTY, Cite(NASTY), NASTY, (), 1, (NASTY,)
    )  # fmt: skip
    picture = show(finding)
    page, text = picture._repr_html_(), str(picture)
    for char in "\x00\x1b\u202e\u2066":
        assert char not in page
        assert char not in text
    assert "<script" not in page
    assert page.count("</pre>") == 1
    joined = "".join(text_of(picture).split())
    for harmless in (
        "<script>alert(1)</script>",
        "[red]&amp;",
        "\\x1b[31m",
        "\\u202e\\u2066",
        "\\x00",
    ):
        assert harmless in joined


@pytest.mark.parametrize("wrong", [None, 5, "text", [], [1, 2], ARCHIVE, b"octets"])
def test_what_cannot_be_drawn_is_named(wrong: object) -> None:
    with pytest.raises(RequestError, match="cannot be drawn"):
        show(wrong)


@pytest.mark.parametrize("width", [39, 161, "80", None, True])
def test_a_width_is_a_number_of_columns(width: Any) -> None:
    with pytest.raises(RequestError, match="columns"):
        show(RESULTS["ledger"](), width=width)
