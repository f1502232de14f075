"""Orientation of the Earth, offline, for any date from 1990 to 2060.

UT1 and polar motion come from the table shipped with ``astropy-iers-data``,
never from the network. Past the end of that table the last UT1-UTC is kept
("frozen"), and polar motion takes the mean value that astropy takes too; the
state and its error in metres of delay are told with every plan.

Frames: GCRS axes to local axes east, north, up (ENU) at the site's geodetic
vertical. The rotation is built from ERFA's ``apco13`` (IAU SOFA board, IAU
2006/2000A precession-nutation).
"""

from __future__ import annotations

import contextlib
import datetime
import warnings
from collections.abc import Iterator
from dataclasses import dataclass, replace

import erfa
import numpy as np
from astropy.time import Time
from astropy.utils import iers

from planner.units import RAD_PER_ARCSEC, SIDEREAL_RAD_PER_S

# Mean pole of the last fifty years, the value astropy itself falls back to past the table's end.
MEAN_POLE_ARCSEC = (0.035, 0.29)
# UT1 drifts by the excess length of day, at most about 2 ms a day since 1990 (IERS series; from memory).
DRIFT_S_PER_DAY = 0.002
# UT1-UTC stays within 0.9 s by the leap-second rule (ITU-R TF.460): a frozen value is off by twice that.
FROZEN_ERROR_MAX_S = 1.8


@contextlib.contextmanager
def offline_earth() -> Iterator[None]:
    """Within it astropy uses the shipped Earth-orientation table, never the network, without a remark.

    Both IERS settings are needed: without the second astropy refuses dates
    more than 30 days ahead of the table's last measured value. Outside the
    context the caller's own settings hold again. Remarks on far dates are
    silenced because the plan tells the state of the Earth orientation itself.
    """
    with (
        iers.conf.set_temp("auto_download", False),
        iers.conf.set_temp("auto_max_age", None),
        iers.conf.set_temp("iers_degraded_accuracy", "ignore"),
        warnings.catch_warnings(),
    ):
        warnings.simplefilter("ignore", erfa.ErfaWarning)
        warnings.filterwarnings("ignore", message=".*IERS.*")
        warnings.filterwarnings("ignore", message=".*polar motion.*")
        yield


@dataclass(frozen=True)
class Orientation:
    """UT1 and polar motion at some times.

    Attributes
    ----------
    ut1_minus_utc_s : ndarray (time,)
    pole_rad : ndarray (time, 2)
        x and y of the pole.
    state : str
        ``"measured"``, ``"predicted"`` or ``"frozen"``: the worst over the times.
    error_s : float
        Expected error of UT1-UTC (one sigma where the table gives it, a bound when frozen).
    table_end : datetime.date
        Last day of the shipped table.
    """

    ut1_minus_utc_s: np.ndarray
    pole_rad: np.ndarray
    state: str
    error_s: float
    table_end: datetime.date

    def delay_error_m(self, baseline_m: float) -> float:
        """Error of the delay on an east-west baseline of that length, in metres.

        The Earth turns by omega dt; a baseline turns with it.
        """
        return SIDEREAL_RAD_PER_S * self.error_s * baseline_m

    def sentence(self, baseline_m: float) -> str:
        """Say the state in words, with its size in delay on ``baseline_m``."""
        error_mm = 1e3 * self.delay_error_m(baseline_m)
        tail = f"error about {self.error_s:.2g} s, {error_mm:.2g} mm of delay on {baseline_m:.0f} m"
        if self.state == "measured":
            return f"UT1-UTC measured ({tail})."
        if self.state == "predicted":
            return f"UT1-UTC predicted ({tail})."
        return f"UT1-UTC frozen past {self.table_end.isoformat()}, up to {tail.removeprefix('error about ')}."


