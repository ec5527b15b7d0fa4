"""``explain TERM``: a word, a table of design files, a header table or one of its fields, from what is used itself."""

from difflib import get_close_matches
from typing import TYPE_CHECKING, Any

import click

from lowpanbudget.cli import completion, options
from lowpanbudget.cli.commands import COMMANDS

if TYPE_CHECKING:
    from rich.console import Console

    from lowpanbudget.report.screen import Screen

_JSON = "json "  # before the name of a command: the names that it prints for programs
_ALIKE = 0.8  # how alike a command is that was meant
_EXAMPLE = """\b
lowpanbudget explain link.addresses
lowpanbudget explain field
lowpanbudget explain series
lowpanbudget explain iphc
lowpanbudget explain hop limit form
lowpanbudget explain room
lowpanbudget explain tsch
lowpanbudget explain rfc6282 3.1.1
lowpanbudget explain context-table-differs
lowpanbudget explain carry
lowpanbudget explain json carry"""


@click.command("explain", short_help=COMMANDS["explain"], epilog=_EXAMPLE)
@click.argument("term", nargs=-1, shell_complete=completion.terms)
@options.as_json
def command(term: tuple[str, ...], *, as_json: bool) -> None:
    """Explain a TERM: a word, key of design files, kind of field, header, finding, command, column or clause.

    Keys are asked for by path or name, and each kind of field is written out. A header is drawn to scale, with every
    row that its fields can choose and the clause it comes from. A finding has a manual: what it sees, why it costs,
    when it is no fault, what to do. A clause of a standard is explained by what rests on it. The names that a command
    prints for programs are told after the word json. Without TERM it is told what can be asked for.
    """
    from lowpanbudget.cli import output
    from lowpanbudget.report import machine, terms

    text = " ".join(term).strip()
    if not text:
        listed = terms.terms()
        if as_json:
            output.emit(machine.document(**listed))
            return
        from lowpanbudget.report import term_text

        output.show(lambda console, screen: term_text.contents(console, screen, listed))
        return
    found = _found(text)
    if as_json:
        output.emit(machine.document(term=text, found=found))
        return
    from lowpanbudget.report import term_text

    def paint(console: "Console", screen: "Screen") -> None:
        for explanation in found:
            term_text.explanation(console, screen, explanation)

    output.show(paint)


def _found(text: str) -> list[dict[str, Any]]:
    """Return the explanations of a term; those of a command by its name stand before others of this name."""
    from lowpanbudget.cli import json_names
    from lowpanbudget.cli.json_table import NAMES
    from lowpanbudget.errors import RequestError
    from lowpanbudget.report import terms
    from lowpanbudget.report.columns import explained_command

    name = text.lower()
    if name.startswith(_JSON) and name.removeprefix(_JSON) in NAMES:
        return [json_names.explained(name.removeprefix(_JSON))]
    if name not in COMMANDS:
        try:
            return [one.data for one in terms.explain(text)]
        except RequestError as refused:
            alike = get_close_matches(name, COMMANDS, 1, _ALIKE)
            if not alike:
                raise
            raise RequestError(refused.message, hint=f"Did you mean {alike[0]}?") from None
    command = explained_command(name, COMMANDS[name])
    try:
        others = [one.data for one in terms.explain(text) if one.term.lower() == name]
    except RequestError:
        return [command]
    return [command, *others]
