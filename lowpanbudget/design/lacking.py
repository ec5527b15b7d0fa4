"""What a command needs of a design and the design lacks."""

from lowpanbudget.design.access import Method
from lowpanbudget.design.meaning import Design
from lowpanbudget.design.network_tables import NODES, network_tables
from lowpanbudget.errors import LacksTables

# without these an answer is taken for granted: nothing is lost, queues have no end, nothing is asked for
_TAKEN = ("loss", "queue", "limits")


def lacking(design: Design, *tables: str) -> LacksTables:
    """Return the error that names those of the tables of a design file that are needed and not there.

    Its lines are all that the design lacks to say whether its network carries its messages, with values to begin with.
    """
    there = {name for name in (*tables, *_TAKEN) if getattr(design, name) is not None}
    missing = [f"[{name}]" for name in tables if name not in there]
    taken = [f"[{name}]" for name in _TAKEN if name not in there]
    method: Method = "slots" if design.link.slotted else "csma"
    hops = max((flow.hops for flow in design.flows), default=1)
    nodes = design.nodes or max(NODES, hops)
    wanted = {*missing, *(taken if len(tables) > 1 else ())}
    keys = " and ".join(f"lowpanbudget explain {name.strip('[]')}" for name in missing)
    tell = "tell" if len(missing) > 1 else "tells"
    found = [one for one in network_tables(method, nodes, hops, "") if one.head in wanted]
    return LacksTables(
        f"the design has no {' and no '.join(missing)}",
        hint=f"Add these lines, with your own values; {keys} {tell} the keys",
        lines=tuple(line for one in found for line in one.lines),
    )
