"""Lens and card poses solved together, with their covariance.

One least-squares adjustment holds the lens that all its photographs share and one pose for
each card in each photograph. What is known beforehand of the lens enters as a Gaussian
prior, so the solution is the maximum a posteriori, and what the pictures cannot tell about
the lens stays in the covariance (Triggs et al., "Bundle Adjustment: a Modern Synthesis",
2000, sections 2–4). Observations that do not fit are dropped by a robust scale.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from fitcheck.camera import (
    LENS_PARAMETERS,
    POSE_PARAMETERS,
    Lens,
    Pose,
    card_to_pixels,
    lens_from,
    pose_from,
    rotation_matrix,
)
from fitcheck.errors import Refused
from fitcheck.lens_profile import LensProfile

if TYPE_CHECKING:
    from scipy.optimize import OptimizeResult

Array = NDArray[np.float64]

# A telephone's radial distortion after its own correction; generous.
# Common experience, no source.
DISTORTION_PRIOR_SD = 0.05
# The principal point lies at the picture's centre to half a percent of its width.
CENTRE_PRIOR_OF_WIDTH = 0.005
# Ink spread, exposure and tone curve move every edge toward one side; generous.
SPREAD_PRIOR_PX = 1.0
# Edges with a marker beside them and edges at the border are moved by different amounts where
# the tone curve is not the one that was assumed.
BORDER_SPREAD_PRIOR_PX = 0.3
SPREADS = 2  # per card: of all edges, and of those at the border besides
# A card counts as flat until its edges say otherwise; then it may bow and warp by this much.
FLAT_SD_MM = 1e-4
# What a card that counts as flat still bows and warps, too little for its edges to say: it
# passes for a tilt. Common experience, no source.
UNSEEN_BEND_SD_MM = 0.03
BENT_SD_MM = 1.0
BENDS = 2  # per card: bow along its length, and warp
OWN = SPREADS + BENDS  # what a card has besides its pose
OUTLIER_SIGMAS = 4.0
WORST_SCALE_PX = 3.0  # beyond this the points are not those of the card
# No observation counts as better than this: interpolation, JPEG blocks and a print's raster.
FLOOR_SD_PX = 0.01
FEWEST_OBSERVATIONS = 12
# Up to so many cards every other tilt is tried with all of them; above, only those that fit
# the card by itself to within this cost (half a sum of squares: five standard deviations).
FEW_CARDS, HOPELESS_COST = 4, 12.5
# The other tilt's pose already fits the card as well as this lens lets it. A better lens took off
# half of the cost at most in photographs; one this far above the other tilt's is not tried.
FAR_WORSE, FAR_COST = 6.0, 100.0
SAME_TILT = np.radians(1.5)  # between two solutions of one card; two tilts lie further apart


@dataclass(frozen=True, eq=False)
class LensPrior:
    """What is known of a lens beforehand: mean, shape (5,), and covariance, shape (5, 5).

    In the order focal length (px), k1, k2, principal point x and y (px).
    """

    mean: Array
    covariance: Array

    @property
    def sd(self) -> Array:
        """Standard deviations, shape (5,), px for focal length and principal point."""
        return np.asarray(np.sqrt(np.diag(self.covariance)))

    @property
    def whitening(self) -> Array:
        """W with WᵀW the inverse of the covariance, shape (5, 5), 1/px for all but k1 and k2."""
        scaled = self.covariance / np.outer(self.sd, self.sd)
        return np.asarray(np.linalg.inv(np.linalg.cholesky(scaled)) / self.sd)


def lens_prior(
    size_px: tuple[int, int],
    focal_px: float,
    focal_relative_sd: float,
    profile: LensProfile | None = None,
) -> LensPrior:
    """Return the prior for a picture of that size.

    Parameters
    ----------
    size_px
        Width and height.
    focal_px, focal_relative_sd
        Prior mean of the focal length in pixels and its relative standard deviation.
    profile
        What earlier photographs told of the same lens; takes the place of both.
    """
    width, height = size_px
    centre = [(width - 1) / 2, (height - 1) / 2]
    mean = np.array([focal_px, 0.0, 0.0, *centre])
    sd = [focal_px * focal_relative_sd, DISTORTION_PRIOR_SD, DISTORTION_PRIOR_SD]
    centre_sd = CENTRE_PRIOR_OF_WIDTH * max(width, height)
    covariance = np.diag(np.square([*sd, centre_sd, centre_sd]))
    if profile is not None:
        mean[:3] = profile.mean
        covariance[:3, :3] = profile.loosened()
    return LensPrior(mean, covariance)


@dataclass(frozen=True, eq=False)
class Observations:
    """Where known points of one card were seen, each along one direction.

    Attributes
    ----------
    points_mm
        Points in the card frame, shape (n, 3).
    pixels
        Where each was seen, shape (n, 2); only the component along the normal counts.
    normals
        Unit directions in the picture, shape (n, 2).
    spread
        How an edge's position takes part in the card's two spreads, shape (n, 2): 1 for an
        edge whose normal points from dark to light, 0 for a corner.
    """

    points_mm: Array
    pixels: Array
    normals: Array
    spread: Array

    @cached_property
    def bend_shapes(self) -> Array:
        """Bow along the card and warp, mean plane kept, (n, 2): mm for 1 mm at its ends."""
        low, high = self.points_mm.min(axis=0)[:2], self.points_mm.max(axis=0)[:2]
        x, y = (2 * (self.points_mm[:, :2] - low) / (high - low) - 1).T
        return np.stack([x**2 - 1 / 3, x * y], axis=1)

    @staticmethod
    def of_corners(corners_mm: Array, corners_px: Array) -> Observations:
        """Corners, mm (n, 3) and pixels (n, 2), as observations: each along x and along y."""
        n = len(corners_mm)
        return Observations(
            np.repeat(corners_mm, 2, axis=0),
            np.repeat(corners_px, 2, axis=0),
            np.tile(np.eye(2), (n, 1)),
            np.zeros((2 * n, SPREADS)),
        )


@dataclass(frozen=True, eq=False)
class Adjustment:
    """The solution: one lens, and per card a pose, spreads and bends, with their covariance.

    Attributes
    ----------
    parameters
        Lens (5), then six per card, then per card two spreads (px), bow and warp (mm).
    covariance
        Of the parameters, shape (p, p).
    used
        Per card, which observations were kept.
    residual_px
        Per card, root mean square of the kept residuals.
    lens_surprise
        Squared distance of the lens from what was known of it, in the covariance of that:
        chi-squared with five degrees of freedom where the lens is as it was thought.
    """

    parameters: Array
    covariance: Array
    used: tuple[NDArray[np.bool_], ...]
    residual_px: tuple[float, ...]
    lens_surprise: float = 0.0

    @property
    def lens(self) -> Lens:
        """The lens."""
        return lens_from(self.parameters[:LENS_PARAMETERS])

    def pose(self, card: int) -> Pose:
        """Return the pose of the card with that place in the solution."""
        return pose_from(_pose_slice(self.parameters, card))

    def spread_px(self, card: int) -> float:
        """How far edges of that card lie toward the light side, in pixels."""
        return float(self.parameters[OWN * (card - len(self.used))])

    def bends_mm(self, card: int) -> tuple[Array, Array]:
        """How far a card's ends lie behind a plane by bow and warp, mm: values and sds, (2,)."""
        first = len(self.parameters) + OWN * (card - len(self.used)) + SPREADS
        own = slice(first, first + BENDS)
        return self.parameters[own], np.sqrt(np.diag(self.covariance)[own])

    def lens_held(self) -> Array:
        """Covariance (p, p), px and mm, of all else were the lens known: lens part zero."""
        n = LENS_PARAMETERS
        cov = self.covariance
        held = np.zeros_like(cov)
        held[n:, n:] = cov[n:, n:] - cov[n:, :n] @ np.linalg.solve(cov[:n, :n], cov[:n, n:])
        return held


