"""Contents of information elements and commands: little-endian, one of several layouts by length."""

from lowpanbudget.cites import Cite, ieee
from lowpanbudget.fields import Either, Header, Layout, LayoutPart, OctetString

ELEMENTS_CITE = ieee(2015, "7.4")


def content(
    name: str, cite: Cite, *layouts: tuple[Header | LayoutPart, ...], title: str = ""
) -> Either:
    """Return a content of one of these layouts; without any it is empty. Numbers go least significant octet first."""
    return Either(
        name,
        cite,
        *(Layout(name, cite, *parts, order="little") for parts in layouts or ((),)),
        title=title,
    )


def vendor_content(name: str, cite: Cite) -> Either:
    """Return the content that all vendor-specific elements share: "a 3-octet vendor OUI" (RFC 8137 appendix A), octets.

    The OUI is an integer and goes least significant octet first, as all of them (from memory).
    """
    oui = OctetString("oui", "organisation, most significant octet first", count=3, reverse=True)
    return content(name, cite, (oui,), (oui, OctetString("vendor_content", "the vendor's")))
