"""Path-traced noise taken off by Open Image Denoise, which knows colour and slope of every surface.

A camera's noise is laid on afterwards, as a camera would: a renderer's noise hangs together over
several pixels and differs between two renders, so that it would look like light.
"""

from __future__ import annotations

import ctypes
import importlib.util
from functools import cache
from pathlib import Path

import numpy as np

Image = np.ndarray  # (rows, cols, 3) float32
FLOAT3 = 3  # the library's name for three float32


@cache
def _library() -> ctypes.CDLL:
    """Open Image Denoise out of the package `oidn`.

    The package's own loader fails where TBB is not installed, though it brings TBB along; and it
    cannot ask for high dynamic range.
    """
    spec = importlib.util.find_spec("oidn")
    if spec is None or spec.origin is None:
        raise SystemExit('oidn is missing: pip install ".[samples]"')
    folder = Path(spec.origin).parent / "lib.linux.x64"
    ctypes.CDLL(str(next(folder.glob("libtbb.so*"))), ctypes.RTLD_GLOBAL)
    lib = ctypes.CDLL(str(next(folder.glob("libOpenImageDenoise.so*"))))
    lib.oidnNewDevice.restype = lib.oidnNewFilter.restype = ctypes.c_void_p
    lib.oidnNewFilter.argtypes = [ctypes.c_void_p, ctypes.c_char_p]
    lib.oidnSetFilter1b.argtypes = [ctypes.c_void_p, ctypes.c_char_p, ctypes.c_bool]
    lib.oidnSetSharedFilterImage.argtypes = [
        *(ctypes.c_void_p, ctypes.c_char_p, ctypes.c_void_p, ctypes.c_int),
        *[ctypes.c_size_t] * 5,
    ]
    for name in ("CommitDevice", "CommitFilter", "ExecuteFilter", "ReleaseFilter", "ReleaseDevice"):
        getattr(lib, f"oidn{name}").argtypes = [ctypes.c_void_p]
    return lib


def denoised(light: Image, albedo: Image, normal: Image) -> Image:
    """A render without its noise; all three (rows, cols, 3) float32, light linear and unbounded."""
    lib = _library()
    rows, cols = light.shape[:2]
    out = np.empty((rows, cols, 3), np.float32)
    images = {
        "color": np.ascontiguousarray(light, np.float32),
        "albedo": np.ascontiguousarray(np.clip(albedo, 0, 1), np.float32),
        "normal": np.ascontiguousarray(normal, np.float32),
        "output": out,
    }
    device = lib.oidnNewDevice(0)
    lib.oidnCommitDevice(device)
    work = lib.oidnNewFilter(device, b"RT")
    for name, image in images.items():
        lib.oidnSetSharedFilterImage(
            work, name.encode(), image.ctypes.data, FLOAT3, cols, rows, 0, 0, 0
        )
    lib.oidnSetFilter1b(work, b"hdr", True)
    lib.oidnCommitFilter(work)
    lib.oidnExecuteFilter(work)
    lib.oidnReleaseFilter(work)
    lib.oidnReleaseDevice(device)
    return np.maximum(out, 0)
