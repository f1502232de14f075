"""Two telescopes 60 m apart on an east-west line at latitude -30, without air: a night to check on paper.

Stars are placed so that their apparent place of date is round (as in ``scenarios/tiny``).
"""

from __future__ import annotations

import datetime

import numpy as np
from astropy.time import TimeDelta
from invented import combiner, delay_line, request, star, telescope_class
from skies import place_of_date, utc

from planner.scenario.array import Array, Configuration, Site, Station, Telescope
from planner.scenario.night import Effort, Limits, NightSettings, RequestExtras
from planner.scenario.targets import Scenario
from planner.sky.directions import directions, natural_directions, place_of
from planner.sky.earth import earth_frame, offline_earth

MIDNIGHT = "2027-03-12T00:00:00"
SITE = Site(name="round numbers", latitude_deg=-30.0, longitude_deg=0.0, height_m=0.0)


def star_of_date(dec_deg, hours_after_midnight=0.0, name="on paper", **changes):
    """A star whose apparent place passes the meridian of the site then, at this declination of date."""
    with offline_earth():
        time = utc(MIDNIGHT) + TimeDelta(3600.0 * hours_after_midnight, format="sec")
    frame = earth_frame(place_of(SITE), time)
    overhead = place_of_date(frame, np.array([[0.0, 0.0, 1.0]]))[0][0]
    ra, dec = overhead, dec_deg
    for _ in range(4):
        seen = directions(natural_directions([star("s", ra, dec)], frame), frame)[0]
        there_ra, there_dec = place_of_date(frame, seen)
        ra, dec = ra + float(overhead - there_ra[0]), dec + float(dec_deg - there_dec[0])
    return star(name, ra, dec, **changes)


def paper_scenario(own, limits=None, extras=None, line=None, **of_class):
    """Two telescopes and a star; calibrators three degrees to the north and to the east of it."""
    lines = {"stroke_m": (0.0, 30.0)} | (line or {})
    site = SITE.model_copy(update={"horizon_deg": of_class.pop("horizon_deg", ())})
    light = combiner(2, limiting_magnitude={"one metre": of_class.pop("faintest", 6.0)})
    stations = (("west", -30.0), ("east", 30.0))
    array = Array(
        site=site,
        telescope_classes=(telescope_class(**of_class),),
        telescopes=tuple(Telescope(name=n, telescope_class="one metre", station=n) for n, _ in stations),
        stations=tuple(
            Station(name=n, east_m=e, north_m=0.0, up_m=0.0, fixed_path_m=100.0) for n, e in stations
        ),
        delay_lines=(delay_line("first", **lines), delay_line("second", **lines)),
        combiners=(light,),
        configurations=(Configuration(name="as built"),),
    )
    wish = request(own, light.name, extras=RequestExtras(target=own.name, **(extras or {})))
    return Scenario(
        name="paper",
        title="paper",
        array=array,
        night=NightSettings(date=datetime.date(2027, 3, 11), configuration="as built"),
        limits=Limits(**(limits or {})),
        effort=Effort(),
        requests=(wish,),
        calibrators=(
            star("north", own.ra_deg, own.dec_deg + 3.0, diameter_mas=0.2),
            star("east", own.ra_deg + 3.0, own.dec_deg, diameter_mas=0.2),
        ),
    )
