"""The model of light across an edge, checked part by part against integrals."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import erf

from wearscope.light.arc import (
    arc_light,
    facets,
    light_parts,
    mirrored_beyond,
    parts_and_slopes,
    smith_g1,
)
from wearscope.light.parameters import LightParameters

RING = np.radians(40.0)
WORN = LightParameters(20.0, 30.0, RING, roughness=0.15, blur_um=3.8, tail=0.45)


@pytest.mark.parametrize("tail", [0.02, 0.3, 0.5])
@pytest.mark.parametrize("roughness", [0.05, 0.15])
def test_projected_area_of_the_facets(roughness, tail):
    # facets project on to the surface once (Walter et al., EGSR 2007, equation 4, from memory), which leaves π α² / (1 - κ)
    area, _ = quad(
        lambda a: float(facets(np.cos(a), roughness, tail)) * np.cos(a) * 2 * np.pi * np.sin(a),
        0,
        np.pi / 2,
        limit=500,
        points=[roughness],
    )
    assert area == pytest.approx(np.pi * roughness**2 / (1 - tail), rel=0.01)


def test_the_lobe_lies_between_two_known_ones():
    # Beckmann exp(-tan² δ / α²) / cos⁴ δ, and Trowbridge-Reitz 1 / (cos² δ (α² - 1) + 1)² for α √2 (same paper, from memory)
    cosine = np.cos(np.linspace(0.0, 0.6, 50))
    tan2 = 1 / cosine**2 - 1
    np.testing.assert_allclose(
        facets(cosine, 0.2, 1e-5), np.exp(-tan2 / 0.2**2) / cosine**4, rtol=2e-3, atol=1e-12
    )
    a2 = 2 * 0.2**2
    # written with the cosine: a⁴ / (cos² (a² - 1) + 1)²
    np.testing.assert_allclose(facets(cosine, 0.2, 0.5), (a2 / (cosine**2 * (a2 - 1) + 1)) ** 2, rtol=1e-9)


@pytest.mark.parametrize("tail", [0.05, 0.3, 0.5])
def test_share_of_facets_beyond_the_horizon(tail):
    # the two-dimensional lobe integrated over all slopes steeper than the one that mirrors the horizon
    roughness, lean = 0.15, np.radians(40.0)
    rng = np.random.default_rng(5)
    # s = α sqrt(((1 - p)^(-κ / (1 - κ)) - 1) / κ) for p uniform: the lobe's own distribution of slopes, inverted
    s = roughness * np.sqrt(((1 - rng.uniform(size=400_000)) ** (-tail / (1 - tail)) - 1) / tail)
    across = s * np.cos(rng.uniform(0, 2 * np.pi, s.size))
    share = np.mean(np.arctan(across) + lean > np.pi / 4)
    assert float(mirrored_beyond(np.array(lean), np.pi / 2, roughness, tail)) == pytest.approx(
        share, abs=0.004
    )


@pytest.mark.parametrize("roughness", [0.05, 0.15, 0.4])
def test_hidden_facets(roughness):
    # the exact form that the rational one approximates to a relative error below 0.35 % (same paper, from memory)
    cosine = np.cos(np.radians(np.arange(1.0, 89.0)))
    a = cosine / np.sqrt(1 - cosine**2) / roughness
    exact = 2.0 / (1.0 + erf(a) + np.exp(-(a**2)) / (a * np.sqrt(np.pi)))
    np.testing.assert_allclose(smith_g1(cosine, roughness), exact, rtol=4e-3)


def test_a_nearly_smooth_arc_mirrors_the_ring_halfway():
    # the mirror law: lamps square to the edge at angle θ are seen where the normal leans by θ/2
    leans = np.linspace(0.0, 1.0, 2001)
    ring, axial, _ = arc_light(leans, RING, 0.02, 0.1)
    assert leans[np.argmax(axial)] == pytest.approx(0.0, abs=0.01)
    # off-square lamps pull the brightest place inward, never outward
    brightest = np.degrees(np.arcsin(leans[np.argmax(ring)]))
    assert 18.5 < brightest < 20.3


def test_where_the_arc_mirrors_the_card():
    # a ray that meets a normal leaning by more than 45 degrees is thrown below the face
    for lean_deg, share in ((30.0, 0.0), (45.0, 0.5), (60.0, 1.0)):
        card = arc_light(np.array([np.sin(np.radians(lean_deg))]), RING, 0.05, 0.1)[2]
        assert card[0] == pytest.approx(share, abs=1e-3)


def test_the_silhouette_ends_the_background():
    parts = light_parts(np.arange(-80.0, 150.0, 0.1), replace_blur(WORN, 0.5), 25.0)
    at = np.arange(-80.0, 150.0, 0.1)
    silhouette_um = WORN.silhouette_um
    assert silhouette_um == pytest.approx(20.0 - 30.0 * (1 - np.sin(RING / 2)))
    assert np.interp(0.5, 1.0 - parts[0], at) == pytest.approx(silhouette_um, abs=0.05)
    # the lamp's image: r (1 - sin(θ/2)) inside, and deeper by what off-square lamps add
    brightest = at[np.argmax(parts[4])]
    assert 0.0 <= brightest - WORN.line_um < 0.1 * WORN.radius_um
    assert parts[2:6, at < silhouette_um - 3.0].max() < 1e-6


def replace_blur(parameters, blur_um):
    return replace(parameters, blur_um=blur_um)


@pytest.mark.parametrize("blur_um", [3.0, 6.0])
def test_blur_is_gaussian(blur_um):
    # the blurred parts are the sharp ones convolved with a normal distribution
    fine = np.arange(-120.0, 180.0, 0.25)
    sharp = light_parts(fine, replace_blur(WORN, 0.3), 25.0)
    blurred = light_parts(fine, replace_blur(WORN, blur_um), 25.0)
    reach = np.arange(-8 * blur_um, 8 * blur_um + 0.25, 0.25)
    kernel = np.exp(-0.5 * reach**2 / (blur_um**2 - 0.3**2))
    kernel /= kernel.sum()
    inner = (fine > -40.0) & (fine < 90.0)
    for one, other in zip(sharp, blurred, strict=True):
        np.testing.assert_allclose(other[inner], np.convolve(one, kernel, "same")[inner], atol=0.015)


@pytest.mark.parametrize(
    ("radius_um", "roughness", "blur_um"), [(4.0, 0.15, 3.6), (25.0, 0.05, 2.0), (60.0, 0.3, 3.0)]
)
def test_the_light_of_the_arc_is_added_up_exactly(radius_um, roughness, blur_um):
    # against adaptive quadrature over the same arc: QUADPACK, through scipy
    parameters = LightParameters(0.6 * radius_um, radius_um, RING, roughness, blur_um, 0.45)
    silhouette_um = parameters.silhouette_um
    at_lamp = float(arc_light(np.array([np.sin(RING / 2.0)]), RING, roughness, 0.45)[0][0])
    d_um = silhouette_um + radius_um * np.array([-0.1, 0.2, 0.5, 0.9, 1.1])
    ring = light_parts(d_um, parameters, 25.0)[4]
    for place_um, light in zip(d_um, ring, strict=True):

        def seen(x_um, place_um=place_um):
            sin_phi = np.array([max(1.0 - (x_um - silhouette_um) / radius_um, 0.0)])
            spread = np.exp(-0.5 * ((place_um - x_um) / blur_um) ** 2) / (blur_um * np.sqrt(2.0 * np.pi))
            return float(arc_light(sin_phi, RING, roughness, 0.45)[0][0]) / at_lamp * spread

        breaks = silhouette_um + radius_um * (1.0 - np.sin([0.0, RING / 2.0]))
        last_um = max(place_um, silhouette_um + radius_um) + 9.0 * blur_um
        exact = quad(
            seen, silhouette_um, last_um, points=[*breaks, place_um], limit=200, epsabs=1e-6, epsrel=1e-6
        )[0]
        assert light == pytest.approx(exact, abs=2e-4)


@pytest.mark.parametrize(
    ("radius_um", "roughness", "blur_um"), [(4.0, 0.15, 3.6), (25.0, 0.05, 2.0), (60.0, 0.3, 3.1)]
)
def test_slopes_of_the_parts(radius_um, roughness, blur_um):
    d_um = np.arange(-60.0, 120.0, 3.5)
    parameters = LightParameters(0.6 * radius_um, radius_um, RING, roughness, blur_um, 0.45)
    parts, slopes = parts_and_slopes(d_um, parameters, 25.0)
    np.testing.assert_array_equal(parts, light_parts(d_um, parameters, 25.0))
    for k, step in enumerate((1e-3, 1e-3, 1e-4, 1e-5, 1e-3, 1e-4)):
        aside = step * np.eye(8)[k]
        there, back = (LightParameters.unpacked(parameters.packed() + side * aside) for side in (1.0, -1.0))
        stepped = light_parts(d_um, there, 25.0) - light_parts(d_um, back, 25.0)
        stepped /= 2.0 * step
        np.testing.assert_allclose(slopes[k], stepped, atol=0.01 * np.abs(stepped).max())
