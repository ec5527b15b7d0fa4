"""What a command needs of a design and the design lacks."""

from lowpanbudget.design.shape import DesignShape
from lowpanbudget.design.table import Subtable
from lowpanbudget.errors import RequestError


def lacking(table: str) -> RequestError:
    """Return the error that names a table of the design file which is needed and not there, and what it says."""
    takes = DesignShape.keys[table].takes
    about = (takes.table.__doc__ or "").removesuffix(".") if isinstance(takes, Subtable) else ""
    return RequestError(
        f"the design has no [{table}]: {about}",
        hint=f"Add it; lowpanbudget explain {table} tells its keys",
    )
