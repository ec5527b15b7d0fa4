"""What a packet has on its way, octets counted by hand: tunnels, source routes, hop limits, slack of first fragments.

MAC header and FCS of data between two short addresses take 9 + 2 octets, between two EUI-64s 21 + 2 (IEEE
802.15.4-2006 clause 7.2.1, from memory); the ports here take 4 with their checksum (RFC 6282 section 4.3.3).
"""

import pytest

from lowpanbudget import DesignError, budget, fit, parse_design

SHORT, EXTENDED, FRAME = 9 + 2, 21 + 2, 127
UDP = 1 + 1 + 2
HOST = 2 + 16  # IPHC with an address outside of every context, the other elided
RPI = 2 + 1  # instance 0 and a rank of whole steps (RFC 8138 section 6)
PAGE = 1


def network(
    flow: str,
    addresses: str = "short",
    node: str = 'prefix = "2001:db8:7:1::/64"',
    root: str = 'prefix = "2001:db8:7:1::/64"',
    tables: str = "",
) -> str:
    return f"""
title = "A reservoir"
[link]
pan_id = 0x1a2b
addresses = "{addresses}"
[[context]]
id = 0
prefix = "2001:db8:7:1::/64"
[[station]]
name = "node"
role = "node"
short = 0x117
extended = "02:5e:20:31:c4:00:01:17"
{node}
[[station]]
name = "root"
role = "border"
short = 0x1
extended = "02:5e:10:00:00:00:00:01"
{root}
[[station]]
name = "host"
role = "outside"
address = "2001:db8:f00::9"
{tables}
[[flow]]
name = "f"
source_port = 0xf0b1
destination_port = 0xf0b2
{flow}
"""


def rooms(text: str) -> list[int]:
    return [one.room for one in budget(parse_design(text))]


UP = 'source = "node"\ndestination = "host"\n'
DOWN = 'source = "host"\ndestination = "node"\n'


@pytest.mark.parametrize("hops", [1, 2, 3])
def test_a_tunnel_keeps_its_form_on_all_hops(hops: int) -> None:
    """RFC 8138 section 8: "forwarded in its compressed form all the way"; section 7: 2, hop limit, encapsulator.

    The EUI-64s differ from their third octet on, so the encapsulator takes 8. As IPHC the outer header would be shorter
    on the first hop alone, where the node's identifier is its link address.
    """
    text = network(
        f"{UP}hops = {hops}\n[flow.routing]\ntunnel = true\n", "extended",
    )  # fmt: skip
    outer = 2 + 1 + 8
    room = FRAME - EXTENDED - PAGE - RPI - outer - HOST - UDP
    assert room == 67
    assert set(rooms(text)) == {room}


def test_a_route_of_non_storing_mode_tells_the_end_of_its_tunnel_to_the_last_hop() -> None:
    """RFC 8138 section 7: "In Non-Storing mode, there is no implicit value for packets going downwards".

    Two entries of 8 octets, of which the first router takes one out (section 5.5). The host's hop limit is in line.
    """
    routing = "[flow.routing]\nroute = 1\ntunnel = true\nentry_octets = 8\n"
    outer, inner = 2 + 1, HOST + 1
    rest = FRAME - SHORT - PAGE - RPI - outer - inner - UDP
    assert rooms(network(f"{DOWN}hops = 2\n{routing}")) == [rest - 2 - 16, rest - 2 - 8]
    # in storing mode it ends where the inner header says, whose identifier of 2 then stands nowhere else
    storing = "[flow.routing]\ntunnel = true\n"
    assert rooms(network(f"{DOWN}hops = 2\n{storing}"))[-1] == rest - 2


def test_first_fragments_leave_room_for_what_the_next_hop_adds() -> None:
    """RFC 8931 section 4.1: "enough slack to enable a less-efficient compression in the next hops".

    A fragment takes 127 - 23 - 6 = 98 octets of the compressed datagram, whose headers take 2 and 4 where both ends are
    elided: two carry 196 - 6. On the first of two hops the destination's identifier is in line, on the last one the
    source's, and a hop limit: one octet stays free.
    """
    message = (
        'messages = ["m"]\nmost_frames = 32\n[[message]]\nname = "m"\nbyte_order = "big"\nbit_order = "msb-first"\n'
        'layout = "octet-aligned"\n[[message.field]]\nkind = "octets"\nname = "o"\nlength = {}\n'
    )
    cut = '[network]\nfragments = "recoverable"\n'
    to_root = 'source = "node"\ndestination = "root"\n'

    def frames(hops: int, octets: int) -> list[int | None]:
        text = network(
            f"{to_root}hops = {hops}\n{message.format(octets)}", "extended", tables=cut
        )  # fmt: skip
        return [one.frames for one in fit(parse_design(text))]

    assert (frames(1, 190), frames(1, 191)) == ([2], [3])
    two = 2 * 98 - 2 - 8 - 4 - 1
    assert (frames(2, two), frames(2, two + 1)) == ([2, 2], [3, 3])


