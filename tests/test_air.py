"""The air in the lines: by hand, against published tables and other formulas, laws, every wavelength.

[M] marks a value or formula that stands here from memory, not read in its source.
"""

from __future__ import annotations

import erfa
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner.geometry.air import air_offset_m, contrast, group_refractivity, phase_refractivity
from planner.scenario.array import Site

WAVELENGTHS_UM = np.array([0.4, 0.5, 0.633, 0.85, 1.25, 1.65, 2.2])


def air(pressure_hpa=1013.25, temperature_c=15.0, relative_humidity=0.0):
    dry = Site(name="x", latitude_deg=0.0, longitude_deg=0.0, height_m=0.0)
    changed = {
        "pressure_hpa": pressure_hpa,
        "temperature_c": temperature_c,
        "relative_humidity": relative_humidity,
    }
    return dry.model_copy(update=changed)  # not checked: a published table goes beyond the weather


airs = st.builds(air, st.floats(500.0, 1050.0), st.floats(-20.0, 35.0), st.floats(0.0, 1.0))


# By hand.


def test_a_path_difference_of_a_coherence_length_leaves_no_fringes_and_half_of_it_two_over_pi():
    # 2 um with a resolution of 50: a coherence length of 100 um.
    offset = np.array([0.0, 50e-6, -50e-6, 100e-6])
    assert contrast(offset, 2.0, 50.0) == pytest.approx([1.0, 2 / np.pi, 2 / np.pi, 0.0], abs=1e-15)


def test_without_air_nothing_is_refracted():
    vacuum = air(pressure_hpa=0.0, relative_humidity=0.5)
    assert (phase_refractivity(vacuum, 0.6), group_refractivity(vacuum, 0.6)) == (0.0, 0.0)
    assert air_offset_m(100.0, 2.2, 0.6, vacuum) == 0.0


def test_a_line_that_is_right_in_the_infrared_is_too_long_in_the_visible():
    # 100 m at 2.2 um is 100/n_g(2.2) of air, which the visible sees n_g(0.6) times as long.
    site = air(740.0, 10.0, 0.2)
    tracking, science = (1.0 + group_refractivity(site, wavelength) for wavelength in (2.2, 0.6))
    offset = air_offset_m(100.0, 2.2, 0.6, site)
    assert offset > 0
    assert offset == pytest.approx(100.0 / tracking * science - 100.0, abs=1e-13)


# The outside.


@pytest.mark.parametrize(
    ("temperature_c", "pressure_hpa", "published"),
    [
        (20.0, 800.0, 21458.0),
        (20.0, 1000.0, 26824.4),
        (20.0, 1200.0, 32191.6),
        (10.0, 1000.0, 27774.7),
        (30.0, 1000.0, 25937.2),
    ],
)
def test_dry_air_at_633_nm_refracts_as_in_ciddors_table(temperature_c, pressure_hpa, published):
    # Ciddor (1996, Appl. Opt. 35, 1566), table 1 [M], in 1e-8 with one decimal.
    found = 1e8 * phase_refractivity(air(pressure_hpa, temperature_c), 0.633)
    assert found == pytest.approx(published, abs=0.05)


def test_the_air_of_a_laboratory_refracts_as_a_metrology_institute_says():
    # NIST, Engineering Metrology Toolbox [M]: 20 C, 101.325 kPa, 50 % humidity, 633 nm: n = 1.000271373,
    # nine decimals.
    assert 1.0 + phase_refractivity(air(1013.25, 20.0, 0.5), 0.633) == pytest.approx(1.000271373, abs=1e-9)


def birch_downs(wavelength_um, pressure_pa, temperature_c):
    """n - 1 of dry air, 450 ppm CO2: Edlen's formula as changed by Birch & Downs (Metrologia 31, 315) [M]."""
    sigma2 = wavelength_um**-2
    standard = 1e-8 * (8342.54 + 2_406_147.0 / (130.0 - sigma2) + 15_998.0 / (38.9 - sigma2))
    crowd = 1.0 + 1e-8 * (0.601 - 0.00972 * temperature_c) * pressure_pa
    return pressure_pa * standard / 96095.43 * crowd / (1.0 + 0.0036610 * temperature_c)


