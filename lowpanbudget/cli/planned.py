"""Findings about a design for the commands that show it, as plain data."""

from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from lowpanbudget.design.meaning import Design
    from lowpanbudget.room.compute import Budget
    from lowpanbudget.room.fit import Fit


def findings_of(
    design: "Design",
    budgets: "Iterable[Budget]",
    fits: "Iterable[Fit]",
    wanted: Callable[[str], bool],
) -> list[dict[str, Any]]:
    """Return the design's findings whose subject is wanted, worst first."""
    from lowpanbudget.cli.audit import plain_findings
    from lowpanbudget.findings.planning import design_findings

    found = design_findings(design, budgets, fits)
    return plain_findings([one for one in found if wanted(one.subject)])
