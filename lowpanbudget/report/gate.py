"""Fits as a gate in a build: one line for each message, flow and hop, and a JUnit XML file."""

from collections.abc import Sequence
from typing import Any
from xml.sax.saxutils import quoteattr

from lowpanbudget.report.screen import harmless

Plain = dict[str, Any]


def failures(found: Sequence[Plain], max_frames: int | None, spare: int | None) -> list[str]:
    """Return for each fit why it fails, an empty text when it does not."""
    return [_failure(one, max_frames, spare) for one in found]


def _failure(one: Plain, max_frames: int | None, spare: int | None) -> str:
    allowed = one["most_frames"] if max_frames is None else max_frames
    if one["frames"] is None:
        return f"{one['octets']} octets are more than any datagram carries"
    if one["frames"] > allowed:
        return f"{one['octets']} octets take {one['frames']} frames, {allowed} allowed"
    if spare is not None and one["spare"] < spare:
        return f"{one['octets']} octets leave {max(one['spare'], 0)} of {one['room']} spare, {spare} wanted"
    return ""


def lines(found: Sequence[Plain], reasons: Sequence[str]) -> str:
    """Return one line a fit, failures first."""
    texts = []
    for one, reason in sorted(zip(found, reasons, strict=True), key=lambda pair: not pair[1]):
        where = f"{one['message']} on {one['flow']}, {one['hop']} hop"
        in_one = f"{one['octets']} octets in one frame, {one['spare']} spare"
        said = reason or (
            in_one if one["spare"] >= 0 else f"{one['octets']} octets in {one['frames']} frames"
        )
        texts.append(harmless(f"{'NO' if reason else 'ok'}  {where}: {said}"))
    return "\n".join(texts) + "\n"


def junit(found: Sequence[Plain], reasons: Sequence[str], suite: str) -> str:
    """Return the fits as a JUnit XML document, one test case each."""
    cases = []
    for one, reason in zip(found, reasons, strict=True):
        name = quoteattr(harmless(f"{one['message']}, {one['hop']} hop"))
        group = quoteattr(harmless(str(one["flow"])))
        body = f"<failure message={quoteattr(harmless(reason))}/>" if reason else ""
        cases.append(f"  <testcase classname={group} name={name}>{body}</testcase>\n")
    bad = sum(1 for reason in reasons if reason)
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<testsuite name={quoteattr(harmless(suite))} tests="{len(cases)}" failures="{bad}">\n'
        + "".join(cases)
        + "</testsuite>\n"
    )
