"""``show``: a notebook gets a picture and the terminal's text as HTML, and nothing of it reaches beyond itself."""

import copy
import html
import pickle
import re
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import pytest
from contract import air

from lowpanbudget import (
    Certainty,
    Cite,
    CutFrame,
    Env,
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
    carrying,
    compatible,
    compress,
    decode_frame,
    decompress,
    encode_frame,
    encodings,
    explain,
    fit,
    follow,
    generate,
    list_frames,
    load_design,
    measure,
    read_capture,
    read_continued,
    review,
    room_by_hops,
    shortest_form,
    show,
    survey,
    sweep,
    weigh,
)

EXAMPLES = Path(__file__).parents[1] / "examples"
ARCHIVE = load_design(EXAMPLES / "archive.toml")
FOOTBRIDGE = load_design(EXAMPLES / "footbridge.toml")
CAPTURE = EXAMPLES / "archive.pcap"
RECORDS = list(read_capture(CAPTURE))
NODE, ROOT = air.eui(1), air.eui(0x100)
DATAGRAM = air.udp_datagram(air.ip_of(NODE), air.ip_of(ROOT), b"12345678")
ENV = Env(NODE, ROOT, contexts=air.CONTEXTS)
# what a finding may hold when a file or a frame names things: markup of pages and terminals, escapes, directions
NASTY = "<script>alert(1)</script> [red]&amp; \x1b[31m \u202e\u2066 \x00 </pre>"


def text_of(picture: Picture) -> str:
    """Return the text of a picture's HTML, as a browser shows it."""
    page = re.sub(r"\A<svg .*</svg>\n", "", picture._repr_html_(), flags=re.DOTALL)
    assert re.findall(r"</?(\w+)", page)[:2] == ["div", "pre"]
    assert set(re.findall(r"</?(\w+)", page)) <= {"div", "pre", "span"}
    return html.unescape(re.sub(r"<[^>]*>", "", page))


def lines_of(text: str) -> list[str]:
    return [line.rstrip() for line in text.rstrip("\n").split("\n")]


