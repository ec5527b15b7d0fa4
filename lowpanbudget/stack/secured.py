"""The MAC header of a secured frame read by one function: frame control and security control fix every offset in it.

Without IEs, which may have any length. Other headers, and two controls that were not read together often, are left to
``mac``.
"""

from typing import cast

from lowpanbudget.bits import Reader
from lowpanbudget.fields.compiled import MOST, Functions
from lowpanbudget.fields.source import Function, FunctionSource
from lowpanbudget.layers.link import auxiliary, mac
from lowpanbudget.layers.link.control import CONTROL, shape
from lowpanbudget.layers.link.mac import Mac

_CONTROL = CONTROL.octets
_controls: dict[bytes, int] = {}  # where the security control stands, by frame control


def decode(reader: Reader, fcs_ok: bool | None = None) -> Mac:
    """Return the MAC header of a frame that ``reader`` stands at the beginning of, as ``mac.decode`` does."""
    octets = reader.data
    at = _controls.get(octets[:_CONTROL])
    if at is not None and not reader.missing:
        function = _HEADERS.functions.get(octets[:_CONTROL] + octets[at : at + 1])
        header = None if function is None else function(reader, fcs_ok)
        if header is not None:
            return cast("Mac", header)
    header = mac.decode(reader, fcs_ok)
    if header.security is not None and not header.ie_present:
        _was_read(octets, header.header_length - header.security.octets)
    return header


def _was_read(octets: bytes, at: int) -> None:
    """Count a header whose security control stands at an octet."""
    key = octets[:_CONTROL] + octets[at : at + 1]
    if key not in _HEADERS.functions and _HEADERS.sighted(key) is not None:
        if len(_controls) >= MOST:
            _controls.clear()
        _controls[octets[:_CONTROL]] = at


def _made(key: bytes) -> Function | None:
    """Return the function of headers with this frame control and this security control."""
    form = shape(*key[:_CONTROL])
    if form.octets != _CONTROL:
        return None
    source = FunctionSource("secured", "MAC", 0)
    values = mac.take_up(source, form)
    security = auxiliary.take_up(source, key[-1], form.version)
    source.layer = "MAC"
    values |= {"security": security, "header_length": f"{source.octets}", "fcs_ok": "env"}
    return source.function(source.value(Mac, **values))


_HEADERS: Functions[bytes, Function] = Functions(_made)
