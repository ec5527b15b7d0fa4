"""The page of a design: its numbers are those of the budget, and nothing that a design says can act in it."""

import json
import pathlib
import random
import re
from base64 import b64encode
from hashlib import sha256
from html import unescape
from itertools import product
from typing import Any

import pytest
from contract import entry
from findings.cases_deployment import slotted
from page_data import data_in

from lowpanbudget import airtime, budget, explain, fit, load_design, review
from lowpanbudget.bits import StandInOctets
from lowpanbudget.deployment import carry as carrying
from lowpanbudget.deployment.burst import carry_burst
from lowpanbudget.deployment.carry import carry
from lowpanbudget.design.knobs import in_order, knobs, turned
from lowpanbudget.design.load import parse_design
from lowpanbudget.design.path import FlowPath
from lowpanbudget.errors import DoesNotFit, LowpanError
from lowpanbudget.findings import looks
from lowpanbudget.findings.deployed import deployment_findings
from lowpanbudget.report.arrival_text import legend
from lowpanbudget.report.page.apart import apart_parts
from lowpanbudget.report.page.design import design_page
from lowpanbudget.report.page.figures import Figures
from lowpanbudget.report.page.paper import design_html
from lowpanbudget.report.page.still import _answer, still
from lowpanbudget.report.page.words import page_words
from lowpanbudget.room.by_hops import room_by_hops
from lowpanbudget.room.measure import cliffs, room_of
from lowpanbudget.room.states import most_of, restored_headers, settings_of
from lowpanbudget.values import replace

ROOT = pathlib.Path(__file__).parents[2]
EXAMPLES = ROOT / "examples"
ARCHIVE = load_design(EXAMPLES / "archive.toml")
FOOTBRIDGE = load_design(EXAMPLES / "footbridge.toml")
FEW = 30  # combinations of a flow: pages of tests are small
SOME = (
    48  # three flows of the archive have no more, and stand whole on a page beside two that do not
)
# markup, ends of elements, directions, line ends of scripts
NASTY = "</script><img src=x onerror=alert(1)>\u202e\u2066\u2028 {{ 7*7 }} </style>"


@pytest.fixture
def short_looks(monkeypatch: pytest.MonkeyPatch) -> None:
    """Play networks of few nodes in few frames: what is told of them shows in those as well."""
    monkeypatch.setattr(looks, "_IN_SLOTS", 3000)
    monkeypatch.setattr(carrying, "_TRANSMISSIONS", 3000)


@pytest.fixture(scope="module")
def made() -> tuple[Any, list[tuple[int, int | None]]]:
    """Return a page, and what was told on the way to it."""
    told: list[tuple[int, int | None]] = []
    return design_page(
        ARCHIVE, lambda done, total: told.append((done, total)), most=SOME, network=False
    ), told


@pytest.fixture(scope="module")
def page(made: tuple[Any, Any]) -> Any:
    return made[0]


@pytest.fixture(scope="module")
def whole_page() -> Any:
    """Return a page with all combinations of every flow."""
    return design_page(ARCHIVE, network=False)


@pytest.fixture(scope="module")
def small_page() -> Any:
    """Return a page of flows that have more combinations than it may show."""
    return design_page(FOOTBRIDGE, most=FEW, network=False)


def test_the_figures_of_a_frame_stand_beside_those_of_the_standard() -> None:
    """By hand: 2 + 1 + 2 + 8 + 8 of MAC header, 2 of security, MIC 4 and FCS 2; IPHC 2 + 8, UDP 1 + 1 + 2.

    Behind the first hop the hop limit is no usual one (RFC 6282 section 3.1.1, HLIM), and the source's 8 octets do not
    follow from the link (3.2.2): 9 more. RFC 4944 section 4: 127 - 25 is 102, less 21 is 81.
    """
    one = replace(FOOTBRIDGE, flows=FOOTBRIDGE.flows[:1], messages=())
    shown = design_page(one, most=1, network=False)
    html = unescape(design_html(shown))
    assert "take 29 of 127 octets and leave 98; other headers take 23 of those" in html
    assert "102 left, 127 less 25, and with 81 where security takes 21 more" in html
    # table 11-1 from memory
    largest = "no frame of more than 127 octets: that is its aMaxPhyPacketSize (IEEE 802.15.4-2015 table 11-1"
    assert largest in html
    assert shown["flows"][0]["rooms"][0][0] == 127 - 29 - 14


