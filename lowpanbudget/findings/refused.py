"""Requests of CoAP that were refused for a while: the same went through later, as the code foresees."""

from collections import Counter

from lowpanbudget.layers.internet.coap.block import Block
from lowpanbudget.layers.internet.coap.codes import coap_code
from lowpanbudget.layers.internet.coap.message import CoapMessage
from lowpanbudget.layers.internet.coap.registry import BLOCK1, MAX_AGE, OSCORE, URI_QUERY
from lowpanbudget.layers.internet.coap.times import MAX_AGE_S
from lowpanbudget.values import dataclass, field

_FEW = 3  # bodies in a row that tell; our choice
_MOST_REQUESTS = 16  # that are refused at a time and told apart
_NOT_FOUND, INCOMPLETE = coap_code("4.04"), coap_code("4.08")
_BUSY = {coap_code("4.29"), coap_code("5.03")}  # 4.29 (RFC 8516) from memory
_READS = {coap_code("GET"), coap_code("FETCH")}

_Asked = tuple[int, str, tuple[bytes, ...]]  # method, path and query


@dataclass(slots=True)
class _Refused:
    """Refusals of one request in a row, by code, and when it is to come again."""

    due_s: float = 0.0
    codes: Counter[int] = field(default_factory=Counter)


@dataclass(slots=True)
class RefusedRequests:
    """What a server refuses a client, and how many of these refusals by code were for a while."""

    refused: dict[_Asked, _Refused] = field(default_factory=dict)
    overcome: Counter[int] = field(default_factory=Counter)

    def refuse(self, request: CoapMessage, answer: CoapMessage, time_s: float) -> None:
        """Take a refusal, if its code may pass by.

        What is asked for may come to be (4.04), a body is begun anew (4.08, RFC 7959 section 2.9.2), and a server that
        is busy says with Max-Age when it is not (5.03, RFC 7252 section 5.9.3.4).
        """
        code, wait_s = answer.code, 0
        if code in _BUSY:
            option = answer.first(MAX_AGE)
            said = None if option is None else option.value
            wait_s = said if isinstance(said, int) else MAX_AGE_S
        elif code != INCOMPLETE and (code != _NOT_FOUND or request.code not in _READS):
            return
        asked = _asked(request)
        if asked is not None and (asked in self.refused or len(self.refused) < _MOST_REQUESTS):
            refused = self.refused.setdefault(asked, _Refused())
            refused.codes[code] += 1
            refused.due_s = time_s + wait_s

    def accept(self, request: CoapMessage, time_s: float) -> None:
        """Take a request that went through, and when it was sent: what was refused of it before was for a while.

        Not so if it comes again too soon, and not for a body that was sent too often in vain.
        """
        asked, option = _asked(request), request.first(BLOCK1)
        block = None if option is None else option.value
        if asked is None or (isinstance(block, Block) and block.more):
            return  # the outcome of a body comes with its last block
        refused = self.refused.pop(asked, None)
        if refused is not None and time_s >= refused.due_s:
            if refused.codes[INCOMPLETE] >= _FEW:
                del refused.codes[INCOMPLETE]
            self.overcome += refused.codes


def _asked(request: CoapMessage) -> _Asked | None:
    """Return what a request asks for; None where that is sealed."""
    if request.first(OSCORE) is not None:
        return None
    return request.code, request.path, tuple(one.octets for one in request.all(URI_QUERY))
