"""What is said of link addresses in a frame that no station of the design has."""

from lowpanbudget.design.path import FlowPath


def invented(path: FlowPath) -> str:
    """Return that an address stands for a node that forwards, as the design leaves open which; or nothing."""
    flow, form = path.flow, path.link.addresses
    ends = [flow.source, flow.destination, flow.border]
    known = {station.link_address(form) for station in ends if station is not None}
    sides = {path.hop.source} if flow.group is not None else {path.hop.source, path.hop.destination}
    if not sides - known:
        return ""
    return "A link address of the frame that no station has stands for a node that forwards, whichever it is."
