"""The page of a capture: findings are those of the audit, numbers those of the survey, frames those of the file."""

import json
import os
import re
import struct
from pathlib import Path
from typing import Any

import pytest
from contract import entry
from page_data import data_in
from vector_files import document

from lowpanbudget import (
    Mac,
    Record,
    audit,
    compress,
    decode_frame,
    encode_frame,
    load_design,
    measure,
    read_capture,
    survey,
    write_pcap,
)
from lowpanbudget.report.audit_text import sentence
from lowpanbudget.report.figure import fields_of
from lowpanbudget.report.page import paper
from lowpanbudget.report.page.capture import capture_page
from lowpanbudget.report.page.paper import capture_html
from lowpanbudget.stack.beyond import beyond_unknown_context

EXAMPLES = Path(__file__).parents[2] / "examples"
CAPTURE = EXAMPLES / "archive.pcap"
VECTORS = Path(__file__).parents[2] / "vectors" / "rfc7400"


@pytest.fixture(scope="module")
def page() -> Any:
    return capture_page(CAPTURE)


@pytest.fixture(scope="module")
def planned() -> Any:
    return capture_page(CAPTURE, design=load_design(EXAMPLES / "archive.toml"))


def test_findings_are_those_of_the_audit(page: Any) -> None:
    found = audit(CAPTURE)
    assert [(one["name"], one["count"], one["cause"]) for one in page["findings"]] == [
        (one.name, one.count, sentence(one.cause, one.subject)) for one in found.findings
    ]
    assert page["frames"] == found.frames
    named = {number for one in found.findings for number in one.frames}
    drawn = {frame["number"] for frame in page["drawn"]}
    assert named <= drawn
    assert {n + 1 for n in named if n < found.frames} | {n - 1 for n in named if n > 1} <= drawn
    assert page["left_out"] == 0


def test_its_answer_is_that_of_the_audit_and_no_clean_bill_for_what_nobody_read() -> None:
    """All frames of this capture are sealed, and no key is given."""
    sealed = EXAMPLES / "footbridge-burst.pcap"
    answer = capture_page(sealed)["answer"]
    (heading, *_) = entry.invoke("audit", str(sealed)).stdout.splitlines()
    assert answer.startswith(f"{heading.partition(': ')[2]}. Frames are sealed")
    assert answer.endswith("159 of 159 were not read to the end: what they hold was not judged.")


def test_a_capture_that_was_read_says_what_the_audit_says(tmp_path: Path) -> None:
    """IEEE 802.15.4-2015 section 7.3.3 (from memory): an acknowledgement is frame control 0x0002, a number, the FCS."""
    capture = tmp_path / "one.pcap"
    with capture.open("wb") as file:
        write_pcap(file, [Record(1, 0, 230, bytes.fromhex("020007"), 3)], 230)
    assert capture_page(capture)["answer"] == "1 frame, nothing found."


