"""Limits that nothing can be held against: neither yes nor no, with what is missing for it."""

from pathlib import Path

import pytest
from contract import entry
from findings.cases_deployment import SLOTS, heard, slotted

from lowpanbudget import CarriedNetwork, carry, page_of_design, parse_design
from lowpanbudget.findings.deployed import deployment_findings, failures
from lowpanbudget.findings.helps import changes_that_help
from lowpanbudget.report import carries, carry_text
from lowpanbudget.report.carry_answer import answer, check_rows
from lowpanbudget.report.screen import Screen

TREE = "[tree]\nby_hop = [1, 1, 1]\n"
DAYS = "[limits]\nbattery_days = 100000\n"
BATTERY = "[battery]\ncapacity_mah = 2400\n"
RADIO = """[radio]
source = "invented"
supply_v = 3
send_ma = 20
receive_ma = 20
processor_ma = 1
sleep_ua = 1
wake_up_us = 1
"""
OFTEN = "every_s = 60"


def told(tables: str) -> str:
    """The answer of a network in slots, in one line."""
    return answer(carry(parse_design(slotted("", TREE + tables, OFTEN))))


@pytest.mark.parametrize(
    ("tables", "missing"),
    [
        (BATTERY, "no [radio], which says what a node draws"),
        (RADIO, "no [battery], which says what there is to draw from"),
        ("", "no [radio], which says what a node draws and no [battery], which says"),
    ],
)
def test_days_that_nobody_can_reckon_leave_the_answer_open(
    tables: str, missing: str, tmp_path: Path
) -> None:
    """100000 days is what no battery of 2400 mAh keeps to: leaving out what tells it is no way to a yes."""
    text = slotted("", TREE + DAYS + tables, OFTEN)
    said = f"limits.battery_days was not checked, as the design has {missing}"
    design = parse_design(text)
    network = carry(design)
    assert all(check.holds for check in network.checks)
    assert (network.holds, network.is_unchecked) == (False, True)
    assert answer(network).startswith(f"Open whether this network carries its messages: {said}")
    given = carries.carried(network, ())
    assert given["answer"] == "open"
    assert given["open_limits"] == list(network.open_limits)
    assert network.open_limits[0].startswith(said)
    # nothing that is sent otherwise helps: keep-alives keep clocks within the guard, which lasts no minute
    assert {one.before.matter for one in changes_that_help(design, network)} == {"clock"}
    (tmp_path / "open.toml").write_text(text)
    done = entry.invoke("carry", str(tmp_path / "open.toml"))
    assert done.exit_code == 1
    table = done.stdout.split("\nHow often")[0]
    assert table.index("  open ") < table.index("  holds ")
    assert "limits.battery_days was not checked" in page_of_design(design)


def test_days_that_can_be_reckoned_are_no_or_yes() -> None:
    """A radio that is asleep for good would draw 1 µA, 2400 mAh for 100000 days: less is drawn by none that listens."""
    assert told(BATTERY + RADIO + DAYS).startswith("No, ")
    assert told(BATTERY + RADIO + DAYS.replace("100000", "1")).startswith("Yes, ")
    # without such a limit nothing is open; that the battery says nothing yet is told
    assert told(BATTERY).startswith("Yes, ")
    (taken,) = [
        one
        for one in carry(parse_design(slotted("", TREE + BATTERY, OFTEN))).taken
        if "batter" in one
    ]
    assert taken == "batteries are not reckoned with, as nothing says what a node draws ([radio])"


def test_a_radio_without_a_battery_is_told_by_its_current() -> None:
    """Of days nothing can be told; what is drawn stands in the narrow table too, as it is all that there is."""
    network = carry(parse_design(slotted("", TREE + RADIO, OFTEN)))
    (taken,) = [one for one in network.taken if "nodes last" in one]
    assert taken.endswith("as nothing says what there is to draw from ([battery])")
    lasting = carry(parse_design(slotted("", TREE + RADIO + BATTERY, OFTEN)))
    assert not [one for one in lasting.taken if "nodes last" in one]
    assert [one in _titles(network, 80) for one in ("µA", "days")] == [True, False]
    assert [one in _titles(lasting, 80) for one in ("µA", "days")] == [False, True]
    assert [one in _titles(lasting, 120) for one in ("µA", "days")] == [True, True]


