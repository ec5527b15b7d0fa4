"""``survey CAPTURE...``: where the octets of captures go, by flow, node, kind of frame and layer."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from lowpanbudget.cli import captures, completion, options
from lowpanbudget.cli.commands import COMMANDS
from lowpanbudget.errors import RequestError, WireError, plural

if TYPE_CHECKING:
    from rich.console import Console

    from lowpanbudget.capture.columns.choice import CountedFrames
    from lowpanbudget.capture.surveyed_file import SurveyedFile
    from lowpanbudget.report.frame_table import FrameTable
    from lowpanbudget.report.screen import Screen

_ANSWER_IS_NO = 1
_TIME = "time"
_GROUPS = ("flow", "node", "kind", _TIME)  # as ``surveys.details`` names them

_EXAMPLE = """\b
lowpanbudget survey mesh.pcap --context 0=2001:db8::/64
lowpanbudget survey monday.pcap tuesday.pcap.gz --design examples/footbridge.toml --by flow
lowpanbudget survey 'receiver-*.pcap' --continued --every 15min
lowpanbudget survey week/*.pcap.gz --workers 4
lowpanbudget survey mesh.pcap --table frames.parquet"""


@click.command("survey", short_help=COMMANDS["survey"], epilog=_EXAMPLE)
@click.argument(
    "captures_given", metavar="CAPTURE...", nargs=-1, required=True, shell_complete=completion.files
)
@captures.reading_options
@click.option(
    "--by", type=click.Choice(_GROUPS), help="Only this grouping, all of it; else the largest of each."
)  # fmt: skip
@click.option(
    "--every", metavar="SPAN",
    help="Also over time, by node, in steps of so many seconds, or such as 15min or 1h. Losses are numbers missing in "
    "a sender's sequence: lost on the air, or only not heard here.",
)  # fmt: skip
@options.one_file(
    "--table", metavar="FILE", shell_complete=completion.files,
    help="Also write a row a frame to FILE.parquet or FILE.csv: whole or not at all.",
)  # fmt: skip
@captures.together
@click.option(
    "--continued", is_flag=True,
    help="The captures are files that one receiver wrote one after another: read them as one, in the order of their "
    "first frames.",
)  # fmt: skip
@click.option(
    "--workers", type=options.WholeNumber(1), default=1, show_default=True, metavar="N",
    help="Survey so many files at the same time; the totals are the same.",
)  # fmt: skip
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
    every: str | None,
    table: str | None,
    workers: int,
    *,
    together: bool,
    continued: bool,
    as_csv: bool,
    as_json: bool,
    **narrowed: str | None,
) -> None:
    """Show where the octets of each CAPTURE (- for standard input) go, all of them added up.

    For each flow, sending node and kind of frame: frames, octets by layer, application data, room left unused,
    fragments, retransmissions, duplicates, losses by sequence numbers, and what the shortest legal encoding would
    have saved. CAPTURE may be a pattern such as 'week/*.pcap'. Each capture is read for itself: contexts that only
    another one announces want --context, and a datagram that goes on in the next file is counted as never whole,
    unless --continued reads them as one. The exit code is 3 when a file is no capture, is cut or is damaged, what
    could be read is shown first; it is 1 when one holds no frame at all.
    """
    from lowpanbudget.capture.survey import Survey
    from lowpanbudget.cli import named_files, output
    from lowpanbudget.cli.listening import stopped
    from lowpanbudget.report import csv_table, machine, surveys

    options.refuse_both(ctx, as_csv=as_csv, as_json=as_json)
    if by == _TIME and every is None:
        raise click.UsageError("--by time wants the steps: --every SPAN", ctx)
    _refuse(workers, table, together=together, continued=continued)
    _require_span(every)
    paths = named_files.named(ctx, captures_given)
    if workers > 1 and not all(Path(path).is_file() for path in paths):
        raise RequestError("--workers is for files", hint="Write what is no file to one first")
    sets = captures.sets_of(paths, together=together, continued=continued)
    known = captures.CaptureOptions(
        design, key_file, contexts, fcs, root, captures.LONGEST_WAIT_S, **narrowed
    )
    total, read, held, wrong = Survey(), [], [], False
    with _table(ctx, table, (*paths, design, key_file)) as rows:
        for one in _surveyed(sets, known, every, rows, workers, continued=continued):
            total += one.survey
            _tell_shares(ctx, one.file, one.survey.shares)
            is_wrong = captures.tell_notices(ctx, one.file, one.notices, one.notice_count)
            wrong |= is_wrong
            read.append(surveys.told(one))
            frames = one.survey.total.frames + one.survey.outside
            held.append(frames)
            if not frames:
                captures.say_empty(ctx, one.file, is_told=is_wrong)
            if stopped(ctx):
                break
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
    if wrong:
        ctx.exit(WireError.exit_code)
    if not total.total.frames and any(held):
        captures.say_nothing_within(ctx, paths, known)
        ctx.exit(_ANSWER_IS_NO)
    if not all(held):
        ctx.exit(_ANSWER_IS_NO)


def _refuse(workers: int, table: str | None, *, together: bool, continued: bool) -> None:
    """Raise ``RequestError`` for options that exclude each other."""
    if together and continued:
        raise RequestError(
            "--together and --continued exclude each other",
            hint="--together is for several receivers at one time, --continued for one that began new files",
        )
    if workers > 1 and (together or continued):
        one = "--together" if together else "--continued"
        raise RequestError(
            f"{one} reads one frame after another: --workers gains nothing", hint="Leave one out"
        )
    if workers > 1 and table is not None:
        raise RequestError(
            "--table is written by one process, frame by frame: --workers is for totals",
            hint="Leave one of the two out, or write a table for each file: a query engine reads them together",
        )


def _require_span(every: str | None) -> None:
    """Raise ``RequestError`` that names the option where steps are no span of time, before a capture is waited for."""
    from lowpanbudget.capture.time_span import span_ns

    try:
        if every is not None:
            span_ns(every)
    except RequestError as error:
        raise RequestError(f"--every {error.message}", hint=error.hint) from None


def _surveyed(
    sets: Sequence[tuple[str, ...]],
    known: captures.CaptureOptions,
    every: str | None,
    rows: "FrameTable | None",
    workers: int,
    *,
    continued: bool,
) -> "Iterator[SurveyedFile]":
    """Yield the survey of each capture, or of several that are read as one."""
    if workers > 1 and len(sets) > 1:
        from lowpanbudget.cli.workers import surveyed_by

        yield from surveyed_by(workers, [path for (path,) in sets], every, known.given)
        return
    from lowpanbudget.capture.surveyed_file import SurveyedFile
    from lowpanbudget.capture.surveyor import surveyed
    from lowpanbudget.cli import named_files
    from lowpanbudget.cli.progress import Course

    course = Course([path for (path,) in sets]) if len(sets) > 1 else None
    for some in sets:
        name = captures.name_of(some)
        row = named_files.opened_in_a_row(some) if continued else None
        records = captures.opened_together(some, course=course) if row is None else row
        with records:
            told = "standard input" if name == "-" else name
            watchers = () if rows is None else (rows.watcher(told if row is None else row.file_of),)
            survey = surveyed(records, every, watchers, **known.given)
            yield SurveyedFile(name, survey, records.notices, records.notice_count)


@contextmanager
def _table(
    ctx: click.Context, table: str | None, inputs: Sequence[str | None]
) -> "Iterator[FrameTable | None]":
    """Give a table to fill, which stands in its file at the end of the block; nothing where none was asked for."""
    if table is None:
        yield None
        return
    from lowpanbudget.cli import output
    from lowpanbudget.report.frame_table import FrameTable
    from lowpanbudget.report.written_table import form_of

    form = form_of(table)
    with output.writing(table, inputs=inputs) as file, FrameTable(file, form) as rows:
        yield rows
    captures.say(ctx, f"{table}: {plural(rows.count, 'row')}, one a frame")


def _tell_shares(ctx: click.Context, capture: str, shares: "CountedFrames") -> None:
    """Say how the frames of a large capture were counted."""
    if shares.columns:
        frames = shares.columns + shares.followed
        text = f"{shares.columns} of {plural(frames, 'frame')} counted by columns ({shares.columns / frames:.1%}), "
        captures.say(ctx, f"{capture}: {text}{shares.followed} followed one by one")
    elif shares.why:
        captures.say(
            ctx, f"{capture}: frames were followed one by one, which takes longer: {shares.why}"
        )