def test_frames_are_those_of_the_file(page: Any) -> None:
    with read_capture(CAPTURE) as records:
        octets = {record.number: record.octets for record in records}
    texts, fields, segments = page["texts"], page["fields"], page["segments"]
    for frame in page["drawn"]:
        numbers = [f for s in frame["frame"] for f in segments[s][2]]
        spans = beyond_unknown_context(decode_frame(octets[frame["number"]])).spans
        assert [(fields[n][0], texts[fields[n][1]]) for n in numbers] == [
            (span.bits, span.name) for span in spans
        ]
        sent = "".join(
            texts[fields[n][2]].replace(" ", "") for n in numbers if fields[n][0] % 8 == 0
        )
        whole = [span for span in spans if span.bits % 8 == 0 and span.offset_bits % 8 == 0]
        assert (
            sent
            == b"".join(
                octets[frame["number"]][span.offset_bits // 8 :][: span.bits // 8] for span in whole
            ).hex()
        )


def test_time_adds_up_to_the_survey(page: Any) -> None:
    nodes = survey(CAPTURE).nodes
    shown = {one["name"]: one["steps"] for one in page["time"]["nodes"]}
    assert page["time"]["more_nodes"] == 0
    for node, tally in nodes.items():
        assert isinstance(node, bytes)
        name = node.hex(":") if len(node) > 2 else f"0x{node.hex()}"
        assert sum(step[1] for step in shown[name]) == tally.frames
        assert sum(step[3] for step in shown[name]) == tally.lost
    total = survey(CAPTURE).total
    kinds = [event[2] for event in page["time"]["events"]]
    assert kinds.count("sent again") == total.retransmissions
    assert kinds.count("damaged") == total.damaged


def test_tables_of_the_survey_have_the_columns_in_which_something_was_counted(page: Any) -> None:
    counted = survey(CAPTURE)
    shown = page["survey"]["groups"]["nodes"]
    rows = {
        row["name"]: dict(zip(shown["columns"], row["counts"], strict=True))
        for row in shown["rows"]
    }
    assert len(rows) == len(counted.nodes)
    for node, tally in counted.nodes.items():
        assert isinstance(node, bytes)
        row = rows[node.hex(":") if len(node) > 2 else f"0x{node.hex()}"]
        assert (row["frames"], row.get("lost", 0)) == (tally.frames, tally.lost)
    for column in range(len(shown["columns"])):
        assert any(row["counts"][column] for row in shown["rows"])


def test_of_too_many_frames_those_of_the_worst_findings_are_drawn() -> None:
    few = capture_page(CAPTURE, most_frames=6)
    assert len(few["drawn"]) <= 6
    assert few["left_out"] > 0
    worst = few["findings"][0]["frames"]
    assert all(drawn for _, drawn in worst)


def test_what_a_capture_and_its_design_say_is_text(tmp_path: Path) -> None:
    evil = "<img src=x onerror=alert(1)>\u202e\u2066{{ 7*7 }}"
    design = (EXAMPLES / "archive.toml").read_text(encoding="utf-8")
    design = re.sub(
        r"(?m)^(title|note) = .*$", lambda found: f"{found[1]} = {json.dumps(evil)}", design
    )
    (tmp_path / "evil.toml").write_text(design, encoding="utf-8")
    # octets of an unsecured frame of another network that are text with markup, and a name with markup
    markup = b"</script><script>alert(1)</script>\xe2\x80\xae"
    frame = (
        bytes.fromhex("41880134120100020041") + markup
    )  # data, short addresses, an uncompressed dispatch octet
    octets = CAPTURE.read_bytes()
    kind = octets[:24]
    record = struct.pack("<4I", 1, 0, len(frame), len(frame)) + frame
    capture = tmp_path / f"{evil}.pcap"
    capture.write_bytes(kind[:20] + struct.pack("<I", 230) + record)  # link type 230: without FCS
    page = capture_page(capture, design=load_design(tmp_path / "evil.toml"))
    html = capture_html(page)
    assert page["frames"] == 1
    assert html.count("<script") == html.count("</script") == 2
    assert "<img" not in html
    assert html.count("&lt;img src=x onerror=alert(1)&gt;") >= 2
    assert "{{ 7*7 }}" in html
    shown = html + json.dumps(data_in(html), ensure_ascii=False)
    assert not {"\u202e", "\u2066"} & set(shown)


def test_what_was_measured_is_what_measure_says(planned: Any) -> None:
    shown = planned["measured"]
    found = measure(CAPTURE, design=load_design(EXAMPLES / "archive.toml"))
    assert sorted(
        (one["what"], one["subject"], one["verdict"]) for one in shown["checks"]
    ) == sorted((check.what.value, check.subject, check.verdict.value) for check in found.checks)
    links = next(table for table in shown["tables"] if table["title"] == "Links")
    assert [int(row[2]) for row in links["rows"]] == [link.frames for link in found.links]
    assert len(shown["unknown"]) == len(found.unknown)


def test_links_without_script_lead_to_what_is_there_and_no_title_stands_twice(page: Any) -> None:
    html = capture_html(page)
    ids = re.findall(r'\sid="([^"]*)"', html)
    assert len(ids) == len(set(ids))
    assert set(re.findall(r'href="#([^"]*)"', html)) <= set(ids)
    # the frame that stands there is one of the worst finding, and its number leads to it
    worst = page["findings"][0]["frames"][0][0]
    assert f'<h3 id="frame-title" aria-live="polite">Frame {worst}: ' in html
    assert f'<a href="#frame-title" data-frame="{worst}">' in html
    titles = re.findall(r"<h3>([^<]*)</h3>", html)
    assert not set(titles) & set(re.findall(r"<th[^>]*>([^<]*)</th>", html))


def test_columns_have_units_and_say_what_the_survey_says(page: Any, planned: Any) -> None:
    titles = planned["survey"]["groups"]["kinds"]["titles"]
    assert {"frames", "octets", "application data, octets", "datagrams", "damaged"} <= set(titles)
    told = entry.invoke("survey", str(CAPTURE)).stdout
    assert all(words.rstrip(".") in " ".join(told.split()) for words in page["survey"]["facts"])
    assert len(page["survey"]["facts"]) >= 2
    reasons = survey(CAPTURE).reasons
    assert dict(page["survey"]["reasons"]) == reasons
    assert "Why frames were not read to their end" in capture_html(page)


def test_what_was_measured_is_said_in_sentences(planned: Any) -> None:
    """The words of the command, as sentences: first and last sign are all that differs."""
    shown = planned["measured"]
    told = entry.invoke("measure", str(CAPTURE), "--design", str(EXAMPLES / "archive.toml")).stdout
    answer = shown["answer"]
    assert f": {answer[0].lower()}{answer[1:-1]}" in " ".join(told.split())
    for words in (answer, *(one["why"] for one in shown["checks"])):
        assert words.endswith(".")
        assert words[0] == words[0].upper()


def test_over_time_adds_up_and_what_is_left_out_is_told(page: Any, monkeypatch: Any) -> None:
    total = survey(CAPTURE).total
    rows = page["time"]["rows"]
    assert 1 < len(rows) <= 24
    assert [sum(column) for column in zip(*rows, strict=True)][1:] == [
        total.frames, total.octets, total.lost
    ]  # fmt: skip
    assert [row[0] for row in rows] == sorted(row[0] for row in rows)
    monkeypatch.setattr("lowpanbudget.report.page.capture._MOST_NODES", 2)
    monkeypatch.setattr("lowpanbudget.report.page.capture._MOST_EVENTS", 1)
    few = capture_page(CAPTURE)
    assert len(few["time"]["nodes"]) == 2
    html = capture_html(few)
    assert f"{few['time']['more_nodes']} nodes that sent less are left out" in html
    assert f"{few['time']['more_events']} later signs are left out" in html
    assert few["time"]["more_events"] > 0


def test_contents_that_came_as_codes_stand_beside_them(tmp_path: Path, page: Any) -> None:
    """RFC 7400 appendix A: the packet behind the codes is given there, from octet 40 on behind its IPv6 header."""
    figures = [one for one in document(VECTORS / "appendix-a.toml")["case"] if "ipv6" in one]
    capture = tmp_path / "codes.pcap"
    mac = Mac(
        sequence=1, destination_pan=0xABCD, pan_id_compression=True, destination=b"\x00\x02",
        source=b"\x00\x01",
    )  # fmt: skip
    packets = [bytes.fromhex("".join(one["ipv6"].split())) for one in figures]
    frames = [encode_frame(mac, compress(one, ghc=True).octets).octets for one in packets]
    frames.append(encode_frame(mac, compress(packets[0]).octets).octets)
    records = [
        Record(number=at, octets=octets, link_type=195, original_length=len(octets), time_ns=at)
        for at, octets in enumerate(frames, 1)
    ]
    with capture.open("wb") as file:
        write_pcap(file, records, 195)
    without, page = page, capture_page(capture)
    drawn = {frame["number"]: frame for frame in page["drawn"]}
    named = [at for at in drawn if at < len(frames)]  # those that findings name
    assert len(named) >= 5
    for number in named:
        packet = packets[number - 1]
        fields = fields_of(page, drawn[number]["contents"], drawn[number]["contents_at"])
        assert fields[0]["offset"] == 40 * 8
        assert fields[-1]["offset"] + fields[-1]["bits"] == len(packet) * 8
        assert (fields[0]["name"], fields[0]["says"]) == ("type", str(packet[40]))  # of ICMPv6
    assert drawn[len(frames)]["contents"] == []
    html = capture_html(page)
    assert "What its byte code stands for" in html
    assert 'id="c1"' in html
    hides = 'id="contents-part" aria-labelledby="contents-title" hidden'
    assert hides in capture_html(without)


def test_an_empty_capture_says_that_there_is_nothing(tmp_path: Path) -> None:
    empty = tmp_path / "empty.pcap"
    empty.write_bytes(CAPTURE.read_bytes()[:24])
    html = capture_html(capture_page(empty))
    assert "0 frames" in html
    assert data_in(html)["drawn"] == []


def test_decrypted_contents_go_in_only_where_asked_for(tmp_path: Path, page: Any) -> None:
    keys, target = tmp_path / "keys.toml", tmp_path / "page.html"
    text = (EXAMPLES / "archive.keys.toml").read_text(encoding="utf-8")
    keys.write_text(text)
    keys.chmod(0o600)
    refused = entry.invoke("page", str(CAPTURE), "--keys", str(keys), "-o", str(target))
    assert refused.exit_code == 2
    assert "--contents" in refused.stderr
    assert not target.exists()
    done = entry.invoke("page", str(CAPTURE), "--keys", str(keys), "--contents", "-o", str(target))
    assert done.exit_code == 0
    if os.name == "posix":
        assert target.stat().st_mode & 0o777 == 0o600
    html = target.read_text(encoding="utf-8")
    assert "holds decrypted contents" in html
    secrets = [word.strip('"') for word in text.split() if len(word.strip('"')) == 32]
    assert secrets
    assert not any(secret in html + str(data_in(html)) for secret in secrets)
    assert "holds decrypted contents" not in capture_html(page)


@pytest.mark.parametrize("kind", sorted(paper._SCRIPTS))
def test_the_scripts_of_a_page_name_nothing_twice(kind: str) -> None:
    """ECMA-262 section 16.1.1: two declarations of one name are an early error of a script: nothing of it runs."""
    script = "\n".join(paper._part(name) for name in paper._SCRIPTS[kind])
    names = re.findall(r"^(?:const|let|function|async function) (\w+)", script, re.MULTILINE)
    assert len(names) > 20
    assert sorted(names) == sorted(set(names))
