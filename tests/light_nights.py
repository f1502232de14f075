"""Invented nights on arrays with a whole light path: each part of it limits or costs time in some of them.

``plain_array`` and ``by_hand`` make the smallest nights, for cases that can be checked on paper.
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence

import numpy as np
from invented import DATE, combiner, delay_line, random_array, request, star, telescope_class

from planner.scenario.array import Array, Combiner, Configuration, Site, Station, Telescope
from planner.scenario.light_path import (
    BeamSensor,
    DualFeed,
    FringeTracker,
    InternalCalibration,
    PathSegment,
    RoutingMode,
    SpectralSetup,
)
from planner.scenario.night import (
    Effort,
    GuideStar,
    Limits,
    NightSettings,
    RequestExtras,
    Reserved,
    SecondStar,
    Window,
)
from planner.scenario.targets import Request, Scenario, Star

MAIN, PAIR = "main", "pair"
SMALL, LARGE = "one metre", "two metre"


def lit_array(rng: np.random.Generator, telescopes: int, beams: int, air: bool) -> Array:
    """Two classes, lines of two strokes, three segments, three routing modes, a tracker of fewer beams."""
    base = random_array(rng, telescopes, beams)
    classes = (
        telescope_class(SMALL, beam_mm=20.0, guide_band="V", guide_limiting_magnitude=11.0),
        telescope_class(
            LARGE,
            beam_mm=60.0,
            diameter_m=2.0,
            guide_sensor="adaptive optics",
            guide_band="V",
            guide_limiting_magnitude=13.0,
            guide_distance_max_arcsec=30.0,
        ),
    )
    # Two large ones, so that some subarrays mix the classes.
    large = set(rng.choice(telescopes, 2, replace=False).tolist())
    stations = tuple(
        own.model_copy(update={"inlet_beams": 1 if k == telescopes - 1 else 2})
        for k, own in enumerate(base.stations)
    )
    names = [f"D{k}" for k in range(telescopes)]
    lines = tuple(
        delay_line(
            name,
            stroke_m=(0.0, 34.0 if k % 2 else 46.0),
            pupil_stroke_m=(4.0, 30.0) if k % 3 == 0 else None,
            medium="air" if air else "vacuum",
            stations=() if k else tuple(own.name for own in stations[1:]),
        )
        for k, name in enumerate(names)
    )
    reach = {name: tuple(sorted(rng.choice(beams, 2, replace=False) + 1)) for name in names}
    modes = (
        RoutingMode(name="straight", change_s=150.0, compression={SMALL: 1.0, LARGE: 3.0}),
        RoutingMode(
            name="crossed",
            change_s=210.0,
            inputs={name: tuple(int(k) for k in own) for name, own in reach.items()},
            input_change_s=130.0,
        ),
        RoutingMode(name="two stars", change_s=300.0, compression={SMALL: 1.0, LARGE: 3.0}, dual_feed=True),
    )
    return base.model_copy(
        update={
            "telescope_classes": classes,
            "telescopes": tuple(
                own.model_copy(update={"telescope_class": LARGE if k in large else SMALL})
                for k, own in enumerate(base.telescopes)
            ),
            "stations": stations,
            "delay_lines": lines,
            "combiners": (_main(rng, beams, air), _pair(rng)),
            "routing_modes": modes,
            "path_segments": (
                PathSegment(name="direct", path_m=0.0, change_s=100.0),
                PathSegment(name="middle", path_m=17.0, change_s=140.0),
                PathSegment(
                    name="long",
                    path_m=33.5,
                    change_s=180.0,
                    stations=tuple(own.name for own in stations[:3]),
                ),
            ),
            "spectral_setups": (
                SpectralSetup(
                    name="fine",
                    combiner=MAIN,
                    change_s=170.0,
                    band="K",
                    resolution=200.0,
                    wavelengths_um=(2.1, 2.2, 2.3),
                    limiting_magnitude={SMALL: 5.0, LARGE: 6.5},
                    science_recording_s=600.0,
                    overhead_s=60.0,
                ),
            ),
            "fringe_trackers": (
                FringeTracker(
                    name="holder",
                    beams=max(2, beams - 1),
                    band="H",
                    wavelength_um=1.65,
                    group_delay_limit={SMALL: 6.2, LARGE: 7.5},
                    phase_limit={SMALL: 5.0, LARGE: 6.0},
                    vis2_min=0.45,
                    group_delay_rms_um=0.25,
                    phase_rms_um=0.1,
                    untracked_rms_um=0.6,
                ),
            ),
            "beam_sensors": (
                BeamSensor(name="watcher", beams=12, band="H", limiting_magnitude={SMALL: 8.0, LARGE: 9.0}),
            ),
            "internal_calibrations": (
                InternalCalibration(name="lamp", combiners=(MAIN,), duration_s=600.0, when="before dusk"),
                InternalCalibration(name="check", combiners=(PAIR,), duration_s=300.0, when="in the night"),
                InternalCalibration(name="closing", duration_s=900.0, when="after dawn"),
            ),
            "dual_feed": DualFeed(
                separation_arcsec=(2.0, 40.0),
                differential_stroke_m=(-0.0016, 0.0016),
                field_angle_deg=(-150.0, 120.0),
                swap_s=90.0,
            ),
        }
    )


def _main(rng: np.random.Generator, beams: int, air: bool) -> Combiner:
    return combiner(
        beams,
        name=MAIN,
        limiting_magnitude={SMALL: 6.0, LARGE: 7.0},
        further_limits={"L": {SMALL: 5.5, LARGE: 6.0}},
        mixed_classes=True,
        beam_path_m=tuple(rng.uniform(0.0, 15.0, beams).tolist()),
        resolution=60.0,
        overhead_s=30.0,
        feed_in_s=110.0,
        feed_out_s=70.0,
        fringe_tracker="holder",
        beam_sensor="watcher",
        air_contrast_min=0.93 if air else 0.0,
    )


def _pair(rng: np.random.Generator) -> Combiner:
    return combiner(
        2,
        name=PAIR,
        limiting_magnitude={SMALL: 6.0, LARGE: 7.0},
        feed_in_s=40.0,
        feed_out_s=200.0,
        routing_modes=("crossed",) if rng.integers(2) else ("straight", "crossed"),
        pupil_relay=False,
        setup_s=120.0,
    )


def lit_scenario(seed: int, requests: int = 4, telescopes: int = 4, **night: object) -> Scenario:
    """A night in which each request leans on another part of the light path; two calibrators beside each."""
    rng = np.random.default_rng(seed)
    beams = 2 + seed % 2
    array = lit_array(rng, telescopes, beams, air=seed % 3 == 0)
    wishes, calibrators = [], []
    for number in range(requests):
        ra, dec = float(rng.uniform(90, 270)), float(rng.uniform(-60, 10))
        wishes.append(_wish(rng, seed + number, f"target {number}", (ra, dec)))
        for k in range(2):
            calibrators.append(
                star(
                    f"calibrator {number}.{k}",
                    ra + float(rng.uniform(-4, 4)),
                    dec + float(rng.uniform(-4, 4)),
                    mag={"K": 3.5, "H": 3.5, "L": 3.4, "V": 6.0},
                    diameter_mas=0.4,
                )
            )
    return Scenario(
        name="lit",
        title=f"lit night {seed}",
        array=array,
        night=NightSettings.model_validate({"date": DATE, "configuration": "as built"} | night),
        limits=Limits(),
        effort=Effort(deterministic=20.0, subarrays_per_request=2, brackets_per_start=1),
        requests=tuple(wishes),
        calibrators=tuple(calibrators),
        reserved=_reserved(rng),
    )


def _wish(rng: np.random.Generator, kind: int, name: str, place: tuple[float, float]) -> Request:
    """One of six kinds of request, in turn."""
    ra, dec = place
    own = star(
        name,
        ra,
        dec,
        mag={"K": 4.0, "H": float(rng.uniform(4.2, 5.6)), "L": 3.9, "V": 7.0},
        diameter_mas=float(rng.uniform(0.5, 3.2)),
    )
    more: dict[str, object] = {}
    if kind % 6 == 1:
        more["spectral_setup"] = "fine"
    if kind % 6 == 2:
        more["guide_star"] = GuideStar(
            ra_deg=own.ra_deg + 0.005 / float(np.cos(np.deg2rad(dec))), dec_deg=dec, mag={"V": 12.0}
        )
    if kind % 6 == 3:
        apart, angle = float(rng.uniform(5.0, 20.0)) / 3600.0, float(rng.uniform(0.0, 2.0 * np.pi))
        more["second_star"] = SecondStar(
            name=f"{name} B",
            ra_deg=(own.ra_deg + apart * float(np.sin(angle)) / float(np.cos(np.deg2rad(dec)))) % 360.0,
            dec_deg=dec + apart * float(np.cos(angle)),
            mag={"H": 4.5, "K": 4.4},
            diameter_mas=0.6,
            swap=bool(kind % 2),
            angle_error_uas=20.0,
        )
    if kind % 6 == 4:
        more["tracking"] = "phase"
    return request(
        own,
        PAIR if kind % 6 == 5 else MAIN,
        priority=int(rng.integers(1, 6)),
        field_mas=float(rng.uniform(5, 40)),
        extras=RequestExtras.model_validate({"target": name, **more}),
    )


def _reserved(rng: np.random.Generator) -> tuple[Reserved, ...]:
    evening = datetime.datetime(DATE.year, DATE.month, DATE.day + 1, 0, 0, tzinfo=datetime.UTC)

    def after(hours: float) -> datetime.datetime:
        return evening + datetime.timedelta(minutes=round(60.0 * hours))

    start = float(rng.uniform(2.0, 5.0))
    return (
        Reserved(
            name="mirror",
            start_utc=after(start),
            end_utc=after(start + 0.7),
            telescopes=("T0",),
            ready_s=120.0,
        ),
        Reserved(
            name="alignment",
            duration_s=900.0,
            windows=(Window(start_utc=after(1.0), end_utc=after(6.0)),),
            ready_s=60.0,
        ),
    )


BRIGHT = {"K": 3.5, "H": 3.0, "L": 3.4, "V": 6.0}


def plain_array(east_m: Sequence[float], beams: int = 2, **changes: object) -> Array:
    """Telescopes of one class in a row from west to east, a line for each, one combiner ``main``."""
    count = range(len(east_m))
    base = Array(
        site=Site(name="nowhere", latitude_deg=-25.0, longitude_deg=-67.0, height_m=2500.0),
        telescope_classes=(telescope_class(SMALL, enclosure_radius_m=0.0),),
        telescopes=tuple(Telescope(name=f"T{k}", telescope_class=SMALL, station=f"P{k}") for k in count),
        stations=tuple(
            Station(name=f"P{k}", east_m=east_m[k], north_m=0.0, up_m=0.0, fixed_path_m=0.0, inlet_beams=2)
            for k in count
        ),
        delay_lines=tuple(delay_line(f"D{k}") for k in count),
        combiners=(combiner(beams, name=MAIN),),
        configurations=(Configuration(name="as built"),),
    )
    return base.model_copy(update=changes)


def bright_star(
    name: str = "target", ra_deg: float = 170.0, dec_deg: float = -40.0, **changes: object
) -> Star:
    """A small bright star that passes 15 degrees south of the zenith of the plain array near midnight."""
    return star(name, ra_deg, dec_deg, **({"mag": BRIGHT, "diameter_mas": 0.3} | changes))


def wish(
    of: Star | None = None, combiner_name: str = MAIN, telescopes: Sequence[str] = (), **extras: object
) -> Request:
    """A request of one visit; ``extras`` are keys of its ``[[request]]``."""
    own = of or bright_star()
    asked = RequestExtras.model_validate({"target": own.name, "telescopes": tuple(telescopes), **extras})
    return request(own, combiner_name, extras=asked)


def by_hand(array: Array, *requests: Request, reserved: Sequence[Reserved] = (), **night: object) -> Scenario:
    """A night with these requests, the bright star's without any; two calibrators two degrees from it."""
    return Scenario(
        name="by hand",
        title="a night by hand",
        array=array,
        night=NightSettings.model_validate(
            {"date": DATE, "configuration": "as built", "slot_s": 1800} | night
        ),
        limits=Limits(),
        effort=Effort(deterministic=5.0, brackets_per_start=1),
        requests=requests or (wish(),),
        calibrators=tuple(bright_star(f"calibrator {k}", 170.0 + k, -38.0) for k in range(2)),
        reserved=tuple(reserved),
    )