RESULTS: dict[str, Callable[[], Any]] = {
    "ledger": lambda: budget(ARCHIVE, "climate")[0].ledger,
    "budget": lambda: budget(ARCHIVE, "climate")[0],
    "budgets": lambda: budget(ARCHIVE, "climate"),
    # README: an acknowledged data frame without protection, compressed with IPHC and UDP NHC
    "frame": lambda: decode_frame(bytes.fromhex("619807412c310004017a33f0f0b3f0b4c5d31207")),
    # RFC 7400 section 2.1, by hand: 5 octets as they are, as byte code behind a UDP header
    "coded frame": lambda: decode_frame(
        bytes.fromhex("619807412c310004017e33d0f0b3f0b4de620568656c6c6f"), fcs=False
    ),
    # 21 octets of MAC header with EUI-64s (IEEE 802.15.4-2006), 14 of payload, 2 of FCS
    "encoded": lambda: encode_frame(air.mac_of(NODE, ROOT), compress(DATAGRAM, ENV).octets),
    # RFC 6282: 2 octets of IPHC and, for ports of 4 bits, 4 of UDP NHC stand for 40 and 8
    "compressed": lambda: compress(DATAGRAM, ENV),
    "decompressed": lambda: decompress(compress(DATAGRAM, ENV).octets, ENV),
    # RFC 4944 section 5.1: an IPv6 header that is not compressed stands behind the dispatch 0x41
    "shortest": lambda: shortest_form(
        decode_frame(
            encode_frame(air.mac_of(NODE, ROOT), b"\x41" + DATAGRAM).octets, contexts=air.CONTEXTS
        )
    ),
    "findings": lambda: review(FOOTBRIDGE),
    "no findings": lambda: (),
    "captured": lambda: annotate(CAPTURE, 24, design=ARCHIVE)[0],
    "audit": lambda: audit(CAPTURE, design=ARCHIVE),
    "survey": lambda: survey(CAPTURE, design=ARCHIVE),
    "total": lambda: survey(CAPTURE, design=ARCHIVE).total,
    "series": lambda: survey(CAPTURE, design=ARCHIVE, every="15 min").series,
    "flow": lambda: measure(CAPTURE, design=ARCHIVE).flows[0],
    "flows": lambda: measure(CAPTURE, design=ARCHIVE).flows,
    "links": lambda: measure(CAPTURE, design=ARCHIVE).links,
    "nodes": lambda: measure(CAPTURE, design=ARCHIVE).nodes,
    "explanation": lambda: explain("iphc"),
    "fits": lambda: fit(ARCHIVE, "climate"),
    "carrying": lambda: carrying(ARCHIVE, 98, "climate"),
    "rooms by hops": lambda: room_by_hops(ARCHIVE, range(1, 4), "climate"),
    "sweep": lambda: sweep(ARCHIVE, "climate", axes={"level": [6], "hops": [2]}),
    "listed": lambda: list_frames(CAPTURE, design=ARCHIVE),
    "measured": lambda: measure(CAPTURE, design=ARCHIVE),
    "airtimes": lambda: airtime(ARCHIVE, "climate"),
    "network": lambda: carry(FOOTBRIDGE),
    "burst": lambda: carry_burst(FOOTBRIDGE, "hundred", runs=20),
    "weighed": lambda: weigh(ARCHIVE, "climate"),
    "encodings": lambda: encodings(ARCHIVE, "door_alarm"),
    "compared": lambda: compatible(ARCHIVE, FOOTBRIDGE),
}
SAYS = {
    "ledger": "dispatch",
    "budget": "room for 95 octets",
    "budgets": "headers, then room",
    "frame": "Headers restored",
    "coded frame": "What the byte code stands for, from octet 48 of the datagram",
    "encoded": "Frame of 37 octets",
    "compressed": "14 octets: 48 octets of headers became 6",
    "decompressed": "Datagram of 56 octets, from 14 octets of compressed payload",
    "shortest": "14 octets instead of 57: 43 fewer on the air",
    "findings": "do: ",
    "no findings": "Nothing to show: the list is empty.",
    "captured": "Message climate of flow climate",
    "audit": "354 frames, 4 failures, 1 waste, 2 remarks",
    "survey": "354 frames",
    "total": "354 frames",
    "series": "Over time, in steps of 15 min",
    "flow": "Messages, each datagram counted once",
    "flows": "climate from",
    "links": "0x0112",
    "nodes": "on air ms",
    "explanation": "LOWPAN_IPHC",
    "fits": "climate",
    "carrying": "98 octets in one frame, on every hop",
    "rooms by hops": "room on the worst hop",
    "sweep": "Settings that none surpasses",
    "listed": "data, sealed",
    "measured": "354 frames in",
    "airtimes": "Time on the air: 1696 to 4256 µs a frame",
    "network": "this network carries the messages that are counted",
    "burst": "What becomes of the packets",
    "weighed": "Message climate: 15 octets at most",
    "encodings": "CBOR",
    "compared": "waits for it in vain",
}


@cache
def result(name: str) -> Any:
    """Return a result, worked out once."""
    return RESULTS[name]()


@pytest.mark.usefixtures("played_once")
@pytest.mark.parametrize("name", RESULTS)
@pytest.mark.parametrize("width", [80, 120])
def test_the_page_says_what_the_terminal_says(name: str, width: int) -> None:
    picture = show(result(name), width=width)
    text = str(picture)
    assert SAYS[name] in text
    assert max(map(len, text.split("\n"))) <= width
    assert "\x1b" not in text
    assert repr(picture) == text
    assert lines_of(text_of(picture)) == lines_of(text)


