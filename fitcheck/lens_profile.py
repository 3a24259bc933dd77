"""What is known of one phone's lens, kept from one inspection to the next.

Every measurement tells something of the lens that took it. The posterior of one measurement,
loosened by what a telephone's lens may change in between (it moves to focus), is the prior
of the next: sequential least squares. The principal point is not kept, because optical image
stabilisation moves it from photograph to photograph.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fitcheck.errors import BadInput

Array = NDArray[np.float64]

# Focusing from 25 cm to 1 m changes a telephone's focal length by up to a percent, and its
# distortion a little; common experience, no source.
FOCAL_DRIFT_RELATIVE_SD = 0.003
DISTORTION_DRIFT_SD = 0.002


@dataclass(frozen=True, order=True)
class LensKey:
    """Which lens: photographs with equal keys can share a profile.

    Attributes
    ----------
    make, model
        Of the phone, from EXIF.
    focal_px
        Focal length that EXIF claims, in whole pixels: tells the lenses of one phone apart.
    long_side_px, short_side_px
        Size of the picture however it is turned.
    """

    make: str
    model: str
    focal_px: int
    long_side_px: int
    short_side_px: int

    @property
    def known(self) -> bool:
        """Whether the phone is known at all; without make and model a profile is of no use."""
        return bool(self.make.strip() or self.model.strip())

    def __str__(self) -> str:
        size = f"{self.long_side_px} × {self.short_side_px}"
        return f"{self.make} {self.model}, {self.focal_px} px, {size}".strip()


@dataclass(frozen=True, eq=False)
class LensProfile:
    """Focal length (px), k1 and k2: mean, shape (3,), and covariance, shape (3, 3).

    Attributes
    ----------
    key
        Whose lens.
    mean, covariance
        Posterior of the last photograph that was counted in.
    photographs
        How many were counted in.
    """

    key: LensKey
    mean: Array
    covariance: Array
    photographs: int

    def loosened(self) -> Array:
        """Covariance for the next photograph, (3, 3), px for the first: it may have focused."""
        drift = [FOCAL_DRIFT_RELATIVE_SD * self.mean[0], DISTORTION_DRIFT_SD, DISTORTION_DRIFT_SD]
        return np.asarray(self.covariance + np.diag(np.square(drift)))

    def to_json(self) -> dict[str, Any]:
        """Return the profile in JSON types; read back by :func:`profile_from_json`."""
        return {
            "make": self.key.make,
            "model": self.key.model,
            "focal_px": self.key.focal_px,
            "size_px": [self.key.long_side_px, self.key.short_side_px],
            "mean": [float(v) for v in self.mean],
            "covariance": [[float(v) for v in row] for row in self.covariance],
            "photographs": self.photographs,
        }


def profile_from_json(data: Mapping[str, Any]) -> LensProfile:
    """Read a profile that :meth:`LensProfile.to_json` wrote.

    Raises
    ------
    BadInput
        ``lens_profile_unreadable`` if something is missing or cannot be right.
    """
    try:
        long_side, short_side = (int(v) for v in data["size_px"])
        key = LensKey(
            str(data["make"]), str(data["model"]), int(data["focal_px"]), long_side, short_side
        )
        profile = LensProfile(
            key,
            np.array(data["mean"], dtype=np.float64),
            np.array(data["covariance"], dtype=np.float64),
            int(data["photographs"]),
        )
        sound = (
            profile.mean.shape == (3,)
            and profile.covariance.shape == (3, 3)
            and bool(np.all(np.isfinite(profile.mean)))
            and bool(np.all(np.isfinite(profile.covariance)))
            and bool(profile.mean[0] > 0)
            and bool(np.all(np.diag(profile.covariance) > 0))
            and bool(np.allclose(profile.covariance, profile.covariance.T))
            and bool(np.all(np.linalg.eigvalsh(_scaled(profile.covariance)) > 0))
        )
    except (KeyError, TypeError, ValueError, OverflowError, np.linalg.LinAlgError):
        sound = False
    if not sound:
        raise BadInput(
            "lens_profile_unreadable",
            "The stored lens profile is damaged.",
            "Delete it; the next photographs make a new one.",
        )
    return profile


def read_profiles(path: Path) -> dict[LensKey, LensProfile]:
    """Read the profiles that :func:`write_profiles` wrote; none if there is no such file.

    Raises
    ------
    BadInput
        ``lens_profile_unreadable`` if the file cannot be read or holds something else.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return {}
    except (OSError, UnicodeDecodeError) as error:
        raise BadInput(
            "lens_profile_unreadable",
            f"The lens profiles {path} cannot be read: {error}.",
            "Check the file's name, or give another one to begin anew.",
        ) from error
    try:
        listed = json.loads(text)
    except (ValueError, RecursionError):
        listed = None
    if not isinstance(listed, list) or not all(isinstance(one, dict) for one in listed):
        raise BadInput(
            "lens_profile_unreadable",
            f"The file {path} does not hold lens profiles.",
            "Give the file that an earlier measurement wrote, or a new name to begin anew.",
        )
    return profiles_by_key(profile_from_json(one) for one in listed)


def write_profiles(path: Path, profiles: Mapping[LensKey, LensProfile]) -> None:
    """Write profiles as JSON; whoever reads at the same time sees the old file or the new.

    Raises
    ------
    BadInput
        ``lens_profile_unwritable``.
    """
    listed = [profiles[key].to_json() for key in sorted(profiles)]
    beside = path.with_name(path.name + ".new")
    try:
        beside.write_text(json.dumps(listed, indent=1), encoding="utf-8")
        beside.replace(path)
    except OSError as error:
        raise BadInput(
            "lens_profile_unwritable",
            f"The lens profiles cannot be written to {path}: {error.strerror or error}.",
            "Give a file in a folder that you may write to.",
        ) from error


def profiles_by_key(profiles: Iterable[LensProfile]) -> dict[LensKey, LensProfile]:
    """Index profiles by the lens that they describe; the last of equal keys counts."""
    return {profile.key: profile for profile in profiles}


def _scaled(covariance: Array) -> Array:
    """Correlations: eigenvalues of a covariance of pixels and small numbers would round off."""
    sd = np.sqrt(np.diag(covariance))
    return np.asarray(covariance / np.outer(sd, sd))