def orientation(times: Time) -> Orientation:
    """Return UT1-UTC and polar motion at ``times`` from the shipped table.

    Parameters
    ----------
    times : Time (time,)
        UTC.

    Notes
    -----
    Statuses are astropy's: IERS B final values and IERS A measured values count
    as measured, IERS A predictions as predicted, anything later as frozen.
    """
    table = iers.earth_orientation_table.get()
    utc = times.utc
    ut1_utc, status = table.ut1_utc(utc.jd1, utc.jd2, return_status=True)
    pole_x, pole_y, pole_status = table.pm_xy(utc.jd1, utc.jd2, return_status=True)
    ut1_minus_utc_s = np.atleast_1d(ut1_utc.to_value("s")).astype(float)
    pole = np.stack([np.atleast_1d(p.to_value("arcsec")) for p in (pole_x, pole_y)], axis=-1)
    pole[np.atleast_1d(pole_status) == iers.TIME_BEYOND_IERS_RANGE] = MEAN_POLE_ARCSEC
    last_mjd = float(table["MJD"][-1].to_value("d"))
    error_s = _error_s(table, float(utc.mjd.max()), last_mjd)
    if np.any(status == iers.TIME_BEYOND_IERS_RANGE):
        state = "frozen"
    elif np.any(status == iers.FROM_IERS_A_PREDICTION):
        state = "predicted"
    else:
        state = "measured"
    return Orientation(ut1_minus_utc_s, pole * RAD_PER_ARCSEC, state, error_s, _date_of(last_mjd))


@dataclass(frozen=True)
class TableDates:
    """Last days (UTC) of the shipped table: of measured values, and of all, predictions included."""

    measured_until: datetime.date
    predicted_until: datetime.date


def table_dates() -> TableDates:
    """Return until when the shipped table knows UT1-UTC, by measurement and by prediction."""
    with offline_earth():
        table = iers.earth_orientation_table.get()
        mjd = table["MJD"].to_value("d")
        measured = mjd[np.asarray(table["UT1Flag"]) != "P"]
    return TableDates(_date_of(measured[-1]), _date_of(mjd[-1]))


def _date_of(mjd: float) -> datetime.date:
    return datetime.date(1858, 11, 17) + datetime.timedelta(days=int(mjd))


def _error_s(table: iers.IERS, mjd: float, last_mjd: float) -> float:
    """Error of UT1-UTC: the table's own, plus the possible drift past its end."""
    row = int(np.clip(np.searchsorted(table["MJD"].to_value("d"), mjd), 0, len(table) - 1))
    tabled = float(np.nan_to_num(np.ma.filled(table["e_UT1_UTC_A"], 0)[row].value))
    days_past = max(0.0, mjd - last_mjd)
    return min(FROZEN_ERROR_MAX_S, tabled + DRIFT_S_PER_DAY * days_past)


@dataclass(frozen=True)
class EarthFrame:
    """Everything about the Earth at each time; no target enters here.

    Attributes
    ----------
    times : Time (time,)
    boost : ndarray (time, 4, 4)
        Takes the light direction (1, s) on BCRS axes, seen at rest, to (k0, k)
        on ENU axes, seen by the moving observer; k/k0 is the apparent unit vector.
        It holds annual and diurnal aberration exactly (a Lorentz boost), then
        precession-nutation, Earth rotation, polar motion and the site's vertical.
    rotation : ndarray (time, 3, 3)
        GCRS axes to ENU, without aberration.
    observer_au, sun_to_observer : ndarray (time, 3), (time, 4)
        Barycentric place of the observer; unit vector from the Sun and distance (au).
    refraction : tuple of float
        A and B of dz = A tan z + B tan^3 z, radians (ERFA ``refco``).
    orientation : Orientation
    """

    times: Time
    boost: np.ndarray
    rotation: np.ndarray
    observer_au: np.ndarray
    sun_to_observer: np.ndarray
    refraction: tuple[float, float]
    orientation: Orientation


@dataclass(frozen=True)
class Place:
    """A site on the Earth and its air, as numbers."""

    latitude_deg: float
    longitude_deg: float
    height_m: float
    pressure_hpa: float = 0.0
    temperature_c: float = 10.0
    relative_humidity: float = 0.2