@pytest.mark.parametrize(("pressure_hpa", "temperature_c"), [(1013.25, 15.0), (740.0, 5.0), (600.0, 30.0)])
def test_dry_air_refracts_as_in_the_other_formula_of_metrologists(pressure_hpa, temperature_c):
    # Both claim a few 1e-8 in the visible; 3e-8 of 100 m is 3 um.
    wavelengths = WAVELENGTHS_UM[:4]
    published = birch_downs(wavelengths, 100 * pressure_hpa, temperature_c)
    assert phase_refractivity(air(pressure_hpa, temperature_c), wavelengths) == pytest.approx(
        published, abs=3e-8
    )


def test_vapour_lowers_the_index_as_metrologists_measured():
    # Birch & Downs (1994, Metrologia 31, 315) [M]: -f (3.7345 - 0.0401/l^2) 1e-10, f in Pa; to 1 %.
    # Half of the saturation pressure at 20 C, 2338.8 Pa (IAPWS) [M].
    lowered = phase_refractivity(air(1013.25, 20.0, 0.5), 0.633) - phase_refractivity(
        air(1013.25, 20.0), 0.633
    )
    assert lowered == pytest.approx(-1169.4 * (3.7345 - 0.0401 / 0.633**2) * 1e-10, rel=0.01)


@pytest.mark.parametrize("humidity", [0.0, 0.2, 0.8])
@pytest.mark.parametrize(("pressure_hpa", "temperature_c"), [(1013.25, 15.0), (740.0, 10.0), (740.0, -10.0)])
def test_air_refracts_as_erfas_refraction_takes_it_to(pressure_hpa, temperature_c, humidity):
    # ERFA refco [M]: A = (n - 1)(1 - beta), beta = 4.4474e-6 T the scale height over the Earth's radius. Its
    # air is an ideal gas of an older formula: 3e-4 of n - 1.
    for wavelength in WAVELENGTHS_UM:
        a, _ = erfa.refco(pressure_hpa, temperature_c, humidity, wavelength)
        expected = a / (1.0 - 4.4474e-6 * (temperature_c + 273.15))
        found = phase_refractivity(air(pressure_hpa, temperature_c, humidity), float(wavelength))
        assert found == pytest.approx(expected, rel=3e-4)


def test_pure_vapour_is_as_dense_as_in_the_steam_tables():
    # Steam tables (IAPWS) [M]: at 20 C and 2339 Pa, 57.76 m3/kg: p V/(R T) = 0.9986 at 18.015 g/mol.
    # At 1 Pa it is an ideal gas. Humidity 2 makes either all vapour.
    dense, thin = (phase_refractivity(air(p, 20.0, 2.0), 0.633) / p for p in (23.39, 0.01))
    assert thin / dense == pytest.approx(0.9986, abs=3e-4)


def test_the_groups_index_is_the_derivative_of_ciddors_phase_index():
    # Ciddor (1996), eq. 1 [M]: standard air, 15 C, 101325 Pa, dry.
    def phase(wavelength_um):
        sigma2 = wavelength_um**-2
        return 1e-8 * (5792105.0 / (238.0185 - sigma2) + 167917.0 / (57.362 - sigma2))

    step = 1e-4 * WAVELENGTHS_UM
    slope = (phase(WAVELENGTHS_UM + step) - phase(WAVELENGTHS_UM - step)) / (2 * step)
    expected = phase(WAVELENGTHS_UM) - WAVELENGTHS_UM * slope
    assert group_refractivity(air(), WAVELENGTHS_UM) == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize("humidity", [0.0, 0.5, 1.0])
@pytest.mark.parametrize("temperature_c", [0.0, 10.0, 20.0])
def test_the_groups_index_is_near_the_geodesists_formula(temperature_c, humidity):
    # IUGG resolution 3 of 1999 [M], closed form for 375 ppm CO2, said to be right to 0.25e-6:
    # N = (273.15/1013.25) (p/T) (287.6155 + 4.8866/l^2 + 0.068/l^4) - 11.27 e/T, e of vapour, hPa.
    # Saturation: Magnus' formula, 6.112 exp(17.62 t/(243.12 + t)) hPa (WMO) [M].
    kelvin = temperature_c + 273.15
    vapour_hpa = humidity * 6.112 * np.exp(17.62 * temperature_c / (243.12 + temperature_c))
    lengths = WAVELENGTHS_UM[2:]
    standard = 287.6155 + 4.8866 / lengths**2 + 0.068 / lengths**4
    published = 1e-6 * (standard * 273.15 / kelvin - 11.27 * vapour_hpa / kelvin)
    found = group_refractivity(air(1013.25, temperature_c, humidity), lengths)
    assert found == pytest.approx(published, abs=0.25e-6)


