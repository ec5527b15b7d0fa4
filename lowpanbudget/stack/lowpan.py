"""A 6LoWPAN payload read header by header, in the page that holds and the order that the standards want."""

from lowpanbudget.bits import Reader
from lowpanbudget.cites import rfc
from lowpanbudget.env import Env
from lowpanbudget.errors import Malformed, NotSupported, Reserved
from lowpanbudget.layers.internet import ipv6
from lowpanbudget.layers.lowpan import dispatch
from lowpanbudget.stack.headers import HANDLERS
from lowpanbudget.stack.incoming import Lowpan

# "When more than one LoWPAN header is used in the same packet, they MUST appear in the following order"
_ORDER = {"mesh": 1, "bc0": 2, "frag1": 3, "fragn": 3, "rfrag": 3, "rfrag-ack": 3}
_PAGED = 4  # RFC 8025 section 4: mesh and fragment headers stand "before the first Page 1 Paging Dispatch"
_BEHIND_ROUTING = {"iphc", "critical-6lorh", "elective-6lorh"}


def read_lowpan(reader: Reader, env: Env, lowpan: Lowpan) -> None:
    """Read a 6LoWPAN payload to its end into ``lowpan``; what was read before an error stays there.

    ``env`` holds the link addresses and contexts that elided fields come from. Raises ``WireError``.
    """
    page = 0
    rank = 0
    start = reader.pos
    for _ in range(ipv6.DEEPEST):
        reader.layer = "6LoWPAN dispatch"
        octet = reader.peek("the 6LoWPAN dispatch octet", dispatch.PAGES[page].cite)
        kind = dispatch.PAGES[page][octet]
        if kind.key == "page":
            page = dispatch.read_page(reader)
            rank = rank if page == 0 else _PAGED
            continue
        handler = HANDLERS.get(kind.key)
        if handler is None:
            raise reader.fault(
                Reserved if kind.key in {"reserved", "unassigned"} else NotSupported,
                f"dispatch octet {octet:#04x} in page {page} is {kind.name}: not read further",
                kind.cite,
            )
        if kind.key in _ORDER:
            if _ORDER[kind.key] <= rank:
                raise reader.fault(
                    Malformed,
                    f"a {kind.name} stands behind a header that it must precede",
                    rfc(4944, "5") if rank < _PAGED else rfc(8025, "4"),
                )
            rank = _ORDER[kind.key]
        if kind.key == "nalp" and reader.pos != start:
            raise reader.fault(
                Reserved,
                "a dispatch for other protocols stands behind LoWPAN headers",
                rfc(8066, "3.4"),
            )
        if lowpan.routing and kind.key not in _BEHIND_ROUTING:
            raise reader.fault(
                Malformed,
                f"{kind.name} stands behind routing headers, which LOWPAN_IPHC must follow",
                rfc(8138, "3.2.1"),
            )
        env = handler(reader, env, lowpan) or env
        if lowpan.done:
            return
    raise reader.fault(
        Malformed, f"more than {ipv6.DEEPEST} headers in one frame", dispatch.PAGE_0.cite
    )
