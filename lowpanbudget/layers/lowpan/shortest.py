"""The shortest LOWPAN_IPHC header for an IPv6 header (RFC 6282 section 3).

The context octet serves both addresses, so the pair is chosen together (``_addresses``), in code, since no table can
say that.
"""

from functools import lru_cache
from ipaddress import IPv6Address

from lowpanbudget.env import Contexts, Env
from lowpanbudget.fields import CONTEXT, Choice, Chosen, WordForm
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.lowpan.addresses import DESTINATION, SOURCE, Side, may_lean_on
from lowpanbudget.layers.lowpan.forms import CID, HLIM, NH, TF
from lowpanbudget.layers.lowpan.iphc import HEADER, Sides, outer_sides

# rows that may be chosen without a context, and with one
_STATEFUL = {choice: choice.rows_taking(CONTEXT) for choice in (SOURCE, DESTINATION)}
_PLAIN = {
    choice: tuple(row for row in choice.by_cost if row not in rows)
    for choice, rows in _STATEFUL.items()
}


def choose(
    header: Ipv6, env: Env, *, nhc: bool, outer: Ipv6 | None = None, tunnel: Sides | None = None
) -> WordForm:
    """Return the shortest legal form of ``header``; ``nhc`` says that LOWPAN_NHC follows, the rest as ``decode``."""
    traffic = (header.traffic_class, header.flow_label)
    next_header = None if nhc else header.next_header
    cid, source, destination, ids = _addresses(header, env, outer, tunnel)
    chosen = (
        (CID, cid, ids),
        (TF, TF.best(traffic), traffic),
        (NH, NH.best(next_header), next_header),
        (HLIM, HLIM.best(header.hop_limit), header.hop_limit),
        (SOURCE, source, header.source),
        (DESTINATION, destination, header.destination),
    )
    return WordForm(HEADER, chosen)


def _addresses(
    header: Ipv6, env: Env, outer: Ipv6 | None, tunnel: Sides | None
) -> tuple[Chosen, Chosen, Chosen, tuple[int, int]]:
    """Return context octet, source and destination modes that are smallest *together*, and the context ids."""
    plain = outer_sides(env, outer)
    sides = (plain, plain if tunnel is None else tunnel)
    return _smallest(header.source, header.destination, sides, env.contexts)


@lru_cache(maxsize=1024)  # the packets of a flow have the same addresses
def _smallest(
    source_address: IPv6Address,
    destination_address: IPv6Address,
    sides: tuple[Sides, Sides],
    contexts: Contexts,
) -> tuple[Chosen, Chosen, Chosen, tuple[int, int]]:
    source_iids, destination_iids = zip(*sides, strict=True)
    sources = _per_context(SOURCE, source_address, source_iids, contexts)
    destinations = _per_context(DESTINATION, destination_address, destination_iids, contexts)
    best: tuple[tuple[int, ...], tuple[Chosen, Chosen, Chosen, tuple[int, int]]] | None = None
    for source_id, source in sources:
        for destination_id, destination in destinations:
            ids = (source_id, destination_id)
            cid = CID.best(ids)
            inline = cid.row.inline + source.row.inline + destination.row.inline
            rank = (inline, cid.row.code, source.row.code, destination.row.code, *ids)
            if best is None or rank < best[0]:
                best = (rank, (cid, source, destination, ids))
    assert best is not None
    return best[1]


def _per_context(
    choice: Choice, value: IPv6Address, iids: Sides, contexts: Contexts
) -> list[tuple[int, Chosen]]:
    """Return the best row without a context, and with each context when that is shorter.

    ``iids`` are the identifiers to elide against without and with a context.
    """
    plain = choice.best_of(_PLAIN[choice], value, Side(iids[0], None))
    assert plain is not None  # a full address always fits
    found = [(0, plain)]
    for number, context in contexts.items():
        if not may_lean_on(context, value):
            continue
        chosen = choice.best_of(_STATEFUL[choice], value, Side(iids[1], context, number))
        if chosen is not None and chosen.row.inline < plain.row.inline:
            found.append((number, chosen))
    return found


def inline_of(choice: Choice, value: IPv6Address, iids: Sides, contexts: Contexts) -> int:
    """Return the octets in line of the shortest form of an address; ``iids`` as ``Iphc.around`` has them for a side."""
    return min(chosen.row.inline for _, chosen in _per_context(choice, value, iids, contexts))