def _titles(network: CarriedNetwork, width: int) -> str:
    """The titles of the table of loads on a screen of so many columns."""
    screen = Screen(width)
    text = screen.draw(lambda console: carry_text.carry(console, screen, network, None))
    (titles,) = [row for row in text.splitlines() if row.split()[:2] == ["hop", "busiest"]]
    return titles


@pytest.mark.parametrize(("by_hop", "may_sleep"), [("[4]", True), ("[1, 1, 1]", False)])
def test_who_forwards_for_nobody_may_sleep(by_hop: str, may_sleep: bool) -> None:
    """20 mA of 2400 mAh are 5 days. A node that others send through must hear them; a leaf that polls need not."""
    tables = f"[tree]\nby_hop = {by_hop}\n{RADIO}{BATTERY}[limits]\nbattery_days = 100\n"
    network = carry(parse_design(heard(tables, OFTEN)))
    (battery,) = [one for one in network.checks if one.matter == "battery"]
    assert not battery.holds
    assert ("let it sleep ([sleep]), feed it" in battery.text) == may_sleep
    sleeping = carry(parse_design(heard(tables + "[sleep]\npoll_s = 60\n", OFTEN)))
    (battery,) = [one for one in sleeping.checks if one.matter == "battery"]
    assert battery.holds == may_sleep


def test_what_is_no_for_sure_is_no_beside_what_is_open() -> None:
    """A frame of 1.536 ms or more where 1 is allowed: no battery makes that right."""
    assert told(DAYS + "frame_ms = 1\n").startswith("No, ")


@pytest.mark.parametrize(
    ("limits", "said"),
    [
        ("delivery = 0.9", "limits.delivery was not checked of up reading"),
        ("delivery = 0.9\nlatency_s = 9", "limits.delivery and limits.latency_s were not checked of"),
        ("duty_cycle = 0.5", ""),
    ],
)  # fmt: skip
def test_how_what_is_for_all_arrives_is_open(limits: str, said: str) -> None:
    """What is sent on by relays and acknowledged by nobody is not followed: it may keep to a limit or not."""
    design = parse_design(heard(TREE + f"[limits]\n{limits}\n", OFTEN, to="group"))
    network = carry(design)
    assert (network.holds, network.is_unchecked) == (not said, bool(said))
    if said:
        assert said in answer(network)
        assert "how what is for many nodes arrives" in answer(network)


def test_what_is_for_all_leaves_an_answer_about_the_others_as_it_is() -> None:
    """A second flow goes to the sink, and keeps to the limit: the answer is about it, and says of which it is not."""
    text = heard(TREE + "[limits]\ndelivery = 0.9\n", OFTEN, to="group")
    flow = text[text.index("[[flow]]") : text.index("[[message]]")]
    other = flow.replace('group = "ff03::fc"', 'destination = "sink"').replace('"up"', '"own"')
    network = carry(parse_design(text.replace(flow, flow + other)))
    assert (network.holds, network.is_unchecked, network.open_limits) == (True, False, ())
    said = "limits.delivery was not checked of up reading, as it is not worked out how"
    assert [one for one in network.taken if one.startswith(said)]
    first = answer(network)
    assert first.startswith(f"Yes, this network carries what could be checked. {said}")
    assert first.index("arrives. Nearest to its limit, ") < first.index("own reading")
    assert carries.carried(network, ())["unfollowed"] == list(network.unfollowed)


def test_a_yes_says_first_which_messages_it_does_not_count(tmp_path: Path) -> None:
    """Two flows without every_s load nothing and are held to nothing: a yes beside them is about the others alone."""
    text = heard(TREE + "[limits]\ndelivery = 0.9\n", OFTEN)
    flow = text[text.index("[[flow]]") : text.index("[[message]]")]
    assert OFTEN in flow
    rest = "".join(
        flow.replace('"up"', f'"{name}"').replace(OFTEN, "") for name in ("asked", "told")
    )
    assert answer(carry(parse_design(text))).startswith("Yes, this network carries its messages. ")
    text = text.replace(flow, flow + rest)
    design = parse_design(text)
    network = carry(design)
    said = (
        "Yes, this network carries the messages that are counted. Not counted: asked reading and 1 more, since every_s "
        "does not say how often. Nearest to its limit, "
    )
    assert answer(network).startswith(said)
    assert carries.carried(network, ())["says"] == answer(network)
    (tmp_path / "asked.toml").write_text(text)
    done = entry.invoke("carry", str(tmp_path / "asked.toml"))
    assert done.exit_code == 0
    assert " ".join(done.stdout.split()).startswith(said)
    assert said in page_of_design(design)


