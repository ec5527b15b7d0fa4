"""Fits as a gate in a build: one line for each message, flow and hop, and a JUnit XML file."""

from collections.abc import Sequence

from lowpanbudget.errors import plural
from lowpanbudget.report.screen import harmless
from lowpanbudget.report.view import Data


def failures(fits: Sequence[Data], max_frames: int | None, spare: int | None) -> list[str]:
    """Return for each fit why it fails, an empty text when it does not."""
    return [_failure(fit, max_frames, spare) for fit in fits]


def _failure(fit: Data, max_frames: int | None, spare: int | None) -> str:
    allowed = fit["most_frames"] if max_frames is None else max_frames
    if fit["unmade"]:
        return str(fit["unmade"])
    if fit["frames"] is None:
        return f"{fit['octets']} octets are more than any datagram carries"
    if fit["frames"] > allowed:
        return f"{fit['octets']} octets take {fit['frames']} frames, {allowed} allowed"
    if spare is not None and fit["spare"] < spare:
        octets = plural(fit["octets"], "octet")
        return f"{max(fit['spare'], 0)} of {fit['room']} spare behind {octets}, {spare} wanted"
    return ""


def lines(fits: Sequence[Data], reasons: Sequence[str]) -> str:
    """Return the fits as text, one line each, failures first."""
    texts = []
    for fit, reason in sorted(zip(fits, reasons, strict=True), key=lambda pair: not pair[1]):
        where = f"{fit['message']} on {fit['flow']}, {fit['hop']} hop"
        in_one_frame = f"{plural(fit['octets'], 'octet')} in one frame, {fit['spare']} spare"
        said = reason or (
            in_one_frame
            if fit["spare"] >= 0
            else f"{fit['octets']} octets in {fit['frames']} frames"
        )
        texts.append(harmless(f"{'NO' if reason else 'ok'}  {where}: {said}"))
    return "\n".join(texts) + "\n"


def junit(fits: Sequence[Data], reasons: Sequence[str], suite: str) -> str:
    """Return the fits as a JUnit XML document, one test case each."""
    from xml.sax.saxutils import quoteattr  # noqa: PLC0415  # it brings readers of URLs along

    cases = []
    for fit, reason in zip(fits, reasons, strict=True):
        name = quoteattr(harmless(f"{fit['message']}, {fit['hop']} hop"))
        group = quoteattr(harmless(str(fit["flow"])))
        body = f"<failure message={quoteattr(harmless(reason))}/>" if reason else ""
        cases.append(f"  <testcase classname={group} name={name}>{body}</testcase>\n")
    bad = sum(1 for reason in reasons if reason)
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<testsuite name={quoteattr(harmless(suite))} tests="{len(cases)}" failures="{bad}">\n'
        + "".join(cases)
        + "</testsuite>\n"
    )
