"""``compatible OLD NEW``: what receivers of the old message formats read from the new ones."""

import click

from lowpanbudget.cli import completion, designs, options
from lowpanbudget.cli.commands import COMMANDS

_ANSWER_IS_NO = 1

_EXAMPLE = """\b
lowpanbudget compatible examples/archive.toml archive-next.toml"""


@click.command("compatible", short_help=COMMANDS["compatible"], epilog=_EXAMPLE)
@click.argument("old", shell_complete=completion.files)
@click.argument("new", shell_complete=completion.files)
@click.option(
    "--message", metavar="NAME", shell_complete=completion.messages, help="Only this message."
)
@click.option(
    "--receivers", type=click.Choice(["old", "new", "both"]), default="old",
    help="Whose reading decides the exit code: old receivers of new messages (unless stated), new receivers of old "
    "messages (a collector is new, nodes stay as they are), or both.",
)  # fmt: skip
@click.option(
    "--strict",
    is_flag=True,
    help="Exit with 1 also where messages are refused, be it only for the octets after the last field.",
)
@click.option(
    "--ignore-tail",
    is_flag=True,
    help="All receivers ignore octets after their last field, as the generated unpack_prefix does: what these misread "
    "is misread, and --strict takes no offence at such octets.",
)
@options.as_json
@click.pass_context
def command(
    ctx: click.Context,
    old: str,
    new: str,
    message: str | None,
    receivers: str,
    *,
    strict: bool,
    ignore_tail: bool,
    as_json: bool,
) -> None:
    """Compare the messages of the design files OLD and NEW: what a receiver of the old format reads from new messages.

    Every change is made alone, packed, and read with the old format: it is read right, right in another unit (the same
    octets and the same quantity, as 30 % and the ratio 0.3), right as a prefix (read right only by receivers that
    ignore octets after their last field), refused, which the receiver knows, or misread, which nobody notices. That
    nothing is misread is proven, by sizes, by bits that are always the same, because no field moves, or by following
    every count, option and presence bit through the receiver; where neither that nor a message that is misread is
    found, messages may be misread. A field of another name and the same shape is taken for a renamed one, a value's
    name that is all but spelled the same for the one in its place, and a unit that only one file states for one that
    was meant: what has to be so for that to be right is told. A flag of the receiver that the sender does not have is
    misread: it reads as not set, which nobody said. Of each message as a whole it is also told what a new receiver
    makes of old ones, as nodes in the field go on to send them.
    The lines above a message's table are about all its changes together, and they decide: the exit code is 1 when a
    message is misread or may be. A row of the table is one change by itself: it may be misread where the whole message
    is refused.
    """
    from lowpanbudget.cli import output
    from lowpanbudget.payload.search.receiver import Outcome
    from lowpanbudget.report import machine, view
    from lowpanbudget.room.compatible import compatible

    comparisons = compatible(designs.load(old), designs.load(new), message, ignore_tail=ignore_tail)
    rows = [view.data_of(one) for one in comparisons]
    if as_json:
        output.emit(machine.document(compatible=rows))
    else:
        from lowpanbudget.report import compatible_text

        output.show(lambda console, screen: compatible_text.comparisons(console, screen, rows))
    allowed = {Outcome.RIGHT, Outcome.SCALED}
    allowed |= {Outcome.PREFIX} if ignore_tail or not strict else set()
    allowed |= set() if strict else {Outcome.REFUSED}
    outcomes = [one.outcome for one in comparisons if receivers != "new"]
    outcomes += [one.new_receiver_outcome for one in comparisons if receivers != "old"]
    if not allowed.issuperset(outcomes):
        ctx.exit(_ANSWER_IS_NO)
