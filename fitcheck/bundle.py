"""What is seen of all cards held against one lens and their poses, with the derivatives.

All cards are worked on at once, in arrays padded to the card that shows most. A card's pose,
spreads and bends touch its own observations only, and all cards share the lens; so the normal
equations are solved by way of the lens's alone (Triggs et al., "Bundle Adjustment: a Modern
Synthesis", 2000, section 6.1), in a time that grows with the number of cards and not with its
cube.

The parameters, in this order: the lens (5), six per card for its pose, and per card two spreads
(px), bow and warp (mm).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from fitcheck.camera import LENS_PARAMETERS, POSE_PARAMETERS, rotation_matrix

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

SPREADS = 2  # per card: of all edges, and of those at the border besides
BENDS = 2  # per card: bow along its length, and warp
OWN = SPREADS + BENDS  # what a card has besides its pose
OF_CARD = POSE_PARAMETERS + OWN


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
        x, y = (2 * (self.points_mm[:, :2] - low) / np.maximum(high - low, 1e-9) - 1).T
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


def pose_of(parameters: Array, card: int) -> Array:
    """Rotation vector and origin (mm) of one card, a view of shape (..., 6)."""
    first = LENS_PARAMETERS + POSE_PARAMETERS * card
    return parameters[..., first : first + POSE_PARAMETERS]


def of_card(parameters: Array, card: int, cards: int) -> Array:
    """What a card has and shares, of a solution for so many: lens, pose and its own, (15,)."""
    first = len(parameters) - OWN * (cards - card)
    own = parameters[first : first + OWN]
    return np.concatenate([parameters[:LENS_PARAMETERS], pose_of(parameters, card), own])


class Bundle:
    """The observations of all cards, (cards, n), each card's padded with its first one."""

    def __init__(self, observations: Sequence[Observations]) -> None:
        """Take at least one card, each with at least one observation."""
        self.counts = [len(seen.points_mm) for seen in observations]
        most = max(self.counts)

        def padded(rows: Array) -> Array:
            """Columns of a card's rows, each as long as the longest card: (k, n)."""
            missing = most - len(rows)
            return np.concatenate([rows, np.repeat(rows[:1], missing, axis=0)]).T

        def all_cards(of_one: list[Array]) -> Array:
            return np.stack([padded(rows) for rows in of_one], axis=1)

        points = all_cards([seen.points_mm for seen in observations])
        self._points = np.ascontiguousarray(points.swapaxes(0, 1))  # (cards, 3, n)
        self._pixels = all_cards([seen.pixels for seen in observations])
        self._normals = all_cards([seen.normals for seen in observations])
        self._spread = all_cards([seen.spread for seen in observations])
        self._shapes = all_cards([seen.bend_shapes for seen in observations])

    def only(self, card: int) -> Bundle:
        """The same with one card alone."""
        alone = object.__new__(Bundle)
        alone.counts = [self.counts[card]]
        alone._points = self._points[card : card + 1]
        for name in ("_pixels", "_normals", "_spread", "_shapes"):
            setattr(alone, name, getattr(self, name)[:, card : card + 1])
        return alone

    def padded(self, of_cards: Sequence[NDArray[np.generic]]) -> Array:
        """One array per card, as long as its observations, as (cards, n), zero elsewhere."""
        rows = np.zeros((len(self.counts), max(self.counts)))
        for row, own in zip(rows, of_cards, strict=True):
            row[: len(own)] = own
        return rows

    def by_card(self, rows: Array) -> list[Array]:
        """One array per card, as long as its observations, of (cards, n)."""
        return [row[:count] for row, count in zip(rows, self.counts, strict=True)]

    def residuals_px(self, parameters: Array) -> Array:
        """How far each point is predicted beyond where it was seen, px, (cards, n)."""
        return self._seen_through(parameters).residuals

    def derivatives(self, parameters: Array) -> tuple[Array, Array]:
        """Residuals, px, (cards, n), and their derivatives, (cards, n, 5 + 6 + 4).

        The derivatives are by lens, the card's pose, and what it has besides.
        """
        seen = self._seen_through(parameters)
        focal, k1, k2 = parameters[:3]
        u, v, r2 = seen.u, seen.v, seen.r2
        nx, ny = self._normals
        toward = seen.toward
        by = np.empty((*seen.residuals.shape, LENS_PARAMETERS + OF_CARD))
        by[..., 0] = seen.growth * toward
        by[..., 1] = focal * r2 * toward
        by[..., 2] = r2 * by[..., 1]
        by[..., 3], by[..., 4] = nx, ny
        # The Brown model's Jacobian is symmetric: growth times one, plus an outer product.
        outer = 2 * (k1 + 2 * k2 * r2) * toward
        scale = focal / seen.z
        by_x = (seen.growth * nx + outer * u) * scale
        by_y = (seen.growth * ny + outer * v) * scale
        by_z = -(by_x * u + by_y * v)
        by[..., 8], by[..., 9], by[..., 10] = by_x, by_y, by_z
        on_card = by[..., 8:11] @ seen.card2cam
        a, b, c = on_card[..., 0], on_card[..., 1], on_card[..., 2]
        x, y, z = seen.points.swapaxes(0, 1)
        turned = np.empty_like(on_card)
        turned[..., 0] = y * c - z * b
        turned[..., 1] = z * a - x * c
        turned[..., 2] = x * b - y * a
        by[..., 5:8] = turned @ _right_jacobians(self._poses(parameters)[:, :3])
        by[..., 11], by[..., 12] = self._spread
        by[..., 13], by[..., 14] = c * self._shapes[0], c * self._shapes[1]
        return seen.residuals, by

    def _poses(self, parameters: Array) -> Array:
        last = LENS_PARAMETERS + POSE_PARAMETERS * len(self.counts)
        return parameters[LENS_PARAMETERS:last].reshape(-1, POSE_PARAMETERS)

    def _own(self, parameters: Array) -> Array:
        return parameters[-OWN * len(self.counts) :].reshape(-1, OWN)

    def _seen_through(self, parameters: Array) -> _Seen:
        focal, k1, k2, centre_x, centre_y = parameters[:LENS_PARAMETERS]
        own = self._own(parameters)[:, :, None]
        poses = self._poses(parameters)
        # One by one is the quicker way as long as there are few.
        card2cam = np.array([rotation_matrix(pose[:3]) for pose in poses])
        points = self._points.copy()
        points[:, 2] += own[:, 2] * self._shapes[0] + own[:, 3] * self._shapes[1]
        seen_cam = card2cam @ points + poses[:, 3:, None]
        forward = seen_cam[:, 2]
        u, v = seen_cam[:, 0] / forward, seen_cam[:, 1] / forward
        r2 = u * u + v * v
        growth = 1 + r2 * (k1 + r2 * k2)
        nx, ny = self._normals
        toward = u * nx + v * ny  # along the normal, as the residual is
        residuals = focal * growth * toward
        residuals += (centre_x - self._pixels[0]) * nx + (centre_y - self._pixels[1]) * ny
        residuals += own[:, 0] * self._spread[0] + own[:, 1] * self._spread[1]
        return _Seen(residuals, points, card2cam, forward, u, v, r2, growth, toward)


