"""What an audit knows before the first frame: of what is given beside a capture."""

from lowpanbudget.capture.follow.tracing import Trace
from lowpanbudget.design.meaning import Design
from lowpanbudget.findings.surroundings import Surroundings


def known_of(trace: Trace, design: Design | None = None, timeout_s: float = 60.0) -> Surroundings:
    """Return what a trace knows at its start, and a design: contexts, devices, the longest frame, the RPL option."""
    devices = {link for link in trace.knowledge.devices.values() if len(link) == 8}
    knowledge = trace.knowledge
    rpi_type = None if knowledge.rpi_type_assumed else knowledge.rpi_type
    if design is None:
        return Surroundings(
            trace.contexts, None, frozenset(devices), timeout_s=timeout_s, rpi_type=rpi_type
        )
    devices |= {one.extended for one in design.stations if one.extended is not None}
    largest, mtu = design.link.largest, design.link.mtu
    known = Surroundings(
        trace.contexts, design, frozenset(devices), largest, mtu, timeout_s, rpi_type
    )
    for station in design.stations:
        known.learn_prefix(station.ip(design.link.addresses))
    return known
