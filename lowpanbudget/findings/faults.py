"""Which finding a fault of reading belongs to, so that a fault is reported once and by the rule that knows most."""

from lowpanbudget.errors import BadMic, Malformed, NotSupported, Reserved, Truncated, WireError
from lowpanbudget.findings.scene import Scene
from lowpanbudget.layers.lowpan import extension_nhc, fragment
from lowpanbudget.layers.lowpan.addresses import UnknownContext, UnknownRoot
from lowpanbudget.layers.lowpan.fragment import (
    FRAGN,
    EndBeyond,
    HeadersCut,
    OffsetBeyond,
    SizeImpossible,
    SizeTooSmall,
)

_BY_WHAT_IT_IS_ABOUT: dict[type, str] = {
    UnknownRoot: "root-unknown",
    SizeImpossible: "datagram-size-impossible",
    SizeTooSmall: "datagram-size-too-small",
    OffsetBeyond: "fragment-offset-wrong",
    EndBeyond: "fragments-disagree",
    HeadersCut: "headers-beyond-first-fragment",
}


def owner(fault: WireError, scene: Scene) -> str:
    """Return the name of the finding that this fault is evidence for."""
    mac = scene.mac
    if mac is not None and mac.fault is fault:
        return "header-elements-unreadable"
    if isinstance(fault, BadMic):
        return "integrity-code-wrong"
    if isinstance(fault.about, UnknownContext):
        return "context-unknown" if fault.about.gone is None else "context-used-too-late"
    if isinstance(fault, NotSupported):
        return "not-read-further"
    if spilled(scene.example_payload) and isinstance(fault, Malformed | Reserved):
        return "datagram-size-impossible"
    if type(fault.about) in _BY_WHAT_IT_IS_ABOUT:
        return _BY_WHAT_IT_IS_ABOUT[type(fault.about)]
    if isinstance(fault, Malformed) and fault.cite == extension_nhc.EXTENSION_FORMAT:
        return "extension-header-not-whole"
    if isinstance(fault, Reserved):
        return "reserved-code-used"
    if isinstance(fault, Truncated):
        return "frame-cut-short"
    return "octets-contradict"


def spilled(payload: bytes | None) -> int | None:
    """Return a datagram_size over 2047 that spilled from its 11 bits into the dispatch; None when that is not so.

    A FRAGN is then a recoverable fragment as well, whose Fragment_Size disagrees with what is there.
    """
    if payload is None or len(payload) < FRAGN.octets:
        return None
    return fragment.spilled_size(payload)


def tag_of(payload: bytes | None) -> int | None:
    """Return the datagram_tag of a fragment that cannot be read further; None where it is not whole."""
    if payload is None or len(payload) < FRAGN.octets:
        return None
    return FRAGN.values_at(payload)["datagram_tag"]


def headers_cut(fault: WireError | None) -> bool:
    """Return whether a first fragment ends within its compressed headers: nothing else of it is worth a word."""
    return fault is not None and isinstance(fault.about, HeadersCut)


def where(fault: WireError) -> str:
    """Return the place of a fault as text."""
    return f"octet {fault.offset}" + (f", {fault.layer}" if fault.layer else "")