@pytest.mark.parametrize(("width", "size"), [(80, 2.049), (120, 1.366)])
def test_text_is_set_smaller_where_a_cell_is_narrow(width: int, size: float) -> None:
    """Of 900 pixels 120 characters of 0.61 em take all at 12.3 pixels a letter: 1.366 hundredths of the cell."""
    page = show(result("explanation"), width=width)._repr_html_()
    assert f"font-size:clamp(0.7em,{size}cqi,1em)" in page


@pytest.mark.usefixtures("played_once")
@pytest.mark.parametrize("name", RESULTS)
def test_a_picture_is_equal_to_its_copy_and_comes_from_another_process(name: str) -> None:
    picture = show(result(name), width=80)
    for again in (copy.copy(picture), copy.deepcopy(picture), pickle.loads(pickle.dumps(picture))):
        assert again == picture
        assert hash(again) == hash(picture)
        assert str(again) == str(picture)
        assert again._repr_html_() == picture._repr_html_()
    assert show(result(name), width=81) != picture
    assert show(explain("ghc"), width=80) != picture


def test_kinds_that_cannot_be_drawn_are_named() -> None:
    """Not the list that it stands in."""
    for given, said in (
        ((3,), "tuple of int cannot"),
        ([3, "x"], "list of int and str cannot"),
        (3, "^int cannot"),
        ([explain("iphc")[0], review(FOOTBRIDGE)[0]], "list of Explanation and Finding cannot"),
    ):
        with pytest.raises(RequestError, match=said):
            show(given)


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


DRAWN = (
    "ledger",
    "budget",
    "budgets",
    "frame",
    "coded frame",
    "encoded",
    "compressed",
    "decompressed",
    "captured",
    "airtimes",
    "network",
    "burst",
)
SVG = "{http://www.w3.org/2000/svg}"
PARTS = {"svg", "title", "desc", "style", "defs", "pattern", "rect", "path", "text"}


def pictures_of(*results: Any) -> list[ET.Element]:
    """Return the pictures in the HTML of results, each one read as XML."""
    pages = [show(result)._repr_html_() for result in results]
    return [
        ET.fromstring(each)
        for page in pages
        for each in re.findall(r"<svg .*?</svg>", page, re.DOTALL)
    ]


@cache
def pictures(name: str) -> list[ET.Element]:
    """Return the pictures of a result, drawn once."""
    return pictures_of(result(name))


@pytest.mark.usefixtures("played_once")
@pytest.mark.parametrize("name", RESULTS)
def test_what_has_a_picture_is_drawn_and_told_in_words(name: str) -> None:
    drawn = pictures(name)
    assert len(drawn) == (name in DRAWN)
    for root in drawn:
        assert root.get("role") == "img"
        told = {each.get("id"): each.text for each in root.iter()}
        named = [told[each] or "" for each in (root.get("aria-labelledby") or "").split()]
        assert len(named) == 2
        assert all(named)


@pytest.mark.usefixtures("played_once")
def test_a_picture_touches_nothing_else_of_a_notebook() -> None:
    drawn = [root for name in DRAWN for root in pictures(name)]
    ids = [each.get("id") for root in drawn for each in root.iter() if each.get("id")]
    assert len(ids) == len(set(ids))
    for root in drawn:
        own = root.get("id") or ""
        assert {each.tag.removeprefix(SVG) for each in root.iter()} <= PARTS
        for each in root.iter():
            assert not [name for name in each.attrib if name.startswith("on") or "href" in name]
            for value in each.attrib.values():
                assert re.fullmatch(rf"url\(#{own}-[a-z0-9-]+\)", value) or "url" not in value
        style = root.findtext(f"{SVG}style") or ""
        assert "@import" not in style
        assert "url" not in style
        # rules of a style sheet (CSS Syntax Module Level 3): what stands before each block is the selector
        rules = re.findall(
            r"([^{}]+)\{([^{}]*)\}", style.replace("@media (prefers-color-scheme:dark){", "")
        )
        assert len(rules) > 10
        for selectors, _ in rules:
            for selector in selectors.split(","):
                assert re.match(rf"#{own}(?: |$)", selector.strip())
        assert "@media (prefers-color-scheme:dark)" in style