@dataclass(frozen=True, eq=False)
class _Seen:
    """What residuals and derivatives both need, each of shape (cards, n) but for the rotations."""

    residuals: Array
    points: Array
    card2cam: Array
    z: Array
    u: Array
    v: Array
    r2: Array
    growth: Array
    toward: Array


@dataclass(frozen=True, eq=False)
class Known:
    """What is known beforehand: of the lens, and of what the cards have besides their poses.

    Attributes
    ----------
    lens
        Mean, shape (5,), px for focal length and principal point.
    whitening
        W with WᵀW the inverse of the lens's covariance, shape (5, 5).
    own_sd
        Standard deviations about zero of one card's spreads (px) and bends (mm), shape (4,).
    """

    lens: Array
    whitening: Array
    own_sd: Array


class NormalEquations:
    """The adjustment about one point: its cost, and its normal equations in their blocks."""

    def __init__(
        self, bundle: Bundle, parameters: Array, weights: Array, known: Known, forgiving: bool
    ) -> None:
        """Linearise; weights are 1/px, shape (cards, n), zero for what does not count.

        Forgiving, each residual r counts as 2·(√(1 + r²) − 1) and not as r².
        """
        self.parameters = parameters
        residuals, by = bundle.derivatives(parameters)
        residuals = residuals * weights
        apart = known.whitening @ (parameters[:LENS_PARAMETERS] - known.lens)
        own = bundle._own(parameters) / known.own_sd
        lens_rows, own_rows = known.whitening, np.broadcast_to(1 / known.own_sd, own.shape)
        if forgiving:
            residuals, eased = forgiven(residuals)
            weights = weights * eased
            apart, eased = forgiven(apart)
            lens_rows = lens_rows * eased[:, None]
            own, eased = forgiven(own)
            own_rows = own_rows * eased
        by *= weights[..., None]
        self.cost = (
            float(np.vdot(residuals, residuals) + np.vdot(apart, apart) + np.vdot(own, own)) / 2
        )
        turned = by.swapaxes(1, 2)
        blocks = turned @ by
        pull = (turned @ residuals[..., None])[..., 0]
        diagonal = np.arange(LENS_PARAMETERS + POSE_PARAMETERS, LENS_PARAMETERS + OF_CARD)
        blocks[:, diagonal, diagonal] += own_rows**2
        pull[:, diagonal] += own_rows * own
        n = LENS_PARAMETERS
        self._lens = blocks[:, :n, :n].sum(axis=0) + lens_rows.T @ lens_rows
        self._lens_pull = pull[:, :n].sum(axis=0) + lens_rows.T @ apart
        self._cross = blocks[:, n:, :n]
        self._cards = blocks[:, n:, n:]
        self._card_pull = pull[:, n:]

    def step(self, damping: float) -> tuple[Array, float]:
        """The damped step, shape (p,), and by how much it should lower the cost."""
        n = LENS_PARAMETERS
        lens = self._lens + np.diag(damping * np.diag(self._lens))
        diagonal = np.arange(OF_CARD)
        cards = self._cards.copy()
        scale = self._cards[:, diagonal, diagonal]
        cards[:, diagonal, diagonal] += damping * scale
        right = np.concatenate([self._cross, self._card_pull[..., None]], axis=2)
        solved = np.linalg.solve(cards, right)
        reduced = (self._cross.swapaxes(1, 2) @ solved).sum(axis=0)  # (5, 6)
        of_lens = np.linalg.solve(lens - reduced[:, :n], reduced[:, n] - self._lens_pull)
        of_cards = -solved[:, :, n] - solved[:, :, :n] @ of_lens
        # Half of -s·pull and of s·(damping·diagonal)·s, for a damped step s.
        foreseen = -(of_lens @ self._lens_pull + np.vdot(of_cards, self._card_pull))
        foreseen += damping * (np.diag(self._lens) @ of_lens**2 + np.vdot(scale, of_cards**2))
        return _in_order(of_lens, of_cards), float(foreseen) / 2

    def matrix(self) -> Array:
        """The normal matrix as a whole, shape (p, p): the inverse of the covariance."""
        n, cards = LENS_PARAMETERS, len(self._cards)
        size = n + OF_CARD * cards
        whole = np.zeros((size, size))
        whole[:n, :n] = self._lens
        poses_end = n + POSE_PARAMETERS * cards
        poses = np.arange(n, poses_end).reshape(cards, POSE_PARAMETERS)
        own = np.arange(poses_end, size).reshape(cards, OWN)
        for card, places in enumerate(np.concatenate([poses, own], axis=1)):
            whole[np.ix_(places, places)] = self._cards[card]
            whole[places, :n] = self._cross[card]
            whole[:n, places] = self._cross[card].T
        return whole