def test_what_goes_in_one_frame_all_the_way_is_the_headline(page: Any, small_page: Any) -> None:
    """By hand, as above: 127 - 29 - 14 on the first hop of features and 9 less behind it, where 84 would be cut in two.

    The frames of each flow are built on every hop, with what the headline says and with one octet more.
    """
    html = design_html(small_page)
    words = (
        "On features, one frame carries <strong>75 octets of your data</strong> on every hop; 84 on the first. On the "
        "forwarded hop, drawn here, 52 of 127 octets are headers and trailer."
    )
    assert words in html
    row = "<th scope=row>features</th><td>up</td><td class=n>75</td><td>first 84, forwarded 75</td>"
    assert row in html
    for design, shown in ((ARCHIVE, page), (FOOTBRIDGE, small_page)):
        for number, flow in enumerate(design.flows):
            most = int(still(shown, number)["answer"][1].split()[0])
            paths = design.paths(flow)
            assert {built(path, most) for path in paths} == {1}
            assert any(built(path, most + 1) != 1 for path in paths)
            assert f"<th scope=row>{flow.name}</th>" in design_html(shown)


def test_the_headline_says_on_which_hop_nothing_fits() -> None:
    """The hop with the least room decides (common sense: a frame that one hop cannot send does not arrive)."""
    shown = {"name": "far", "hops": [{"name": "first"}, {"name": "forwarded"}], "rooms": [[5, -4]]}
    assert _answer(shown, 1, 131) == (
        "On far, ", "nothing fits",
        ": the headers alone are 4 octets over on the forwarded hop; 5 on the first.",
    )  # fmt: skip
    one = {**shown, "hops": shown["hops"][:1], "rooms": [[84]]}
    assert "".join(_answer(one, 0, 127)) == (
        "On far, one frame carries 84 octets of your data. Of the frame, 43 of 127 octets are headers and trailer."
    )


def test_why_a_frame_ends_and_why_more_of_them_cost_is_told(small_page: Any) -> None:
    """RFC 4919 section 2: 127 octets at most, as 7 bits hold; RFC 4944 section 5.3 drops what is not whole."""
    html = unescape(design_html(small_page))
    assert 2**7 - 1 == 127
    assert "The length that goes before each frame has 7 bits" in html
    assert "A datagram is lost when one of its fragments is, unless the network asks for it" in html
    assert "energy from the battery" in html


def test_larger_payloads_are_told_for_every_hop(small_page: Any) -> None:
    """RFC 4944 section 5.3, by hand: fragments but the last carry multiples of 8 octets of the datagram; built here."""
    base = still(small_page)
    assert (
        base["payload_of"] == "Of features, forwarded hop, as drawn above; the table has every hop."
    )
    paths = FOOTBRIDGE.paths(FOOTBRIDGE.flow("features"))
    assert base["cliffs"][0] == [1, 84, 75]
    for frames, *most in base["cliffs"]:
        for path, octets in zip(paths, most, strict=True):
            assert built(path, octets) == frames
            assert built(path, octets + 1) != frames
    assert "<td class=n>1</td><td class=n>84</td><td class=n>75</td>" in design_html(small_page)


def test_headers_are_told_where_the_datagram_and_not_the_frame_ends_the_room() -> None:
    """By hand: an FCS of 4 makes the link's 29 octets 31; 1280 octets of datagram are 48 of headers and the room."""
    link = replace(FOOTBRIDGE.link, phy="sun-fsk", fcs=4, largest=2047, slot_us=None)
    one = replace(FOOTBRIDGE, link=link, flows=FOOTBRIDGE.flows[:1], messages=())
    shown = design_page(one, most=1, network=False)
    html = design_html(shown)
    assert "take 31 of 2047 octets and leave 2016; other headers take 14 of those" in html
    assert shown["flows"][0]["rooms"][0] == [1280 - 48] * 2
    assert "<strong>1232 octets of your data</strong> on every hop. On the first hop, drawn" in html


def test_what_the_link_takes_is_told_of_each_state() -> None:
    """IEEE 802.15.4-2015 table 9-6, from memory: the MIC of level 5 has 4 octets, of 6 8, of 7 16; no MTU ends any."""
    one = replace(FOOTBRIDGE, flows=FOOTBRIDGE.flows[:1], messages=())
    shown = design_page(one, most=1, network=False)
    flow, links = shown["flows"][0], shown["links"]
    left = {
        ids: links[at[0]]
        for ids, at in zip(map(tuple, flow["ids"]), flow["links"], strict=True)
        if at
    }
    assert left[()] == [127, 98, 0]
    assert left[("link.security.level=6",)] == [127, 98 - 4, 0]
    assert left[("link.security.level=7",)] == [127, 98 - 12, 0]


