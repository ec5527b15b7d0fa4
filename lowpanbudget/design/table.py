"""What every table of a design file has in common."""

from pydantic import BaseModel, ConfigDict


class ShapeTable(BaseModel):
    """A table of a design file: unknown keys and values of another type are faults, and nothing changes it later."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)
