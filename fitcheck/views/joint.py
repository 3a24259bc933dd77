"""View ``joint``: from the side, square to the riser's side face, at the seam under the limb.

Card B lies on the riser's side face under the seam, its x axis toward the limb's tip. The
seam lies in that face: the riser's pad line and the limb's lower line are fitted together
(:mod:`fitcheck.seam`), carried onto the face and told apart at the limb's butt and at the
riser's end. Positive wedge: open toward the riser's end.

The limb's side may stand out or back by a little. Seen from above or below the pad's plane,
its line then moves by parallax, all along the seam alike; how much is not known, so it is part
of the uncertainty, and what is known of bolted limbs is weighed against it
(:mod:`fitcheck.views.joint_contact`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fitcheck.adjustment import draw_lens, draw_pose
from fitcheck.camera import camera_in_card, pixels_to_card
from fitcheck.cards import CARDS
from fitcheck.edges import MeasuredEdge, Rival, draw_rivals
from fitcheck.errors import Refused
from fitcheck.lines import robust_line
from fitcheck.measurement import Note
from fitcheck.seam import SeamFit, fit_seam
from fitcheck.seam_profiles import SeamProfiles
from fitcheck.strips import Line, Surface, px_per_mm_at
from fitcheck.uncertainty import DRAWS, Model, Quantities, Source, draw_correlated
from fitcheck.views.given_line import GivenLine
from fitcheck.views.joint_contact import Openings, openings
from fitcheck.views.joint_given import given_lines, seam_of_lines, with_given_lines
from fitcheck.views.joint_panorama import CARD
from fitcheck.views.joint_profiles import on_line, profiles_across, sight_into, stretch_of
from fitcheck.views.joint_seam import EDGES, SeamPlace, find_seam
from fitcheck.views.view import Scene, View, ViewResult, Wording

Array = NDArray[np.float64]

STEEPEST_DEG = 40.0
HIGHEST_DEG = 25.0  # above or below the pad; beyond it the opening hides itself
LEVEL_DEG = 6.0

# A lip of 0.8 mm is where rework begins, by common practice; most are smaller.
LIP_SD_MM = 0.5
LIP_TURN_SD_DEG = 0.3  # how much the lip changes along the seam

# What the model of light leaves: of each end by itself, and of both together by the arrises.
OWN_SD_MM = 0.018
OWN_SD_BLURS = 0.15
OWN_SD_SHARE = 0.07  # of the opening: how far light reaches in over the inner faces
ARRIS_SD_MM = 0.025
ARRIS_SD_BLURS = 0.15

CARD_FLATNESS_MM = 0.05  # as in the view seat
CARD_LEAN_DEG = 0.1
RIVAL_MM = 0.15
RIVAL_LINE = 0.85  # as clear as this beside the seam, another line may be meant
LEAST_PAST = 0.03  # change of log light along the limb's edge past the riser's end
UNEVEN_SHARE, UNEVEN_MM, UNEVEN_MISFIT = 0.7, 0.12, 0.9
COARSE_MM = 0.2  # expanded uncertainty of an opening that a feeler gauge would beat by far
ODD_GAP_MM = 1.0
SURELY_OPEN = 0.05


@dataclass(frozen=True, eq=False)
class _Seam:
    """The fitted seam with all that the model needs."""

    place: SeamPlace
    surface: Surface
    fit: SeamFit
    line: Line
    blur_mm: float
    level: float  # tangent of the camera's height over the pad
    found: Openings
    pad_px: Array
    limb_px: Array
    scatter_mm: tuple[float, float]


def look(scene: Scene, rng: np.random.Generator) -> ViewResult:
    """Find the seam, fit its two lines and prepare the gap's characteristics.

    Parameters
    ----------
    scene
        The photograph with card B.
    rng
        For the draws of the uncertainty sources.

    Returns
    -------
    Edges, model and sources.

    Raises
    ------
    Refused
        ``too_oblique``, ``seam_not_found``, ``seam_hidden``, ``seam_ambiguous``,
        ``seam_short``, ``hint_on_card``, ``line_unfit`` or ``lines_crossed``.
    """
    warnings: list[Note] = []
    surface = scene.surface(CARD)
    _check_square(surface)
    place = find_seam(scene, warnings)
    laid = given_lines(scene, surface, place)
    warnings += [line.note() for line in laid.values()]
    seam = _measured(scene, surface, place, laid, rng)
    if not laid:
        seam = _held_against_another_line(scene, surface, seam, rng)
    warnings += _doubts(seam)
    best, sources = _quantities(scene, seam, rng)
    edges = _edges(seam)
    on_right = place.tipward * place.frame.outward[1] < 0
    return ViewResult(
        edges=edges,
        hinted=frozenset(scene.hints) & frozenset(edges),
        model=_model(scene, seam),
        best=best,
        sources=sources,
        warnings=warnings,
        observed={"seat_side": "right" if on_right else "left"},
    )


def _check_square(surface: Surface) -> None:
    camera = camera_in_card(surface.pose)
    sideways = camera[:2] - np.array(CARDS[CARD].board_mm) / 2
    lean = float(np.degrees(np.arctan2(np.linalg.norm(sideways), -camera[2])))
    if camera[2] > 0 or lean > STEEPEST_DEG:
        raise Refused(
            "too_oblique",
            f"The photograph looks at card {CARD} from {lean:.0f}° off square.",
            "Hold the phone level with the seam, square to the riser's side face, and retake.",
        )


def _measured(
    scene: Scene,
    surface: Surface,
    place: SeamPlace,
    laid: Mapping[str, GivenLine],
    rng: np.random.Generator,
) -> _Seam:
    """Fit the seam between its two ends, as far as its lines were not laid by hand."""
    camera = camera_in_card(surface.pose)
    along_camera, height = on_line(place).from_surface(camera[None, :2])[0]
    distance = float(surface.depth_mm - camera[2])
    level = float(height / distance)
    elevation = np.degrees(np.arctan(abs(level)))
    if elevation > HIGHEST_DEG:
        raise Refused(
            "too_oblique",
            f"The photograph looks at the seam from {elevation:.0f}° above or below the pad.",
            "Hold the phone level with the seam, square to the riser's side face, and retake.",
        )
    px_per_mm = px_per_mm_at(surface, place.frame, place.line)
    blur_mm = max(scene.blur_px[CARD], 0.5) / px_per_mm
    if len(laid) == len(EDGES):
        place = replace(place, rival_share=0.0)  # of a search that plays no part
        fit, scatter = seam_of_lines(laid, place, blur_mm), (0.0, 0.0)
        covariance = fit.covariance[2:, 2:]
    else:
        stretch = stretch_of(place, float(along_camera) + place.line.middle_mm, distance)
        profiles = profiles_across(scene, surface, place, stretch, blur_mm)
        fit = fit_seam(profiles, blur_mm, sight_into(float(height), distance), scene.white)
        fit = with_given_lines(fit, laid, place)
        covariance, scatter = _opening_covariance(fit, profiles, blur_mm)
        pad, limb = (0.0 if n in laid else mm for n, mm in zip(EDGES, scatter, strict=True))
        scatter = (pad, limb)

    ends = np.array([place.butt_mm, place.end_mm])
    pad_up = place.line.at(ends) + fit.pad_mm
    limb_up = pad_up + fit.opening_mm
    turned = level * np.tan(np.radians(LIP_TURN_SD_DEG)) * np.ptp(ends) / 2
    covariance = covariance + turned**2 * np.array([[1.0, -1.0], [-1.0, 1.0]])
    found = openings(
        fit.opening_mm,
        covariance,
        {
            "arris": float(np.hypot(ARRIS_SD_MM, ARRIS_SD_BLURS * blur_mm)),
            "parallax": LIP_SD_MM * abs(level) + 1e-6,
        },
        rng,
        DRAWS,
    )
    slope = (pad_up[1] - pad_up[0]) / (ends[1] - ends[0])
    return _Seam(
        place=place,
        surface=surface,
        fit=fit,
        line=Line(float(pad_up.mean()), float(slope), float(ends.mean())),
        blur_mm=blur_mm,
        level=level,
        found=found,
        pad_px=surface.to_pixels(place.frame.to_surface(ends, pad_up)),
        limb_px=surface.to_pixels(place.frame.to_surface(ends, limb_up)),
        scatter_mm=scatter,
    )


def _held_against_another_line(
    scene: Scene, surface: Surface, seam: _Seam, rng: np.random.Generator
) -> _Seam:
    """Where another line is almost as clear, let what it would measure count too."""
    place = seam.place
    if place.rival is None or place.rival_share <= RIVAL_LINE:
        return seam
    other = replace(place, line=place.rival, rival=None, rival_share=0.0)
    try:
        there = _measured(scene, surface, other, {}, rng)
    except Refused:
        return seam  # it cannot be measured; the warning stands
    rival = Rival(there.found.best_mm - seam.found.best_mm, place.rival_share)
    return replace(seam, fit=replace(seam.fit, rivals=(*seam.fit.rivals, rival)))


def _opening_covariance(
    fit: SeamFit, profiles: SeamProfiles, blur_mm: float
) -> tuple[Array, tuple[float, float]]:
    """Covariance of the two openings' own errors, mm², and the scatter of either line, mm."""
    own = OWN_SD_MM**2 + (OWN_SD_BLURS * blur_mm) ** 2 + (OWN_SD_SHARE * fit.opening_mm) ** 2
    covariance = fit.covariance[2:, 2:] + np.diag(own)
    scatter = []
    for shift in (fit.pad_shift_mm, fit.limb_shift_mm):
        seen = shift[fit.kept & np.isfinite(shift)]
        scatter.append(float(1.4826 * np.median(np.abs(seen))) if len(seen) else 0.0)
    opening_shift = fit.limb_shift_mm - fit.pad_shift_mm
    told = fit.kept & np.isfinite(opening_shift)
    middle = float(np.mean(profiles.along_mm))
    straight = robust_line(profiles.along_mm[told] - middle, opening_shift[told])
    if straight is not None:
        lever = np.stack([np.ones(2), profiles.ends_mm - middle], axis=1)
        covariance = covariance + lever @ straight.covariance @ lever.T
    return covariance, (scatter[0], scatter[1])