def test_a_change_of_the_design_is_a_setting_of_each_flow_whose_room_it_changes(page: Any) -> None:
    """RFC 6282 section 3.1.2: where a context other than 0 is used, one octet more names both (CID).

    With the numbers exchanged, flows that used context 0 alone pay that octet; those that use both paid it before.
    """
    rooms = {}
    for number, shown in enumerate(page["flows"]):
        for row in still(page, number, 0)["alone"]:
            if "context 1 numbered 0" in row["text"]:
                rooms[shown["name"]] = (row["room"] - shown["rooms"][0][0], row["text"])
    assert {name: gain for name, (gain, _) in rooms.items()} == {
        "climate": 0, "alarm": -1, "settings": 0, "service": 0, "reading": -1,
    }  # fmt: skip
    assert rooms["alarm"][1].startswith("for climate: ")
    # no flow has a switch that is for others alone and changes nothing of its own
    for flow in ARCHIVE.flows:
        for setting in settings_of(ARCHIVE, flow):
            for knob, of in zip(setting.changes, setting.lent_by, strict=True):
                then = [one.room for one in budget(turned(ARCHIVE, [knob]), flow.name)]
                assert not of or then != [one.room for one in budget(ARCHIVE, flow.name)]


def test_what_is_told_of_the_design_as_it_is_says_so(page: Any) -> None:
    html = design_html(page)
    assert "Findings of the design as it is</h2>" in html
    assert html.count('<p class="switched bad">Not of what is switched above.</p>') == 3


def test_readings_that_are_collected_fit_by_what_one_frame_takes(page: Any) -> None:
    """``fit`` sends as many of the 48 readings that the format allows as one frame takes: all are never sent."""
    batch = next(one for one in page["messages"] if one["name"] == "climate_batch")
    designed = next(one for one in batch["encodings"] if one["name"] == "as designed")
    sent = [one for one in fit(ARCHIVE) if one.message == "climate_batch"]
    assert designed["batch"] == min(one.batch or 0 for one in sent) > 0
    assert designed["sizes"][2] > max(one.octets for one in sent)
    assert designed["fits"]
    html = design_html(page)
    assert html.count("elements of reading in one frame</th>") == 1
    assert html.count("as many elements of reading as the format allows") == 1
    assert [one["name"] for one in page["messages"] if one["collects"]] == ["climate_batch"]


def test_the_words_of_a_page_are_explained_on_it(page: Any) -> None:
    """As ``explain`` tells them: those that every page uses, and the short names of the standards that stand in it."""
    told = {
        one["name"]: one["says"]
        for one in page_words("in IPHC, SAC and the MIC; ASN.1 UPER, NASTY")
    }
    assert {"IPHC", "MIC", "SAC", "PHY"} < told.keys()  # PHY is in what is said of frames
    assert list(told)[:4] == ["octet", "frame", "datagram", "room"]
    assert told["room"] == explain("room")[0].text
    assert told["IPHC"] == explain("IPHC")[0].text.partition(". ")[0] + "."
    assert told["MIC"].startswith("Message integrity code. What proves")
    html = unescape(design_html(page))
    shown = dict(re.findall(r"<div><dt>(.*?)</dt><dd>(.*?)</dd></div>", html))
    assert {
        "octet",
        "room",
        "hop",
        "context",
        "IPHC",
        "NHC",
        "MIC",
        "FCS",
        "CID, DCI, SCI",
    } <= shown.keys()
    # the parts that the drawing is made of, and what is said of the largest frame
    names = {name.lower() for names in shown for name in names.split(", ")}
    parts = {one["label"].partition(" (")[0].lower() for one in still(page)["runs"]}
    assert parts - {"payload"} <= names | {"room"}
    assert {"phy", "datagram"} <= names
    # switches are told in words, those of the schema that judges a design
    keys = {
        one["key"]: page["texts"][one["means"]]
        for flow in page["flows"]
        for one in flow["settings"]
    }
    assert keys["link.security.key_id_mode"] == "How the key is named in the frame."
    assert (
        keys["flow.source_port, flow.destination_port"]
        == "UDP source port. UDP destination port; 0 names nobody."
    )
    assert all(keys.values())
    # a page is read by people without the program: no word sends them to a command
    assert not any("lowpanbudget" in says for says in shown.values())