def draw_lens(draws: Array) -> Lens:
    """Return the lenses, pixels, of many draws of the parameters, shape (draws, p)."""
    return lens_from(draws[:, :LENS_PARAMETERS])


def draw_pose(draws: Array, card: int) -> Pose:
    """Return one card's poses, mm and radians, of many draws of the parameters, (draws, p)."""
    return pose_from(_pose_slice(draws, card))


def adjust(
    observations: list[Observations],
    prior: LensPrior,
    start: Adjustment | None = None,
    may_bend: bool = False,
) -> Adjustment:
    """Solve lens and poses from what was seen of each card.

    Parameters
    ----------
    observations
        One entry per card and photograph, all by one lens.
    prior
        What is known of the lens.
    start
        An earlier solution of the same cards to start from.
    may_bend
        Solve for each card's bow and warp too, instead of holding it flat.

    Returns
    -------
    The solution; its covariance is scaled to the residuals that were found.

    Raises
    ------
    Refused
        ``card_not_flat_or_wrong`` if too few observations of a card agree with a flat card.
    """
    used = [np.ones(len(seen.points_mm), dtype=bool) for seen in observations]
    current = _start(observations, prior) if start is None else start.parameters.copy()
    bend_sd = BENT_SD_MM if may_bend else FLAT_SD_MM
    current = _best_tilts(observations, prior, current, used)
    for _ in range(5):
        before = used
        used, sd_px = _agreeing(_residuals_px(observations, current))
        solution = _solve(observations, prior, current, used, sd_px, bend_sd)
        current = solution.x
        if all(np.array_equal(a, b) for a, b in zip(before, used, strict=True)):
            break
    covariance = np.linalg.inv(solution.jac.T @ solution.jac)
    if not may_bend:
        covariance += _of_unseen_bends(solution.jac, len(observations))
    rms = tuple(
        float(np.sqrt(np.mean(r[keep] ** 2)))
        for r, keep in zip(_residuals_px(observations, current), used, strict=True)
    )
    apart = prior.whitening @ (current[:LENS_PARAMETERS] - prior.mean)
    return Adjustment(current, covariance, tuple(used), rms, float(apart @ apart))