@pytest.mark.parametrize(
    "node",
    ['prefix = "2001:db8:7:1::/64"', 'address = "2001:db8:7:1::ff:fe00:117"'],
)
def test_routers_have_addresses_as_the_node_has_however_it_is_written(node: str) -> None:
    """The identifier 0000:00ff:fe00:XXXX is made of a short address (RFC 4944 section 6): entries of 2 octets."""
    routing = "[flow.routing]\nroute = 3\ntunnel = true\n"
    outer, inner = 2 + 1, HOST + 1
    room = FRAME - SHORT - PAGE - RPI - outer - inner - UDP - 2 - 4 * 2
    assert rooms(network(f"{DOWN}hops = 4\n{routing}", node=node))[0] == room


def test_routers_that_stand_in_for_others_have_no_identifier_of_an_end() -> None:
    """With entries of 16 octets nothing is known of them: a root at ::1 takes as much as one at ::1001."""
    routing = "[flow.routing]\nroute = 2\ntunnel = true\nentry_octets = 16\n"
    first, other = (
        rooms(
            network(
                f"{DOWN}hops = 3\n{routing}", "extended", root=f'address = "2001:db8:7:1::{end}"'
            )
        )
        for end in ("1", "1001")
    )
    assert first == other


@pytest.mark.parametrize("limit", [64, 65, 66, 67, 100])
def test_nobody_knows_how_far_a_host_outside_is(limit: int) -> None:
    """A hop limit of 64 is elided (RFC 6282 section 3.1.1), and it may be any smaller one: in line on each hop."""
    first, forwarded = rooms(network(f"{DOWN}hops = 2\nhop_limit = {limit}\n"))
    identifiers = HOST + 1
    assert forwarded == FRAME - SHORT - identifiers - UDP
    assert (
        first == forwarded - 2
    )  # the node's identifier in line: its link address is not the first router's


def test_the_end_of_a_tunnel_is_reached_over_all_its_hops() -> None:
    """RFC 4291 section 2.5.6: "Routers must not forward any packets with Link-Local source or destination"."""
    routing = '[flow.routing]\ntunnel = true\nform = "extension-headers"\n'
    for hops, is_refused in ((1, False), (2, True)):
        text = network(f"{UP}hops = {hops}\n{routing}", root='prefix = "fe80::/64"')
        if is_refused:
            with pytest.raises(DesignError, match="an end of the tunnel, has only a link-local"):
                parse_design(text)
        else:
            assert rooms(text)


def test_records_carry_one_octet_of_their_number_or_two() -> None:
    """RFC 9147 section 4: the S bit of the unified header; DTLS 1.2 carries all 6."""

    def of(keys: str) -> int:
        dtls = f'[flow.dtls]\nsuite = "{keys}'
        return rooms(network(f"{UP}hops = 1\n{dtls}"))[0]

    later = 'TLS_AES_128_CCM_8_SHA256"\n'
    assert of(later) - of(f"{later}number_octets = 2\n") == 1
    assert of(later) == of(f"{later}number_octets = 1\n")
    (one,) = budget(
        parse_design(network(f'{UP}hops = 1\n[flow.dtls]\nsuite = "{later}number_octets = 2\n'))
    )
    saving = next(one for one in one.savings if one.knob == "flow.dtls.number_octets")
    assert saving.gain == 1
    assert "127 records in a row" in saving.condition


def test_records_carry_their_length_or_leave_it_out() -> None:
    """RFC 9147 section 4: the L bit, and 2 octets; a record of DTLS 1.2 has them always (RFC 6347 section 4.1)."""

    def planned(suite: str, keys: str = "") -> str:
        return network(f'{UP}hops = 1\n[flow.dtls]\nsuite = "{suite}"\nepoch = 3\n{keys}')

    later, older = "TLS_AES_128_CCM_8_SHA256", "TLS_PSK_WITH_AES_128_CCM_8"
    (without,), (with_length,) = (
        rooms(planned(later)),
        rooms(planned(later, "length_present = true\n")),
    )
    assert without - with_length == 2
    assert rooms(planned(later, "length_present = false\n")) == [without]
    assert rooms(planned(older)) == rooms(planned(older, "length_present = true\n"))
    (one,) = budget(parse_design(planned(later, "length_present = true\n")))
    saving = next(one for one in one.savings if one.knob == "flow.dtls.length_present")
    assert saving.gain == 2
    assert "last of its datagram" in saving.condition
    spans = [span for span in one.ledger.spans if (span.layer, span.name) == ("DTLS", "length")]
    assert [span.bits for span in spans] == [16]
    (one,) = budget(parse_design(planned(later)))
    assert "flow.dtls.length_present" not in [one.knob for one in one.savings]
