"""Which of the two rules made the identifier of a short address: RFC 6282 section 3.2.2, or RFC 4944 section 6.

RFC 6282's has no PAN ID in it, the older one's has. Senders of both kinds are on the air, and a receiver that restores
by the other rule sees a wrong checksum.
"""

from itertools import product

from lowpanbudget.env import IID_MASK, Env, interface_identifier, old_interface_identifier
from lowpanbudget.layers.internet import udp
from lowpanbudget.layers.internet.ipv6 import UDP
from lowpanbudget.stack.datagram import Chain, endpoints

SIDES = ("source", "destination")


def carried(chain: Chain, env: Env) -> list[str]:
    """Return which addresses hold the older identifier of their own short link address: "source", "destination"."""
    if env.pan_id is None:
        return []
    header = chain.innermost
    sides = []
    for side, address, link in zip(
        SIDES, (header.source, header.destination), (env.source, env.destination), strict=True
    ):
        if link is None or len(link) != 2:
            continue
        old = old_interface_identifier(env.pan_id, link)
        # one with zeros in place of the PAN ID is that of the newer rule as well
        if old >> 48 and int(address) & IID_MASK == old:
            sides.append(side)
    return sides


def explains_checksum(chain: Chain, env: Env) -> str:
    """Return the addresses for which the older rule makes a wrong UDP checksum right, such as "source"; "" for none."""
    last = chain.parts[-1]
    if env.pan_id is None or last.kind != UDP:
        return ""
    source, destination, _ = endpoints(chain.parts[:-1])
    forms = []
    for address, link in ((source, env.source), (destination, env.destination)):
        other = address
        if (
            link is not None
            and len(link) == 2
            and int(address) & IID_MASK == interface_identifier(link)
        ):
            identifier = old_interface_identifier(env.pan_id, link)
            other = type(address)(int(address) & ~IID_MASK | identifier)
        forms.append((address, other))
    segment, sent = bytes(last.value) + chain.payload, last.value.checksum
    for which in product((0, 1), repeat=2):
        pair = [form[index] for form, index in zip(forms, which, strict=True)]
        if pair != [source, destination] and udp.checksum(pair[0], pair[1], segment) == sent:
            return " and ".join(side for side, index in zip(SIDES, which, strict=True) if index)
    return ""