def test_the_more_flows_the_fewer_combinations() -> None:
    """A page of dozens of flows would take minutes: 16384 by the number of flows, 4096 at most."""
    flow = FOOTBRIDGE.flows[0]
    many = [replace(flow, name=f"row {number}") for number in range(64)]
    assert most_of(replace(FOOTBRIDGE, flows=tuple(many))) == 256
    assert most_of(FOOTBRIDGE) == 16384 // 6
    assert most_of(replace(FOOTBRIDGE, flows=(flow,))) == 4096


@pytest.mark.long
def test_every_state_has_the_room_of_its_design(whole_page: Any) -> None:
    # a design with the changes really made, judged by the budget: the page's numbers of states are counted here again
    chance = random.Random(5)
    for flow, shown in zip(ARCHIVE.flows, whole_page["flows"], strict=True):
        settings = settings_of(ARCHIVE, flow)
        every = list(product(*((None, *setting.changes) for setting in settings)))
        assert len(shown["rooms"]) == len(every)
        for number in [0, *chance.sample(range(1, len(every)), 12)]:
            changes = [knob for knob in every[number] if knob is not None]
            hops = budget(turned(ARCHIVE, changes), flow.name)
            assert shown["rooms"][number] == [hop.room for hop in hops]


def test_frames_of_links_and_of_headers_are_those_that_are_encoded_whole() -> None:
    """Headers are encoded once for all links that carry them; a frame of both is the one that the design has."""
    text = re.sub("d[ai]o_s = .*\n", "", (EXAMPLES / "archive.toml").read_text())
    below = parse_design(text.replace("[[flow]]\n", "[[flow]]\nrouting = { mesh_under = true }\n"))
    for design in (ARCHIVE, FOOTBRIDGE, below):
        chance, figures = random.Random(3), Figures()
        for flow in design.flows:
            settings = settings_of(design, flow)
            for _ in range(6):
                picked = [chance.choice((None, *setting.changes)) for setting in settings]
                try:
                    changed = turned(design, in_order([one for one in picked if one is not None]))
                    paths = changed.paths(changed.flow(flow.name))
                except LowpanError:
                    continue
                for path in paths:
                    size = max(room_of(path), 0)
                    another = path.unlimited(b"\1".ljust(size, b"\0")[:size])
                    whole = path.unlimited(StandInOctets(size))
                    shown = figures.filled(path, room_of(path))
                    assert shown.segments == figures.frame(whole.spans, another.spans)
                    there = restored_headers(path, bytes(path.carried(bytes(size)).data))
                    assert shown.restored == figures.restored(there)


@pytest.mark.long
def test_every_state_has_the_cliffs_of_its_design(whole_page: Any) -> None:
    # each cliff encoded, to the last octet and one more, of designs with the changes really made
    chance = random.Random(9)
    for flow, shown in zip(ARCHIVE.flows, whole_page["flows"], strict=True):
        settings = settings_of(ARCHIVE, flow)
        every = list(product(*((None, *setting.changes) for setting in settings)))
        for number in chance.sample(range(len(every)), 5):
            changed = turned(ARCHIVE, [knob for knob in every[number] if knob is not None])
            paths = changed.paths(changed.flow(flow.name))
            for path, room, at in zip(
                paths, shown["rooms"][number], shown["cliffs"][number], strict=True
            ):
                more = whole_page["further"][at]
                told = [(room, 1), *more] if room >= 0 else more
                assert told == cliffs(path, room, 8)
                for octets, frames in told:
                    assert built(path, octets) == frames
                    assert built(path, octets + 1) != frames


def built(path: FlowPath, octets: int) -> int | None:
    """Return how many frames were built for a payload; None where it cannot be sent."""
    try:
        return len(path.measured(octets))
    except DoesNotFit:
        return None


def test_changes_alone_gain_what_the_budget_says(page: Any) -> None:
    assert [flow["whole"] for flow in page["flows"]] == [True, False, True, True, False]
    for at, flow in enumerate(ARCHIVE.flows):
        hops = budget(ARCHIVE, flow.name)
        for hop, one in enumerate(hops):
            # a page has the changes of keys that are there; what protects from end to end would be a table more
            changed = {knob.id for knob in knobs(ARCHIVE, flow)}
            gains = {
                saving.text: saving.gain
                for saving in (*one.savings, *one.weaker, *one.stronger)
                if saving.id in changed
            }
            assert gains
            alone = {row["text"]: row for row in still(page, at, hop)["alone"]}
            assert gains.items() <= {t: r["room"] - one.room for t, r in alone.items()}.items()
            for saving in one.weaker:
                assert alone[saving.text]["caution"] == saving.caution


