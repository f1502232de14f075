"""The air in the delay lines: its refractive index, and what its dispersion does to fringes.

Ciddor (1996, Appl. Opt. 35, 1566): refractivity of dry air and of water vapour
at standard conditions, each scaled by its density in the site's air. Constants
from memory of the paper's appendix; ``tests/test_air.py`` holds them against
its tables and other formulas. The water-vapour part was fitted to the visible
and checked up to 1.7 um: in longer bands the dispersion by water vapour is an
extrapolation.
"""

from __future__ import annotations

import math
from typing import overload

import numpy as np

from planner.scenario.array import Site

CO2_PPM = 450.0

KELVIN_AT_0_C = 273.15

# 1e8 (n - 1) of dry standard air is the sum of k/(c - s^2), s the wavenumber in 1/um.
DRY_AIR = ((5_792_105.0, 238.0185), (167_917.0, 57.362))
# 1e8 (n - 1) of standard water vapour is 1.022 times this polynomial in s^2.
WATER_VAPOUR = (295.235, 2.6422, -0.032380, 0.004028)


def _compressibility(pressure_pa: float, temperature_c: float, water: float) -> float:
    """Z of moist air, ``water`` the mole fraction of water vapour (Ciddor 1996, appendix A)."""
    t, ratio = temperature_c, pressure_pa / (temperature_c + KELVIN_AT_0_C)
    first = (
        1.58123e-6
        - 2.9331e-8 * t
        + 1.1043e-10 * t**2
        + (5.707e-6 - 2.051e-8 * t) * water
        + (1.9898e-4 - 2.376e-6 * t) * water**2
    )
    return 1.0 - ratio * first + ratio**2 * (1.83e-11 - 0.765e-8 * water**2)


def _water_fraction(site: Site) -> float:
    """Mole fraction of water vapour (Ciddor 1996, appendix A); saturation is over water, in frost too."""
    pressure_pa, kelvin = 100.0 * site.pressure_hpa, site.temperature_c + KELVIN_AT_0_C
    saturation_pa = math.exp(
        1.2378847e-5 * kelvin**2 - 1.9121316e-2 * kelvin + 33.93711047 - 6.3431645e3 / kelvin
    )
    enhancement = 1.00062 + 3.14e-8 * pressure_pa + 5.6e-7 * site.temperature_c**2
    # Air cannot hold more vapour than its pressure.
    return min(1.0, enhancement * site.relative_humidity * saturation_pa / pressure_pa)


def _moles(pressure_pa: float, temperature_c: float, water: float) -> float:
    """Moles in a cubic metre, times the gas constant."""
    return pressure_pa / (
        _compressibility(pressure_pa, temperature_c, water) * (temperature_c + KELVIN_AT_0_C)
    )


def _densities(site: Site) -> tuple[float, float]:
    """Densities of the dry part and of the water vapour, each over that of its standard.

    Molar masses and the gas constant, which the paper's densities hold, cancel.
    """
    water = _water_fraction(site)
    here = _moles(100.0 * site.pressure_hpa, site.temperature_c, water)
    return here * (1.0 - water) / _moles(101325.0, 15.0, 0.0), here * water / _moles(1333.0, 20.0, 1.0)


def _refractivity(site: Site, wavelength_um: np.ndarray, co2_ppm: float, group: bool) -> np.ndarray:
    """n - 1 or, by the derivative of s (n - 1) with respect to the wavenumber s, n_group - 1."""
    sigma2 = 1.0 / np.asarray(wavelength_um, dtype=float) ** 2
    if site.pressure_hpa == 0:
        return np.zeros_like(sigma2)
    dry, vapour = np.zeros_like(sigma2), np.zeros_like(sigma2)
    # d/ds of s k/(c - s^2) is k (c + s^2)/(c - s^2)^2; of s w s^(2m) it is (2m + 1) w s^(2m).
    for k, c in DRY_AIR:
        dry += k / (c - sigma2) * ((c + sigma2) / (c - sigma2) if group else 1.0)
    for m, w in enumerate(WATER_VAPOUR):
        vapour += w * (2 * m + 1 if group else 1) * sigma2**m
    dry_density, vapour_density = _densities(site)
    carbon_dioxide = 1.0 + 0.534e-6 * (co2_ppm - 450.0)
    return 1e-8 * (dry_density * carbon_dioxide * dry + vapour_density * 1.022 * vapour)


