"""What the fringes are worth: disks and cells by hand, published stars, laws, a second count.

[M] marks a value that stands here from memory, not read in its source.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.optimize import brentq, minimize_scalar
from scipy.special import j0

from planner.science.coverage import cell_codes, cells_of
from planner.science.source import limb_darkened_disk_visibility, uniform_disk_visibility
from planner.units import RAD_PER_MAS

# One milliarcsecond and one micrometre: theta B / lambda = 1 at this baseline.
UNIT_M = 1e-6 / RAD_PER_MAS


def uniform(cycles):
    """A uniform disk at theta B / lambda."""
    return uniform_disk_visibility(1.0, UNIT_M * np.asarray(cycles), 1.0)


def darkened(cycles, darkening):
    return limb_darkened_disk_visibility(1.0, UNIT_M * np.asarray(cycles), 1.0, darkening)


def cells(uv_m, wavelengths_um=(2.2,), field_mas=20.0):
    return cells_of(cell_codes(np.asarray(uv_m, dtype=float), wavelengths_um, field_mas))


# By hand.


def test_a_point_and_a_baseline_of_no_length_see_full_fringes():
    assert uniform_disk_visibility(0.0, 100.0, 2.2) == 1.0
    assert uniform_disk_visibility(5.0, 0.0, 2.2) == 1.0
    assert limb_darkened_disk_visibility(0.0, 100.0, 2.2, 0.5) == 1.0


def test_a_small_disk_loses_an_eighth_of_x_squared():
    # 2 J1(x)/x = 1 - x^2/8 + x^4/192 - ...: x = 0.1 gives 0.998750521.
    assert uniform(0.1 / np.pi) == pytest.approx(0.998750521, abs=1e-9)


def test_the_fringes_of_a_disk_turn_over_beyond_the_null():
    assert uniform(1.2) > 0 > uniform(1.24)


def test_cells_are_counted_in_units_of_one_over_the_field():
    # lambda / W = 2.2 um / (20 mas = 9.6963e-8 rad) = 22.689 m: 100 m is 4.41 cells, 60 m 2.64, 11 m 0.48.
    assert cells([[100.0, 60.0]]) == ((4, 3),)
    assert cells([[11.0, -11.0]]) == ((0, 0),)
    assert cells([[-12.0, 100.0]]) == ((-1, 4),)


def test_each_channel_fills_its_own_cell():
    # At 1.1 um the same 100 m are 8.81 cells.
    assert cells([[100.0, 0.0]], (2.2, 1.1)) == ((4, 0), (9, 0))


def test_a_baseline_and_its_reverse_fill_one_cell():
    assert cells([[100.0, -60.0], [-100.0, 60.0]]) == ((-4, 3),)
    assert cells([[-100.0, 0.0], [100.0, 1.0]]) == ((4, 0),)


def test_a_sample_on_the_edge_of_two_cells_stays_with_its_conjugate():
    edge_m = 0.5 * 2.2e-6 / (20.0 * RAD_PER_MAS)
    for u in (edge_m, 3 * edge_m, np.nextafter(edge_m, 0.0), np.nextafter(edge_m, 100.0)):
        assert len(cells([[u, 30.0], [-u, -30.0]])) == 1


# The outside.


def test_the_nulls_and_the_side_lobe_of_a_disk_are_those_of_the_airy_pattern():
    # Zeros of J1 over pi and the first side lobe, any table of the Airy pattern [M]: 1e-6.
    assert brentq(uniform, 1.1, 1.3) == pytest.approx(1.219670, abs=1e-6)
    assert brentq(uniform, 2.1, 2.3) == pytest.approx(2.233131, abs=1e-6)
    lobe = minimize_scalar(lambda c: -(uniform(c) ** 2), bounds=(1.25, 2.2), method="bounded")
    assert -lobe.fun == pytest.approx(0.017498, abs=1e-6)


def test_betelgeuse_has_the_diameter_that_michelson_and_pease_found():
    # Michelson & Pease (1921, ApJ 53, 249): fringes vanish at 121 inches [M], 575 nm; 47 mas published: 0.5.
    diameter = brentq(lambda mas: uniform_disk_visibility(mas, 121 * 0.0254, 0.575), 20.0, 70.0)
    assert diameter == pytest.approx(47.0, abs=0.5)
    assert diameter == pytest.approx(47.067, abs=1e-3)  # 1.21967 x 575 nm / 3.0734 m


@pytest.mark.parametrize(
    ("uniform_mas", "darkened_mas", "error_mas"),
    [(5.60, 5.89, 0.16), (3.08, 3.24, 0.07), (0.70, 0.72, 0.04)],
    ids=["Sirius", "Vega", "gamma Ori"],
)
def test_the_intensity_interferometers_two_diameters_of_a_star_belong_together(
    uniform_mas, darkened_mas, error_mas
):
    # Hanbury Brown, Davis & Allen (1974, MNRAS 167, 121): limb-darkened diameters and their errors; uniform
    # ones, 443 nm and a darkening near 0.6 (hot stars less) from memory [M]. Tolerance: the published error.
    baseline = brentq(lambda b: uniform_disk_visibility(uniform_mas, b, 0.443) ** 2 - 0.5, 0.1, 188.0)
    wider = brentq(
        lambda mas: limb_darkened_disk_visibility(mas, baseline, 0.443, 0.6) ** 2 - 0.5,
        0.9 * uniform_mas,
        1.3 * uniform_mas,
    )
    assert wider == pytest.approx(darkened_mas, abs=error_mas)


def test_a_fully_darkened_disk_vanishes_at_its_published_null():
    # tan x = x at 4.493409 (first zero of the spherical Bessel function j1, any table [M]): /pi is 1.430297.
    null = brentq(lambda c: darkened(c, 1.0), 1.2, 1.6)
    assert null == pytest.approx(1.430297, abs=1e-6)
    assert null * np.pi == pytest.approx(4.493409, abs=1e-6)


@pytest.mark.parametrize(
    ("darkening", "ratio"), [(0.2, 1.01460), (0.4, 1.03227), (0.6, 1.05409), (0.8, 1.08176), (1.0, 1.11803)]
)
def test_a_darkened_disk_looks_smaller_by_the_known_factor_on_short_baselines(darkening, ratio):
    # theta_LD/theta_UD = sqrt((1 - u/3)/(1 - 7u/15)) at V^2 near 1 [M]: 1e-4, the next term of the series.
    short = darkened(0.02, darkening)
    same = brentq(lambda c: uniform(c) - short, 0.01, 0.03)
    assert 0.02 / same == pytest.approx(ratio, abs=1e-4)


# Laws.

cycles = st.just(0.0) | st.floats(1e-9, 10.0)
metres = st.floats(-400.0, 400.0)
uv_points = st.lists(st.tuples(metres, metres), min_size=1, max_size=12)
fields = st.floats(0.5, 2000.0)


@given(cycles, st.floats(0.0, 1.0))
def test_no_disk_has_more_than_full_fringes_and_an_undarkened_one_is_uniform(at, darkening):
    assert abs(uniform(at)) <= 1.0 + 1e-12
    assert abs(darkened(at, darkening)) <= 1.0 + 1e-12
    assert darkened(at, 0.0) == pytest.approx(uniform(at), abs=1e-12)


@given(cycles, st.floats(0.1, 10.0))
def test_only_the_product_of_diameter_and_baseline_over_wavelength_counts(at, factor):
    assert uniform_disk_visibility(factor, UNIT_M * at / factor, 1.0) == pytest.approx(uniform(at), abs=1e-10)
    assert uniform_disk_visibility(1.0, UNIT_M * at * factor, factor) == pytest.approx(uniform(at), abs=1e-10)


@given(cycles, cycles)
def test_inside_the_first_null_a_longer_baseline_sees_less(one, other):
    near, far = sorted((min(one, 1.2), min(other, 1.2)))
    assert uniform(far) <= uniform(near) + 1e-12


@given(uv_points, fields)
def test_a_sample_and_its_conjugate_always_share_a_cell(points, field):
    uv, wavelengths = np.array(points), (1.6, 2.2)
    assert np.array_equal(cell_codes(uv, wavelengths, field), cell_codes(-uv, wavelengths, field))


@given(uv_points, fields, st.floats(1.01, 4.0))
def test_a_wavelength_and_a_field_scaled_together_leave_every_cell(points, field, factor):
    uv = np.array(points)
    scaled = uv * field * RAD_PER_MAS / 2.2e-6
    assume(np.abs(np.abs(scaled - np.floor(scaled)) - 0.5).min() > 1e-9)
    assert cells(uv, (2.2,), field) == cells(uv, (2.2 * factor,), field * factor)


@given(uv_points, uv_points, fields)
def test_more_samples_never_fill_fewer_cells(points, more, field):
    assert set(cells(points, (2.2,), field)) <= set(cells(points + more, (2.2,), field))


# A second way.


@given(st.floats(0.0, 4.0), st.floats(0.0, 1.0))
def test_a_darkened_disk_is_the_hankel_transform_of_its_brightness(at, darkening):
    # V = int I(r) J0(x r) r dr / int I(r) r dr, I = 1 - u (1 - mu), mu = sqrt(1 - r^2), r = 1 at the limb,
    # integrated over mu, in which r dr = -mu dmu.
    def brightness(mu):
        return (1.0 - darkening * (1.0 - mu)) * mu

    x = np.pi * at
    above = quad(lambda mu: brightness(mu) * j0(x * np.sqrt(1.0 - mu * mu)), 0.0, 1.0, epsabs=1e-12)[0]
    assert darkened(at, darkening) == pytest.approx(above / quad(brightness, 0.0, 1.0)[0], abs=1e-9)


@given(uv_points, st.sampled_from([(2.2,), (1.5, 1.65, 1.8), (0.55, 2.2)]), fields)
def test_cells_are_those_that_counting_one_sample_at_a_time_finds(points, wavelengths, field):
    found = set()
    for u, v in points:
        for wavelength in wavelengths:
            scale = field * RAD_PER_MAS / (wavelength * 1e-6)
            assume(min(abs(abs(x * scale) % 1.0 - 0.5) for x in (u, v)) > 1e-9)
            cell = (round(u * scale), round(v * scale))
            found.add(max(cell, (-cell[0], -cell[1]), key=lambda c: (c[1], c[0])))
    assert cells(points, wavelengths, field) == tuple(sorted(found, key=lambda c: (c[1], c[0])))
