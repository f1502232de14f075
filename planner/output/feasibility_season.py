"""One target through a season in rows: hours by month in each configuration, and which of them is best."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from planner.output.feasibility_months import TargetMonths
from planner.output.feasibility_words import hours_told, month_told
from planner.output.sentences import duration


@dataclass(frozen=True)
class MonthCell:
    """Hours of a month; ``share`` is of the fullest month, in per cent."""

    month: str
    year: str
    hours: str
    nights: int
    share: float
    best: bool


@dataclass(frozen=True)
class ConfigurationRow:
    """A target's season in one configuration."""

    configuration: str
    asked: bool
    best: bool
    feasible: bool
    months: tuple[MonthCell, ...]
    total_h: float
    nights: int
    first: str
    last: str

    @property
    def total(self) -> str:
        """Hours of all months, told."""
        return hours_told(self.total_h)


@dataclass(frozen=True)
class SeasonSheet:
    """A target through a season: the configuration asked about, and all of them."""

    asked: ConfigurationRow
    rows: tuple[ConfigurationRow, ...]
    best_configuration: str
    nights: int
    first_night: str
    last_night: str
    step: str
    closed_by: tuple[str, ...]

    def shown(self, most: int) -> tuple[ConfigurationRow, ...]:
        """Return at most so many configurations: the one asked about, then those with the most hours."""
        ordered = sorted(self.rows, key=lambda row: (not row.asked, -row.total_h))
        return tuple(row for row in self.rows if row in ordered[:most])


def season_sheet(months: Sequence[TargetMonths], asked: int, step_s: float) -> SeasonSheet:
    """Return a target's season in words, from its months in each configuration and the one asked about."""
    fullest = max(max(one.hours, default=0.0) for one in months)
    best = max(range(len(months)), key=lambda k: months[k].total_h)
    alike = all(abs(one.total_h - months[best].total_h) < 0.05 for one in months)
    rows = tuple(
        _configuration_row(one, fullest, k == asked, k == best and one.total_h > 0 and not alike)
        for k, one in enumerate(months)
    )
    own, name = months[asked], "all alike" if alike else months[best].configuration
    return SeasonSheet(
        asked=rows[asked],
        rows=rows,
        best_configuration=name if months[best].total_h > 0 else "",
        nights=len(own.nights),
        first_night=own.nights[0].isoformat(),
        last_night=own.nights[-1].isoformat(),
        step=duration(step_s / 60.0),
        closed_by=tuple(f"{limit} {100.0 * share:.0f} %" for limit, share in own.closed_by if share >= 0.005),
    )


def _configuration_row(one: TargetMonths, fullest_h: float, asked: bool, best: bool) -> ConfigurationRow:
    cells = tuple(
        MonthCell(
            month=month_told(month, "%b"),
            year=str(month[0]),
            hours=hours_told(hours),
            nights=nights,
            share=100.0 * hours / fullest_h if fullest_h > 0 else 0.0,
            best=hours > 0 and k == one.best_month,
        )
        for k, (month, hours, nights) in enumerate(
            zip(one.months, one.hours, one.feasible_by_month, strict=True)
        )
    )
    return ConfigurationRow(
        configuration=one.configuration,
        asked=asked,
        best=best,
        feasible=one.first is not None,
        months=cells,
        total_h=one.total_h,
        nights=one.feasible_nights,
        first=one.first.isoformat() if one.first else "",
        last=one.last.isoformat() if one.last else "",
    )