@overload
def phase_refractivity(site: Site, wavelength_um: float, co2_ppm: float = CO2_PPM) -> float: ...
@overload
def phase_refractivity(site: Site, wavelength_um: np.ndarray, co2_ppm: float = CO2_PPM) -> np.ndarray: ...
def phase_refractivity(
    site: Site, wavelength_um: float | np.ndarray, co2_ppm: float = CO2_PPM
) -> float | np.ndarray:
    """Return n - 1 of the site's air.

    Parameters
    ----------
    site : Site
        Its pressure, temperature and relative humidity.
    wavelength_um : float or ndarray (...)
        In vacuum.
    co2_ppm : float
        Carbon dioxide, parts per million by volume.

    Returns
    -------
    float or ndarray (...)
        As the wavelength; zero at pressure 0.

    Notes
    -----
    Ciddor (1996, Appl. Opt. 35, 1566), with water vapour and compressibility.
    """
    found = _refractivity(site, np.asarray(wavelength_um), co2_ppm, group=False)
    return found if isinstance(wavelength_um, np.ndarray) else float(found)


@overload
def group_refractivity(site: Site, wavelength_um: float, co2_ppm: float = CO2_PPM) -> float: ...
@overload
def group_refractivity(site: Site, wavelength_um: np.ndarray, co2_ppm: float = CO2_PPM) -> np.ndarray: ...
def group_refractivity(
    site: Site, wavelength_um: float | np.ndarray, co2_ppm: float = CO2_PPM
) -> float | np.ndarray:
    """Return n_group - 1 of the site's air, n_group = n + s dn/ds with s = 1/wavelength.

    Parameters
    ----------
    site : Site
        Its pressure, temperature and relative humidity.
    wavelength_um : float or ndarray (...)
        In vacuum.
    co2_ppm : float
        Carbon dioxide, parts per million by volume.

    Returns
    -------
    float or ndarray (...)
        As the wavelength; zero at pressure 0.

    Notes
    -----
    The exact derivative of ``phase_refractivity``.
    """
    found = _refractivity(site, np.asarray(wavelength_um), co2_ppm, group=True)
    return found if isinstance(wavelength_um, np.ndarray) else float(found)


def air_offset_m(
    delay_m: np.ndarray | float,
    tracking_um: float | np.ndarray,
    science_um: float | np.ndarray,
    site: Site,
) -> np.ndarray:
    """Return the path in the science band less the path in the tracking band, of one beam.

    Parameters
    ----------
    delay_m : ndarray or float
        Optical path D of a delay line in air, in the band that is tracked.
    tracking_um, science_um : float or ndarray
        Wavelengths in vacuum; all shapes broadcast.
    site : Site

    Returns
    -------
    ndarray
        Metres of optical path, positive where the science band sees the longer
        path. On a baseline the fringe packet is off by the difference of the
        two beams' values, to which their common offset adds nothing.

    Notes
    -----
    A line that gives D in the tracking band has D/n_g(tracking) of air; the
    science band sees D n_g(science)/n_g(tracking) there. Outside, the delay is
    the same in all bands.
    """
    tracking = np.asarray(group_refractivity(site, np.asarray(tracking_um)))
    science = np.asarray(group_refractivity(site, np.asarray(science_um)))
    # n_g/n_g' - 1 without the cancellation.
    return np.asarray(delay_m) * (science - tracking) / (1.0 + tracking)


def contrast(
    offset_m: np.ndarray | float, wavelength_um: np.ndarray | float, resolution: np.ndarray | float
) -> np.ndarray:
    """Return the part of the fringe contrast left in a channel whose paths are not equal.

    Parameters
    ----------
    offset_m : ndarray or float
        Path difference.
    wavelength_um, resolution : ndarray or float
        Centre of the channel, and that over its width; shapes broadcast.

    Returns
    -------
    ndarray
        |sin(pi y)/(pi y)| with y the path difference over the coherence length
        wavelength * resolution: the transform of a rectangular channel (any
        textbook of optics).
    """
    length_m = 1e-6 * np.asarray(wavelength_um) * np.asarray(resolution)
    return np.abs(np.sinc(np.asarray(offset_m) / length_m))
