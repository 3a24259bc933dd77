"""Lens and card poses solved together, with their covariance.

One least-squares adjustment holds the lens that all its photographs share and one pose for
each card in each photograph. What is known beforehand of the lens enters as a Gaussian
prior, so the solution is the maximum a posteriori, and what the pictures cannot tell about
the lens stays in the covariance (Triggs et al., "Bundle Adjustment: a Modern Synthesis",
2000, sections 2–4). Observations that do not fit are dropped by a robust scale.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from fitcheck.bundle import (
    BENDS,
    OWN,
    SPREADS,
    Bundle,
    Known,
    NormalEquations,
    Observations,
    of_card,
    pose_of,
)
from fitcheck.camera import LENS_PARAMETERS, Lens, Pose, lens_from, pose_from, rotation_matrix
from fitcheck.descent import descended
from fitcheck.errors import Refused
from fitcheck.lens_profile import LensProfile

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
# A card counts as flat until its edges say otherwise; then it may bow and warp by this much.
FLAT_SD_MM = 1e-4
# What a card that counts as flat still bows and warps, too little for its edges to say: it
# passes for a tilt. Common experience, no source.
UNSEEN_BEND_SD_MM = 0.03
BENT_SD_MM = 1.0
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
        return pose_from(pose_of(self.parameters, card))

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
    return pose_from(pose_of(draws, card))


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
    bundle = Bundle(observations)
    used = [np.ones(count, dtype=bool) for count in bundle.counts]
    current = _start(observations, prior) if start is None else start.parameters.copy()
    current = _best_tilts(observations, bundle, prior, current)
    known = _known(prior, BENT_SD_MM if may_bend else FLAT_SD_MM)
    for _ in range(5):
        before = used
        used, sd_px = _agreeing(bundle.by_card(bundle.residuals_px(current)))
        weights = bundle.padded([keep / sd for keep, sd in zip(used, sd_px, strict=True)])
        solution = _solve(bundle, current, weights, known)
        current = solution.parameters
        if all(np.array_equal(a, b) for a, b in zip(before, used, strict=True)):
            break
    information = solution.matrix()
    covariance = np.asarray(np.linalg.inv(information))
    if not may_bend:
        covariance += _of_unseen_bends(information, len(observations))
    residuals = bundle.by_card(bundle.residuals_px(current))
    rms = tuple(
        float(np.sqrt(np.mean(r[keep] ** 2))) for r, keep in zip(residuals, used, strict=True)
    )
    apart = prior.whitening @ (current[:LENS_PARAMETERS] - prior.mean)
    return Adjustment(current, covariance, tuple(used), rms, float(apart @ apart))


def _known(prior: LensPrior, bend_sd_mm: float) -> Known:
    own_sd = [SPREAD_PRIOR_PX, BORDER_SPREAD_PRIOR_PX, *[bend_sd_mm] * BENDS]
    return Known(prior.mean, prior.whitening, np.array(own_sd))


def _of_unseen_bends(information: Array, cards: int) -> Array:
    """What bends that were held at zero add to the covariance of the poses.

    A bend b pulls a least-squares solution by −(Jₐᵀ Jₐ)⁻¹ Jₐᵀ J_b b, where Jₐ are the
    derivatives by what is solved for, with the lens held, and J_b those by the bends. Both
    products are parts of the normal matrix, shape (p, p): no prior ties a bend to the rest.
    """
    parameters = len(information)
    own = parameters - OWN * cards + np.arange(OWN * cards).reshape(cards, OWN)
    bends = own[:, SPREADS:].ravel()
    solved = np.setdiff1d(np.arange(LENS_PARAMETERS, parameters), bends)
    pull = np.linalg.solve(information[np.ix_(solved, solved)], information[np.ix_(solved, bends)])
    added = np.zeros((parameters, parameters))
    added[np.ix_(solved, solved)] = UNSEEN_BEND_SD_MM**2 * pull @ pull.T
    return added


def bend_signs(observations: list[Observations], solution: Adjustment) -> list[float]:
    """How many standard deviations of bow or warp each card's residuals show, the larger one.

    One linear step from a solution that holds the cards flat, with pose and spreads free and
    the lens held. A card is bent where this is well above 3.
    """
    signs = []
    bundle = Bundle(observations)
    residuals, by = bundle.derivatives(solution.parameters)
    for residual, derivatives, used in zip(
        bundle.by_card(residuals), bundle.by_card(by), solution.used, strict=True
    ):
        here, design = residual[used], derivatives[used, LENS_PARAMETERS:]
        scale = np.maximum(np.max(np.abs(design), axis=0), 1e-12)
        found, *_ = np.linalg.lstsq(design / scale, -here, rcond=None)
        left = here + design / scale @ found
        variance = float(left @ left) / max(len(here) - design.shape[1], 1)
        covariance = np.linalg.pinv((design / scale).T @ (design / scale)) * variance
        sd = np.sqrt(np.diag(covariance)[-BENDS:]) + 1e-12
        signs.append(float(np.max(np.abs(found[-BENDS:]) / sd)))
    return signs


def _agreeing(residuals: list[Array]) -> tuple[list[NDArray[np.bool_]], list[float]]:
    """Which observations of each card agree, and their standard deviation, px."""
    used, sd_px = [], []
    for residual in residuals:
        scale = 1.4826 * float(np.median(np.abs(residual)))
        if scale > WORST_SCALE_PX or len(residual) < FEWEST_OBSERVATIONS:
            raise _does_not_fit()
        sd_px.append(max(scale, FLOOR_SD_PX))
        used.append(np.abs(residual) <= OUTLIER_SIGMAS * sd_px[-1])
    return used, sd_px


def _does_not_fit() -> Refused:
    return Refused(
        "card_does_not_fit",
        "A card's printed pattern does not fit a flat card.",
        "Mount the card on stiff flat stock, keep reflections off it, and retake.",
    )


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
    observations: list[Observations], bundle: Bundle, prior: LensPrior, start: Array
) -> Array:
    """Solve with a forgiving loss, and try the other tilt of every card that has one.

    A flat card seen from afar looks nearly the same when its tilt is mirrored about the line
    of sight (Schweighofer & Pinz, "Robust pose estimation from a planar target", IEEE PAMI
    28, 2006), and no step of a solver leads from one tilt to the other. The better one is
    kept.
    """
    known = _known(prior, FLAT_SD_MM)
    seen = bundle.by_card(bundle.residuals_px(start))
    if not all(np.isfinite(r).all() for r in seen):
        raise _does_not_fit()
    sd_px = [max(float(np.median(np.abs(r))), 0.03) for r in seen]
    weights = bundle.padded(
        [np.full(n, 1 / sd) for n, sd in zip(bundle.counts, sd_px, strict=True)]
    )
    best = _solve(bundle, start, weights, known, forgiving=True)
    for card, one in enumerate(observations):
        other_tilt = _other_tilt(one, best.parameters, card)
        if other_tilt is None:
            continue
        mirrored = best.parameters.copy()
        pose_of(mirrored, card)[:] = other_tilt
        begun = NormalEquations(bundle, mirrored, weights, known, forgiving=True)
        if begun.cost > FAR_WORSE * best.cost + FAR_COST:
            continue
        if len(observations) > FEW_CARDS and _hopeless(
            bundle.only(card),
            [of_card(p, card, len(observations)) for p in (best.parameters, mirrored)],
            weights[card : card + 1],
            known,
        ):
            continue
        other = _solve(bundle, mirrored, weights, known, forgiving=True)
        if other.cost < best.cost:
            best = other
    return best.parameters


def _hopeless(alone: Bundle, tilts: list[Array], weights: Array, known: Known) -> bool:
    """Whether a card's other tilt fits far worse, judged by this card alone.

    Alone its lens is freer than among others, so what cannot fit alone cannot fit among them.
    """
    one, other = (_solve(alone, tilt, weights, known, forgiving=True).cost for tilt in tilts)
    return other > one + HOPELESS_COST


def _other_tilt(seen: Observations, parameters: Array, card: int) -> Array | None:
    """Where a card's pose ends that starts from its mirrored tilt, the lens held, shape (6,).

    None where it comes back: then the picture leaves no second tilt.
    """
    focal, k1, k2, centre_x, centre_y = parameters[:LENS_PARAMETERS]
    pose = pose_of(parameters, card)
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


def _solve(
    bundle: Bundle, start: Array, weights: Array, known: Known, forgiving: bool = False
) -> NormalEquations:
    # A forgiving solution only serves to compare starts.
    tolerance, most = (1e-4, 25) if forgiving else (1e-12, 100)
    return descended(
        lambda parameters: NormalEquations(bundle, parameters, weights, known, forgiving),
        start,
        tolerance,
        most,
    )