def part_of(frame: EarthFrame, samples: np.ndarray | list[int]) -> EarthFrame:
    """Return the Earth at some of its times."""
    return replace(
        frame,
        times=frame.times[samples],
        boost=frame.boost[samples],
        rotation=frame.rotation[samples],
        observer_au=frame.observer_au[samples],
        sun_to_observer=frame.sun_to_observer[samples],
    )


REFRACTION_WAVELENGTH_UM = 0.6  # where telescopes are guided; the choice moves the horizon by arcseconds only


def earth_frame(place: Place, times: Time) -> EarthFrame:
    """Return the transformation from star directions to local axes at each time.

    Parameters
    ----------
    place : Place
    times : Time (time,)

    Notes
    -----
    A Lorentz boost is linear on the light direction four-vector (1, s):
    k0 = gamma (1 + v.s), k = s + gamma v + (gamma - 1)(v.s) v / v^2, so one 4 x 4
    matrix per time serves any number of targets and aberration needs no
    average over the night. Derived from the definition of the boost (any text
    on special relativity); ERFA's ``ab`` adds a term of the Sun's potential, 2e-12 rad.
    """
    with offline_earth():
        eop = orientation(times)
        utc = times.utc
        astrom = erfa.apco13(
            utc.jd1,
            utc.jd2,
            eop.ut1_minus_utc_s,
            np.deg2rad(place.longitude_deg),
            np.deg2rad(place.latitude_deg),
            place.height_m,
            eop.pole_rad[:, 0],
            eop.pole_rad[:, 1],
            place.pressure_hpa,
            place.temperature_c,
            place.relative_humidity,
            REFRACTION_WAVELENGTH_UM,
        )[0]
    rotation = _local_axes(astrom) @ astrom["bpn"]
    return EarthFrame(
        times=times,
        boost=_boost(astrom["v"], rotation),
        rotation=rotation,
        observer_au=np.array(astrom["eb"]),
        sun_to_observer=np.concatenate([astrom["eh"], astrom["em"][:, None]], axis=1),
        refraction=(float(astrom["refa"][0]), float(astrom["refb"][0])),
        orientation=eop,
    )


def _local_axes(astrom: np.ndarray) -> np.ndarray:
    """CIRS axes to ENU, (time, 3, 3): Earth rotation, polar motion, geodetic vertical (ERFA ``atioq``)."""
    cos_era, sin_era = np.cos(astrom["eral"]), np.sin(astrom["eral"])
    zero, one = np.zeros_like(cos_era), np.ones_like(cos_era)
    spin = _matrix([[cos_era, sin_era, zero], [-sin_era, cos_era, zero], [zero, zero, one]])
    sx, cx = np.sin(astrom["xpl"]), np.cos(astrom["xpl"])
    sy, cy = np.sin(astrom["ypl"]), np.cos(astrom["ypl"])
    wobble = _matrix([[cx, zero, sx], [sx * sy, cy, -cx * sy], [-sx * cy, sy, cx * cy]])
    sin_lat, cos_lat = astrom["sphi"], astrom["cphi"]
    vertical = _matrix([[zero, one, zero], [-sin_lat, zero, cos_lat], [cos_lat, zero, sin_lat]])
    return vertical @ wobble @ spin


def _matrix(rows: list[list[np.ndarray]]) -> np.ndarray:
    return np.moveaxis(np.array(rows), (0, 1), (-2, -1))


def _boost(velocity: np.ndarray, rotation: np.ndarray) -> np.ndarray:
    """Lorentz boost (velocity in units of c) followed by a rotation, (time, 4, 4)."""
    speed2 = np.einsum("ti,ti->t", velocity, velocity)
    gamma = 1.0 / np.sqrt(1.0 - speed2)
    outer = velocity[:, :, None] * velocity[:, None, :] * ((gamma - 1.0) / speed2)[:, None, None]
    matrix = np.empty((len(velocity), 4, 4))
    matrix[:, 0, 0] = gamma
    matrix[:, 0, 1:] = gamma[:, None] * velocity
    matrix[:, 1:, 0] = np.einsum("tij,tj->ti", rotation, gamma[:, None] * velocity)
    matrix[:, 1:, 1:] = rotation @ (np.eye(3) + outer)
    return matrix