# Laws.


@given(airs, st.floats(0.4, 5.0), st.floats(0.0, 1000.0))
def test_the_group_is_slower_by_the_slope_of_the_phase(site, wavelength, co2_ppm):
    step = 1e-3 * wavelength
    lengths = wavelength + step * np.array([-2, -1, 1, 2])
    n = phase_refractivity(site, lengths, co2_ppm)
    slope = (n[0] - 8 * n[1] + 8 * n[2] - n[3]) / (12 * step)
    expected = phase_refractivity(site, wavelength, co2_ppm) - wavelength * slope
    # Differences of numbers with 1e-16 of 3e-4, over 1e-3: 1e-13 at most.
    assert group_refractivity(site, wavelength, co2_ppm) == pytest.approx(expected, abs=1e-12)


@given(airs, st.sampled_from(list(WAVELENGTHS_UM)), st.floats(1.0, 30.0))
def test_denser_drier_and_richer_air_refracts_more_and_so_does_bluer_light(site, wavelength, more):
    for refractivity in (phase_refractivity, group_refractivity):
        here = refractivity(site, wavelength)
        denser = site.model_copy(update={"pressure_hpa": site.pressure_hpa + more})
        warmer = site.model_copy(update={"temperature_c": site.temperature_c + more})
        moister = site.model_copy(update={"relative_humidity": site.relative_humidity + more / 100})
        assert refractivity(denser, wavelength) > here
        assert refractivity(warmer, wavelength) < here
        assert refractivity(site, wavelength * (1 + more / 100)) < here
        assert refractivity(site, wavelength, 450.0 + more) > here
        assert phase_refractivity(moister, wavelength) < phase_refractivity(site, wavelength)
    assert group_refractivity(site, wavelength) > phase_refractivity(site, wavelength)


@given(airs, st.floats(0.4, 2.5), st.floats(0.4, 2.5), st.floats(-300.0, 300.0))
def test_the_bands_offset_is_undone_by_tracking_in_the_other_band(site, tracking, science, delay):
    seen = delay + air_offset_m(delay, tracking, science, site)
    assert seen + air_offset_m(seen, science, tracking, site) == pytest.approx(delay, abs=1e-12)
    assert air_offset_m(delay, tracking, tracking, site) == 0.0


@given(airs, st.lists(st.floats(0.0, 100.0), min_size=2, max_size=4), st.floats(0.0, 50.0))
def test_a_common_offset_moves_the_fringes_of_no_baseline(site, delays, common):
    here = air_offset_m(np.array(delays), 2.2, 0.7, site)
    moved = air_offset_m(np.array(delays) + common, 2.2, 0.7, site)
    assert np.ptp(moved - here) < 1e-15


def test_no_weather_gives_more_vapour_than_air():
    # In thin warm air the saturation pressure is above the pressure: all is vapour.
    thin = air(5.0, 30.0, 0.5)
    assert phase_refractivity(thin, 0.6) == phase_refractivity(air(5.0, 30.0, 1.0), 0.6)
    assert 0 < phase_refractivity(thin, 0.6) < phase_refractivity(air(5.0, 30.0), 0.6)


# Every wavelength of a channel.


@given(st.floats(-500e-6, 500e-6), st.floats(0.5, 5.0), st.floats(5.0, 1000.0))
def test_the_contrast_is_the_mean_of_the_fringes_over_the_channel(offset, wavelength, resolution):
    # A channel of width l/R is 1/(l R) wide in wavenumber; the middles of 4,000 slices of it.
    slices = (np.arange(4000) + 0.5) / 4000 - 0.5
    wavenumber = (1.0 + slices / resolution) / (1e-6 * wavelength)
    fringes = np.exp(2j * np.pi * offset * wavenumber)
    assert contrast(offset, wavelength, resolution) == pytest.approx(abs(fringes.mean()), abs=1e-3)