def _edges(seam: _Seam) -> dict[str, MeasuredEdge]:
    """Both lines as they were measured, butt first."""
    place, fit = seam.place, seam.fit
    ends = (place.butt_mm, place.end_mm)
    length = ends[1] - ends[0]
    pad_covariance = fit.covariance[:2, :2]
    carry = np.concatenate([np.eye(2), np.eye(2)], axis=1)
    slope = float(np.diff(fit.opening_mm)[0] / length)
    lines = {
        "pad_line": (seam.line, seam.pad_px, pad_covariance),
        "limb_line": (
            Line(
                seam.line.offset_mm + float(np.mean(fit.opening_mm)),
                seam.line.slope + slope,
                seam.line.middle_mm,
            ),
            seam.limb_px,
            carry @ fit.covariance @ carry.T,
        ),
    }
    sides = {"pad_line": (0, 1), "limb_line": (1, 2)}
    arris_sd = float(np.hypot(ARRIS_SD_MM, ARRIS_SD_BLURS * seam.blur_mm) / np.sqrt(2))
    edges = {}
    for k, (name, (line, pixels, covariance)) in enumerate(lines.items()):
        below, above = sides[name]
        edges[name] = MeasuredEdge(
            line=line,
            along_mm=ends,
            end_pixels=pixels,
            end_covariance_mm2=covariance,
            offset_sd_mm=arris_sd,
            scatter_mm=seam.scatter_mm[k],
            kept_share=float(np.mean(fit.kept)),
            rise=float(np.mean(fit.levels[:, above] - fit.levels[:, below])),
            radius_mm=fit.radii_mm[k],
            misfit=fit.misfit,
        )
    return edges


