"""``survey CAPTURE...``: where the octets of captures go, by flow, node, kind of frame and layer."""

from typing import TYPE_CHECKING, Any

import click

from lowpanbudget.cli import captures, completion, options
from lowpanbudget.cli.commands import COMMANDS
from lowpanbudget.errors import WireError

if TYPE_CHECKING:
    from rich.console import Console

    from lowpanbudget.capture.survey import Survey
    from lowpanbudget.report.screen import Screen

_ANSWER_IS_NO = 1
_GROUPS = ("flow", "node", "kind")  # as ``surveys.details`` names them

_EXAMPLE = """\b
lowpanbudget survey mesh.pcap --context 0=2001:db8::/64
lowpanbudget survey monday.pcap tuesday.pcap.gz --design examples/footbridge.toml --by flow"""


@click.command("survey", short_help=COMMANDS["survey"], epilog=_EXAMPLE)
@click.argument(
    "captures_given", metavar="CAPTURE...", nargs=-1, required=True, shell_complete=completion.files
)
@captures.reading_options
@click.option(
    "--by", type=click.Choice(_GROUPS), help="Only this grouping, all of it; else the largest of each."
)  # fmt: skip
@captures.together
@captures.narrowing_options
@options.as_csv
@options.as_json
@click.pass_context
def command(
    ctx: click.Context,
    /,
    captures_given: tuple[str, ...],
    design: str | None,
    key_file: str | None,
    contexts: tuple[str, ...],
    fcs: str,
    root: str | None,
    by: str | None,
    *,
    together: bool,
    as_csv: bool,
    as_json: bool,
    **narrowed: str | None,
) -> None:
    """Show where the octets of each CAPTURE (- for standard input) go, all of them added up.

    For each flow, sending node and kind of frame: frames, octets by layer, application data, room left unused,
    fragments, retransmissions, duplicates, losses by sequence numbers, and what the shortest legal encoding would
    have saved. Each capture is read for itself: contexts that only another one announces want --context. The exit
    code is 3 when a file is no capture, is cut or is damaged, what could be read is shown first; it is 1 when one
    holds no frame at all.
    """
    from lowpanbudget.capture.survey import Survey
    from lowpanbudget.cli import output
    from lowpanbudget.report import csv_table, machine, surveys

    options.refuse_both(ctx, as_csv=as_csv, as_json=as_json)
    sets = captures.sets_of(captures_given, together=together)
    known = captures.CaptureOptions(
        design, key_file, contexts, fcs, root, captures.LONGEST_WAIT_S, **narrowed
    )
    total, read, held, wrong = Survey(), [], [], False
    for some in sets:
        part, facts, is_wrong = _surveyed(ctx, some, known)
        total += part
        read.append(facts)
        held.append((facts["capture"], part.total.frames + part.outside))
        wrong |= is_wrong
    groups = surveys.details(total, read, by)
    if as_json:
        output.emit(machine.document(survey=groups))
    elif as_csv:
        output.emit(csv_table.csv_of(csv_table.SURVEY, surveys.lines(groups)))
    else:

        def paint(console: "Console", screen: "Screen") -> None:
            from lowpanbudget.report import survey_text

            survey_text.survey(console, screen, groups, whole=by is not None)

        output.show(paint)
    for name, frames in held:
        if not frames:
            captures.say_empty(ctx, name)
    if wrong:
        ctx.exit(WireError.exit_code)
    if not total.total.frames and any(frames for _, frames in held):
        captures.say_nothing_within(ctx, captures.name_of(captures_given))
        ctx.exit(_ANSWER_IS_NO)
    if not all(frames for _, frames in held):
        ctx.exit(_ANSWER_IS_NO)


def _surveyed(
    ctx: click.Context, paths: tuple[str, ...], known: captures.CaptureOptions
) -> "tuple[Survey, dict[str, Any], bool]":
    """Return the survey of a capture, or of several put together, what is told of it, and whether it is wrong."""
    from lowpanbudget.capture.survey import survey
    from lowpanbudget.report import surveys, view

    capture = captures.name_of(paths)
    with captures.opened_together(paths) as records:
        part = survey(records, **known.given)
        wrong = captures.tell_notices(ctx, capture, records.notices, records.notice_count)
        facts = {
            "capture": capture,
            "frames": part.total.frames,
            "ends": surveys.ends(part),
            "notices": view.data_of(records.notices),
        }
    return part, facts, wrong
