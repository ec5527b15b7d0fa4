"""Captures in which nodes break the rules of RPL for parents, DAOs, configurations and routes, and near misses."""

from collections.abc import Callable

from findings import air
from findings.air import PREFIX, Capture
from findings.cases_further import Further
from findings.cases_routing import daos, dio, dios
from findings.judge import Told

FAR = f"{PREFIX}ff:fe00:17"
_ABOVE, _VERSION = "rank-not-above-parent", "version-jumps"


def raised(*versions: int) -> Capture:
    """DIOs of the root 5 s apart, one for each version."""
    messages = [dio(air.ROOT, 256, version) for version in versions]
    return dios(*messages, at=[1.0 + 5 * number for number in range(len(messages))])


RPL_FURTHER = [
    # RFC 6550 section 8.2.2.5: "MUST NOT have any nodes with a Rank of INFINITE_RANK in its parent set"
    Further(
        _ABOVE,
        lambda: daos(768, 768, 768, parent=0xFFFF, stored=False),
        Told(
            "risk",
            FAR,
            "its DAOs name a parent that announces INFINITE_RANK",
            (f"the parent is {PREFIX}ff:fe00:18",),
            tuple(range(1, 10)),
            3,
            "Let the node take a parent out of its parent set when that announces INFINITE_RANK: it has left the "
            "DODAG. Where the node has no other, it detaches as well, or joins anew.",
            "RFC 6550 §8.2.2.5",
        ),
    ),
    # floor(900 / 256) = floor(768 / 256) = 3: "Rank equal" (section 3.5.1), and it "MUST be greater" (8.2.1, rule 5)
    Further(
        _ABOVE,
        lambda: daos(900, 900, 900, parent=768, increase=256, stored=True),
        Told(
            "risk",
            "fe80::ff:fe00:17",
            "the rank is 900, and that of the parent that its DAOs name is 768",
            ("the parent is fe80::ff:fe00:18, MinHopRankIncrease 256",),
            tuple(range(1, 10)),
            3,
        ),
    ),
    # ten times from frame 2, at 6 s, to frame 11, at 51 s; behind 127 stands 0 (section 7.2)
    Further(
        _VERSION,
        lambda: raised(121, *range(122, 128), *range(4)),
        Told(
            "risk",
            "DODAG 2001:db8:1::ff:fe00:1",
            "the version was raised 10 times in 45 s",
            (),
            tuple(range(2, 12)),
            10,
        ),
    ),
]

RPL_NEAR: dict[str, tuple[str, Callable[[], Capture]]] = {
    # its one DIO may not have come over to the child, whatever it sends again
    "a parent that was heard to leave once": (
        _ABOVE,
        lambda: daos(768, 768, 768, 768, parent=0xFFFF, heard=1, stored=True),
    ),
    "a parent whose rank came near once": (
        _ABOVE,
        lambda: daos(900, 900, 900, 900, parent=768, increase=256, heard=1, stored=True),
    ),
    "a version that was raised twice": (_VERSION, lambda: raised(240, 241, 242, 242)),
    "leaves that name a parent which left": (
        _ABOVE,
        lambda: daos(0xFFFF, 0xFFFF, 0xFFFF, parent=0xFFFF, stored=True),
    ),
    # 896 / 128 = 7, 768 / 128 = 6
    "ranks a step of 128 apart": (
        _ABOVE,
        lambda: daos(896, 896, 896, parent=768, increase=128, stored=True),
    ),
    "ranks within a step that nobody was heard to configure": (
        _ABOVE,
        lambda: daos(900, 900, 900, parent=768, stored=True),
    ),
}
