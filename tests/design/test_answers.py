"""The answer to a request is a flow of its own: the same as one that is written by hand, the other way round."""

import pytest
from design.designs import faults_of

from lowpanbudget import budget
from lowpanbudget.design.load import parse_design

HEAD = """
title = "A kiln"
link = { addresses = "short", pan_id = 0x3e08, security = { level = 5 } }
context = [{ id = 0, prefix = "2001:db8:9::/64" }]
station = [
  { name = "kiln", role = "node", short = 0x0041, prefix = "2001:db8:9::/64" },
  { name = "root", role = "border", short = 0x0001, prefix = "2001:db8:9::/64" },
  { name = "potter", role = "outside", address = "2001:db8:a::5" },
]
message = [{ name = "heat", byte_order = "big", bit_order = "msb-first", layout = "bit-packed", field = [
  { kind = "number", name = "heat", min = 0, max = 1300 },
] }]
"""
DOWN = """
[[flow]]
name = "set"
source = "{outer}"
destination = "kiln"
hops = 4
source_port = 61616
destination_port = 5683
{routing}
coap = {{ code = "PUT", path = "h", confirmable = true, token_octets = 2 }}
{more}
"""
UP = """
[[flow]]
name = "set-answer"
source = "kiln"
destination = "{outer}"
hops = 4
source_port = 5683
destination_port = 61616
{routing}
coap = {{ code = "2.04", token_octets = 2 }}
{more}
"""
OSCORE = 'oscore = {{ sender_id = "{0}", recipient_id = "{1}" }}'
DTLS = 'dtls = { suite = "TLS_AES_128_CCM_8_SHA256", cid = "07" }'
NO_CID = 'dtls = { suite = "TLS_AES_128_CCM_8_SHA256" }'


def rooms(text: str) -> dict[tuple[str, str, str], int]:
    return {(one.flow, one.hop, one.direction): one.room for one in budget(parse_design(text))}


@pytest.mark.parametrize("outer", ["root", "potter"])
@pytest.mark.parametrize("mode", ["none", "storing", "non-storing"])
@pytest.mark.parametrize("protection", ["", "oscore", "dtls"])
def test_it_is_the_flow_that_would_be_written(outer: str, mode: str, protection: str) -> None:
    """RFC 7252 section 5.2: ends and ports exchanged, the same token; RFC 8613 section 8.3: identifiers exchanged."""
    tunnel = "true" if outer == "potter" else "false"
    down = {
        "none": "",
        "storing": f"routing = {{ tunnel = {tunnel} }}",
        "non-storing": f"routing = {{ route = 3, tunnel = {tunnel} }}",
    }[mode]
    # an option of type 0x63 leaves in a tunnel (RFC 6553 section 4)
    up = "" if mode == "none" else f"routing = {{ tunnel = {tunnel} }}"
    there, back = {
        "": ("", ""),
        "oscore": (OSCORE.format("01", "02"), OSCORE.format("02", "01")),
        "dtls": (DTLS, NO_CID),
    }[protection]
    request = HEAD + DOWN.format(outer=outer, routing=down, more=there)
    made = rooms(request + "[flow.answer]\n")
    written = rooms(request + UP.format(outer=outer, routing=up, more=back))
    assert made == written
    assert len(made) == 4  # two hops each


def test_down_in_a_non_storing_network_it_has_a_route() -> None:
    """RFC 6550 section 9.7: the root writes it; as long as that of another flow that goes as deep."""
    more = "answer = { code = '2.05', messages = ['heat'] }"
    ask = UP.format(outer="root", routing="routing = {}", more=more).replace('"2.04"', '"GET"')
    ask = ask.replace("set-answer", "ask")
    other = DOWN.format(outer="root", routing="routing = { route = 3 }", more="")
    design = parse_design(HEAD + ask + other)
    assert design.flow("ask-answer").routing.route == design.flow("set").routing.route == 3
    assert design.flow("ask-answer").messages == ("heat",)
    storing = parse_design(HEAD + ask + other.replace("route = 3", ""))
    assert storing.flow("ask-answer").routing.route == 0
    assert [flow.name for flow in design.flows] == ["ask", "ask-answer", "set"]


