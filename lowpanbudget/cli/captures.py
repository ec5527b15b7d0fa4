"""What the commands that read captures share: options, a trace of what they say, and what reading noticed."""

import io
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from lowpanbudget.cli import completion, designs, faults, options, streams
from lowpanbudget.cli.inputs import require_capture, require_keys, why_empty
from lowpanbudget.errors import RequestError, plural

if TYPE_CHECKING:
    from lowpanbudget.capture.files.reading import CaptureFile
    from lowpanbudget.capture.files.record import ReadingNotice
    from lowpanbudget.capture.follow.matching import Matcher
    from lowpanbudget.capture.follow.opening import ContentOpener
    from lowpanbudget.capture.follow.tracing import Trace, TraceOptions
    from lowpanbudget.cli.progress import Course
    from lowpanbudget.design.meaning import Design
    from lowpanbudget.stack.decoder import Decoder

F = TypeVar("F", bound=Callable[..., Any])
MOST_TOLD = 5
LONGEST_WAIT_S = 60.0
FCS = {"2": 2, "4": 4, "none": 0, "test": None}

keys = click.option(
    "--keys", "--key-file", "key_file", metavar="FILE", shell_complete=completion.files,
    help="TOML file with link keys and devices, and what opens OSCORE and DTLS; readable by you alone. Keys are never "
    "given on the command line.",
)  # fmt: skip
design = click.option(
    "--design",
    metavar="FILE",
    shell_complete=completion.files,
    help="Design file to take contexts, root and flows from.",
)
fcs = click.option(
    "--fcs", type=click.Choice(list(FCS)), default="test", show_default=True,
    help="Octets of the frame check sequence at the end of each frame; test: find out.",
)  # fmt: skip


def reading_options(function: F) -> F:
    """Add the options that say how a capture is read."""
    for option in (options.root, fcs, options.contexts, keys, design):
        function = option(function)
    return function


pan = click.option(
    "--pan", metavar="ID",
    help="Only the network of this PAN ID, such as 0x1a2b: frames of others are as if nobody had heard them.",
)  # fmt: skip


def narrowing_options(function: F) -> F:
    """Add the options that narrow what is shown; contexts, devices and fragments are learned from all frames."""
    for option in (
        pan,
        click.option(
            "--until", metavar="TIME", help="Only frames up to this time, given as for --since."
        ),
        click.option(
            "--since", metavar="TIME",
            help="Only frames from this time on: seconds from the first frame, 10min, or 2031-05-04T10:20:30Z.",
        ),
        click.option(
            "--flow", metavar="FLOW", shell_complete=completion.flows,
            help="Only frames of a flow: its name in the design, a UDP port, or the words of a survey.",
        ),
        click.option(
            "--node", metavar="NODE", shell_complete=completion.stations,
            help="Only frames of a node: any of its addresses such as 0x0012, or a station of the design.",
        ),
    ):  # fmt: skip
        function = option(function)
    return function


together = click.option(
    "--together", is_flag=True,
    help="The captures are those of several receivers at the same time: put them together by their times.",
)  # fmt: skip


