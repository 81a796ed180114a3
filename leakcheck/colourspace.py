"""Code values to linear sRGB light: the sRGB curve, primaries, and what an ICC profile says."""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

Floats: TypeAlias = NDArray[np.float64]
_XY: TypeAlias = tuple[float, float]  # CIE 1931 chromaticity
Curve: TypeAlias = Callable[[Floats], Floats]  # code value 0 to 1 -> linear light 0 to 1

# The white of the profile connection space, ICC.1:2022 section 7.2.16, as X, Y, Z.
_PCS_WHITE = np.array([0.9642, 1.0, 0.8249])
_D65_XY = (0.3127, 0.3290)
# Bradford cone response, ICC.1:2022 annex E.
_BRADFORD = np.array(
    [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]]
)
# Makers round their sRGB profiles differently; this far from sRGB a matrix only costs time.
_SAME_PRIMARIES = 2e-3
_ICC_HEADER = 128  # bytes before the table of tags


@dataclass(frozen=True, eq=False)
class ColourSpace:
    """How the code values of one file stand for light."""

    curves: tuple[Curve, Curve, Curve]  # red, green, blue
    to_srgb: NDArray[np.float32]  # (3, 3): linear light in its primaries -> linear sRGB

    def decode_table(self, codes: int) -> NDArray[np.float32]:
        """Linear light of every code value: (3, codes), where `codes` is 256 or 65536."""
        value = np.linspace(0.0, 1.0, codes)
        rows = {curve: np.clip(curve(value), 0.0, 1.0) for curve in set(self.curves)}
        return np.array([rows[curve] for curve in self.curves], dtype=np.float32)


def srgb_to_linear(value: Floats) -> Floats:
    """sRGB code value 0 to 1 as linear light 0 to 1.

    Source: IEC 61966-2-1:1999.
    """
    bent = ((np.maximum(value, 0.0) + 0.055) / 1.055) ** 2.4
    return np.where(value <= 0.04045, value / 12.92, bent)


def linear_to_srgb(light: Floats) -> Floats:
    """The inverse of `srgb_to_linear`."""
    bent = 1.055 * np.maximum(light, 0.0) ** (1 / 2.4) - 0.055
    return np.where(light <= 0.0031308, light * 12.92, bent)


def _same(value: Floats) -> Floats:
    return value


def _power(exponent: float) -> Curve:
    return lambda value: np.maximum(value, 0.0) ** exponent


def primaries_to_xyz(red: _XY, green: _XY, blue: _XY, white: _XY) -> Floats:
    """The matrix from linear RGB to CIE XYZ, where RGB (1, 1, 1) is the white with Y = 1.

    Args: CIE 1931 chromaticities x, y of the three primaries and of the white.
    Returns: (3, 3).
    Source: SMPTE RP 177:1993.
    """
    columns = np.array([_xyz(xy) for xy in (red, green, blue)]).T
    return np.asarray(columns * np.linalg.solve(columns, _xyz(white)))


def _xyz(xy: _XY) -> Floats:
    x, y = xy
    return np.array([x / y, 1.0, (1 - x - y) / y])


def _adaptation(white_from: Floats, white_to: Floats) -> Floats:
    """XYZ seen under one white -> XYZ that looks the same under another (Bradford)."""
    gain = np.diag((_BRADFORD @ white_to) / (_BRADFORD @ white_from))
    return np.asarray(np.linalg.inv(_BRADFORD) @ gain @ _BRADFORD)


_SRGB_XYZ = primaries_to_xyz((0.64, 0.33), (0.30, 0.60), (0.15, 0.06), _D65_XY)
_PCS_TO_SRGB = np.linalg.inv(_adaptation(_xyz(_D65_XY), _PCS_WHITE) @ _SRGB_XYZ)


def _with_primaries(curve: Curve, red: _XY, green: _XY, blue: _XY) -> ColourSpace:
    """A space whose white is D65, as sRGB's is: nothing to adapt."""
    to_srgb = np.linalg.inv(_SRGB_XYZ) @ primaries_to_xyz(red, green, blue, _D65_XY)
    return ColourSpace((curve,) * 3, to_srgb.astype(np.float32))


SRGB = ColourSpace((srgb_to_linear,) * 3, np.eye(3, dtype=np.float32))
LINEAR_SRGB = ColourSpace((_same,) * 3, np.eye(3, dtype=np.float32))
# Adobe RGB (1998) Color Image Encoding, version 2005-05: exponent 2 51/256.
ADOBE_RGB = _with_primaries(_power(563 / 256), (0.64, 0.33), (0.21, 0.71), (0.15, 0.06))
# SMPTE EG 432-1 primaries with the sRGB curve, as phones use them.
DISPLAY_P3 = _with_primaries(srgb_to_linear, (0.680, 0.320), (0.265, 0.690), (0.150, 0.060))
# ITU-R BT.2020 primaries.
REC_2020 = _with_primaries(srgb_to_linear, (0.708, 0.292), (0.170, 0.797), (0.131, 0.046))