def test_a_route_that_it_states() -> None:
    """RFC 8138 section 5.1: two octets before the entries, of 2 octets each, which a page switch (RFC 8025) precedes
    already for the RPL information. Without a flow that goes down nothing else says that the network is non-storing.
    """

    def design_of(own: str) -> str:
        asking = UP.format(outer="root", routing="routing = {}", more=f"answer = {{ {own} }}")
        return HEAD + asking.replace('"2.04"', '"GET"').replace("set-answer", "ask")

    plain, routed = (rooms(design_of(own)) for own in ("", "route = 3"))
    (hop,) = (one for one in plain if one[0] == "ask-answer" and one[1] == "first")
    assert plain[hop] - routed[hop] == 2 + 3 * 2
    # another answer passes as many routers as it has hops to go, less one
    second = UP.format(outer="root", routing="routing = {}", more="answer = {}")
    second = second.replace('"2.04"', '"GET"').replace("set-answer", "more").replace("5683", "5685")
    assert parse_design(design_of("route = 2") + second).flow("more-answer").routing.route == 3
    # in a storing network the routers know the way, also where another design would have a route
    other = DOWN.format(outer="root", routing="routing = { route = 3 }", more="")
    assert parse_design(design_of("route = 0") + other).flow("ask-answer").routing.route == 0


def test_a_route_that_it_cannot_have() -> None:
    """RFC 6550 section 9.7: the root writes it; it names the routers between the ends of 4 hops."""
    down = DOWN.format(outer="root", routing="", more="answer = { route = 1 }")
    up = UP.format(outer="root", routing="", more="answer = { route = 4 }").replace("2.04", "GET")
    for text, says in ((down, "only the root writes"), (up, "takes 5 hops, the flow has 4")):
        (fault,) = faults_of(HEAD + text)
        assert fault.key == "flow[1].answer.route"
        assert says in fault.message
        assert fault.hint


def test_its_octets() -> None:
    """RFC 7252 figure 7: 4 octets, the token, and a marker before the payload; an acknowledgement has type 2."""
    text = HEAD + DOWN.format(outer="root", routing="", more="answer = { content_format = 60 }")
    (first, _) = budget(parse_design(text), "set-answer")
    coap = {span.name: span.value for span in first.ledger if span.layer == "CoAP"}
    assert coap["type"] == 2
    assert coap["code"] == 0x44  # 2.04
    octets = sum(span.bits for span in first.ledger if span.layer == "CoAP") // 8
    assert octets == 4 + 2 + 2 + 1  # header, token, Content-Format 60 in two octets, marker


@pytest.mark.parametrize(
    ("old", "new", "key", "says"),
    [
        ("", "answer = { code = 'PUT' }", "flow[1].answer.code", "the code of a response"),
        ("", "answer = { code = 'x' }", "flow[1].answer.code", "no CoAP code"),
        ("", "answer = { messages = ['head'] }", "flow[1].answer.messages[1]", "no message 'head'"),
        ("", "answer = { name = 'set' }", "flow[1].answer.name", "two flows are named 'set'"),
        ("", "answer = { cod = '2.04' }", "flow[1].answer.cod", "no such key"),
        ('"PUT"', '"2.05"', "flow[1].answer.code", "the flow is no request"),
        ('destination = "kiln"', 'group = "ff03::1"', "flow[1].answer", "many nodes answer"),
    ],
)
def test_what_is_no_answer(old: str, new: str, key: str, says: str) -> None:
    answer = new if not old else "answer = {}"
    text = HEAD + DOWN.format(outer="root", routing="", more=answer)
    text = text.replace(old, new) if old else text
    if "group" in new:  # whose requests MUST be Non-confirmable (RFC 7252 section 8.1)
        text = text.replace("confirmable = true", "confirmable = false")
    (fault,) = faults_of(text)
    assert fault.key == key
    assert says in fault.message
    assert fault.hint


def test_over_one_hop_down_the_mode_is_that_of_the_network() -> None:
    """RFC 8138 section 7: where another flow has a route "there is no implicit value for packets going downwards".

    An entry of one octet, in which the node's address differs from the root's, behind two others (section 5.1) says
    where the tunnel ends; the inner destination is elided against it then, which are 2 octets fewer (section 5.2.3).
    """
    near = DOWN.format(outer="potter", routing="routing = { tunnel = true }", more="answer = {}")
    near = near.replace("hops = 4", "hops = 1")
    far = DOWN.format(outer="root", routing="routing = { route = 3 }", more="")
    far = far.replace('"set"', '"far"').replace("5683", "5685")
    alone, beside = rooms(HEAD + near), rooms(HEAD + near + far)
    assert alone["set", "first", "down"] - beside["set", "first", "down"] == 2 + 1 - 2
    assert alone["set-answer", "first", "up"] == beside["set-answer", "first", "up"]
