"""The same tables as numpy look-up arrays, for surveys of millions of frames.

Nothing is stated here: every array is filled by asking a ``Header``'s own rows.
"""

from typing import TYPE_CHECKING, Any

from lowpanbudget.errors import RequestError
from lowpanbudget.fields import Header

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


def inline_octets(header: Header) -> "NDArray[np.uint8]":
    """Return an array indexed by the header's word (8 or 16 bits): octets that follow in line.

    Shape (256,) or (65536,), dtype uint8. Raises ``RequestError`` when numpy is not installed.
    """
    numpy = _numpy()
    if header.octets > 2:
        raise RequestError(f"{header.name} has more than 16 bits: no look-up array")
    sizes: NDArray[np.uint8] = numpy.zeros(1 << header.octets * 8, dtype=numpy.uint8)
    for name, codes in field_values(header).items():
        choice = next((c for c in header.choices if c.name == name), None)
        if choice is not None:
            sizes += numpy.array([row.inline for row in choice.rows], dtype=numpy.uint8)[codes]
    return sizes


def field_values(header: Header) -> "dict[str, NDArray[np.uint16]]":
    """Return for each field an array indexed by the header's word: the field's value there."""
    numpy = _numpy()
    words = numpy.arange(1 << header.octets * 8, dtype=numpy.uint32)
    values = {}
    shift = 0 if header.order == "little" else header.octets * 8
    for part in header.fields:
        if header.order == "big":
            shift -= part.width
        values[part.name] = (words >> shift & ((1 << part.width) - 1)).astype(numpy.uint16)
        if header.order == "little":
            shift += part.width
    return values


def _numpy() -> Any:
    try:
        import numpy  # noqa: PLC0415, ICN001  # heavy: only surveys pay for it
    except ImportError:
        raise RequestError(
            "columns need numpy", hint="Install it with: pip install 'lowpanbudget[survey]'"
        ) from None
    return numpy
