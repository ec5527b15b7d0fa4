"""Every knob of a path as a variant: the change in words, and the path that it leads to.

The knobs themselves are declared beside the keys they turn (``link``, ``flow``, ``addresses``); here they meet a hop.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from lowpanbudget.cites import Cite
from lowpanbudget.design.addresses import address_knobs
from lowpanbudget.design.flow import FlowKnob, flow_knobs
from lowpanbudget.design.link import LinkKnob, link_knobs
from lowpanbudget.design.path import Path, paths


@dataclass(frozen=True, slots=True)
class Variant:
    """A change of one key of the design and the path as it would then be.

    ``condition`` says what the change takes; ``caution`` is not empty when it weakens protection;
    ``stronger`` marks a change
    that protects more and costs octets.
    """

    key: str
    text: str
    path: Path
    cite: Cite
    condition: str = ""
    caution: str = ""
    stronger: bool = False


def variants(path: Path) -> Iterator[Variant]:
    """Yield each change that one knob of link, contexts or flow makes to a path; the hop stays the same one."""
    for link_knob in link_knobs(path.link):
        changed = _same_hop(path, paths(link_knob.link, path.contexts, path.flow))
        yield _variant(link_knob, changed)
    flow_changes = (
        *address_knobs(path.link, path.contexts, path.flow),
        *flow_knobs(path.contexts, path.flow),
    )
    for flow_knob in flow_changes:
        changed = _same_hop(path, paths(path.link, flow_knob.contexts, flow_knob.flow))
        yield _variant(flow_knob, changed)


def _same_hop(path: Path, candidates: list[Path]) -> Path:
    return next((other for other in candidates if other.hop.name == path.hop.name), candidates[-1])


def _variant(knob: LinkKnob | FlowKnob, path: Path) -> Variant:
    return Variant(
        knob.key, knob.text, path, knob.cite, knob.condition, knob.caution, knob.stronger
    )