def _quantities(
    scene: Scene, seam: _Seam, rng: np.random.Generator
) -> tuple[Quantities, list[Source]]:
    """Best estimates and the draws of every source."""
    adjustment, setup, found = scene.adjustment, scene.setup, seam.found
    best: Quantities = {
        "camera": adjustment.parameters,
        "thickness": np.array(setup.card_thickness_mm),
        "print_scale": np.zeros(2),
        "lift": np.array(0.0),
        "lean": np.zeros(2),
        "opening": found.best_mm - seam.fit.opening_mm,
        "ends": np.zeros(2),
    }

    def normal(*shape: int) -> Array:
        return np.asarray(rng.standard_normal((DRAWS, *shape)))

    total, held = adjustment.covariance, adjustment.lens_held()
    # The openings' errors are drawn together, so these sources hang together draw by draw;
    # the medians' distance from the means goes with the first.
    moved = found.opening_mm - found.best_mm
    others = {name: part - part.mean(axis=0) for name, part in found.parts_mm.items()}
    others.pop("edge")
    shared = [Source(name, {"opening": part}) for name, part in others.items()]
    edge = moved - np.sum(list(others.values()), axis=0)
    sources = [
        Source("lens", {"camera": draw_correlated(rng, total - held, DRAWS)}),
        Source("pose", {"camera": draw_correlated(rng, held, DRAWS)}),
        Source("card_thickness", {"thickness": setup.card_thickness_sd_mm * normal()}),
        Source("print_scale", {"print_scale": setup.print_scale_sd * normal(2)}),
        Source(
            "card_flatness",
            {
                "lift": CARD_FLATNESS_MM * normal(),
                "lean": np.radians(CARD_LEAN_DEG) * normal(2),
            },
        ),
        Source("edge", {"opening": edge}),
        *shared,
        Source(
            "seam_ends",
            {"ends": np.array([seam.place.butt_sd_mm, seam.place.end_sd_mm]) * normal(2)},
        ),
    ]
    if seam.fit.rivals:
        apart = draw_rivals(rng, seam.fit.rivals, DRAWS)
        sources.append(Source("other_line", {"opening": apart}))
    return best, sources