def profile_kind(icc: bytes) -> str:
    """What an ICC profile's code values are: "RGB", "GRAY", "CMYK"...; "" where it is broken."""
    if len(icc) < _ICC_HEADER or icc[36:40] != b"acsp":
        return ""
    return icc[16:20].decode("latin-1").strip()


def read_profile(icc: bytes) -> ColourSpace | None:
    """The colour space of an ICC profile made of curves and a matrix, or of a grey curve.

    Args:
        icc: the profile's bytes, as embedded in a photo.
    Returns: None for a profile of another build (tables, CMYK) and for a broken one. Where a
        profile holds both tables and a matrix the matrix is used: it measures, tables please.
    Source: ICC.1:2022; red, green and blue columns are relative to the D50 white of the
        connection space and are brought to sRGB's D65 by Bradford adaptation.
    """
    try:
        tags = _tags(icc)
        if profile_kind(icc) == "GRAY":
            return ColourSpace((_curve(tags["kTRC"]),) * 3, np.eye(3, dtype=np.float32))
        if profile_kind(icc) != "RGB" or icc[20:24] != b"XYZ ":
            return None
        names = [tags["rTRC"], tags["gTRC"], tags["bTRC"]]
        curves = {tag: _curve(tag) for tag in names}  # the three often share one curve
        to_pcs = np.array([_xyz_tag(tags[tag]) for tag in ("rXYZ", "gXYZ", "bXYZ")]).T
    except (KeyError, ValueError, struct.error):
        return None
    to_srgb = _PCS_TO_SRGB @ to_pcs
    if np.abs(to_srgb - np.eye(3)).max() < _SAME_PRIMARIES:
        to_srgb = np.eye(3)
    red, green, blue = (curves[tag] for tag in names)
    return ColourSpace((red, green, blue), to_srgb.astype(np.float32))


def _tags(icc: bytes) -> dict[str, bytes]:
    """The tags of a profile by their four-letter names."""
    (count,) = struct.unpack_from(">I", icc, _ICC_HEADER)
    tags = {}
    for number in range(min(count, 100)):  # real profiles have about 20
        name, start, length = struct.unpack_from(">4sII", icc, _ICC_HEADER + 4 + 12 * number)
        tags[name.decode("latin-1")] = icc[start : start + length]
    return tags


def _xyz_tag(tag: bytes) -> Floats:
    kind, *xyz = struct.unpack_from(">4s4xiii", tag)
    if kind != b"XYZ ":
        raise ValueError(kind)
    return np.array(xyz) / 65536  # s15Fixed16


def _curve(tag: bytes) -> Curve:
    """A tone curve tag: an exponent, a table or a formula with parameters."""
    if tag[:4] == b"para":
        return _formula_curve(tag)
    if tag[:4] != b"curv":
        raise ValueError(tag[:4])
    (count,) = struct.unpack_from(">I", tag, 8)
    if count == 0:
        return _same
    if count == 1:
        return _power(struct.unpack_from(">H", tag, 12)[0] / 256)  # u8Fixed8
    table = np.frombuffer(tag, ">u2", count, 12) / 65535
    return lambda value: np.asarray(np.interp(value, np.linspace(0.0, 1.0, count), table))


def _formula_curve(tag: bytes) -> Curve:
    """Y = (aX + b)^g + e from X = d on, Y = cX + f below, after ICC.1:2022 table 68."""
    (form,) = struct.unpack_from(">H", tag, 8)
    count = {0: 1, 1: 3, 2: 4, 3: 5, 4: 7}.get(form)
    if count is None:
        raise ValueError(form)
    g, *rest = np.array(struct.unpack_from(f">{count}i", tag, 12)) / 65536  # s15Fixed16
    a, b, c, d, e, f = (*rest, *(0.0,) * (7 - count)) if form else (1.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    if form in (1, 2):  # no straight part of their own: level from -b/a down
        c, d, e, f = 0.0, (-b / a if a else 0.0), c, c

    def curve(value: Floats) -> Floats:
        with np.errstate(all="ignore"):  # a damaged exponent goes beyond all bounds
            bent = np.maximum(a * value + b, 0.0) ** g + e
        return np.asarray(np.clip(np.where(value >= d, bent, c * value + f), 0.0, 1.0))

    return curve
