"""``decompress HEX``: a 6LoWPAN payload back to the IPv6 datagram."""

import click

from lowpanbudget.cli import options
from lowpanbudget.cli.commands import COMMANDS
from lowpanbudget.errors import WireError, plural

_EXAMPLE = """\b
lowpanbudget decompress 7e33f2b1... --source 0001 --destination 0002 --context 0=2001:db8::/64"""


@click.command("decompress", short_help=COMMANDS["decompress"], epilog=_EXAMPLE)
@click.argument("payload", metavar="HEX")
@options.link_addresses
@options.contexts
@options.root
@click.option("--hex", "only_hex", is_flag=True, help="Print the octets alone, as one line of hex.")
@options.as_json
def command(
    payload: str,
    source: str | None,
    destination: str | None,
    contexts: tuple[str, ...],
    root: str | None,
    *,
    only_hex: bool,
    as_json: bool,
) -> None:
    """Turn a 6LoWPAN payload, given in HEX (or - for standard input), back into the IPv6 datagram.

    HEX starts with the dispatch octet, after the MAC header. Addresses that were left out come from the link
    addresses and the shared prefixes: give the ones that the sender used.
    """
    from lowpanbudget.cli import output
    from lowpanbudget.layers.lowpan.addresses import UnknownLinkAddress
    from lowpanbudget.report import machine, view
    from lowpanbudget.stack.convert import decompress

    octets = options.octets_of(payload)
    try:
        result = decompress(octets, options.surroundings(source, destination, contexts, root))
    except WireError as error:
        if isinstance(error.about, UnknownLinkAddress):
            error.hint = "Give the link addresses of the hop: source and destination, with --source and --destination"
        raise
    if as_json:
        output.emit(machine.document(**view.result(result, "octets", "layers", "spans", "notices")))
        return
    if only_hex:
        output.emit(result.octets.hex() + "\n")
        return
    from lowpanbudget.report import terminal

    summary = f"{plural(len(octets), 'octet')} stand for a datagram of {len(result.octets)}"
    output.show(
        lambda console, screen: terminal.conversion(
            console, screen, summary, result.octets.hex(), view.rows(result.spans, octets),
            view.segments(result.spans), view.data_of(result.notices),
        )
    )  # fmt: skip