def _in_order(lens: Array, cards: Array) -> Array:
    """Parameters of lens and cards in the order of a solution."""
    poses, own = cards[:, :POSE_PARAMETERS], cards[:, POSE_PARAMETERS:]
    return np.concatenate([lens, poses.ravel(), own.ravel()])


def forgiven(residuals: Array) -> tuple[Array, Array]:
    """Residuals whose squares are the soft loss 2·(√(1 + r²) − 1), and their derivatives."""
    root = np.sqrt(1 + residuals**2)
    # Written so that it does not cancel at small r: √(1 + r²) − 1 = r² / (√(1 + r²) + 1).
    share = np.sqrt(2 / (root + 1))
    return residuals * share, 1 / (root * share)


def _right_jacobians(rotation_vectors: Array) -> Array:
    """Right Jacobians of SO(3): exp(w + dw) = exp(w) exp(J dw), of (cards, 3): (cards, 3, 3).

    Source: Chirikjian, "Stochastic Models, Information Theory, and Lie Groups 2", 2012,
    section 10.6.
    """
    x, y, z = rotation_vectors.T
    angle = np.maximum(np.sqrt(x * x + y * y + z * z), 1e-6)[:, None, None]
    cross = np.zeros((len(rotation_vectors), 3, 3))
    cross[:, 0, 1], cross[:, 0, 2], cross[:, 1, 2] = -z, y, -x
    cross -= cross.swapaxes(1, 2)
    first = (1 - np.cos(angle)) / angle**2
    second = (angle - np.sin(angle)) / angle**3
    return np.asarray(np.eye(3) - first * cross + second * (cross @ cross))