def _of_unseen_bends(jacobian: Array, cards: int) -> Array:
    """What bends that were held at zero add to the covariance of the poses.

    A bend b pulls a least-squares solution by −(Jₐᵀ Jₐ)⁻¹ Jₐᵀ J_b b, where Jₐ are the
    derivatives by what is solved for, with the lens held, and J_b those by the bends.
    """
    parameters = jacobian.shape[1]
    own = parameters - OWN * cards + np.arange(OWN * cards).reshape(cards, OWN)
    bends = own[:, SPREADS:].ravel()
    solved = np.setdiff1d(np.arange(LENS_PARAMETERS, parameters), bends)
    seen = len(jacobian) - LENS_PARAMETERS - OWN * cards  # without the rows of prior knowledge
    free = jacobian[:, solved]
    pull = np.linalg.solve(free.T @ free, free[:seen].T @ jacobian[:seen, bends])
    added = np.zeros((parameters, parameters))
    added[np.ix_(solved, solved)] = UNSEEN_BEND_SD_MM**2 * pull @ pull.T
    return added


def bend_signs(observations: list[Observations], solution: Adjustment) -> list[float]:
    """How many standard deviations of bow or warp each card's residuals show, the larger one.

    One linear step from a solution that holds the cards flat, with pose and spreads free and
    the lens held. A card is bent where this is well above 3.
    """
    signs = []
    cards = len(observations)
    residuals = _residuals_px(observations, solution.parameters)
    for i, seen in enumerate(observations):
        used = solution.used[i]
        _, pose, own = (d[used] for d in _derivatives(seen, solution.parameters, i, cards))
        here = residuals[i][used]
        design = np.concatenate([own[:, SPREADS:], pose, own[:, :SPREADS]], axis=1)
        scale = np.maximum(np.max(np.abs(design), axis=0), 1e-12)
        found, *_ = np.linalg.lstsq(design / scale, -here, rcond=None)
        left = here + design / scale @ found
        variance = float(left @ left) / max(len(here) - design.shape[1], 1)
        covariance = np.linalg.pinv((design / scale).T @ (design / scale)) * variance
        sd = np.sqrt(np.diag(covariance)[:BENDS]) + 1e-12
        signs.append(float(np.max(np.abs(found[:BENDS]) / sd)))
    return signs


def _agreeing(residuals: list[Array]) -> tuple[list[NDArray[np.bool_]], list[float]]:
    """Which observations of each card agree, and their standard deviation, px."""
    used, sd_px = [], []
    for residual in residuals:
        scale = 1.4826 * float(np.median(np.abs(residual)))
        if scale > WORST_SCALE_PX or len(residual) < FEWEST_OBSERVATIONS:
            raise Refused(
                "card_does_not_fit",
                "A card's printed pattern does not fit a flat card.",
                "Mount the card on stiff flat stock, keep reflections off it, and retake.",
            )
        sd_px.append(max(scale, FLOOR_SD_PX))
        used.append(np.abs(residual) <= OUTLIER_SIGMAS * sd_px[-1])
    return used, sd_px


