"""From when on frames under a lower level than the others' are told: few nodes, and few frames (our choice)."""

import pytest
from findings import air
from findings.air import FAR_NODE, FAR_ROOT, Capture, names

EUI_64 = bytes.fromhex("025e100000000000")


def at_levels(usual: int, lower: tuple[int, ...]) -> Capture:
    """So many frames of level 5 of each of two nodes, and of others so many of level 1."""
    sent = [
        air.secured(b"%d" % n, n, n + 1, links=links)
        for n in range(usual)
        for links in ((FAR_NODE, FAR_ROOT), (FAR_ROOT, FAR_NODE))
    ]
    for node, many in enumerate(lower, 0x21):
        links = (EUI_64[:7] + bytes([node]), FAR_ROOT)
        sent += [air.secured(b"%d" % n, n, n + 1, level=1, links=links) for n in range(many)]
    return Capture(list(sent), keys=(air.KEY,))


@pytest.mark.parametrize(
    ("usual", "lower", "told"),
    [
        (12, (6,), 1),  # a quarter of the others' frames
        (12, (7,), 0),
        (12, (5,), 1),
        (12, (4,), 0),  # too few to tell
        # of as many nodes as the others it is no exception, however few frames they send
        (40, (5,), 1),
        (40, (5, 5), 0),
    ],
)
def test_who_is_an_exception(usual: int, lower: tuple[int, ...], told: int) -> None:
    found = names(at_levels(usual, lower).followed())
    assert found.count("secured-less-than-others") == told


@pytest.mark.parametrize("many", [4, 5])
def test_four_of_the_addresses_that_two_networks_share_are_shown(many: int) -> None:
    """Nodes of the same short addresses in two PANs, in turn."""
    sent = []
    for n in range(8):
        for node in range(many):
            for pan in (0x0A0A, 0x0B0B):
                links = (bytes([0, 0x21 + node]), air.ROOT)
                packet = air.datagram(b"%d" % n, links=links)
                sent.append(air.frame(packet, n, links, destination_pan=pan))
    (found,) = (
        one for one in Capture(list(sent)).followed() if one.name == "short-addresses-in-two-pans"
    )
    assert found.evidence[0] == "0x0021, 0x0022, 0x0023, 0x0024"
