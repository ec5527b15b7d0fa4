"""Findings about designs: one that fires each and what it then says, a near miss, and designs as a whole."""

from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from findings.air import heavy, names
from findings.cases_deployment import (
    CLOCKS_SET,
    CSMA,
    DEPLOYMENT_CASES,
    DEPLOYMENT_FURTHER,
    heard,
    slotted,
)
from findings.cases_loads import LOADS_CASES
from findings.cases_planning import CASES as FRAME_CASES
from findings.cases_planning import COAP, FURTHER, NOTIFIES, ROUTE, SEALED, Further, store
from findings.judge import DESIGN_NAMES, about, judged, judged_file

from lowpanbudget import budget, carry, fit
from lowpanbudget.design.knobs import knobs, positions
from lowpanbudget.design.load import parse_design
from lowpanbudget.design.path import FlowPath
from lowpanbudget.findings.designs.frames import message_does_not_fit
from lowpanbudget.findings.draft import Draft
from lowpanbudget.findings.finding import Finding
from lowpanbudget.findings.planned import flow_findings, form_findings
from lowpanbudget.stack.encoding import Encoded

CASES = FRAME_CASES | DEPLOYMENT_CASES | LOADS_CASES
EXAMPLES = Path(__file__).parents[2] / "examples"


@cache
def fired(name: str) -> list[Finding]:
    return judged(CASES[name].fires())


def test_every_rule_has_a_case() -> None:
    assert set(DESIGN_NAMES) == set(CASES)


@pytest.mark.parametrize("name", CASES)
def test_fires(name: str) -> None:
    case = CASES[name]
    assert about(name, fired(name)) == [case.told, *case.more]
    assert set(names(fired(name))) == {name} | case.also


@pytest.mark.parametrize("name", CASES)
def test_stays_silent(name: str) -> None:
    assert name not in names(judged(CASES[name].stays()))


@pytest.mark.parametrize(
    "further", [*FURTHER, *DEPLOYMENT_FURTHER], ids=lambda further: further.name
)
def test_says_otherwise_in_other_branches(further: Further) -> None:
    assert about(further.name, judged(further.design)) == [further.told]


def test_where_nothing_is_acknowledged_no_retries_are_beyond_the_standard() -> None:
    many = heard("").replace(CSMA, f"{CSMA}retries = 8\n")
    assert names(judged(many)) == ["access-beyond-the-standard"]
    assert not judged(many.replace("[link]\n", "[link]\nacknowledged = false\n"))


def test_what_fits_in_frames_that_receivers_drop_is_told() -> None:
    """RFC 6282 section 4.3.2: without an integrity check "the decompressor MUST drop the packet"."""
    elided = 'udp_checksum = "elided"'
    for link, told in (("", ["checksum-planned-without-cover"]), (SEALED, [])):
        design = parse_design(store(flow=elided, link=link))
        assert names(form_findings(design)) == told
        cautions = [
            saving.caution
            for one in budget(parse_design(store(link=link)))
            for saving in one.weaker
            if saving.knob == "flow.udp_checksum"
        ]
        assert len(cautions) == 2
        assert all("without one receivers must drop the packets" in text for text in cautions)


def test_who_sends_and_is_sent_nothing_need_not_listen() -> None:
    """Of a poll that finds nothing the acknowledgement tells so; in slots the cells from the parent are listened to."""
    deaf = "[sleep]\npoll_s = 60\nlisten_ms = 0\n"
    for text in (heard(deaf), slotted("cells_down = 1", deaf, to="probe")):
        assert "sleeping-node-never-listens" not in names(judged(text))
    assert "sleeping-node-never-listens" in names(judged(heard(deaf, to="probe")))


def test_no_group_is_protected_from_end_to_end() -> None:
    """RFC 7252 section 8.1: "multicast messages can only be carried in UDP not in DTLS"; OSCORE has two ends too."""
    for to, said in (("sink", True), ("group", False)):
        found = names(judged(store(octets=95, flow=COAP.format(code="POST"), to=to, hops=1)))
        assert ("protection-does-not-fit" in found) == said
        assert "message-does-not-fit" not in found


@pytest.mark.parametrize(("often", "told"), [("every_s = 60\n", True), ("", False)])
def test_what_nobody_says_is_sent_again_may_be_a_first_notification(
    often: str, *, told: bool
) -> None:
    """RFC 8613 section 4.1.3.5.2: "except for the first one where the Partial IV MAY be omitted"."""
    text = store(flow=NOTIFIES.replace("every_s = 60\n", often) + "response_sequence = false")
    assert ("notifications-without-partial-iv" in names(judged(text))) == told