def _pose_slice(parameters: Array, card: int) -> Array:
    first = LENS_PARAMETERS + POSE_PARAMETERS * card
    return parameters[..., first : first + POSE_PARAMETERS]


def _start(observations: list[Observations], prior: LensPrior) -> Array:
    """First guess: each card's pose alone, with the prior's lens."""
    focal, k1, k2, centre_x, centre_y = prior.mean
    camera = np.array([[focal, 0, centre_x], [0, focal, centre_y], [0, 0, 1]])
    poses = []
    for seen in observations:
        _, rotation, origin = cv2.solvePnP(
            np.ascontiguousarray(seen.points_mm[::2]),
            np.ascontiguousarray(seen.pixels[::2]),
            camera,
            np.array([k1, k2, 0.0, 0.0]),
            flags=cv2.SOLVEPNP_IPPE,
        )
        poses += [np.ravel(rotation), np.ravel(origin)]
    return np.concatenate([prior.mean, *poses, np.zeros(OWN * len(observations))])


def _best_tilts(
    observations: list[Observations],
    prior: LensPrior,
    start: Array,
    used: list[NDArray[np.bool_]],
) -> Array:
    """Solve with a forgiving loss, and try the other tilt of every card that has one.

    A flat card seen from afar looks nearly the same when its tilt is mirrored about the line
    of sight (Schweighofer & Pinz, "Robust pose estimation from a planar target", IEEE PAMI
    28, 2006), and no step of a solver leads from one tilt to the other. The better one is
    kept.
    """
    sd_px = [max(float(np.median(np.abs(r))), 0.03) for r in _residuals_px(observations, start)]
    best = _solve(observations, prior, start, used, sd_px, forgiving=True)
    for card, seen in enumerate(observations):
        other_tilt = _other_tilt(seen, best.x, card)
        if other_tilt is None:
            continue
        mirrored = best.x.copy()
        _pose_slice(mirrored, card)[:] = other_tilt
        if _cost(observations, prior, mirrored, sd_px) > FAR_WORSE * best.cost + FAR_COST:
            continue
        if len(observations) > FEW_CARDS and _hopeless(
            seen, prior, (best.x, mirrored), used[card], sd_px[card], card, len(observations)
        ):
            continue
        other = _solve(observations, prior, mirrored, used, sd_px, forgiving=True)
        if other.cost < best.cost:
            best = other
    return np.asarray(best.x)


def _cost(
    observations: list[Observations], prior: LensPrior, parameters: Array, sd_px: list[float]
) -> float:
    """Half the forgiving loss of all observations, and of what is known of the lens."""
    seen = zip(_residuals_px(observations, parameters), sd_px, strict=True)
    lens = prior.whitening @ (parameters[:LENS_PARAMETERS] - prior.mean)
    all_of_them = np.concatenate([*(r / sd for r, sd in seen), lens])
    return float(np.sum(_forgiven(all_of_them)[0] ** 2) / 2)


def _hopeless(
    seen: Observations,
    prior: LensPrior,
    tilts: tuple[Array, Array],
    used: NDArray[np.bool_],
    sd_px: float,
    card: int,
    cards: int,
) -> bool:
    """Whether a card's other tilt fits far worse, judged by this card alone.

    Alone its lens is freer than among others, so what cannot fit alone cannot fit among them.
    All cards together take as long as the cube of their number.
    """
    costs = []
    for parameters in tilts:
        own = parameters[len(parameters) - OWN * (cards - card) :][:OWN]
        alone = np.concatenate([parameters[:LENS_PARAMETERS], _pose_slice(parameters, card), own])
        costs.append(_solve([seen], prior, alone, [used], [sd_px], forgiving=True).cost)
    return bool(costs[1] > costs[0] + HOPELESS_COST)


