"""Whole rankings by hand: subarrays of a small invented array, with made-up worths and no engine."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from invented import combiner, delay_line, random_scenario, request, star, telescope_class

from planner.geometry.baselines import baseline_vectors_m, lengths_m, pivots_m
from planner.output.figures import draw, panel, write
from planner.output.svg import Picture
from planner.ranking.answers import Ranked, Ranking, Score, Seat, Truth
from planner.scenario.array import Configuration, Station, Telescope
from planner.scenario.targets import Scenario
from planner.units import RAD_PER_MAS

HOSTILE = ("<script>alert(1)</script>", r"$\frac{", '& "quotes" onload=x', "naïve 星 $x$")
# Names, east and north in metres: three pads for fixed telescopes, nine between which two others move.
PADS = (
    ("K1", -60.0, -20.0), ("K2", 0.0, 50.0), ("K3", 70.0, -10.0),
    ("M1", -80.0, 30.0), ("M2", -35.0, 5.0), ("M3", -20.0, -45.0), ("M4", 15.0, 10.0), ("M5", 30.0, -35.0),
    ("M6", 45.0, 40.0), ("M7", 85.0, 30.0), ("M8", -10.0, 80.0), ("M9", 100.0, -45.0),
)  # fmt: skip
FIRST = datetime.date(2027, 3, 11)
UNSERVED = 5  # the last of the requests


def scenario_of(name: str = "", requests: int = 6) -> Scenario:
    """Three fixed telescopes and two movable ones; requests on pairs and triples, one in the far north."""
    base = random_scenario(5, requests=1)
    pads = tuple(
        Station(name=pad + name, east_m=east, north_m=north, up_m=1.5, fixed_path_m=10.0)
        for pad, east, north in PADS
    )
    own = telescope_class("one metre")
    telescopes = (
        *(
            Telescope(name=f"T{k}{name}", telescope_class=own.name, station=pads[k - 1].name)
            for k in (1, 2, 3)
        ),
        *(Telescope(name=f"U{k}{name}", telescope_class=own.name, movable=True) for k in (1, 2)),
    )
    array = base.array.model_copy(
        update={
            "stations": pads,
            "telescopes": telescopes,
            "delay_lines": tuple(delay_line(f"D{k}{name}", stroke_m=(0.0, 400.0)) for k in range(1, 5)),
            "combiners": (combiner(2), combiner(3)),
            "configurations": (
                Configuration(
                    name=f"as built{name}", placement={f"U1{name}": f"M2{name}", f"U2{name}": f"M6{name}"}
                ),
                Configuration(
                    name=f"spread{name}", placement={f"U1{name}": f"M1{name}", f"U2{name}": f"M9{name}"}
                ),
            ),
        }
    )
    wishes = tuple(
        request(
            star(f"star {k}{name}", 130.0 + 18.0 * k, 80.0 if k == UNSERVED else -50.0 + 12.0 * (k % 6)),
            f"combiner of {2 + k % 2}",
            priority=1 + k % 3,
            field_mas=12.0 + 3.0 * k,
        )
        for k in range(requests)
    )
    night = base.night.model_copy(update={"date": FIRST, "configuration": f"as built{name}"})
    changes = {"array": array, "requests": wishes, "night": night, "title": f"a made-up array{name}"}
    return base.model_copy(update=changes)


def ranked(
    scenario: Scenario, stations: Sequence[str], worth: float, nights: int = 1, seed: int = 0
) -> Ranked:
    """One subarray on these stations; its plans are worth about ``worth``, shared out at random."""
    rng = np.random.default_rng(seed)
    array, count = scenario.array, len(scenario.requests)
    placed = array.placed(scenario.night.configuration)
    fixed = {own.station: own.name for own in array.telescopes if own.station is not None}
    movable = [own.name for own in array.telescopes if own.movable]
    there = {station: name for name, station in placed.items()}
    staying = {station: there[station] for station in stations if station in there}
    free = iter([name for name in movable if name not in staying.values()])
    telescopes = tuple(staying.get(station) or next(free) for station in stations)
    served = np.array([k != UNSERVED and rng.random() < 0.85 for k in range(count)])
    served[0] = True
    cells = np.where(served, rng.integers(20, 160, count), 0)
    hours = np.where(served, rng.uniform(0.5, 6.0, count), 0.0)
    shares = np.where(served, rng.random(count) + 0.1, 0.0)
    shares = shares / shares.sum()
    dates = [FIRST + datetime.timedelta(days=k) for k in range(nights)]
    scores = [int(worth) + 2 * k for k in range(nights)]
    truth = Truth(tuple((date, one, one + 4 + seed % 5, 9) for date, one in zip(dates, scores, strict=True)))
    vectors = baseline_vectors_m(pivots_m(array, stations, [array.class_of(own) for own in telescopes]))
    longest = float(lengths_m(vectors).max())
    priority = np.array([wish.priority for wish in scenario.requests])
    estimate = 0.96 * worth + float(rng.normal(0.0, 0.02 * worth))
    return Ranked(
        seats=tuple(
            Seat(station, array.class_of(own).name, fixed.get(station))
            for station, own in zip(stations, telescopes, strict=True)
        ),
        telescopes=telescopes,
        lines=tuple(line.name for line in array.delay_lines[: len(stations)]),
        configurations=tuple(
            own.name for own in array.configurations if set(stations) <= set(array.placed(own.name).values())
        ),
        score=Score(
            estimate=estimate,
            value=float(cells @ priority),
            hours=float(hours.sum()),
            requests=int(served.sum()),
            chained=int(served.sum()) - 1,
            longest_m=longest,
            resolution_mas=2.05e-6 / (2.0 * longest) / RAD_PER_MAS,
            moves=sum(placed.get(own) != at for own, at in zip(telescopes, stations, strict=True)),
        ),
        on_front=seed % 2 == 0,
        cells=cells,
        hours=hours,
        estimates=shares * estimate,
        truth=truth,
        truth_by_request=shares * truth.score,
    )


CHOICES = (
    ("K1", "K3", "M8", "M9"), ("K1", "K2", "M7", "M1"), ("K1", "K2", "K3", "M1"), ("K2", "K3", "M1", "M3"),
    ("K1", "K2", "M6", "M9"), ("K3", "K1", "M4", "M8"), ("K1", "K2", "K3", "M5"),
)  # fmt: skip
STAYING = ("K1", "K2", "M2", "M6")


def ranking(name: str = "", nights: int = 1, requests: int = 6, planned: bool = True) -> Ranking:
    """Seven subarrays; the first needs two moves, the best as it stands is worth less."""
    scenario = scenario_of(name, requests)
    top = [
        ranked(scenario, [pad + name for pad in pads], 300.0 - 9.0 * k, nights, seed=k)
        for k, pads in enumerate(CHOICES)
    ]
    current = ranked(scenario, [pad + name for pad in STAYING], 221.0, nights, seed=11)
    if not planned:
        bare = [replace(own, truth=None, truth_by_request=None) for own in (*top, current)]
        top, current = sorted(bare[:-1], key=lambda own: -own.score.estimate), bare[-1]
    everyone = [*top, current]
    made = [own for own in everyone if own.truth is not None]
    return Ranking(
        scenario=scenario,
        nights=tuple(FIRST + datetime.timedelta(days=k) for k in range(nights)),
        size=4,
        listed_only=False,
        considered=495,
        feasible=471,
        requests=tuple(range(requests)),
        top=tuple(top),
        front=tuple(sorted((o for o in everyone if o.on_front), key=lambda o: -o.score.estimate)),
        current=current,
        unserved=(UNSERVED,) if requests > UNSERVED else (),
        sample=tuple((own.name, own.score.estimate, own.truth.score) for own in made),
        spearman=0.912 if made else None,
        judged=tuple((own.name, own.score.estimate, own.truth.score) for own in made),
        wanted=len(made),
    )


def nothing(name: str = "") -> Ranking:
    """No subarray can be used by any request."""
    whole = ranking(name)
    return replace(
        whole, feasible=0, top=(), front=(), current=None, sample=(), spearman=None, judged=(),
        unserved=tuple(range(len(whole.requests))),
    )  # fmt: skip


def simply_drawn(found):
    """Figures of a line each, called as the real ones are; those have tests of their own."""

    def paint(figure):
        write(panel(figure, 10.0, 10.0, 200.0, 100.0), 0.5, 0.5, "a line")

    names = ("array", "bars", "heat", "planes") if found.top else ("array",)
    return {name: draw(Picture(name, 1180.0, 500.0, name, "A line", {}), paint) for name in names}
