"""The MAC header of a secured frame read by one function: frame control and security control fix every offset in it.

Without IEs, which may have any length. Other headers, and two controls that were not read together often, are left to
``mac``.
"""

from lowpanbudget.bits import Reader
from lowpanbudget.fields.compiled import MOST, Functions
from lowpanbudget.fields.source import Function, FunctionSource
from lowpanbudget.layers.link import auxiliary, mac
from lowpanbudget.layers.link.auxiliary import CITE_2006
from lowpanbudget.layers.link.control import CITE, CONTROL, shape
from lowpanbudget.layers.link.mac import Mac
from lowpanbudget.stack.incoming import Notice

_CONTROL = CONTROL.octets
_OLD, _RESERVED = 1, (5, 6, 7)  # a version of the header, and what its security control leaves free
_controls: dict[bytes, int] = {}  # where the security control stands, by frame control


def decode(reader: Reader, notices: list[Notice], fcs_ok: bool | None = None) -> Mac:
    """Return the MAC header of a frame that ``reader`` stands at the beginning of, as ``mac.decode`` does.

    Bits in its security control that are reserved are added to the ``notices``.
    """
    octets = reader.data
    control = octets[:_CONTROL]
    at = _controls.get(control)
    if at is not None and not reader.missing:
        function = _HEADERS.functions.get(control + octets[at : at + 1])
        known: Mac | None = None if function is None else function(reader, fcs_ok)
        if known is not None:
            return known
    header = mac.decode(reader, fcs_ok)
    if header.reserved:
        notices.append(_of_control(header))
    if header.security is not None and not header.ie_present:
        at = header.header_length - header.security.octets
        if header.version == _OLD and octets[at] >> _RESERVED[0]:
            notices.append(_reserved(octets[at], at))
        else:
            _was_read(octets, at)
    return header


def _of_control(header: Mac) -> Notice:
    """Return the notice of reserved bits in the frame control."""
    bits = ", ".join(str(bit) for bit in range(16) if header.reserved >> bit & 1)
    text = f"bits {bits} of the frame control are reserved in version {header.version}, and senders must leave them 0"
    return Notice("frame-control-bits-reserved", text, CITE)


def _reserved(control: int, at: int) -> Notice:
    """Return the notice of bits that mean something since the 2015 edition alone; all frames are read by it."""
    bits = [bit for bit in _RESERVED if control >> bit & 1]
    text = (
        f"security control {control:#04x} sets what is reserved in version {_OLD} "
        f"(of bits 5 to 7: {', '.join(map(str, bits))}); it is read as in version 2"
    )
    return Notice("security-bits-reserved", text, CITE_2006, at)


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
    if form.octets != _CONTROL or form.reserved:
        return None
    source = FunctionSource("secured", "MAC", 0)
    values = mac.take_up(source, form)
    security = auxiliary.take_up(source, key[-1], form.version)
    source.layer = "MAC"
    values |= {"security": security, "header_length": f"{source.octets}", "fcs_ok": "env"}
    return source.function(source.value(Mac, **values))


_HEADERS: Functions[bytes, Function] = Functions(_made)
