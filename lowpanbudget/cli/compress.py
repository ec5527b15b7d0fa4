"""``compress HEX``: an IPv6 datagram to its shortest 6LoWPAN form."""

from typing import TYPE_CHECKING

import click

from lowpanbudget.cli import options
from lowpanbudget.cli.commands import COMMANDS
from lowpanbudget.errors import plural

if TYPE_CHECKING:
    from lowpanbudget.stack.convert import Compressed

_EXAMPLE = """\b
lowpanbudget compress 6000000000083a40fe80... --source 0001 --destination 0002"""


@click.command("compress", short_help=COMMANDS["compress"], epilog=_EXAMPLE)
@click.argument("datagram", metavar="HEX")
@options.link_addresses
@options.contexts
@click.option(
    "--elide-udp-checksum", is_flag=True,
    help="Leave the UDP checksum out. Only with the upper layer's permission and another integrity check over the "
    "same octets (RFC 6282, section 4.3.2).",
)  # fmt: skip
@click.option(
    "--ghc", is_flag=True,
    help="May use generic header compression (RFC 7400), of the payload too. Only to a neighbour that is known to read "
    "it (section 3.3), and not where secrets stand beside what a listener may choose: the length tells of them "
    "(section 5).",
)  # fmt: skip
@click.option("--lorh", is_flag=True, help="May use compressed routing headers (RFC 8138).")
@options.root
@click.option("--hex", "only_hex", is_flag=True, help="Print the octets alone, as one line of hex.")
@options.as_json
def command(
    datagram: str,
    source: str | None,
    destination: str | None,
    contexts: tuple[str, ...],
    root: str | None,
    *,
    elide_udp_checksum: bool,
    ghc: bool,
    lorh: bool,
    only_hex: bool,
    as_json: bool,
) -> None:
    """Turn an IPv6 datagram, given in HEX (or - for standard input), into its shortest legal 6LoWPAN form.

    What can be left out depends on the link addresses of the hop and on the shared prefixes: give them. Shown are
    the octets, the form as a bar to scale, and each field with its clause and what would make it smaller.
    """
    from lowpanbudget.cli import output
    from lowpanbudget.report import machine, view
    from lowpanbudget.stack.convert import compress

    octets = options.octets_of(datagram)
    env = options.surroundings(source, destination, contexts, root)
    result = compress(octets, env, elide_udp_checksum=elide_udp_checksum, ghc=ghc, lorh=lorh)
    if as_json:
        row = view.result(
            result, "octets", "header_octets", "covers", "byte_code", "expanded", "spans"
        )
        output.emit(machine.document(**row))
        return
    if only_hex:
        output.emit(result.octets.hex() + "\n")
        return
    from lowpanbudget.report import terminal

    saved = len(octets) - len(result.octets)
    summary = (
        f"{plural(len(octets), 'octet')} of datagram become {len(result.octets)}: "
        f"{result.covers} of headers become {result.header_octets}"
        + _told_of_byte_code(result, asked=ghc)
        + ("" if saved >= 0 else f", {-saved} more than before")
    )
    output.show(
        lambda console, screen: terminal.conversion(
            console, screen, summary, result.octets.hex(),
            view.rows(result.spans, result.octets), view.segments(result.spans),
        )
    )  # fmt: skip


def _told_of_byte_code(result: "Compressed", *, asked: bool) -> str:
    """Return what byte code stands for, or that it was of no use where it was asked for."""
    from lowpanbudget.layers.lowpan.ghc_headers import code_size

    if result.byte_code:
        return f", {result.expanded} of payload become {result.byte_code} of byte code"
    if asked and not code_size(result.spans).byte_code:
        return ", and byte code would make nothing shorter"
    return ""
