"""Layouts and tables that are no ``Header``, as plain text: messages, options, information elements, commands, numbers.

Every line is taken from what reads and writes the octets; nothing is stated here but the words for a size.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from lowpanbudget.cites import Cite
from lowpanbudget.fields import Bits, Choice, Either, Header, Layout, Repeat, Selection, layout_of
from lowpanbudget.layers.internet import extension, icmpv6
from lowpanbudget.layers.internet.coap import codes as coap_codes
from lowpanbudget.layers.internet.coap import options as coap_options
from lowpanbudget.layers.internet.coap import registry as coap_registry
from lowpanbudget.layers.internet.dtls import suites as dtls_suites
from lowpanbudget.layers.internet.icmpv6_types import MessageType
from lowpanbudget.layers.internet.nd import options as nd_options
from lowpanbudget.layers.internet.rpl import messages as rpl
from lowpanbudget.layers.internet.rpl import metrics as rpl_metrics
from lowpanbudget.layers.internet.rpl import options as rpl_options
from lowpanbudget.layers.internet.rpl import security as rpl_security
from lowpanbudget.layers.link import addressing, contents, elements, mlme_contents
from lowpanbudget.layers.link.header_contents import HEADER_IES

_LAYOUT = ("field", "size", "meaning")


@dataclass(frozen=True, slots=True)
class Listing:
    """A table of a standard that selects nothing in line: ``columns`` and ``rows`` of text."""

    name: str
    cite: Cite
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def listings() -> Iterator[tuple[str, Listing]]:
    """Yield every listing behind a line that says what it is about."""
    for version, table in (
        ("versions 0 and 1", addressing.VERSION_0_1),
        ("version 2", addressing.VERSION_2),
    ):
        yield f"Which PAN IDs a MAC header of {version} carries.", _selection(table)
    for kind in icmpv6.MESSAGES:
        if isinstance(kind.body, Layout):
            yield "Messages of ICMPv6.", _record(kind.body, kind.name, *_message_head(kind))
        elif kind.code == rpl.SECURE | rpl.ONLY_SECURE:  # the one that exists only secured
            base = rpl.BASES[rpl.ONLY_SECURE]
            yield "Messages of ICMPv6.", _record(base, base.name, *_message_head(kind))
    for title, layouts_there in (
        ("Options of neighbour discovery.", nd_options.OPTIONS.layouts.values()),
        (
            "Options of RPL messages.",
            (*rpl_options.OPTIONS.layouts.values(), layout_of(rpl_metrics.Metric)),
        ),
        (
            "Options of IPv6 extension headers.",
            dict.fromkeys(extension.OPTIONS.layouts.values()),  # the RPL option has two numbers
        ),
        ("The security section of RPL messages.", (rpl_security.SECURITY,)),
    ):
        for layout in layouts_there:
            yield title, _record(layout, layout.name)
    for title, ies in (
        ("Information elements of a MAC header.", HEADER_IES),
        ("Information elements of a MAC payload.", elements.PAYLOAD_IES),
        ("Short information elements nested in an MLME IE.", mlme_contents.SHORT),
        ("Long information elements nested in an MLME IE.", mlme_contents.LONG),
    ):
        for number, known in ies.items():
            name, content = (known, None) if isinstance(known, str) else (known.title, known)
            yield title, _content(name, f"id {number:#04x}", content)
    for number, command in contents.COMMANDS.items():
        yield "MAC commands.", _content(command.name, f"command {number:#04x}", command)
    yield from _numbers()


def _selection(table: Selection) -> Listing:
    rows = tuple(
        (
            *(field.says(value) if isinstance(field.meaning, Mapping) else str(value)
              for field, value in zip(table.by, values, strict=True)),
            ", ".join(part.name for part in row.layout.parts) or "nothing",
            str(row.layout.least),
        )
        for values, row in sorted(table.rows.items())
        if not row.reserved
    )  # fmt: skip
    columns = (*(field.name for field in table.by), "carries", "octets")
    return Listing(table.name, table.cite, columns, rows)


def _message_head(kind: MessageType) -> Iterator[tuple[str, str, str]]:
    yield "type", "8 bits", f"always {kind.number}"
    codes = "; ".join(f"{code}: {text}" for code, text in kind.codes.items())
    yield "code", "8 bits", codes if kind.code is None else f"always {kind.code:#04x}"
    yield "checksum", "16 bits", "over pseudo-header and message"


def _record(record: Layout[Any], name: str, *head: tuple[str, str, str]) -> Listing:
    return Listing(name, record.cite, _LAYOUT, (*head, *_parts(record)))


def _word(header: Header) -> Iterator[tuple[str, str, str]]:
    for field in header.fields:
        size = "1 bit" if field.width == 1 else f"{field.width} bits"
        if isinstance(field, Choice):
            yield field.label, size, "; ".join(f"{row.code}: {row.needs}" for row in field.rows)
        else:
            yield field.name, size, _meaning(field)


def _meaning(field: Bits) -> str:
    if field.fixed is not None:
        return f"always {field.fixed}" + (f": {field.says(field.fixed)}" if field.meaning else "")
    if isinstance(field.meaning, Mapping):
        return "; ".join(f"{value}: {text}" for value, text in field.meaning.items())
    return field.meaning if isinstance(field.meaning, str) else ""


def _content(name: str, number: str, content: Either | None) -> Listing:
    """Return the layouts of a content, form by form where it has several."""
    rows: list[tuple[str, str, str]] = []
    layouts = () if content is None else content.layouts
    for index, layout in enumerate(layouts):
        form = f"form {index + 1}: " if len(layouts) > 1 else ""
        rows += [(form + field, size, meaning) for field, size, meaning in _parts(layout)]
    read = "the number that stands before the content" if rows else "no content"
    rows.insert(0, (number, "", "content kept as octets" if content is None else read))
    return Listing(name, elements.CITE if content is None else content.cite, _LAYOUT, tuple(rows))


def _parts(layout: Layout[Any]) -> Iterator[tuple[str, str, str]]:
    for part in layout.parts:
        if isinstance(part, Header):
            yield from _word(part)
        elif isinstance(part, Repeat) and isinstance(part.item, Layout):
            yield part.name, "again and again", f"as {part.count.replace('_', ' ')} says"
            yield from _parts(part.item)
        else:
            yield part.name, part.size, part.text


def _numbers() -> Iterator[tuple[str, Listing]]:
    rows: Iterable[tuple[str, ...]] = (
        (
            str(row.number), row.name, row.format, f"{row.shortest} to {row.longest}",
            "critical" if row.critical else "elective", "unsafe" if row.unsafe else "safe", str(row.cite),
        )
        for row in coap_registry.DEFINITIONS.values()
    )  # fmt: skip
    columns = ("number", "name", "format", "octets", "if unknown", "to forward", "clause")
    yield (
        "Options of CoAP.",
        Listing("CoAP options", coap_options.NUMBERS_CITE, columns, tuple(rows)),
    )
    rows = (
        (coap_codes.code_text(code).split()[0], name) for code, name in coap_codes.CODES.items()
    )
    yield (
        "Methods and responses of CoAP.",
        Listing("CoAP codes", coap_codes.CITE, ("code", "name"), tuple(rows)),
    )
    rows = ((str(number), name) for number, name in sorted(icmpv6.TYPES.items()))
    yield "Types of ICMPv6.", Listing("ICMPv6 types", icmpv6.CITE, ("type", "name"), tuple(rows))
    rows = ((f"{number:#04x}", name) for number, name in sorted(contents.COMMAND_NAMES.items()))
    listing = Listing("MAC commands", contents.COMMANDS_CITE, ("identifier", "name"), tuple(rows))
    yield "MAC commands.", listing
    suites = tuple(
        (suite.name, suite.version, str(suite.explicit), str(suite.aead.tag), str(suite.cite))
        for suite in dtls_suites.SUITES.values()
    )
    shown = ("suite", "version", "explicit nonce", "tag", "clause")
    cite = dtls_suites.SUITES["TLS_PSK_WITH_AES_128_CCM_8"].cite
    yield "Cipher suites of DTLS.", Listing("DTLS cipher suites", cite, shown, suites)
