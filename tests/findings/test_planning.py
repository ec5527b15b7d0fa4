"""Findings about designs: one that fires each, a near miss; every number is that of a frame that was encoded."""

from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import pytest
from design.designs import changed

from lowpanbudget import budget, fit, load_design
from lowpanbudget.design.load import parse_design
from lowpanbudget.findings.finding import Finding, Severity
from lowpanbudget.findings.planning import DESIGN_RULES, design_findings

EXAMPLES = Path(__file__).parents[2] / "examples"


def of(text: str) -> list[Finding]:
    design = parse_design(text, "store.toml")
    return design_findings(design, budget(design), fit(design))


def store(
    link: str = "",
    flow: str = "",
    octets: int = 20,
    extra: str = "",
    hops: int = 3,
    to: str = "sink",
) -> str:
    """An invented store: one flow from a probe over some hops, one message of so many octets."""
    whom = f'destination = "{to}"' if to != "group" else 'group = "ff03::fc"'
    return f"""
title = "A cold store"
[link]
frame_version = 1
addresses = "short"
pan_id = 0x1a2b
{link}
[[context]]
id = 0
prefix = "2001:db8:1::/64"
{extra}
[[station]]
name = "probe"
role = "node"
short = 0x0017
prefix = "2001:db8:1::/64"
[[station]]
name = "sink"
role = "collector"
short = 0x0001
prefix = "2001:db8:1::/64"
[[station]]
name = "gate"
role = "border"
short = 0x0002
prefix = "2001:db8:1::/64"
[[station]]
name = "far"
role = "outside"
address = "2001:db8:f00d:2::10"
[[flow]]
name = "up"
source = "{"gate" if to == "probe" else "probe"}"
{whom}
hops = {hops}
source_port = 0xf0b1
destination_port = 0xf0b2
messages = ["reading"]
{flow}
[[message]]
name = "reading"
byte_order = "big"
bit_order = "msb-first"
layout = "octet-aligned"
[[message.field]]
kind = "version"
name = "version"
bits = 8
value = 1
[[message.field]]
kind = "octets"
name = "data"
length = {octets - 1}
"""


CONTEXT = '[[context]]\nid = {0}\nprefix = "2001:db8:{0}0::/64"\n'
SEALED = "[link.security]\nlevel = 5"
COAP = '[flow.coap]\ncode = "{code}"\npath = "r"\n'


def room(text: str, hop: int = -1) -> int:
    return budget(parse_design(text, "store.toml"))[hop].room


class Case(NamedTuple):
    fires: Callable[[], str]
    stays: Callable[[], str]


def at_room(more: int, hop: int = -1, **given: str) -> str:
    """A message of the room of a hop and ``more`` octets."""
    return store(octets=room(store(**given), hop) + more, **given)  # type: ignore[arg-type]


ROUTE = '[flow.routing]\nrpi = true\nroute = 2\nform = "{form}"\nentry_octets = {octets}'
CASES = {
    "message-does-not-fit": Case(lambda: at_room(1), lambda: at_room(0)),
    "later-hop-decides": Case(lambda: at_room(1), lambda: at_room(0)),
    "fits-only-unsecured": Case(lambda: at_room(1, link=SEALED), lambda: at_room(0, link=SEALED)),
    "group-message-fragmented": Case(
        lambda: store(octets=200, to="group", flow="most_frames = 9"),
        lambda: store(octets=40, to="group"),
    ),
    "route-too-long": Case(
        lambda: store(octets=60, to="probe", hops=9, flow=ROUTE.format(form="6lorh", octets=8)),
        lambda: store(octets=10, to="probe", hops=4, flow=ROUTE.format(form="6lorh", octets=2)),
    ),
    "observe-will-grow": Case(
        lambda: at_room(0, flow=COAP.format(code="2.05") + "observe = 5"),
        lambda: at_room(-2, flow=COAP.format(code="2.05") + "observe = 5"),
    ),
    "context-serves-nobody": Case(
        lambda: store(extra='[[context]]\nid = 1\nprefix = "2001:db8::/32"'),
        lambda: store(extra='[[context]]\nid = 1\nprefix = "2001:db8:f00d:2::/64"'),
    ),
    "fragments-pay-security-each": Case(
        lambda: store(octets=900, link=SEALED, flow="most_frames = 20"),
        lambda: store(octets=900, flow="most_frames = 20"),
    ),
    "message-takes-many-frames": Case(
        lambda: store(octets=600, flow="most_frames = 20"),
        lambda: store(octets=300, flow="most_frames = 20"),
    ),
    "message-just-over-a-cliff": Case(lambda: at_room(5), lambda: at_room(30)),
    "first-fragment-without-slack": Case(
        lambda: store(octets=300, hops=3), lambda: store(octets=300, hops=1)
    ),
    "hop-limit-costs-an-octet": Case(
        lambda: store(flow="hop_limit = 16"), lambda: store(flow="hop_limit = 64")
    ),
    "block-size-to-use": Case(
        lambda: store(octets=300, flow=COAP.format(code="PUT")),
        lambda: store(octets=30, flow=COAP.format(code="PUT")),
    ),
    "protection-does-not-fit": Case(lambda: at_room(0), lambda: store(octets=10)),
    "handshake-takes-many-frames": Case(
        lambda: store(flow='[flow.dtls]\nsuite = "TLS_AES_128_CCM_8_SHA256"'), store
    ),
    "advertisement-does-not-fit": Case(
        lambda: store(
            extra='[[context]]\nid = 1\nprefix = "2001:db8:2::/64"\n[[context]]\nid = 2\nprefix = "2001:db8:3::/64"'
        ),
        lambda: store(extra=""),
    ),
    "tunnel-costs-octets": Case(
        lambda: store(flow="[flow.routing]\nrpi = true\ntunnel = true"),
        lambda: store(flow="[flow.routing]\nrpi = true"),
    ),
    "routing-as-extension-headers": Case(
        lambda: store(flow='[flow.routing]\nrpi = true\nform = "extension-headers"'),
        lambda: store(flow='[flow.routing]\nrpi = true\nform = "6lorh"'),
    ),
    "message-deserves-a-look": Case(changed, store),
}


def test_every_rule_has_a_case() -> None:
    assert {rule.name for rule in DESIGN_RULES} == set(CASES)


@pytest.mark.parametrize("name", CASES)
def test_fires(name: str) -> None:
    assert name in {finding.name for finding in of(CASES[name].fires())}


@pytest.mark.parametrize("name", CASES)
def test_stays_silent(name: str) -> None:
    assert name not in {finding.name for finding in of(CASES[name].stays())}


def test_a_sound_design_has_nothing_of_weight() -> None:
    assert not [finding for finding in of(store(link=SEALED)) if finding.has_weight]


def test_worst_comes_first() -> None:
    found = of(at_room(1))
    assert [finding.severity for finding in found] == sorted(
        (f.severity for f in found), reverse=True
    )
    assert found[0].severity == Severity.FAILURE


@pytest.mark.parametrize("name", ["footbridge", "archive"])
def test_the_examples(name: str) -> None:
    """They are sound: no message is left out, whatever else is said."""
    design = load_design(EXAMPLES / f"{name}.toml")
    found = design_findings(design, budget(design), fit(design))
    assert not [finding for finding in found if finding.severity == Severity.FAILURE]