def _model(scene: Scene, seam: _Seam) -> Model:
    place_of_card = scene.places[CARD]
    pixels = np.concatenate([seam.pad_px, seam.limb_px])
    middle = np.array(CARDS[CARD].board_mm) / 2
    rough = seam.surface.from_pixels(pixels) - middle
    up_sign = float(seam.place.frame.outward[1] * seam.place.tipward)

    def model(q: Quantities) -> dict[str, Array]:
        # Where all draws are of one camera, its rays are found once.
        camera = q["camera"] if np.ptp(q["camera"], axis=0).any() else q["camera"][:1]
        lens, pose = draw_lens(camera), draw_pose(camera, place_of_card)
        depth = (q["thickness"] + q["lift"])[:, None] + np.tan(q["lean"]) @ rough.T
        points = pixels_to_card(pixels, lens, pose, depth)[..., :2]
        points = points * (1 + q["print_scale"])[:, None, :]
        pad, limb = points[:, :2], points[:, 2:]
        run = pad[:, 1] - pad[:, 0]
        length = np.linalg.norm(run, axis=1)
        up = up_sign * np.stack([-run[:, 1], run[:, 0]], axis=1) / length[:, None]
        gap = np.einsum("dni,di->dn", limb - pad, up) + q["opening"]
        slope = (gap[:, 1] - gap[:, 0]) / length
        # Parts cannot overlap, wherever the ends truly are.
        at_ends = np.maximum(gap + slope[:, None] * q["ends"], 0.0)
        return {
            "gap_butt": at_ends[:, 0],
            "gap_end": at_ends[:, 1],
            "gap_wedge": np.degrees(np.arctan(slope)),
        }

    return model


