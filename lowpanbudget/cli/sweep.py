"""``sweep DESIGN``: the rooms of all combinations of a design's changes, and those that none surpasses."""

from typing import TYPE_CHECKING

import click

from lowpanbudget.cli import captures, completion, designs, options
from lowpanbudget.cli.commands import COMMANDS
from lowpanbudget.errors import RequestError

if TYPE_CHECKING:
    from rich.console import Console

    from lowpanbudget.report.screen import Screen

_ANSWER_IS_NO = 1

_EXAMPLE = """\b
lowpanbudget sweep examples/footbridge.toml --flow features
lowpanbudget sweep examples/footbridge.toml --flow routed --axis hops=1..12 --octets 40
lowpanbudget sweep examples/archive.toml --axis level=6,7 --table settings.csv"""


@click.command("sweep", short_help=COMMANDS["sweep"], epilog=_EXAMPLE)
@click.argument("design", shell_complete=completion.files)
@click.option(
    "--flow", metavar="NAME", shell_complete=completion.flows,
    help="Only this flow, with every protection and every axis.",
)  # fmt: skip
@click.option(
    "--axis", "axes", multiple=True, metavar="NAME=VALUES", shell_complete=completion.axes,
    help="Only these values of an axis, such as level=6,7 or hops=1..16; may be given again. The hops and the PHY stay "
    "as they are unless they are given here.",
)  # fmt: skip
@click.option(
    "--octets", type=options.WholeNumber(0), metavar="N",
    help="Also tell how many settings carry N octets in one frame.",
)  # fmt: skip
@click.option(
    "--weaker", is_flag=True,
    help="Sweep what protects less than the design as well, and tell it apart. It is no advice.",
)  # fmt: skip
@options.one_file(
    "--table", metavar="FILE", shell_complete=completion.files,
    help="Write a row for each setting to a file that ends with .csv or .parquet.",
)  # fmt: skip
@options.as_json
@click.pass_context
def command(
    ctx: click.Context,
    design: str,
    flow: str | None,
    axes: tuple[str, ...],
    octets: int | None,
    table: str | None,
    *,
    weaker: bool,
    as_json: bool,
) -> None:
    """Add up the room in a frame of all settings of the DESIGN file: addresses, PAN IDs, levels, contexts, ports, ...

    Settings are combinations of the changes that budget shows, and of those that cost octets. Each part of a frame was
    really encoded for all its values, then they are added up; settings that cannot be encoded are left out. The exit
    code is 1 when some flow has no setting with room, or none that carries the octets asked for; what protects less
    than the design does not count.
    """
    from lowpanbudget.cli import output
    from lowpanbudget.cli.progress import counted
    from lowpanbudget.report import machine, view
    from lowpanbudget.room.sweep.compute import refuse_long_table, sweep

    wanted = _axes(axes)
    form = None
    if table is not None:
        from lowpanbudget.report.written_table import form_of

        form = form_of(table)
    loaded = designs.load(design)
    if table is not None:
        refuse_long_table(loaded, flow, axes=wanted, weaker=weaker)
    with counted("parts of frames") as tell:
        sweeps = sweep(loaded, flow, axes=wanted, weaker=weaker, tell=tell)
    if table is not None and form is not None:
        from lowpanbudget.errors import plural
        from lowpanbudget.report.sweep_table import write_sweep_table

        with output.writing(table, inputs=(design,)) as file:
            count = write_sweep_table(file, sweeps, form)
        captures.say(ctx, f"{table}: {plural(count, 'row')}")
    rows = [view.sweep(one, octets) for one in sweeps]
    if as_json:
        output.emit(machine.document(sweep=rows))
    else:

        def paint(console: "Console", screen: "Screen") -> None:
            from lowpanbudget.report import sweep_text

            sweep_text.sweeps(console, screen, rows)

        output.show(paint)
    if not all(_is_yes(row, octets) for row in rows):
        ctx.exit(_ANSWER_IS_NO)


def _is_yes(row: dict[str, int | None], octets: int | None) -> bool:
    if octets is not None:
        return bool(row["carrying"])
    return (row["most"] or 0) > 0


def _axes(given: tuple[str, ...]) -> dict[str, list[str | int]]:
    """Return the values of each axis given as ``NAME=VALUES``: all behind one equals sign, with commas, or ``A..B``."""
    axes: dict[str, list[str | int]] = {}
    for entry in given:
        name, equals, text = entry.partition("=")
        name = name.strip()
        if not (equals and name and text.strip()):
            raise RequestError(
                f"--axis {entry!r} is not a name and values", hint="Write --axis level=6,7"
            )
        numbers = options.numbers_of(text.strip()) if ".." in text else None
        if numbers is not None and not numbers:
            raise RequestError(
                f"--axis {entry}: the range ends before it begins", hint="Write --axis hops=1..16"
            )
        axes.setdefault(name, []).extend(numbers or [text.strip()])
    return axes