def test_a_link_address_that_no_station_has_is_told_to_stand_for_a_node_that_forwards(
    page: Any,
) -> None:
    """All flows of the archive lead over nodes that forward; one over a single hop is between its stations alone."""
    alone = ARCHIVE.with_flow(replace(ARCHIVE.flow("climate"), hops=1))
    few = design_page(replace(alone, flows=(alone.flow("climate"),)), most=1, network=False)
    for shown, several in ((page, True), (few, False)):
        told = [
            any("stands for a node that forwards" in words for words in hop["cautions"])
            for flow in shown["flows"]
            for hop in flow["hops"]
        ]
        assert told == [several] * len(told) != []


def test_what_weakens_protection_stands_apart_as_no_advice(page: Any) -> None:
    """The level is 6, ENC-MIC-64; level 5 is ENC-MIC-32 (IEEE 802.15.4-2015 table 9-6, from memory)."""
    html = unescape(design_html(page))
    advice, weaker = (
        re.search(f'<tbody id="{part}">(.*?)</tbody>', html, re.DOTALL)[1]  # type: ignore[index]
        for part in ("alone", "alone-weaker")
    )
    assert "level 7" in advice
    assert "Caution" not in advice
    for words in ("level 5", "the UDP checksum elided"):
        assert words in weaker
        assert words not in advice
    assert weaker.count("Caution: ") == weaker.count("<tr>") > 1
    assert html.count("These weaken protection; they are no advice</h3>") == 2


def test_the_fields_of_a_frame_tile_it_and_are_those_of_the_ledger(page: Any) -> None:
    texts, fields, segments = page["texts"], page["fields"], page["segments"]
    for flow, shown in zip(ARCHIVE.flows, page["flows"], strict=True):
        for hop, one in enumerate(budget(ARCHIVE, flow.name)):
            numbers = [f for s in shown["frames"][0][hop] for f in segments[s][2]]
            assert [(fields[n][0], texts[fields[n][1]]) for n in numbers] == [
                (span.bits, span.name) for span in one.ledger.spans
            ]


def test_what_only_shows_a_size_is_not_told_as_a_value(page: Any) -> None:
    texts = page["texts"]
    told = {texts[field[1]]: {texts[field[3]]} for field in page["fields"]}
    assert told["frame counter"] == {"differs from frame to frame"}
    checksums = [f for f in page["fields"] if texts[f[1]] == "checksum"]  # of every state
    assert {texts[f[3]] for f in checksums} == {"computed over the contents"}
    assert told["MIC"] == told["FCS"] == {"computed over the contents"}
    ports = [f for f in page["fields"] if texts[f[1]] == "destination port"]
    assert any("7004" in texts[f[3]] for f in ports)  # of the flow alarm, from its design


def test_fields_that_are_not_sent_say_what_restores_them(page: Any) -> None:
    texts = page["texts"]
    rows = [page["absent"][n] for n in page["lists"][page["flows"][0]["restored"][0][0]]]
    told = {(texts[row[0]], texts[row[1]]): (row[3], row[4], texts[row[5]]) for row in rows}
    # RFC 6282 sections 3.1.1 and 4.3.3: version and lengths are never sent
    assert told["IPv6", "version"] == (4, 0, "6 by the standard")
    assert told["IPv6", "payload length"][:2] == (16, 0)
    assert told["UDP", "length"][:2] == (16, 0)
    assert all(carried < bits for bits, carried, _ in told.values())


def test_what_is_told_on_the_way_are_the_states_that_are_encoded(made: tuple[Any, Any]) -> None:
    """Flows that stand whole beside flows that do not: the last state told is the last there is."""
    shown, told = made
    encoded = sum(len(flow["rooms"]) for flow in shown["flows"])
    assert {flow["whole"] for flow in shown["flows"]} == {True, False}
    assert told == [(done, encoded) for done in range(1, encoded + 1)]