def _doubts(seam: _Seam) -> list[Note]:
    """What the user should know of this seam."""
    notes = []
    found, fit = seam.found, seam.fit
    half = np.ptp(np.quantile(found.opening_mm, [0.025, 0.975], axis=0), axis=0) / 2
    if seam.place.tipward < 0:
        notes.append(
            Note(
                "card_turned",
                f"Card {CARD} lies with its arrow away from the limb's tip; this was allowed for.",
                "Lay the card with its arrow toward the tip.",
            )
        )
    elevation = float(np.degrees(np.arctan(seam.level)))
    if abs(elevation) > LEVEL_DEG:
        where = "above" if elevation > 0 else "below"
        notes.append(
            Note(
                "not_level",
                f"The photograph looks at the seam from {abs(elevation):.0f}° {where} the pad: "
                "a limb that stands out or back at that side widens or narrows the gap.",
                "Hold the phone level with the seam and retake.",
            )
        )
    if seam.place.rival_share > RIVAL_LINE:
        notes.append(
            Note(
                "seam_ambiguous",
                "Another line beside the seam is almost as clear.",
                "Look at the drawn lines; if they are wrong, mark pad line and limb line by hand.",
            )
        )
    elif fit.reading == "layer":
        notes.append(
            Note(
                "seam_ambiguous",
                "A dark layer seems to run beside the seam; if it is the gap itself, the gap "
                f"differs by up to {fit.rival_mm:.2f} mm.",
                "Look at the drawn lines; if they are wrong, mark pad line and limb line by hand, "
                "or try a feeler gauge.",
            )
        )
    elif fit.reading == "light":
        notes.append(
            Note(
                "seam_ambiguous",
                "Light seems to show in the seam; if that is a light layer beside it, the gap "
                f"differs by up to {fit.rival_mm:.2f} mm.",
                "Put something black behind the seam, keep light off it, and retake, or try a "
                "feeler gauge.",
            )
        )
    elif fit.rival_mm > RIVAL_MM:
        notes.append(
            Note(
                "seam_ambiguous",
                f"The seam can be read in two ways that differ by {fit.rival_mm:.2f} mm.",
                "Put a plain background behind the seam, light it evenly, and retake.",
            )
        )
    if seam.place.past_clear < LEAST_PAST:
        notes.append(
            Note(
                "limb_unclear",
                "No limb shows past the riser's end.",
                "Bolt the limb in its pocket, put a plain background of another colour behind it, "
                "and retake.",
            )
        )
    if (
        float(np.mean(fit.kept)) < UNEVEN_SHARE
        or max(seam.scatter_mm) > UNEVEN_MM
        or fit.misfit > UNEVEN_MISFIT
    ):
        notes.append(
            Note(
                "seam_uneven",
                "The seam is uneven: only part of it agrees with two straight lines.",
                "Clean the seam, keep tape and glare off it, light it evenly, and retake.",
            )
        )
    if np.max(half) > COARSE_MM:
        notes.append(
            Note(
                "seam_coarse",
                f"The photograph tells the gap only to {np.max(half):.2f} mm.",
                "Go closer, focus on the seam, hold the phone level with it, or use a feeler "
                "gauge.",
            )
        )
    elif np.all(found.best_mm < half) and not fit.rivals:
        notes.append(
            Note(
                "gap_below_limit",
                f"No opening shows; one of less than {np.max(half):.2f} mm cannot be told "
                "from this photograph.",
                "Try a feeler gauge of 0.05 mm.",
            )
        )
    if np.max(found.best_mm) > ODD_GAP_MM:
        notes.append(
            Note(
                "gap_unusual",
                f"The gap comes out {np.max(found.best_mm):.1f} mm wide, which is unusual.",
                "Look at the drawn lines; if they are wrong, mark pad line and limb line by hand.",
            )
        )
    elif np.all(found.touches < SURELY_OPEN):
        notes.append(
            Note(
                "open_at_both_ends",
                "The seam stands open from end to end: the limb rests on the other side, on "
                "grit, or not at all; a dark line along the seam looks the same.",
                "Clean the pad, bolt the limb tight, and look at the seam on the other side.",
            )
        )
    return notes


JOINT = View(
    name="joint",
    title="Seam",
    cards=(CARD,),
    optional_cards=(),
    edges=EDGES,
    units={"gap_butt": "mm", "gap_end": "mm", "gap_wedge": "deg"},
    how_to=(
        "Unstring the bow. Bolt the limb in its pocket as for shooting and brush the seam clean.",
        "Lay the bow on its other side, or clamp it, so that the seam looks at you. Put a plain "
        "background of another colour behind it.",
        "Lay card B flat on the riser's side face under the seam, 2 to 5 mm below it, arrow "
        "toward the limb's tip.",
        "Hold the phone level with the seam and square to the side face, 20 to 25 cm away, with "
        "the limb's butt, the riser's end and the whole card in the picture.",
        "Tap to focus on the seam, hold still, and take the photograph at full resolution.",
    ),
    look=look,
    wording={
        "gap_butt": Wording(
            "Gap at the butt", "Opening of the seam between pad and limb, at the butt."
        ),
        "gap_end": Wording(
            "Gap at the riser’s end",
            "Opening of the seam between pad and limb, at the riser’s end.",
        ),
        "gap_wedge": Wording(
            "Wedge of the gap",
            "Angle at which the seam opens.",
            "opens toward the riser’s end",
            "opens toward the butt",
        ),
    },
    edge_names={"pad_line": "Pad line", "limb_line": "Limb’s lower line"},
    source_names={
        "seam_ends": "place of the seam’s ends",
        "other_line": "another line that may be the edge",
    },
)
