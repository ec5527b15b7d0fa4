"""What an audit keeps of frames that are alike but for numbers and payload."""

from collections.abc import Sequence
from typing import Any

from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.capture.follow.templates import WRONG_CHECKSUMS, Template
from lowpanbudget.findings.assembled import PutTogether
from lowpanbudget.findings.entries import Entries
from lowpanbudget.findings.finding import Hit
from lowpanbudget.findings.heard_headers import HeardHeaders
from lowpanbudget.findings.questions import Plan
from lowpanbudget.findings.rule import Rule
from lowpanbudget.findings.scene import Scene
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.link.mac import FrameType, Mac
from lowpanbudget.layers.lowpan.iphc import Iphc
from lowpanbudget.stack.frame import Frame
from lowpanbudget.stack.incoming import Notice
from lowpanbudget.values import dataclass, field

_MOST_ASSEMBLED = 16


@dataclass(slots=True)
class Judged:
    """What holds for all frames that are alike: hits, headers on the air, and what ``look`` found among them.

    ``varying`` are the headers of which a rule says more for each frame, ``plan`` the checks that do. ``pans`` are
    named in them, ``headers`` those of the datagram that each brings. ``is_told``: nothing differs that a rule looks at
    but a number, in an acknowledgement without security. ``entries`` are what rules keep of its nodes.
    ``inside`` are the hits about what is in a frame, which a repetition does not bring once more, ``assembled`` are
    datagrams that such frames completed, by the frame that brought their headers.
    """

    hits: list[tuple[Rule, Hit]]
    layers: Sequence[Any]
    varying: Sequence[Any]
    looked: tuple[Iphc | None, Ipv6 | None, bool]
    pans: Sequence[int]
    is_told: bool
    entries: Entries
    inside: list[tuple[Rule, Hit]] = field(default_factory=list)
    headers: HeardHeaders | None = None
    assembled: dict[Template | None, PutTogether] = field(default_factory=dict)
    plan: Plan = field(default_factory=dict)

    def keep(self, first: Template | None, whole: PutTogether) -> None:
        """Keep what was found of a datagram whose headers such a frame brought; few flows share their last fragment."""
        if len(self.assembled) >= _MOST_ASSEMBLED:
            self.assembled.clear()
        self.assembled[first] = whole


def judged_of(scene: Scene, hits: list[tuple[Rule, Hit]]) -> Judged:
    """Return what is known of a frame before the rules look at what is in it; ``hits`` are those of all like it."""
    layers, mac = scene.look(), scene.frame.mac
    looked = scene.iphc, scene.header, scene.tunnelled
    is_told = (
        mac is not None and mac.security is None and mac.frame_type == FrameType.ACKNOWLEDGEMENT
    )
    return Judged(hits, layers, layers, looked, pans_of(mac), is_told, scene.entries)


def pans_of(mac: Mac | None) -> list[int]:
    """Return the PAN IDs that a frame names, where its header can be read."""
    if mac is None or mac.fault is not None:
        return []
    return [pan for pan in (mac.source_pan, mac.destination_pan) if pan is not None]


def noticed(sighting: Sighting, frame: Frame, *, is_again: bool) -> Sequence[Notice]:
    """Return what reading a frame noticed; of one that is like one before what is told of this one alone."""
    template, told = sighting.template, sighting.notices
    read = () if template is None else template.example.notices
    if not is_again:
        return [*sighting.holding(frame.notices), *(one for one in told if one not in read)]
    if told == read and not (template is not None and template.is_wrong):
        return ()
    return [one for one in told if one not in read or one.name in WRONG_CHECKSUMS]
