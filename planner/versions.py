"""Which versions answer: the planner, its solver, and the table of the Earth's rotation it takes."""

from __future__ import annotations

from dataclasses import dataclass
from importlib.metadata import version

from planner import __version__
from planner.sky.earth import TableDates, table_dates


@dataclass(frozen=True)
class Versions:
    """What an answer depends on beside the scenario.

    Attributes
    ----------
    planner, solver, earth_table : str
        Versions of the planner, of OR-Tools, of astropy-iers-data.
    dates : TableDates
        Until when the Earth's rotation is measured, and predicted.
    """

    planner: str
    solver: str
    earth_table: str
    dates: TableDates

    def lines(self) -> tuple[str, ...]:
        """Return what ``planner --version`` prints."""
        measured, predicted = self.dates.measured_until, self.dates.predicted_until
        return (
            f"planner {self.planner}",
            f"solver OR-Tools {self.solver}",
            f"Earth orientation astropy-iers-data {self.earth_table}, "
            f"measured until {measured}, predicted until {predicted}",
        )


def versions() -> Versions:
    """Return the versions in use."""
    return Versions(__version__, version("ortools"), version("astropy-iers-data"), table_dates())
