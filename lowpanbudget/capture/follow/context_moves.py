"""Contexts that become others: whether they were out of use before, and begin that way (RFC 6775 section 7.2)."""

from ipaddress import IPv6Network

from lowpanbudget.cites import rfc
from lowpanbudget.env import Context
from lowpanbudget.layers.internet.nd.lowpan_options import ContextOption
from lowpanbudget.stack.incoming import Notice

CHANGE_DELAY_S = 300  # MIN_CONTEXT_CHANGE_DELAY (RFC 6775 section 9)
_SECOND = 10**9


class ContextMoves(dict[int, int | None]):
    """Since when contexts are announced with C = 0 that had C = 1 before; None where no times are known.

    ``_withdrawn`` are the prefixes of those with a lifetime of 0, and since when they were out of use; None for those
    that never were in use.
    """

    def __init__(self) -> None:
        super().__init__()
        self._withdrawn: dict[int, tuple[IPv6Network, int | None]] = {}

    def withdraw(self, cid: int, before: Context, time_ns: int | None) -> None:
        """Note that a context is withdrawn: out of use since then, or since it had C = 0."""
        since = self.pop(cid, time_ns if before.may_compress else None)
        self._withdrawn[cid] = before.prefix, since

    def begin(self, option: ContextOption, time_ns: int | None) -> list[Notice]:
        """Return the notice of a number that gets another prefix soon after it was withdrawn, or none."""
        prefix, since = self._withdrawn.pop(option.cid, (option.prefix, None))
        if prefix == option.prefix or since is None or time_ns is None:
            return []
        past_s = (time_ns - since) // _SECOND
        if not 0 <= past_s < CHANGE_DELAY_S:
            return []
        return [
            _moved(option, prefix, [f"the old one, withdrawn, was out of use for {past_s} s only"])
        ]

    def take(self, before: Context, option: ContextOption, time_ns: int | None) -> list[Notice]:
        """Return the notice of a context that becomes another before nobody uses it any more, or none.

        "its dissemination SHOULD continue for at least MIN_CONTEXT_CHANGE_DELAY with C=0", and "dissemination of the
        new value again SHOULD start with C=0".
        """
        cid = option.cid
        if before.prefix == option.prefix:
            if before.may_compress and not option.may_compress:
                self[cid] = time_ns
            elif option.may_compress:
                self.pop(cid, None)
            return []
        since, why = self.pop(cid, None), []
        if before.may_compress:
            why.append("the old one was in use")
        elif since is not None and time_ns is not None:
            past_s = (time_ns - since) // _SECOND
            if past_s < CHANGE_DELAY_S:
                why.append(f"the old one was out of use for {past_s} s only")
        if option.may_compress:
            why.append("the new one begins with C = 1")
        return [_moved(option, before.prefix, why)] if why else []


def _moved(option: ContextOption, before: IPv6Network, why: list[str]) -> Notice:
    text = f"context {option.cid} was {before} and becomes {option.prefix}: {', '.join(why)}"
    return Notice("context-moved", text, rfc(6775, "7.2"), 0)