def _other_tilt(seen: Observations, parameters: Array, card: int) -> Array | None:
    """Where a card's pose ends that starts from its mirrored tilt, the lens held, shape (6,).

    None where it comes back: then the picture leaves no second tilt.
    """
    focal, k1, k2, centre_x, centre_y = parameters[:LENS_PARAMETERS]
    pose = _pose_slice(parameters, card)
    middle = (seen.points_mm.min(axis=0) + seen.points_mm.max(axis=0)) / 2
    start = _mirrored_tilt(pose, middle)
    rotation, origin = cv2.solvePnPRefineLM(
        np.ascontiguousarray(seen.points_mm),
        np.ascontiguousarray(seen.pixels),
        np.array([[focal, 0, centre_x], [0, focal, centre_y], [0, 0, 1]]),
        np.array([k1, k2, 0.0, 0.0]),
        start[:3, None].copy(),
        start[3:, None].copy(),
        (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 50, 1e-9),
    )
    ended = np.concatenate([np.ravel(rotation), np.ravel(origin)])
    between = rotation_matrix(ended[:3]) @ rotation_matrix(pose[:3]).T
    return None if np.linalg.norm(cv2.Rodrigues(between)[0]) < SAME_TILT else ended


def _mirrored_tilt(pose: Array, middle_mm: Array) -> Array:
    """Mirror a pose's normal about the line of sight to a point of the card."""
    card2cam = rotation_matrix(pose[:3])
    middle_cam = card2cam @ middle_mm + pose[3:]
    sight = middle_cam / np.linalg.norm(middle_cam)
    normal = card2cam[:, 2]
    axis = np.cross(normal, sight)
    size = float(np.linalg.norm(axis))
    if size < 1e-9:
        return pose.copy()
    turn = rotation_matrix(axis / size * 2 * np.arctan2(size, float(normal @ sight)))
    mirrored = turn @ card2cam
    vector = np.ravel(cv2.Rodrigues(mirrored)[0])
    return np.concatenate([vector, middle_cam - mirrored @ middle_mm])


def _residuals_px(observations: list[Observations], parameters: Array) -> list[Array]:
    lens = lens_from(parameters[:LENS_PARAMETERS])
    own = parameters[-OWN * len(observations) :].reshape(-1, OWN)
    residuals = []
    for i, seen in enumerate(observations):
        points = seen.points_mm + np.zeros(3)
        points[:, 2] += seen.bend_shapes @ own[i, SPREADS:]
        predicted = card_to_pixels(points, lens, pose_from(_pose_slice(parameters, i)))
        along_normal = np.sum((predicted - seen.pixels) * seen.normals, axis=1)
        residuals.append(along_normal + seen.spread @ own[i, :SPREADS])
    return residuals


def _derivatives(
    seen: Observations, parameters: Array, card: int, cards: int
) -> tuple[Array, Array, Array]:
    """Derivatives of a card's residuals by lens (n, 5), pose (n, 6) and own parameters (n, 4)."""
    focal, k1, k2 = parameters[:3]
    pose = _pose_slice(parameters, card)
    card2cam = pose_from(pose).card2cam
    own = parameters[len(parameters) - OWN * (cards - card) :][:OWN]
    shapes = seen.bend_shapes
    points = seen.points_mm + np.zeros(3)
    points[:, 2] += shapes @ own[SPREADS:]
    x, y, z = (points @ card2cam.T + pose[3:]).T
    u = np.stack([x / z, y / z], axis=1)
    r2 = np.sum(u**2, axis=1)
    growth = 1 + r2 * (k1 + r2 * k2)
    toward = np.sum(u * seen.normals, axis=1)  # along the normal, as the residual is
    lens_part = np.stack(
        [growth * toward, focal * r2 * toward, focal * r2**2 * toward, *seen.normals.T], axis=1
    )
    # The Brown model's Jacobian is symmetric: growth times one, plus an outer product.
    by_u = growth[:, None] * seen.normals + (2 * (k1 + 2 * k2 * r2) * toward)[:, None] * u
    by_u *= (focal / z)[:, None]
    by_point = np.stack([*by_u.T, -np.sum(by_u * u, axis=1)], axis=1)
    by_card_point = by_point @ card2cam
    turned = _cross(points, by_card_point) @ _right_jacobian(pose[:3])
    bent = by_card_point[:, 2:] * shapes
    return lens_part, np.hstack([turned, by_point]), np.hstack([seen.spread, bent])


