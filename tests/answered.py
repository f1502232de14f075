"""Whole answers of feasibility by hand: targets that are feasible and others, seasons, simple figures."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from foreseen import roomy, season, target_night
from invented import random_scenario, request, star

from planner.feasibility.answers import Calibrator, Feasibility, Reach, Remedy
from planner.output.figures import draw, panel, write
from planner.output.svg import Picture

HOSTILE = ("<script>alert(1)</script>", r"$\frac{", '& "quotes" onload=x', "naïve 星 $x$")
REMEDIES = (
    ("limit", "Lower the altitude limit of class 'one metre' by 1.4 deg, to 28.6 deg", 1.25, 4),
    ("date", "Observe on 2027-05-02, 52 nights later", 2.5, 1),
)
TRIED = ("another subarray", "another date", "relaxed limits")


def calibrators(name=""):
    """Seven, of which the second is too large and the third never up with the star."""
    return tuple(
        Calibrator(
            name=f"near {k}{name}",
            distance_deg=1.5 + k,
            magnitude=None if k == 6 else 3.0 + 0.1 * k,
            magnitude_margin=-np.inf if k == 6 else 1.5,
            vis2=None if k == 6 else 0.2 if k == 1 else 0.8,
            vis2_margin=-np.inf if k == 6 else -0.1 if k == 1 else 0.5,
            shared_h=0.0 if k == 2 else 2.25,
        )
        for k in range(7)
    )


def answered(name="", decs=(-40.0, 70.0, -20.0, 75.0), remedies=True):
    """Targets by declination through one night; in the far north they never rise. The second has remedies."""
    base = random_scenario(5, requests=1, telescopes=6, beams=3)
    wishes = tuple(
        request(star(f"star {k}{name}", 185.0, dec), base.array.combiners[0].name)
        for k, dec in enumerate(decs)
    )
    telescopes = tuple(own.model_copy(update={"name": own.name + name}) for own in base.array.telescopes)
    array = base.array.model_copy(update={"telescopes": telescopes})
    whole = base.model_copy(update={"requests": wishes, "title": f"random night 5{name}", "array": array})
    nights = []
    for k, wish in enumerate(wishes):
        night = target_night(whole.model_copy(update={"requests": (wish,)}), subarrays=15)
        changes = {"scenario": whole, "request": k, "calibrators": calibrators(name)}
        if night.serving:
            changes["reach"] = Reach(11.5, 98.25, 1.234, 20.0, 321)
        else:
            helps = tuple(
                Remedy(kind, words, float(n), opens_h, visits, whole, ("T0", "T1", "T2"))
                for n, (kind, words, opens_h, visits) in enumerate(REMEDIES)
            )
            changes["remedies"] = helps if k == 1 and remedies else ()
            changes["remedies_tried"] = TRIED
        nights.append(replace(night, **changes))
    return Feasibility(whole, tuple(nights), None)


def with_season(found, configurations=2, nights=365):
    """The same, with a season in which the second target is never feasible."""
    base = season(nights=nights)
    single = base.binding[0, 0]
    never = np.where(single == 0, 2, single)
    binding = np.stack(
        [
            np.stack(
                [
                    never if k == 1 else np.roll(single, 29 * k + 7 * c, axis=0)
                    for k, _ in enumerate(found.nights)
                ]
            )
            for c in range(configurations)
        ]
    )
    names = tuple(["as built", "spread", "compact"][:configurations])
    whole = replace(
        base,
        scenario=found.scenario,
        configurations=names,
        requests=tuple(night.request for night in found.nights),
        binding=binding,
        whole_visits=roomy(binding),
        visit_s=np.full(len(found.nights), 1500.0),
    )
    return replace(found, season=whole)


def simply_drawn(found, shape=(1180.0, 700.0)):
    """Figures of a line each, called as the real ones are; those have tests of their own."""

    def paint(figure):
        write(panel(figure, 10.0, 10.0, 200.0, 100.0), 0.5, 0.5, "a line")

    names = [f"R{night.request + 1:02d}-night" for night in found.nights]
    if found.season is not None:
        names += [f"R{number + 1:02d}-season" for number in found.season.requests]
    return {name: draw(Picture(name, *shape, name, "A line", {}), paint) for name in names}
