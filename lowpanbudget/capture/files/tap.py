"""Reception elements in front of a frame (link type 283): type-length-value, all little-endian.

    version 1 (0) | reserved 1 | length 2, of all that stands before the frame
    type 2 | length 2, of the value | value, padded to 4 octets        each element

Layout and types are from memory. Floats are of 4 octets.
"""

import math
import struct
from collections.abc import Callable
from typing import Any, NamedTuple

from lowpanbudget.cites import Cite
from lowpanbudget.errors import Malformed, NotSupported, Truncated

CITE = Cite("link-type registry", "283")
LAYER = "reception elements"
_FCS = {0: 0, 1: 2, 2: 4}


class ReceptionElement(NamedTuple):
    """One type of element: the names of its values and how its octets become them."""

    names: tuple[str, ...]
    layout: str


ELEMENTS: dict[int, ReceptionElement] = {
    0: ReceptionElement(("fcs_type",), "<B"),
    1: ReceptionElement(("receive_power_dbm",), "<f"),
    2: ReceptionElement(("bit_rate_kbit_s",), "<f"),
    3: ReceptionElement(("channel", "channel_page"), "<HB"),
    4: ReceptionElement(("sun_band", "sun_type", "sun_mode"), "<3B"),
    5: ReceptionElement(("start_of_frame_ns",), "<Q"),
    6: ReceptionElement(("end_of_frame_ns",), "<Q"),
    7: ReceptionElement(("absolute_slot_number",), "<Q"),
    8: ReceptionElement(("start_of_slot_ns",), "<Q"),
    9: ReceptionElement(("slot_length_us",), "<I"),
    10: ReceptionElement(("link_quality",), "<B"),
    11: ReceptionElement(("centre_frequency_khz",), "<f"),
}
_REJECTED: dict[str, Callable[[Any], bool]] = {
    "absolute_slot_number": lambda value: value >= 1 << 40,  # five octets in the nonce
    "fcs_type": lambda value: value not in _FCS,
}


def decode(octets: bytes) -> tuple[dict[str, Any], int]:
    """Return the values by name, and where the frame starts.

    ``fcs_octets`` is there when the element that tells it is. Values that cannot be used and elements of other types
    stand under ``unknown`` as type and octets. Raises ``WireError``.
    """
    if len(octets) < 4:
        text = f"the header needs 4 octets, {len(octets)} are there"
        raise Truncated(text, layer=LAYER, cite=CITE)
    version, _, length = struct.unpack_from("<BBH", octets)
    if version != 0:
        raise NotSupported(f"version {version}, not 0", layer=LAYER, cite=CITE)
    if not 4 <= length <= len(octets):
        raise Malformed(
            f"the length says {length} octets, {len(octets)} are there",
            offset=2,
            layer=LAYER,
            cite=CITE,
        )
    values: dict[str, Any] = {}
    at = 4
    while at < length:
        if length - at < 4:
            raise Truncated("an element is cut", offset=at, layer=LAYER, cite=CITE)
        kind, size = struct.unpack_from("<HH", octets, at)
        if at + 4 + size > length:
            raise Malformed(
                f"an element of {size} octets, {length - at - 4} are left",
                offset=at + 2,
                layer=LAYER,
                cite=CITE,
            )
        _add(values, kind, octets[at + 4 : at + 4 + size])
        at += 4 + size + -size % 4
    if "fcs_type" in values:
        values["fcs_octets"] = _FCS[values["fcs_type"]]
    return values, length


def _add(values: dict[str, Any], kind: int, octets: bytes) -> None:
    element = ELEMENTS.get(kind)
    size = 0 if element is None else struct.calcsize(element.layout)
    # some writers count the padding as part of the value
    if element is not None and len(octets) >= size and not any(octets[size:]):
        named = dict(zip(element.names, struct.unpack_from(element.layout, octets), strict=True))
        usable = all(not _REJECTED.get(name, _not_finite)(value) for name, value in named.items())
        if usable:
            values |= named
            return
    values["unknown"] = (*values.get("unknown", ()), (kind, octets))


def _not_finite(value: float) -> bool:
    return isinstance(value, float) and not math.isfinite(value)
