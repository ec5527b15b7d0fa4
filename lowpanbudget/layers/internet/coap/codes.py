"""CoAP message types and codes: methods and responses with their names (RFC 7252 section 12.1)."""

from enum import IntEnum
from functools import lru_cache

from lowpanbudget.cites import rfc
from lowpanbudget.errors import RequestError, repeated
from lowpanbudget.fields import Bits, Header, Listing

CITE = rfc(7252, "12.1")


class CoapType(IntEnum):
    """The types of CoAP messages, as they stand in a header (RFC 7252 section 3)."""

    CON = 0
    NON = 1
    ACK = 2
    RST = 3


TYPES = {0: "confirmable", 1: "non-confirmable", 2: "acknowledgement", 3: "reset"}
# RFC 7252 tables 5 and 6, and what other documents have put into the registries since
_NAMES = {
    "0.00": "Empty",
    "0.01": "GET",
    "0.02": "POST",
    "0.03": "PUT",
    "0.04": "DELETE",
    "0.05": "FETCH",
    "0.06": "PATCH",
    "0.07": "iPATCH",
    "2.01": "Created",
    "2.02": "Deleted",
    "2.03": "Valid",
    "2.04": "Changed",
    "2.05": "Content",
    "2.31": "Continue",
    "4.00": "Bad Request",
    "4.01": "Unauthorized",
    "4.02": "Bad Option",
    "4.03": "Forbidden",
    "4.04": "Not Found",
    "4.05": "Method Not Allowed",
    "4.06": "Not Acceptable",
    "4.08": "Request Entity Incomplete",
    "4.09": "Conflict",
    "4.12": "Precondition Failed",
    "4.13": "Request Entity Too Large",
    "4.15": "Unsupported Content-Format",
    "4.22": "Unprocessable Entity",
    "4.29": "Too Many Requests",
    "5.00": "Internal Server Error",
    "5.01": "Not Implemented",
    "5.02": "Bad Gateway",
    "5.03": "Service Unavailable",
    "5.04": "Gateway Timeout",
    "5.05": "Proxying Not Supported",
    "5.08": "Hop Limit Reached",
}
_FIRST = (rfc(7252, "12.1.1"), rfc(7252, "12.1.2"))  # methods, responses
# 4.29 and 5.08 from memory
_ELSEWHERE = {
    "0.00": rfc(7252, "4.1"),
    "0.05": rfc(8132, "6"),
    "0.06": rfc(8132, "6"),
    "0.07": rfc(8132, "6"),
    "2.31": rfc(7959, "2.9"),
    "4.08": rfc(7959, "2.9"),
    "4.09": rfc(8132, "6"),
    "4.22": rfc(8132, "6"),
    "4.29": rfc(8516),
    "5.08": rfc(8768),
}
_CODE = Header("code", CITE, (Bits("class", 3), Bits("detail", 5)))


def _number(kind: str, detail: str) -> int:
    return _CODE.join({"class": int(kind), "detail": int(detail)})


CODES = {_number(*text.split(".")): name for text, name in _NAMES.items()}
_CLASSES = {0: "request", 2: "success", 4: "client error", 5: "server error"}


def code_text(code: int) -> str:
    """Return a code as ``c.dd`` with its name, or with what is known of its class."""
    name = CODES.get(code)
    values = _CODE.split(code)
    if name is None:
        known = _CLASSES.get(values["class"])
        name = f"unassigned {known}" if known else "of a reserved class"
    return f"{values['class']}.{values['detail']:02d} {name}"


@lru_cache(maxsize=256)  # rules ask it several times of each message
def class_of(code: int) -> int:
    """Return the class of a code, the digit before the point."""
    return _CODE.split(code)["class"]


def is_request(code: int) -> bool:
    """Return whether a code is a method: of class 0, and not that of an empty message."""
    return code > 0 and class_of(code) == 0


def is_response(code: int) -> bool:
    """Return whether a code is a response, of whatever class: class 1 is reserved (section 3)."""
    return class_of(code) > 1


def coap_code(text: str) -> int:
    """Return the number of a code given as ``c.dd`` or by a name such as ``GET`` or ``Content``.

    Source: the registries of RFC 7252 section 12.1. Raises ``RequestError`` for a text that is none, with the name that
    may be meant, and lists all names.
    """
    kind, dot, detail = text.partition(".") if isinstance(text, str) else ("", "", "")
    if dot and kind.isdecimal() and detail.isdecimal() and int(kind) < 8 and int(detail) < 32:
        return _number(kind, detail)
    for code, name in CODES.items():
        if isinstance(text, str) and name.lower() == text.lower():
            return code
    raise RequestError(
        f"{repeated(text)} is no CoAP code",
        cite=CITE,
        hint=f"{_meant(text)}Give c.dd, or one of: {', '.join(CODES.values())}",
    )


def _meant(word: object) -> str:
    """Return the name that a mistyped one is near to, as a question; nothing where it is near to none."""
    from difflib import get_close_matches  # noqa: PLC0415  # only where something is wrong

    names = {name.lower(): name for name in CODES.values()}
    # a longer word is no slip of the keys, and comparing takes quadratic time
    near = get_close_matches(word[:64].lower(), names, 1) if isinstance(word, str) else ()
    return f"Did you mean {names[near[0]]}? " if near else ""


LISTED = Listing(
    "CoAP codes",
    CITE,
    ("code", "name", "clause"),
    tuple(
        (dotted, name, str(_ELSEWHERE.get(dotted, _FIRST[dotted[0] > "0"])))
        for dotted, name in _NAMES.items()
    ),
    "Methods and responses of CoAP.",
)
