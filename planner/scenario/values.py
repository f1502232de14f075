"""The kinds of values that a key of a scenario may hold, each with bounds, and the base of every table.

Bounds that no array reaches: beyond them numbers lose their digits or a typing slip is certain.
"""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationInfo, field_validator

TINY = 1e-9

Number = Annotated[float, Field(strict=True)]
Positive = Annotated[float, Field(strict=True, gt=0)]
NotNegative = Annotated[float, Field(strict=True, ge=0)]
Whole = Annotated[int, Field(strict=True)]
Seconds = Annotated[float, Field(strict=True, ge=0, le=86_400)]
Recording = Annotated[float, Field(strict=True, ge=0.001, le=86_400)]
Speed = Annotated[float, Field(strict=True, ge=1e-6, le=1e6)]
Path = Annotated[float, Field(strict=True, ge=-1e5, le=1e5)]
Size = Annotated[float, Field(strict=True, ge=0, le=1000)]
Wavelength = Annotated[float, Field(strict=True, ge=0.05, le=1000)]
# No control characters or line ends: a name is one line wherever it is shown.
ONE_LINE = "^[^\\x00-\\x1f\\x7f-\\x9f\u2028\u2029]+$"
Name = Annotated[str, Field(strict=True, min_length=1, max_length=80, pattern=ONE_LINE)]


def distinct(names: tuple[str, ...]) -> tuple[str, ...]:
    """Refuse a list of names in which one stands twice.

    Raises
    ------
    ValueError
    """
    twice = next((name for place, name in enumerate(names) if name in names[:place]), None)
    if twice is not None:
        raise ValueError(f"names {twice!r} twice")
    return names


Names = Annotated[tuple[Name, ...], AfterValidator(distinct)]


class Part(BaseModel):
    """A table of a scenario file: frozen, no unknown keys, no NaN."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    @field_validator("*")
    @classmethod
    def _not_tiny(cls, value: Any, info: ValidationInfo) -> Any:
        """Refuse what is above zero by nothing: its inverse, a cell of the (u, v) plane say, has no use."""
        bounds = cls.model_fields[str(info.field_name)].metadata
        if isinstance(value, float) and value < TINY and any(getattr(own, "gt", None) == 0 for own in bounds):
            raise ValueError(f"is {value:g}, too small to be meant")
        return value