@pytest.mark.parametrize("how", CLOCKS_SET)
def test_clocks_that_traffic_sets_do_not_drift_apart(how: str) -> None:
    """Whatever a node exchanges with its parent sets its clock (RFC 7554 sections A.8 and B.3)."""
    assert "guard-shorter-than-drift" not in names(judged(CLOCKS_SET[how]))


@pytest.mark.parametrize(
    ("keys", "tables", "flow", "octets", "holds"),
    [
        # calculated by itself the queue next to the gate refuses 1.7 %, too much: each child sends in cells of its own,
        # so that messages of several frames do not come as closely as if they came at once
        (
            "cells = 4",
            "[tree]\nby_hop = [1, 2, 4]\n[queue]\nframes = 6\n[loss]\nframes = 0.5\n[limits]\ndelivery = 0.99\n",
            "every_s = 20\nmost_frames = 8",
            200,
            True,
        ),
        # and here below 1 %: frames of a node behind come in runs, as its own queue empties
        (
            "cells = 1",
            "[tree]\nby_hop = [1, 1]\n[queue]\nframes = 4\n[limits]\ndelivery = 0.99\n",
            "every_s = 3",
            20,
            False,
        ),
    ],
)
def test_queues_are_judged_as_carry_judges_them(
    keys: str, tables: str, flow: str, octets: int, *, holds: bool
) -> None:
    """No number is asked for: two answers of one program about one queue must not contradict each other."""
    text = slotted(keys, tables, flow, octets)
    checks = [check for check in carry(parse_design(text)).checks if check.matter == "queue"]
    queues = [
        check.holds or check.is_close for check in checks
    ]  # a finding is said of what is sure
    assert queues == [holds]
    assert ("queue-overflows" in names(judged(text))) != holds


def test_a_sound_design_has_nothing_of_weight() -> None:
    assert not heavy(judged(store(link=SEALED)))


@pytest.mark.parametrize("octets", [10, 16, 40])
def test_blocks_are_no_help_against_a_route(octets: int) -> None:
    """The least block has 16 octets (RFC 7959 section 2.2); 11 entries of 8 octets leave room for none."""
    flow = f"{COAP.format(code='PUT')}{ROUTE.format(form='6lorh', octets=8).replace('route = 2', 'route = 11')}"
    said = names(judged(store(octets=octets, to="probe", hops=12, flow=flow)))
    assert "route-too-long" in said
    assert "block-size-to-use" not in said


def test_headers_that_are_over_in_both_forms_are_told_so() -> None:
    """60 addresses of 8 octets alone are more than any frame: what is over is no room below nothing."""
    text = store(to="probe", hops=61, flow=ROUTE.format(form="extension-headers", octets=8))
    text = text.replace("route = 2", "route = 60")
    over = [
        -budget(parse_design(form))[-1].room
        for form in (text, text.replace('"extension-headers"', '"6lorh"'))
    ]
    (said,) = (one for one in judged(text) if one.name == "routing-as-extension-headers")
    assert min(over) > 60 * 8 - 127
    assert said.cause == (
        f"the headers alone are {over[0]} octets over one frame, {over[1]} over as 6LoRH headers"
    )


def test_oscore_over_the_port_of_dtls_is_not_called_clear() -> None:
    """RFC 8613 section 1: OSCORE protects CoAP by itself; the port wants DTLS all the same (RFC 7252 section 6.2)."""
    oscore = '[flow.oscore]\nsender_id = "01"\nrecipient_id = "02"\n'
    (found,) = [
        one
        for one in judged(store(flow=oscore + COAP.format(code="PUT")).replace("0xf0b2", "5684"))
        if one.name == "clear-on-secured-port"
    ]
    assert found.cause == "CoAP in OSCORE without DTLS has the port 5684"
    assert "in the clear" not in found.title


def test_of_two_contexts_that_are_both_not_0_none_is_called_0() -> None:
    """RFC 6282 section 3.1.1: without the octet of context numbers both are 0; 3 and 5 cost that octet alike."""
    two = "".join(f'[[context]]\nid = {number}\nprefix = "2001:db8:9::/64"\n' for number in (3, 5))
    (found,) = [one for one in judged(store(extra=two)) if one.name == "prefix-in-two-contexts"]
    assert found.cause == "contexts 3 and 5 are both 2001:db8:9::/64"
    assert "where one has the number 0, keep that one" in found.advice


