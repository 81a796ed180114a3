"""Three ways to find new light in a pair with general-purpose libraries, to measure ours against.

Each is what somebody would write in an afternoon who knows the library: lay on, subtract, cut,
label. Each gets two photos as files and the places where light may leave, and gives the pixels of
every spot. All libraries are loaded inside, so that a process holds only what its recipe needs.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Labels = NDArray[np.int32]  # (rows, cols): number of the spot, 0 elsewhere
LEAST_PX = 12  # pixels at 3 megapixels; smaller spots are grain
RIM_PX = 5  # beside an opening, at 3 megapixels: its blur is not counted
REGISTER_SIDE = 1024  # SimpleITK lays on at this size: at full size it takes minutes


def grey(path: Path) -> NDArray[np.float32]:
    """A photo's code values as grey, 0 to 1."""
    return np.asarray(cv2.imread(str(path), cv2.IMREAD_GRAYSCALE), np.float32) / np.float32(255)


def by_scikit_image(off: Path, on: Path, looked_at: NDArray[np.bool_]) -> Labels:
    """Phase correlation, difference, Otsu's threshold, labelled regions."""
    from scipy.ndimage import shift
    from skimage.filters import threshold_otsu
    from skimage.measure import label, regionprops
    from skimage.registration import phase_cross_correlation

    unlit, lit = grey(off), grey(on)
    move, _, _ = phase_cross_correlation(lit, unlit, upsample_factor=10)
    new = np.where(looked_at, lit - shift(unlit, move, order=1, mode="nearest"), 0)
    labels = label(new > threshold_otsu(new[looked_at]))
    small = [r.label for r in regionprops(labels) if r.area < _least(lit)]
    labels[np.isin(labels, small)] = 0
    return np.asarray(labels, np.int32)


def by_opencv(off: Path, on: Path, looked_at: NDArray[np.bool_]) -> Labels:
    """ORB features, homography, absolute difference, Otsu's threshold, opened and labelled."""
    unlit, lit = (cv2.imread(str(path), cv2.IMREAD_GRAYSCALE) for path in (off, on))
    orb = cv2.ORB_create(5000)
    (a, words_a), (b, words_b) = (orb.detectAndCompute(image, None) for image in (unlit, lit))
    pairs = cv2.BFMatcher(cv2.NORM_HAMMING, crossCheck=True).match(words_a, words_b)
    ends = [
        np.float32([points[i].pt for points, i in ((a, m.queryIdx), (b, m.trainIdx))])
        for m in pairs
    ]
    start, end = np.swapaxes(ends, 0, 1)
    matrix, _ = cv2.findHomography(start, end, cv2.RANSAC, 3.0)
    laid = cv2.warpPerspective(unlit, matrix, lit.shape[::-1], borderMode=cv2.BORDER_REPLICATE)
    new = cv2.absdiff(cv2.GaussianBlur(lit, (5, 5), 0), cv2.GaussianBlur(laid, (5, 5), 0))
    level, _ = cv2.threshold(new[looked_at], 0, 255, cv2.THRESH_OTSU)
    spots = ((new > level) & looked_at).astype(np.uint8)
    spots = cv2.morphologyEx(spots, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    _, labels, stats, _ = cv2.connectedComponentsWithStats(spots)
    labels[stats[labels, cv2.CC_STAT_AREA] < _least(lit)] = 0
    return np.asarray(labels, np.int32)


def by_simpleitk_and_photutils(off: Path, on: Path, looked_at: NDArray[np.bool_]) -> Labels:
    """Affine registration by mutual information; sources above a background, as of stars."""
    import SimpleITK as Sitk
    from photutils.background import Background2D
    from photutils.segmentation import detect_sources

    unlit, lit = grey(off), grey(on)
    shrink = max(1, max(lit.shape) // REGISTER_SIDE)
    fixed, moving = (_sitk_image(Sitk, image, shrink) for image in (lit, unlit))
    method = Sitk.ImageRegistrationMethod()
    method.SetMetricAsMattesMutualInformation(50)
    method.SetMetricSamplingStrategy(method.RANDOM)
    method.SetMetricSamplingPercentage(0.1, 7)
    method.SetOptimizerAsRegularStepGradientDescent(1.0, 1e-4, 100)
    method.SetOptimizerScalesFromPhysicalShift()
    method.SetShrinkFactorsPerLevel([4, 2, 1])
    method.SetSmoothingSigmasPerLevel([2, 1, 0])
    method.SetInterpolator(Sitk.sitkLinear)
    method.SetInitialTransform(Sitk.AffineTransform(2))
    motion = method.Execute(fixed, moving)
    whole = _sitk_image(Sitk, unlit, 1)
    laid = Sitk.GetArrayFromImage(Sitk.Resample(whole, whole, motion, Sitk.sitkLinear, 0.0))
    new = lit - laid
    ground = Background2D(new, 64, mask=~looked_at, exclude_percentile=90)
    found = detect_sources(
        new, ground.background + 5 * ground.background_rms, n_pixels=_least(lit), mask=~looked_at
    )
    return np.zeros(lit.shape, np.int32) if found is None else np.asarray(found.data, np.int32)


RECIPES: dict[str, Callable[[Path, Path, NDArray[np.bool_]], Labels]] = {
    "scikit-image": by_scikit_image,
    "OpenCV": by_opencv,
    "SimpleITK + photutils": by_simpleitk_and_photutils,
}


def looked_at(openings: Any, size: tuple[int, int]) -> NDArray[np.bool_]:
    """Where recipes look, (rows, cols): on the model, beside its openings and their rims."""
    from leakcheck.openings import label_map, model_mask

    shape = (size[1], size[0])
    reach = 2 * round(RIM_PX * _side(shape)) + 1
    lamps = (label_map(openings, shape=shape, scale=1) > 0).astype(np.uint8)
    model = model_mask(openings, shape=shape, scale=1)
    free = cv2.dilate(lamps, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (reach, reach))) == 0
    return np.asarray(free if model is None else free & model)


def _sitk_image(sitk: Any, image: NDArray[np.float32], shrink: int) -> Any:
    """An image whose positions are pixels of the full size, whatever its own size."""
    size = (image.shape[1] // shrink, image.shape[0] // shrink)
    small = cv2.resize(image, size, interpolation=cv2.INTER_AREA)
    result = sitk.GetImageFromArray(small)
    result.SetSpacing((float(shrink), float(shrink)))
    result.SetOrigin(((shrink - 1) / 2, (shrink - 1) / 2))
    return result


def _side(shape: tuple[int, ...]) -> float:
    """Pixels of a side for each of a photo of 3 megapixels."""
    return float(np.sqrt(shape[0] * shape[1] / 3e6))


def _least(image: NDArray[Any]) -> int:
    return round(LEAST_PX * _side(image.shape) ** 2)
