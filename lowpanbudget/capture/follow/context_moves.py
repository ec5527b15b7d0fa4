"""Contexts that become others: whether they were out of use before, and begin that way (RFC 6775 section 7.2)."""

from lowpanbudget.cites import rfc
from lowpanbudget.env import Context
from lowpanbudget.layers.internet.nd.lowpan_options import ContextOption
from lowpanbudget.stack.incoming import Notice

_CHANGE_DELAY_S = 300  # MIN_CONTEXT_CHANGE_DELAY (RFC 6775 section 9)
_SECOND = 10**9


class ContextMoves(dict[int, int | None]):
    """Since when contexts are announced with C = 0 that had C = 1 before; None where no times are known."""

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
            if past_s < _CHANGE_DELAY_S:
                why.append(f"the old one was out of use for {past_s} s only")
        if option.may_compress:
            why.append("the new one begins with C = 1")
        if not why:
            return []
        text = f"context {cid} was {before.prefix} and becomes {option.prefix}: {', '.join(why)}"
        return [Notice("context-moved", text, rfc(6775, "7.2"), 0)]