@pytest.mark.long
def test_too_many_combinations_are_encoded_alone_and_in_pairs(small_page: Any) -> None:
    flow = small_page["flows"][0]
    assert not flow["whole"]
    sizes = [len(ids) for ids in flow["ids"]]
    changes = [len(setting["changes"]) for setting in flow["settings"]]
    pairs = (sum(changes) ** 2 - sum(count * count for count in changes)) // 2
    assert (sizes.count(0), sizes.count(1), sizes.count(2)) == (1, sum(changes), pairs)
    assert len(sizes) == 1 + sum(changes) + pairs


@pytest.mark.long
def test_changes_that_cannot_be_together_are_refused_with_their_reason(small_page: Any) -> None:
    refused = [
        (flow["ids"][int(number)], small_page["texts"][text])
        for flow in small_page["flows"]
        for number, text in flow["refused"].items()
    ]
    assert refused
    for ids, text in refused:
        assert len(ids) > 1
        assert text


def test_nothing_in_it_is_asked_of_another_place_and_its_policy_names_what_may_run(
    page: Any,
) -> None:
    html = design_html(page)
    (policy,) = re.findall(r'http-equiv="Content-Security-Policy" content="([^"]*)"', html)
    script = re.search(r"<script>(.*?)</script>", html, re.DOTALL)
    style = re.search(r"<style>(.*?)</style>", html, re.DOTALL)
    assert script is not None
    assert style is not None
    for kind, part in (("script", script[1]), ("style", style[1])):
        hashed = b64encode(sha256(part.encode()).digest()).decode()
        assert f"{kind}-src 'sha256-{hashed}'" in policy
    assert policy.startswith("default-src 'none'")
    assert "unsafe" not in policy
    assert not re.findall(r"\b(?:src|action|srcset)=|@import|url\((?!#)", html)
    links = set(re.findall(r'href="([^"#][^"]*)"', html))
    assert all(link.startswith("https://www.rfc-editor.org/rfc/rfc") for link in links)
    assert not re.search(
        r"innerHTML|outerHTML|insertAdjacent|document\.write|\beval\b|new Function", script[1]
    )


def test_what_a_design_says_is_text() -> None:
    quoted = json.dumps(NASTY)  # a TOML string may be written so as well
    text = _small()
    text = re.sub(r"(?m)^title = .*$", lambda _: f"title = {quoted}", text)
    text = re.sub(r"(?m)^note = .*$", lambda _: f"note = {quoted}", text)
    page = design_page(parse_design(text, f"{NASTY}.toml"), most=2, network=False)
    html = design_html(page)
    assert html.count("<script") == html.count("</script") == 2
    assert "<img" not in html
    assert "49 </" not in html  # nothing of it is taken for a template
    shown = html + json.dumps(data_in(html), ensure_ascii=False)
    assert not {"\u202e", "\u2066", "\u2028"} & set(shown)
    assert "&lt;/script&gt;&lt;img src=x onerror=alert(1)&gt;" in html


def test_what_needs_the_script_is_marked_so(page: Any) -> None:
    """A style hides ``live`` where no script runs."""
    html = design_html(page)
    assert ":root:not(.script) .live,:root:not(.changed) .switched{display:none;}" in html
    for words in ("Choose a field to see what it is", "What other settings give"):
        assert re.search(rf'class="live [^>]*>(<h2[^>]*>|\s)*{words}', html)


def test_hops_and_frames_are_told_beside_each_other() -> None:
    by_hops, cut = apart_parts(FOOTBRIDGE)
    rooms = [(flow, hops, int(room)) for flow, hops, _, room, _, _ in by_hops["rows"]]
    for flow in FOOTBRIDGE.flows:
        told = {
            number: room for name, hops, room in rooms if name == flow.name
            for number in range(int(hops.split()[0]), int(hops.split()[-1]) + 1)
        }  # fmt: skip
        assert max(told) == flow.hops
        (known,) = room_by_hops(FOOTBRIDGE, told, flow.name)
        assert {one.hops: one.room for one in known.rooms} == told
    # a route over a router more is an address more of 8 octets, with identifiers in full (RFC 8138 section 5.1)
    routed = [row[5] for row in by_hops["rows"] if row[0] == "routed"]
    assert [int(re.findall(r"SRH-6LoRH (\d+)", row)[0]) for row in routed[2:]] == [
        10,
        18,
        26,
        34,
        42,
        50,
    ]
    assert routed[0] == ""
    # "IPHC" of a hop limit in line and an identifier of 8 octets more (RFC 6282 section 3.1.1)
    assert [row[5] for row in by_hops["rows"] if row[0] == "time"] == ["", "IPHC 15 instead of 6"]
    for name in dict.fromkeys(row[0].partition(",")[0] for row in cut["rows"]):
        path = min(FOOTBRIDGE.paths(FOOTBRIDGE.flow(name)), key=room_of)
        own = [row for row in cut["rows"] if row[0].startswith(f"{name}, ")]
        assert sum(int(row[6]) for row in own) == cliffs(path, room_of(path), 2)[1][0] + 20
        assert [int(row[2]) for row in own] == [
            len(frame.octets) for frame in path.frames(bytes(sum(int(row[6]) for row in own)))
        ]
        assert [row[4] for row in own] == ["4", "5", "5"]  # RFC 4944 section 5.3