def test_how_what_no_node_of_the_tree_sends_arrives_is_open() -> None:
    """The tree is of nodes; the flow is the collector's own: nobody in the tree sends it, nothing of it is played."""
    text = heard(TREE + "[limits]\ndelivery = 0.9\n", OFTEN)
    flow = text[text.index("[[flow]]") :]
    own = flow.replace('"probe"', '"sink"', 1).replace(
        'destination = "sink"', 'destination = "gate"'
    )
    network = carry(parse_design(text.replace(flow, own)))
    assert network.services == ()
    assert not network.holds
    said = "limits.delivery was not checked of up reading, as no node of the tree is at its end"
    assert network.open_limits == (said,)


def test_a_fault_of_two_messages_is_one_row() -> None:
    """Two messages of 1.536 ms or more where 1 is allowed: the design has one fault, each is a finding."""
    text = slotted("", TREE + "[limits]\nframe_ms = 1\n", OFTEN)
    flow = text[text.index("[[flow]]") : text.index("[[message]]")]
    text = text.replace(flow, flow + flow.replace('"up"', '"second"'))
    design = parse_design(text)
    found = [one for one in deployment_findings(design) if one.name == "over-own-limit"]
    assert len(found) == 2
    rows = check_rows(carry(design), failures(found))
    assert [row for row in rows if row[1] == "design"] == [("no", "design", "", found[0].title)]


@pytest.mark.parametrize("command", ["carry", "airtime", "fit"])
def test_a_route_that_is_shorter_than_the_way_is_told_with_what_is_counted_of_it(
    command: str, tmp_path: Path
) -> None:
    """RFC 6554 section 2: a source route is strict, three hops have two routers between their ends; one is named."""
    for routers, is_short in ((1, True), (2, False)):
        route = f"{OFTEN}\n[flow.routing]\nrpi = true\nroute = {routers}\n"
        (tmp_path / "routed.toml").write_text(heard(TREE, route, to="probe"))
        done = entry.invoke(command, str(tmp_path / "routed.toml"))
        said = " ".join(done.stdout.split())
        assert ("The route names 1 router, 3 hops have 2." in said) == is_short
        assert said.count("route-shorter-than-hops") == is_short


def test_flows_in_a_form_that_cannot_be_are_told_with_what_is_counted_of_them(
    tmp_path: Path,
) -> None:
    """RFC 9008 table 4 wants a tunnel; without an integrity code RFC 6282 4.3.2 lets no checksum be left out."""
    inserted = f"{OFTEN}\n[flow.routing]\nrpi = true\n"
    elided = f'{OFTEN}\nudp_checksum = "elided"\n'
    for flow, source, name in (
        (inserted, "far", "inserted-without-tunnel"),
        (elided, "probe", "checksum-planned-without-cover"),
    ):
        text = heard(TREE, flow, to="probe" if source == "far" else "sink")
        if source == "far":
            text = text.replace('source = "gate"', 'source = "far"')
        (tmp_path / "formed.toml").write_text(text)
        for command in ("carry", "airtime", "fit"):
            done = entry.invoke(command, str(tmp_path / "formed.toml"))
            assert done.stdout.count(name) == 1, (command, done.stdout, done.stderr)
    # nobody takes those: the network does not do what it is for
    assert entry.invoke("carry", str(tmp_path / "formed.toml")).exit_code == 1


def test_faults_of_the_design_stand_first_among_what_was_checked(tmp_path: Path) -> None:
    """Two clocks of 40 ppm are 1280 µs apart after 16 s, the guard is 1100 µs (RFC 7554 appendix B.3 for the like)."""
    text = slotted("drift_ppm = 40", TREE + "[upkeep]\nkeep_alive_s = 16\n", OFTEN)
    assert SLOTS in text
    (tmp_path / "drift.toml").write_text(text)
    done = entry.invoke("carry", str(tmp_path / "drift.toml"))
    assert done.exit_code == 1
    first = done.stdout.split("\n  DOES NOT  ")
    assert len(first) == 2
    assert first[1].startswith("design ")
    assert "holds" not in first[0].split("checked")[1]
    page = page_of_design(parse_design(text))
    assert page.count("Clocks drift further apart than the guard allows") >= 2
