"""Options that several commands share, and what they mean to the library."""

import sys
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeVar

import click

from lowpanbudget.cli import completion
from lowpanbudget.errors import RequestError, repeated

if TYPE_CHECKING:
    from lowpanbudget.capture.files.hex_text import HexLine
    from lowpanbudget.env import Context, Env

F = TypeVar("F", bound=Callable[..., Any])
_MOST_DIGITS = 7
EXPAND_ONLY = ":expand-only"


class WholeNumber(click.IntRange):
    """A whole number from ``least`` to ``most``, if there is a greatest."""

    name = "whole number"

    def __init__(self, least: int, most: int | None = None) -> None:
        super().__init__(least, most)  # which the help tells
        self.least, self.most = least, most

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> int:
        """Return the number; fails with the numbers that are allowed."""
        allowed = f"{self.least} or more" if self.most is None else f"{self.least} to {self.most}"
        try:
            number = int(str(value))
        except ValueError:
            self.fail(f"{value!r} is no whole number: give {allowed}.", param, ctx)
        if number < self.least or (self.most is not None and number > self.most):
            self.fail(f"{number} is not {allowed}.", param, ctx)
        return number


class Seconds(click.FloatRange):
    """A time in seconds, above 0 and up to ``most``."""

    name = "seconds"

    def __init__(self, most: float) -> None:
        super().__init__(0, most, min_open=True)  # which the help tells
        self.most = most

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Return the seconds; fails with those that are allowed."""
        try:
            seconds = float(str(value))
        except ValueError:
            seconds = 0.0
        if not 0 < seconds <= self.most:
            self.fail(f"{value!r} is no time above 0 and up to {self.most:g} seconds.", param, ctx)
        return seconds


class WholeNumbers(click.ParamType):  # type: ignore[type-arg]  # older releases take no argument
    """Whole numbers from ``least`` to ``most``, as ``A..B`` or one of them."""

    name = "numbers"

    def __init__(self, least: int, most: int) -> None:
        self.least, self.most = least, most

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> range:
        """Return the numbers as a range; fails with those that are allowed."""
        numbers = numbers_of(str(value))
        allowed = f"Give {self.least}..{self.most} or a part of it."
        if numbers is None:
            self.fail(f"{value!r} is no range of whole numbers. {allowed}", param, ctx)
        if not numbers:
            self.fail(f"{value!r} holds no number: it ends before it begins. {allowed}", param, ctx)
        if numbers[0] < self.least or numbers[-1] > self.most:
            self.fail(f"{value!r} is not within {self.least} to {self.most}. {allowed}", param, ctx)
        return numbers


def numbers_of(text: str) -> range | None:
    """Return the numbers of ``A..B``, both included, or of one number; None for any other text."""
    first, dots, last = text.partition("..")
    if not all(
        part.isascii() and part.isdigit() and len(part) < _MOST_DIGITS
        for part in ((first, last) if dots else (first,))
    ):
        return None
    return range(int(first), int(last if dots else first) + 1)


as_json = click.option("--json", "as_json", is_flag=True, help="Print JSON for programs.")


def _once(_ctx: click.Context, parameter: click.Parameter, values: tuple[str, ...]) -> str | None:
    """Return the value of an option, None without one; raises ``RequestError`` for several."""
    if len(values) > 1:
        told = ", ".join(map(repeated, values))
        raise RequestError(
            f"{parameter.opts[-1]} is given more than once: {told}", hint="Name the one to write"
        )
    return values[0] if values else None


def one_file(*names: str, **told: Any) -> Callable[[F], F]:
    """Return an option whose value is what to write to: of two that were given one would not be there."""
    return click.option(*names, multiple=True, callback=_once, **told)


as_csv = click.option(
    "--csv", "as_csv", is_flag=True, help="Print a table for programs and spreadsheets."
)
svg = one_file(
    "--svg",
    type=click.Path(dir_okay=False),
    metavar="FILE",
    shell_complete=completion.files,
    help="Write the picture as an SVG file as well.",
)
contexts = click.option(
    "--context",
    "contexts",
    multiple=True,
    metavar="N=PREFIX",
    help="A shared prefix and its number, such as 0=2001:db8::/64; may be given again. With "
    f"{EXPAND_ONLY} behind it, it expands but is not used to compress.",
)
root = click.option("--root", metavar="ADDRESS", help="IPv6 address of the routing root.")


def link_addresses(function: F) -> F:
    """Add --source and --destination."""
    for name, what in (("destination", "receiver"), ("source", "sender")):
        function = click.option(
            f"--{name}",
            metavar="HEX",
            help=f"Link address of the {what}: 2, 6 or 8 octets, most significant first.",
        )(function)
    return function


def refuse_both(ctx: click.Context, *, as_csv: bool, as_json: bool) -> None:
    """Raise ``UsageError`` when one result is to be printed in two forms."""
    if as_csv and as_json:
        raise click.UsageError("--csv and --json are two ways to print the same", ctx)


def octets_of(text: str) -> bytes:
    """Return the octets of a HEX argument, those of standard input for ``-``."""
    from lowpanbudget.capture.files.hex_text import only_line

    return only_line(text, sys.stdin.buffer)


def messages_of(text: str) -> "list[HexLine]":
    """Return the octets of a HEX or FILE argument, a message a line; those of standard input for ``-``."""
    from lowpanbudget.capture.files.hex_text import hex_lines, looks_like_hex
    from lowpanbudget.cli.inputs import require_present

    if not looks_like_hex(text):
        require_present(text, "file of hex", said="is neither hex nor a file that exists")
    lines = hex_lines(text, sys.stdin.buffer if text == "-" else None)
    if not lines:
        name = "standard input" if text == "-" else text
        raise RequestError(
            f"{name} has no message in it",
            hint="Write one message a line in hex; # starts a comment",
        )
    return lines


def surroundings(
    source: str | None, destination: str | None, contexts: tuple[str, ...], root: str | None
) -> "Env":
    """Return the ``Env`` that the options describe; ``RequestError`` names the option that cannot be used."""
    from lowpanbudget.env import Env

    return Env(
        _named("--source", source),
        _named("--destination", destination),
        contexts=table_of(contexts),
        root=_root(root),
    )


def _named(option: str, value: str | None) -> bytes | None:
    from lowpanbudget.env import link_address

    return None if value is None else link_address(value, option)


def _root(value: str | None) -> Any:
    from lowpanbudget.env import address

    return None if value is None else address(value, "--root")


def table_of(entries: tuple[str, ...]) -> "dict[int, Context]":
    """Return the contexts given as ``N=PREFIX``, each number once."""
    from lowpanbudget.env import Context

    table: dict[int, Context] = {}
    for entry in entries:
        number_text, equals, prefix = entry.partition("=")
        expand_only = prefix.endswith(EXPAND_ONLY)
        number_text, prefix = number_text.strip(), prefix.removesuffix(EXPAND_ONLY).strip()
        if not equals or not (number_text.isascii() and number_text.isdigit()):
            raise RequestError(
                f"--context {entry!r} is not a number and a prefix",
                hint="Write --context 0=2001:db8::/64",
            )
        number = int(number_text[:4])
        if not 0 <= number <= 15:
            raise RequestError(
                f"--context {entry!r}: the number must be 0 to 15",
                hint="Write --context 0=2001:db8::/64",
            )
        if number in table:
            raise RequestError(
                f"--context {number} is given more than once", hint="Give each number one prefix"
            )
        try:
            table[number] = Context(prefix, may_compress=not expand_only)
        except RequestError as error:
            raise RequestError(
                f"--context {number}: {error.message}", cite=error.cite, hint=error.hint
            ) from None
    return table