class CaptureOptions:
    """What the options tell about captures, checked once; ``trace`` makes a trace that knows it."""

    def __init__(
        self,
        design: str | None,
        key_file: str | None,
        contexts: tuple[str, ...],
        fcs: str,
        root: str | None,
        timeout_s: float = LONGEST_WAIT_S,
        **narrowed: str | None,
    ) -> None:
        from lowpanbudget.capture.files.key_file import read_keys
        from lowpanbudget.env import address

        self.timeout_s = timeout_s
        self.node, self.flow, self.pan, self.since, self.until = map(
            narrowed.get, ("node", "flow", "pan", "since", "until")
        )
        self.is_narrowed = any(narrowed.values())
        self.contexts = options.table_of(contexts)
        self.root = None if root is None else address(root, "--root")
        self.fcs = FCS[fcs]
        self.design: Design | None = None
        if design is not None:
            self.design = designs.load(design)
        if key_file is not None:
            require_keys(key_file)
        self._require_narrowing()
        self._tell_node()
        ring = read_keys(key_file) if key_file is not None else None
        self.keys, self.devices = (ring.keys, ring.devices) if ring else ((), {})
        self.oscore, self.dtls = (ring.oscore, ring.dtls) if ring else ((), ())

    def _require_narrowing(self) -> None:
        """Raise ``RequestError`` that names the option where a time or a flow is none, before a capture is opened."""
        from lowpanbudget.capture.follow.narrowing import WantedFlow, moment
        from lowpanbudget.capture.follow.networks import pan_named

        _ = self.pan and pan_named(self.pan, "--pan")
        moment(self.since, "--since")
        moment(self.until, "--until")
        if self.flow is not None:
            WantedFlow(self.flow, self.matcher(), "--flow")

    def _tell_node(self) -> None:
        """Tell how a node was read that was typed otherwise than it is shown."""
        from lowpanbudget.capture.follow.node_names import node_name

        stations = [] if self.design is None else [one.name for one in self.design.stations]
        if self.node is None or self.node in stations:
            return
        named = node_name(self.node, "--node", stations)
        if not named.is_plain:
            say(click.get_current_context(), f"--node {self.node} is read as {named.words}")

    @property
    def largest(self) -> int | None:
        """Return the octets of the design's largest frame; None without a design."""
        return None if self.design is None else self.design.link.largest_sent

    def decoder(self) -> "Decoder":
        """Return a decoder for frames that stand in no capture."""
        from lowpanbudget.stack.decoder import Decoder

        if self.design is None:
            return Decoder(self.contexts, self.keys, self.devices, self.root)
        from lowpanbudget.capture.follow.matching import applications_of

        return Decoder(
            {**self.design.contexts, **self.contexts}, self.keys, self.devices, self.root,
            applications=applications_of(self.design),
        )  # fmt: skip

    @property
    def given(self) -> "TraceOptions":
        """Return what is known of every capture, as ``follow``, ``audit`` and ``survey`` take it."""
        return {
            "contexts": self.contexts, "keys": self.keys, "devices": self.devices, "root": self.root,
            "design": self.design, "fcs": self.fcs, "timeout_s": self.timeout_s,
            "node": self.node, "flow": self.flow, "since": self.since, "until": self.until, "pan": self.pan,
            "oscore": self.oscore, "dtls": self.dtls,
        }  # fmt: skip

    def opener(self) -> "ContentOpener | None":
        """Return what opens contents of frames that stand in no capture; None without keys for it."""
        from lowpanbudget.capture.follow.opening import opener_of

        return opener_of(self.oscore, self.dtls)

    def matcher(self) -> "Matcher | None":
        """Return what finds the flow and message of a datagram in the design; None without one."""
        if self.design is None:
            return None
        from lowpanbudget.capture.follow.matching import Matcher

        return Matcher(self.design)

    def trace(self) -> "Trace":
        """Return a trace for one capture."""
        from lowpanbudget.capture.follow.tracing import Trace

        return Trace(**self.given)


def opened(
    capture: str,
    link_type: int | None = None,
    stream: io.BufferedReader | None = None,
    course: "Course | None" = None,
    *,
    listens: bool = False,
) -> "CaptureFile":
    """Return the records of a capture, those of standard input for ``-``, with a bar that shows how far they are.

    ``link_type`` is that of text; a ``stream`` is the capture where it was opened already; ``course`` is that over
    several captures. A command that ``listens`` tells what a pipe has brought when a signal ends it; others, which
    write a file whole or not at all, end with it.
    """
    from lowpanbudget.cli.listening import records_of
    from lowpanbudget.cli.progress import followed

    if stream is None:
        require_capture(capture)
    records = records_of(capture, stream, link_type, listens=listens)
    given = (capture,) if course is None else (capture, course)
    records.through(lambda coming: followed(coming, *given))
    return records


