"""Detection against photutils and sep, which astronomers find stars with, on a plain field.

sep is the library of Source Extractor (Bertin & Arnouts 1996, Barbary 2016). The field has white
Gaussian noise of a known sigma and Gaussian sources of rising strength at subpixel places.
"""

from __future__ import annotations

import numpy as np
import pytest
from photutils.detection import find_peaks
from scene import plain_field, render
from scipy.ndimage import gaussian_filter
from scipy.stats import poisson

from leakcheck import Settings, check
from leakcheck.openings import Openings
from leakcheck.photo import photo_from_array
from leakcheck.seeds import Plane, find_seeds
from leakcheck.spots import grow_spots

sep = pytest.importorskip("sep", reason="sep has no wheel for this machine")

NOISE = 0.01
SPREAD_PX = 2.0  # of sources, and of the filter that they are sought with
# Peak / noise averaged over a Gaussian of that spread: what a matched filter reports.
STRENGTHS = np.array([1.5, 2.0, 2.5, 7.0, 8.0, 10.0, 14.0, 20.0, 30.0] * 3)
FALSE_ALARMS = 0.05


def field(seed: int) -> tuple[np.ndarray, np.ndarray]:
    """An image with sources, (rows, cols), and their places (n, 2) as x, y."""
    rng = np.random.default_rng(seed)
    image = rng.normal(0, NOISE, (420, 620))
    y, x = np.mgrid[:420, :620]
    places = []
    for k, strength in enumerate(rng.permutation(STRENGTHS)):
        at = np.array([40 + 60 * (k % 9), 70 + 120 * (k // 9)]) + rng.uniform(-3, 3, 2)
        # A filter of the source's own width halves its peak and leaves 1 / (2 sqrt(pi) s) noise.
        peak = 2 * strength * NOISE / (2 * np.sqrt(np.pi) * SPREAD_PX)
        image += peak * np.exp(-((x - at[0]) ** 2 + (y - at[1]) ** 2) / (2 * SPREAD_PX**2))
        places.append((*at, strength))
    return image.astype(np.float32), np.array(places)


def ours(image: np.ndarray) -> tuple[np.ndarray, float]:
    """Places x, y and significances of the search's own spots at one scale, and its cut."""
    plane = Plane("luminance", image, np.full_like(image, NOISE**2), (SPREAD_PX,))
    whole = np.ones(image.shape, bool)
    seeds, cuts = find_seeds((plane,), whole, false_alarms=FALSE_ALARMS)
    spots, _ = grow_spots(seeds, (plane,), whole)
    return np.array([(s.col, s.row, s.significance) for s in spots]), cuts[0].sigma


def by_sep(image: np.ndarray, sigma: float) -> np.ndarray:
    """The same by sep's matched filter, cut at the same sigma."""
    u = np.arange(-8, 9)
    kernel = np.exp(-(u[:, None] ** 2 + u[None] ** 2) / (2 * SPREAD_PX**2))
    found = sep.extract(
        image,
        sigma,
        err=np.full_like(image, NOISE),  # one number would switch the matched filter off
        filter_kernel=kernel,
        filter_type="matched",
        minarea=1,
    )
    return np.column_stack([found["x"], found["y"]])


def by_photutils(image: np.ndarray, sigma: float) -> np.ndarray:
    """The same by photutils' peaks of the image averaged over the source's shape."""
    averaged = gaussian_filter(image, SPREAD_PX)
    spread = NOISE / (2 * np.sqrt(np.pi) * SPREAD_PX)
    peaks = find_peaks(averaged, sigma * spread, box_size=9)
    return np.column_stack([peaks[c] for c in ("x_peak", "y_peak")])


def seen(places: np.ndarray, found: np.ndarray) -> np.ndarray:
    """Which places have something found within two spreads."""
    apart = np.hypot(*(places[:, None, :2] - found[None, :, :2]).T).T
    return apart.min(axis=1) < 2 * SPREAD_PX


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_same_sources_at_the_same_sigma(seed):
    """Every source well above the cut is found by all three, every one well below by none.

    Between 0.6 and 1.5 of the cut noise decides: it moves each by one sigma, and the cut is four.
    Two peaks of noise may pass at this cut, in ours as in sep; photutils counts more of them, on
    the flanks of sources.
    """
    image, places = field(seed)
    found, cut = ours(image)
    sure, hopeless = places[:, 2] > 1.5 * cut, places[:, 2] < 0.6 * cut
    assert sure.sum() >= 9
    assert hopeless.sum() >= 9
    for others in (found, by_sep(image, cut), by_photutils(image, cut)):
        there = seen(places, others)
        assert there[sure].all(), places[sure][~there[sure]]
        assert not there[hopeless].any(), places[hopeless][there[hopeless]]
    for others in (found, by_sep(image, cut)):
        assert (~seen(others, places)).sum() <= 2
    agree = seen(places, found) == seen(places, by_sep(image, cut))
    assert agree.mean() > 0.9


def test_significance_is_in_the_same_sigma():
    """Ours over what a matched filter has by theory, the median of 48 sources: within 0.15.

    Blocks of two pixels beside subpixel places and the surroundings' median take a tenth off.
    """
    ratios = []
    for seed in range(4, 8):
        image, places = field(seed)
        found, _ = ours(image)
        for x, y, strength in places[places[:, 2] >= 10]:
            apart = np.hypot(found[:, 0] - x, found[:, 1] - y)
            ratios.append(found[apart.argmin(), 2] / strength)
    assert np.median(ratios) == pytest.approx(1.0, abs=0.15)


# --- the stated false-alarm rate -------------------------------------------------------------

NOISES = {
    "white": {},
    "JPEG": {"quality": 92},
    "strong JPEG": {"quality": 80},
    "denoised": {"grain_px": 1.0},
    "denoised, JPEG": {"grain_px": 1.0, "quality": 85},
}


@pytest.mark.parametrize("noise", NOISES.values(), ids=NOISES.keys())
def test_pairs_without_leaks_keep_to_the_stated_rate(noise):
    """Known noise and no leak, white and as coding and denoising leave it; 3 alarms a pair stated.

    Of four pairs 12 are expected at most; more than 20 would come about once in 97 tests (Poisson).
    Fewer are no fault: spots on a lit surface have to stand out of it as well.
    """
    stated, pairs = 3.0, 4
    alarms = 0
    for seed in range(pairs):
        pair = render(plain_field(seed, texture=0.05, **noise))
        photos = (photo_from_array(pair.off, name="off"), photo_from_array(pair.on, name="on"))
        settings = Settings(false_alarms_per_pair=stated)
        alarms += len(check(*photos, Openings(()), settings=settings).leaks)
    assert alarms <= poisson.isf(0.01, stated * pairs)


def peaks_of_noise(stated: float, fields: int) -> int:
    """How many places of white noise pass the search at a stated rate a field."""
    count = 0
    for seed in range(fields):
        noise = np.random.default_rng(seed).normal(0, NOISE, (720, 960)).astype(np.float32)
        scales = (1.0, 2.0, 4.0, 8.0, 16.0)
        plane = Plane("luminance", noise, np.full_like(noise, NOISE**2), scales)
        seeds, _ = find_seeds((plane,), np.ones(noise.shape, bool), false_alarms=stated)
        count += len(seeds)
    return count


@pytest.mark.xfail(
    strict=True,
    reason="the search counts independent places, not maxima of a field (Adler 1981): 3.6 x",
)
def test_the_search_alone_keeps_to_the_stated_rate():
    """White Gaussian noise, ten fields of 3: 30 are stated. Factor of 2: the surroundings' median
    and the spread taken from the noise itself move each scale's rate by as much."""
    assert 15 <= peaks_of_noise(3.0, 10) <= 60
