"""A 6LoWPAN payload read header by header, in the page that holds and the order that the standards want."""

from lowpanbudget.bits import Reader
from lowpanbudget.cites import rfc
from lowpanbudget.env import Env
from lowpanbudget.errors import Malformed, NotSupported, Reserved, Truncated
from lowpanbudget.layers.internet import ipv6
from lowpanbudget.layers.lowpan import dispatch
from lowpanbudget.layers.lowpan.fragment import Fragment, HeadersCut
from lowpanbudget.layers.lowpan.recovery import Rfrag
from lowpanbudget.stack.headers import HANDLERS
from lowpanbudget.stack.incoming import Lowpan

# "When more than one LoWPAN header is used in the same packet, they MUST appear in the following order"
_ORDER = {"mesh": 1, "bc0": 2, "frag1": 3, "fragn": 3, "rfrag": 3, "rfrag-ack": 3}
_PAGED = 4  # RFC 8025 section 4: mesh and fragment headers stand "before the first Page 1 Paging Dispatch"
# "any header that cannot fit within the first fragment MUST NOT be compressed"; one as it is may go on in the next
_COMPRESSED = {"iphc", "hc1", "critical-6lorh", "elective-6lorh", "page"}
_WHOLE_HEADERS = "The sender must cut behind its compressed headers, and leave uncompressed what does not fit before"
_BEHIND_ROUTING = {"iphc", "critical-6lorh", "elective-6lorh"}


def read_lowpan(reader: Reader, env: Env, lowpan: Lowpan) -> None:
    """Read a 6LoWPAN payload to its end into ``lowpan``; what was read before an error stays there.

    ``env`` holds the link addresses and contexts that elided fields come from. Raises ``WireError``.
    """
    try:
        _read_headers(reader, env, lowpan)
    except Truncated as error:
        if lowpan.dispatch in _COMPRESSED and _is_begun(lowpan.fragment):
            raise _cut(error, reader, lowpan) from None
        raise


def _is_begun(fragment: Fragment | Rfrag | None) -> bool:
    """Return whether it is a first fragment that others must follow; recoverable, its two lengths prove that."""
    if fragment is None or not fragment.first:
        return False
    return isinstance(fragment, Fragment) or (fragment.size or 0) > fragment.length


def _cut(error: Truncated, reader: Reader, lowpan: Lowpan) -> Truncated:
    """Return the fault of a first fragment that its sender ended within compressed headers: the frame is whole."""
    begins = next(head.end for head in lowpan.heads if head.value is lowpan.fragment)
    cite = rfc(8931, "3") if isinstance(lowpan.fragment, Rfrag) else rfc(6282, "2")
    return Truncated(
        f"the first fragment ends within its compressed headers: {error.message}",
        offset=error.offset,
        layer=error.layer,
        cite=cite,
        hint=_WHOLE_HEADERS,
        about=HeadersCut(reader.end - begins),
    )


def _read_headers(reader: Reader, env: Env, lowpan: Lowpan) -> None:
    page = 0
    rank = 0
    start = reader.pos
    for _ in range(ipv6.DEEPEST):
        reader.layer = "6LoWPAN dispatch"
        octet = reader.peek("the 6LoWPAN dispatch octet", dispatch.PAGES[page].cite)
        kind = dispatch.PAGES[page][octet]
        lowpan.dispatch = kind.key
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