def sets_of(
    paths: Sequence[str], *, together: bool, continued: bool = False
) -> list[tuple[str, ...]]:
    """Return which captures are read as one: each for itself, or all of them.

    Raises ``RequestError`` when standard input is named more than once, or there is nothing to put together.
    """
    if paths.count("-") > 1:
        raise RequestError("standard input can be read once", hint="Give - once, or name files")
    for path in paths:  # before the first is read, which may take long
        require_capture(path)
    if not (together or continued):
        return [(path,) for path in paths]
    option = "--together" if together else "--continued"
    if len(paths) < 2 and together:
        raise RequestError(
            "--together is for several captures",
            hint="The receivers of one pcapng file are told apart by its interfaces",
        )
    if "-" in paths:
        raise RequestError(f"{option} is for files", hint="Write standard input to a file first")
    return [tuple(paths)]


def say_nothing_within(ctx: click.Context, paths: Sequence[str], known: CaptureOptions) -> None:
    """Tell that no frame of captures is as asked for; where it is the PAN that is not there, which are."""
    text = "a survey of all tells which nodes, flows and times there are"
    if known.pan is not None:
        from lowpanbudget.capture.follow.networks import pan_named, pans_of

        pans = [pan for path in paths if Path(path).is_file() for pan in pans_of(path)]
        if pans and pan_named(known.pan, "--pan") not in pans:
            text = f"there are PAN {', '.join(f'{pan:#06x}' for pan in dict.fromkeys(pans))}"
    say(ctx, f"{name_of(paths)} has no frame as asked for; {text}")


def say_empty(ctx: click.Context, capture: str, *, is_told: bool = False) -> None:
    """Tell that a capture has no frame at all, and what to try; where it was told what it is instead, that alone."""
    name, hint = "standard input" if capture == "-" else capture, why_empty(capture)
    if is_told:
        if capture != "-":  # which cannot be looked at again
            streams.tell(f"  try: {faults.visible(hint)}")
    else:
        say(ctx, f"{name} holds no frame: there is nothing to judge", hint)


def opened_together(
    paths: Sequence[str],
    stream: io.BufferedReader | None = None,
    course: "Course | None" = None,
) -> "CaptureFile":
    """Return the records of captures: of one as it is (or of its ``stream``), of several put together by time."""
    if len(paths) == 1:
        return opened(paths[0], stream=stream, course=course, listens=True)
    from lowpanbudget.capture.files.together import read_together
    from lowpanbudget.cli.progress import followed

    records = read_together(paths)
    records.through(lambda coming: followed(coming, paths[0]))
    return records


def name_of(paths: Sequence[str]) -> str:
    """Return what captures that are read as one are called."""
    if len(paths) > MOST_TOLD:
        return f"{paths[0]} and {len(paths) - 1} more"
    return " and ".join(paths)


def say(ctx: click.Context, text: str, hint: str = "") -> None:
    """Tell something on standard error, on one line, and below it what to try."""
    streams.tell(f"{ctx.command_path}: {faults.visible(text)}")
    if hint:
        streams.tell(f"  try: {faults.visible(hint)}")


def tell_notices(
    ctx: click.Context, capture: str, notices: Iterable["ReadingNotice"], count: int
) -> bool:
    """Tell the first of what reading noticed, and how the file is wrong; return whether it is."""
    name = "standard input" if capture == "-" else capture
    kept = list(notices)
    wrong = is_wrong(kept)
    first = kept[:MOST_TOLD]
    if wrong and not is_wrong(first):
        first.append(next(notice for notice in kept if notice.is_damage))
    for notice in first:
        say(ctx, f"{name}: {notice}")
    if count > len(first):
        say(ctx, f"{name}: {plural(count - len(first), 'more notice')} like these")
    return wrong


def is_wrong(notices: Iterable["ReadingNotice"]) -> bool:
    """Return whether some notice says that the file itself is wrong."""
    return any(notice.is_damage for notice in notices)