def test_worst_comes_first() -> None:
    words = [finding.severity.word for finding in judged(store(octets=106))]
    assert words == ["failure", "risk", "remark"]


@pytest.mark.parametrize("name", ["footbridge", "archive"])
def test_the_examples(name: str) -> None:
    """They are sound: no message is left out, whatever else is said."""
    found = judged_file(EXAMPLES / f"{name}.toml")
    assert not [finding for finding in found if finding.severity.word == "failure"]


@pytest.mark.parametrize(
    ("ends", "kind", "route", "wants"),
    [
        (("far", "probe"), "0x63", 0, "must"),  # "Int to RAL"
        (("far", "probe"), "0x23", 2, "must"),
        (
            ("probe", "far"),
            "0x63",
            0,
            "must",
        ),  # RFC 6553 section 4: "routers MUST use [...] tunneling"
        (("probe", "far"), "0x23", 0, "may"),  # "RAL to Int"
        (
            ("probe", "sink"),
            "0x63",
            0,
            "no",
        ),  # "RAL to RAL": none in storing mode, "may(up)" in non-storing
        (("gate", "probe"), "0x63", 2, "no"),  # "root to RAL"
    ],
)
def test_who_may_tunnel_is_told_so_and_who_must_is_not_advised_to_stop(
    ends: tuple[str, str], kind: str, route: int, wants: str
) -> None:
    """RFC 9008 tables 4 and 19."""
    designs = {}
    for tunnel in ("true", "false"):
        routing = f"rpi = true\noption_type = {kind}\nroute = {route}\ntunnel = {tunnel}"
        text = store(flow=f"[flow.routing]\n{routing}", to=ends[1])
        designs[tunnel] = parse_design(text.replace('source = "gate"', f'source = "{ends[0]}"'))
    with_it, without = (set(names(flow_findings(designs[one]))) for one in ("true", "false"))
    missing = {"inserted-without-tunnel", "option-leaves-without-tunnel"}
    assert bool(without & missing) == (wants == "must")
    assert not with_it & missing
    savings = [saving for one in budget(designs["true"]) for saving in one.savings]
    advised = [saving for saving in savings if saving.knob == "flow.routing.tunnel"]
    assert bool(advised) == (wants != "must")
    assert wants != "must" or "tunnel-costs-octets" not in with_it
    for saving in advised:
        assert ("may leave" if wants == "may" else "both ends speak RPL") in saving.condition
    # sets of changes and sweeps offer an outer header to the same flows, under the same condition
    design = designs["false"]
    (flow,) = design.flows
    for offered in (knobs(design, flow), positions(design, flow)):
        conditions = [knob.condition for knob in offered if knob.id.endswith("routing.tunnel=true")]
        assert len(conditions) == (wants != "no" or ends == ("probe", "sink"))
        assert all("RFC 9008 section" in condition for condition in conditions)


class _Name(str):
    """A name that counts how often it is compared."""

    __slots__ = ()
    __hash__ = str.__hash__
    compared = 0

    def __eq__(self, other: object) -> bool:
        _Name.compared += 1
        return str.__eq__(self, other)


def test_the_first_hop_is_not_looked_for_among_all_fits() -> None:
    design = parse_design((EXAMPLES / "archive.toml").read_text(encoding="utf-8"))
    first, forwarded = fit(design, "climate", "climate")
    fits = [
        replace(one, message=_Name(f"m{number}"))
        for number in range(50)
        for one in (first, forwarded)
    ]
    draft = Draft(design, tuple(fits))
    _Name.compared = 0
    assert [draft.first_hop(one) for one in fits[1::2]] == fits[::2]
    assert _Name.compared <= 3 * 50  # one of 50 for each, where all are looked at


def test_a_full_frame_is_made_once_for_all_messages_of_a_hop(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    made: list[FlowPath] = []
    frames = FlowPath.frames

    def counted(path: FlowPath, *args: Any) -> list[Encoded]:
        made.append(path)
        return frames(path, *args)

    text = (EXAMPLES / "archive.toml").read_text(encoding="utf-8").replace("0x2c41", "0x2c42")
    design = parse_design(text)
    over = replace(fit(design, "climate", "climate")[0], fits=False, octets=200, frames=None)
    monkeypatch.setattr(FlowPath, "frames", counted)
    draft = Draft(design, ())
    found = [
        next(iter(message_does_not_fit(draft, replace(over, message=name)) or ()))
        for name in ("a", "b", "c")
    ]
    assert len({hit.evidence for hit in found}) == 1
    assert len(made) == 1
