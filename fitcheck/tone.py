"""Grey levels as amounts of light.

Blur mixes light, not grey levels. Where the middle grey level of a blurred step lies
depends on the tone curve: on an 8-bit picture it lies up to half a blur width inside the
dark side. So every edge is measured on linear light.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray


def _srgb_to_linear() -> NDArray[np.float32]:
    """IEC 61966-2-1 decoding curve for the 256 levels, 0 to 1."""
    level = np.arange(256) / 255
    linear = np.where(level <= 0.04045, level / 12.92, ((level + 0.055) / 1.055) ** 2.4)
    return linear.astype(np.float32)


LINEAR_OF_LEVEL = _srgb_to_linear()


def linear_light(levels: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Decode sRGB levels, shape (h, w) or (h, w, c), to linear light, 0 to 1 (IEC 61966-2-1)."""
    return np.asarray(cv2.LUT(levels, LINEAR_OF_LEVEL), dtype=np.float32)