def _right_jacobian(rotation_vector: Array) -> Array:
    """Right Jacobian of SO(3): exp(w + dw) = exp(w) exp(J dw) (Chirikjian 2012, section 10.6)."""
    angle = float(np.linalg.norm(rotation_vector))
    x, y, z = rotation_vector
    cross = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    if angle < 1e-6:
        return np.asarray(np.eye(3) - cross / 2)
    first = (1 - np.cos(angle)) / angle**2
    second = (angle - np.sin(angle)) / angle**3
    return np.asarray(np.eye(3) - first * cross + second * cross @ cross)


def _cross(a: Array, b: Array) -> Array:
    """Cross products of vectors (n, 3); NumPy's own takes several times as long for so few."""
    (x, y, z), (u, v, w) = a.T, b.T
    return np.stack([y * w - z * v, z * u - x * w, x * v - y * u], axis=1)


def _solve(
    observations: list[Observations],
    prior: LensPrior,
    start: Array,
    used: list[NDArray[np.bool_]],
    sd_px: list[float],
    bend_sd_mm: float = FLAT_SD_MM,
    forgiving: bool = False,
) -> OptimizeResult:
    from scipy.optimize import least_squares  # half of all that is imported; only with cards found

    cards = len(observations)
    whitening = prior.whitening
    own_sd = np.tile([SPREAD_PRIOR_PX, BORDER_SPREAD_PRIOR_PX, *[bend_sd_mm] * BENDS], cards)
    kept = [
        Observations(o.points_mm[keep], o.pixels[keep], o.normals[keep], o.spread[keep])
        for o, keep in zip(observations, used, strict=True)
    ]

    def plain_residuals(parameters: Array) -> Array:
        seen = [r / sd for r, sd in zip(_residuals_px(kept, parameters), sd_px, strict=True)]
        lens = whitening @ (parameters[:LENS_PARAMETERS] - prior.mean)
        return np.concatenate([*seen, lens, parameters[-len(own_sd) :] / own_sd])

    def residuals(parameters: Array) -> Array:
        plain = plain_residuals(parameters)
        return _forgiven(plain)[0] if forgiving else plain

    def jacobian(parameters: Array) -> Array:
        ends = np.cumsum([0, *(len(o.points_mm) for o in kept)])
        matrix = np.zeros((ends[-1] + LENS_PARAMETERS + len(own_sd), len(parameters)))
        for i, seen in enumerate(kept):
            lens_part, pose_part, own_part = _derivatives(seen, parameters, i, cards)
            rows = slice(ends[i], ends[i + 1])
            first_pose = LENS_PARAMETERS + POSE_PARAMETERS * i
            first_own = len(parameters) - OWN * (cards - i)
            matrix[rows, :LENS_PARAMETERS] = lens_part
            matrix[rows, first_pose : first_pose + POSE_PARAMETERS] = pose_part
            matrix[rows, first_own : first_own + OWN] = own_part
            matrix[rows] /= sd_px[i]
        tail = matrix[ends[-1] :]
        tail[:LENS_PARAMETERS, :LENS_PARAMETERS] = whitening
        tail[LENS_PARAMETERS:, -len(own_sd) :] = np.diag(1 / own_sd)
        if forgiving:
            matrix *= _forgiven(plain_residuals(parameters))[1][:, None]
        return matrix

    pose_scale = np.array([0.01, 0.01, 0.01, 1.0, 1.0, 1.0])
    scale = np.concatenate([prior.sd, np.tile(pose_scale, cards), np.full(len(own_sd), 0.1)])
    # MINPACK's solver: beside the residuals of so few parameters all else must be quick.
    return least_squares(
        residuals,
        start,
        jac=jacobian,
        x_scale=scale,
        method="lm",
        # A forgiving solution only serves to compare starts.
        xtol=1e-4 if forgiving else 1e-9,
        ftol=1e-4 if forgiving else 1e-9,
        max_nfev=25 if forgiving else 100,
    )


def _forgiven(residuals: Array) -> tuple[Array, Array]:
    """Residuals whose squares are the soft loss 2·(√(1 + r²) − 1), and their derivatives."""
    root = np.sqrt(1 + residuals**2)
    # Written so that it does not cancel at small r: √(1 + r²) − 1 = r² / (√(1 + r²) + 1).
    share = np.sqrt(2 / (root + 1))
    return residuals * share, 1 / (root * share)
