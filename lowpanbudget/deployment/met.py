"""Which share of the frames meets others where the channel is shared as planned: loss on a quiet link has none."""

from lowpanbudget.deployment.airtime import airtime
from lowpanbudget.deployment.contention_network import PlayedContention
from lowpanbudget.deployment.fragments import with_acknowledgements
from lowpanbudget.deployment.load import loads
from lowpanbudget.deployment.traffic import traffic_of
from lowpanbudget.design.meaning import Design
from lowpanbudget.errors import RequestError

_TRANSMISSIONS = 20_000  # of which 1 % are known to 0.15 %; our choice


def met_share(design: Design) -> float:
    """Return the share of frames that others hit, played; 0 in slots, and where the design does not say who sends."""
    access = design.access
    if access is None or access.slots is not None or design.tree is None:
        return 0.0
    try:
        traffic = with_acknowledgements(design, traffic_of(design, airtime(design)))
        nodes, on_link = loads(traffic, access.retries + 1), access.on(design.link)
        return PlayedContention(design, traffic, nodes, on_link, 1, _TRANSMISSIONS).met
    except RequestError:  # nothing to play, or nothing known of its time on the air
        return 0.0