def test_the_frame_is_drawn_to_scale() -> None:
    # README: 20 octets; IEEE 802.15.4: 3 bits of frame type first
    (root,) = pictures("frame")
    cells = [one for one in root.iter(f"{SVG}rect") if one.find(f"{SVG}title") is not None]
    widths = [float(one.get("width", "0")) for one in cells]
    assert cells[0][0].text == "frame type"
    assert sum(widths) / widths[0] == pytest.approx(20 * 8 / 3, rel=1e-3)


def test_a_picture_of_many_frames_says_what_it_leaves_out() -> None:
    frame = result("frame")
    (root,) = pictures_of([frame] * 27)
    text = " ".join(each.text or "" for each in root.iter(f"{SVG}text"))
    assert "24 frames, to scale" in text
    assert "3 more frames are in the text beneath" in text
    assert pictures_of(decode_frame(b"")) == []


def test_hostile_names_stay_text_in_a_picture() -> None:
    evil = f"</style></text></svg>{NASTY}"
    ledger = result("ledger")
    named = {"layer": evil, "name": evil, "meaning": evil, "value": evil, "removed_by": evil}
    spans = tuple(span._replace(**named) for span in ledger.spans)
    drawn = show(replace(ledger, spans=spans))._repr_html_()
    assert drawn.count("<svg") == drawn.count("</svg>") == 1
    assert drawn.count("<style") == drawn.count("</style>") == 1
    assert "<script" not in drawn
    assert not set("\x00\x1b\u202e\u2066") & set(drawn)
    assert "&lt;script&gt;" in drawn


def test_savings_and_cut_frames_are_drawn() -> None:
    (first, _) = budget(load_design(EXAMPLES / "footbridge.toml"), "features")
    cut = first.cut(200)
    assert all(isinstance(one, CutFrame) for one in cut)
    picture = show(cut)
    assert "frame 3" in str(picture)
    assert "<svg" in picture._repr_html_()
    best = first.savings[0]
    savings = show(first.savings, width=80)
    assert f"+{best.gain}  → {first.room + best.gain}" in str(savings)
    assert "<svg" in savings._repr_html_()


def test_a_value_that_is_a_named_tuple_is_one_value() -> None:
    made = generate(ARCHIVE.message("climate"))
    with pytest.raises(RequestError, match=r"^Generated cannot be drawn"):
        show(made)


@pytest.mark.parametrize("wrong", [None, 5, "text", [[]], [1, 2], ARCHIVE, b"octets"])
def test_what_cannot_be_drawn_is_named(wrong: object) -> None:
    with pytest.raises(RequestError, match="cannot be drawn"):
        show(wrong)


@pytest.mark.parametrize(
    "capture", [read_continued([CAPTURE]), follow(RECORDS), RECORDS, RECORDS[0]]
)
def test_a_capture_is_told_how_to_be_drawn(capture: object) -> None:
    with pytest.raises(
        RequestError, match=r"cannot be drawn[.] Show a capture as show\(list_frames\("
    ):
        show(capture)
    # as the hint says
    assert "frames" in str(show(list_frames(CAPTURE)))
    assert "number 1 of its capture" in str(show(annotate(CAPTURE, [1, 2])))
    assert "number 1 of its capture" in str(show([next(follow(RECORDS))]))


def test_a_table_is_shown_by_its_values() -> None:
    nodes = survey(CAPTURE).nodes
    with pytest.raises(RequestError, match=r"cannot be drawn[.] Show one of its values"):
        show(nodes)
    assert "octets" in str(show(list(nodes.values())))


@pytest.mark.parametrize("width", [39, 161, "80", None, True])
def test_a_width_is_a_number_of_columns(width: Any) -> None:
    with pytest.raises(RequestError, match="no number from 40 to 160"):
        show(result("ledger"), width=width)