def test_the_file_holds_all_of_it(page: Any) -> None:
    # but for what stands in it as it is
    still_parts = ("network", "review", "apart")
    told = {name: value for name, value in page.items() if name not in still_parts}
    told["messages"] = [
        {name: one[name] for name in one if name not in ("rows", "fits", "encodings", "collects")}
        for one in told["messages"]
    ]
    assert data_in(design_html(page)) == json.loads(json.dumps(told))
    assert page["file"] == "archive.toml"  # not where it lies


def test_a_design_that_does_not_load_makes_no_page(tmp_path: pathlib.Path) -> None:
    target = tmp_path / "page.html"
    target.write_text("what was there")
    bad = tmp_path / "bad.toml"
    bad.write_text("[link]\nphy = 'none'\n")
    assert entry.invoke("page", str(bad), "-o", str(target)).exit_code == 2
    assert target.read_text() == "what was there"
    assert sorted(tmp_path.iterdir()) == [bad, target]
    good = tmp_path / "good.toml"
    good.write_text(_small(), encoding="utf-8")
    few = ("--combinations", "2", "--no-network")
    done = entry.invoke("page", str(good), "-o", str(target), *few)
    assert done.exit_code == 0
    assert target.read_text(encoding="utf-8").startswith("<!doctype html>")


@pytest.mark.usefixtures("played_once")
def test_what_the_network_carries_is_what_the_commands_say() -> None:
    """Of a network with one flow up, which has bursts, and one down: nothing else of its page takes long."""
    two = replace(
        FOOTBRIDGE,
        bursts=tuple(replace(one, packets=40) for one in FOOTBRIDGE.bursts),
        flows=tuple(FOOTBRIDGE.flow(name) for name in ("features", "command")),
        messages=tuple(FOOTBRIDGE.message(name) for name in ("features", "readings", "command")),
    )
    told: list[tuple[int, int | None]] = []
    network = design_page(two, lambda done, total: told.append((done, total)), most=1)["network"]
    assert told[-1][1] is None  # all is encoded, and the simulation goes on
    assert [total for _, total in told].count(None) == 1
    carried, burst = carry(two), carry_burst(two, "hundred")
    verdicts = {True: "yes", False: "no"}
    assert not any(check.is_close for check in carried.checks)
    assert [(one["verdict"], one["text"]) for one in network["checks"]] == [
        (verdicts[check.holds], check.text) for check in carried.checks
    ]
    numbers = {part["title"]: part["rows"] for part in network["parts"]}
    assert len(numbers["Frames on the time axis"]) == len(airtime(two))
    assert len(numbers["Frames an hour to the parent"]) == max(node.hop for node in carried.nodes)
    in_time = sum(packet.in_time or 0 for packet in burst.plans[:2]) / 2  # 20 rows of 40 packets
    assert float(numbers["What becomes of the packets"][0][1].split()[0]) == pytest.approx(
        100 * in_time, abs=0.1
    )
    said = " ".join(network["cautions"])
    assert "A burst disturbs a working network" in said
    # what the answer rests on, and what it leaves out
    assert carried.taken
    assert carried.unknown
    assert [one for one in (*carried.taken, *carried.unknown) if one not in said] == []
    words = [part["words"] for part in network["parts"] if part["words"]]
    assert [one[1:] for one in words] == [legend(carried)[1:]]
    for part in network["parts"]:  # no style of its own: the policy of the page has one
        assert not re.search(r"<style|\sstyle=|<script|\son\w+=", part["svg"])
    assert design_page(parse_design(_small(), "small.toml"), most=1)["network"] is None


@pytest.mark.usefixtures("short_looks")
def test_a_network_that_cannot_work_is_told_so_as_the_command_tells_it(
    tmp_path: pathlib.Path,
) -> None:
    """RFC 7554 appendix A.8: clocks that are set each 400 s drift apart by 400 s x 2 x the ppm, beyond any guard."""
    file = tmp_path / "drifts.toml"
    assert entry.invoke("init", str(file), "--network", "slots").exit_code == 0
    text = re.sub(r"\nkeep_alive_s = \d+", "\nkeep_alive_s = 400", file.read_text(encoding="utf-8"))
    text = text.replace("\nevery_s = 600", "\nevery_s = 86400")
    shown = design_page(parse_design(text, "drifts.toml"), most=1)
    network = shown["network"]
    assert network["answer"].startswith("No, this network does not work as it is designed.")
    worst = shown["review"][0]
    assert (worst["name"], worst["severity"]) == ("guard-shorter-than-drift", "failure")
    assert f"<strong>{worst['title']}</strong>" in design_html(shown)


def test_what_a_review_finds_stands_on_the_page_in_sentences(page: Any) -> None:
    found = [one for one in review(ARCHIVE) if one.name not in of_networks()]
    shown = page["review"]
    assert [(one["name"], one["subject"]) for one in shown] == [
        (one.name, one.subject) for one in found
    ]
    assert len(shown) > 3
    html = design_html(page)
    for one in shown:
        assert one["cause"].endswith(".")
        assert one["advice"] in unescape(html)


def of_networks() -> set[str]:
    """Return the names of findings about how a network carries its messages, which this page is made without."""
    return {one.name for one in deployment_findings(ARCHIVE)}


def test_links_lead_to_what_is_there_and_what_stands_on_paper_is_titled(page: Any) -> None:
    html = design_html(page)
    ids = re.findall(r'\sid="([^"]*)"', html)
    assert len(ids) == len(set(ids))
    assert set(re.findall(r'href="#([^"]*)"', html)) <= set(ids)
    flow = page["flows"][0]
    room = f"{min(flow['rooms'][0])} octets of room as the design has it"
    assert f"Of {flow['name']}, forwarded hop: {room}" in html
    assert "@media print{:root{--paper:#ffffff;" in html  # no shade over the sheet


def _small() -> str:
    """Return a design with one flow, which tells nothing of its network."""
    tables = (
        "access", "tree", "loss", "queue", "sleep", "upkeep", "radio", "battery", "limits", "burst",
    )  # fmt: skip
    kept, keep, flows = [], True, 0
    for line in (EXAMPLES / "archive.toml").read_text(encoding="utf-8").splitlines():
        if line.startswith("["):
            table = line.strip("[]").split(".")[0]
            flows += line == "[[flow]]"
            keep = table not in tables and (table != "flow" or flows == 1)
        if keep:
            kept.append(line)
    return "\n".join(kept)


@pytest.mark.usefixtures("short_looks")
def test_what_would_help_is_told_on_the_page_as_by_the_command() -> None:
    """Three reports each 0.5 s over the last link are 6 a slotframe of 1.01 s and a little more: seven cells."""
    design = parse_design(slotted("", "[tree]\nby_hop = [1, 1, 1]\n", "every_s = 0.5"))
    page = design_html(design_page(design, most=1))
    assert "What would help, each change alone, calculated again:" in page
    assert "7 cells to each parent" in page
    assert "then it carries" in page
    # where columns have no titles, each cell says what it is
    for column, words in ((2, "then:"), (3, "enough?"), (4, "takes:")):
        assert re.search(
            rf'\.helps td:nth-child\({column}\)[^{{]*{{content:\s?"{re.escape(words)}"', page
        )
    # often enough for its clocks: the guard lasts 27.5 s
    enough = parse_design(slotted("", "[tree]\nby_hop = [1, 1, 1]\n", "every_s = 20"))
    assert "What would help" not in design_html(design_page(enough, most=1))


def test_each_fill_of_a_page_has_a_style_and_no_other(page: Any) -> None:
    """What stands in the page, and what its script draws of messages with many fields, comes again at one number."""
    html = design_html(page)
    styled = set(re.findall(r"[.](k[0-9]+|room)[{]", html))
    fields = max(len(message["names"]) for message in page["messages"])
    headers = {f"k{place}" for _, no_header, place in page["kinds"] if not no_header}
    assert headers | {"room"} | {f"k{n % page['looks']}" for n in range(fields)} <= styled
    assert set(re.findall(r'class="[^"]*?\b(k[0-9]+)\b', html)) <= styled
    assert len(styled) < page["looks"]
