"""The renderer's truth, checked without the measuring code and without its own camera code.

Where known points land is computed here from a pinhole and Brown's formula, written out.
"""

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from fitcheck import inspection_file
from fitcheck.cards import CARDS
from sample_images.making import (
    cases,
    dressed,
    lot,
    phone,
    sample_bow,
    shots,
    tracing,
    truth,
)
from sample_images.making.bow import Limb, RiserEnd, seated
from sample_images.making.cards import lying, standing
from sample_images.making.dressed import card_things
from sample_images.making.lens import Camera, framed, lens_of, looking
from sample_images.making.meshes import loft, rotation, turned
from sample_images.making.tracing import Thing

WIDTH, HEIGHT = 640, 480
SAMPLES = Path(__file__).parent.parent / "sample_images"


@pytest.fixture(scope="module")
def _renderer():
    try:
        tracing._mitsuba()
    except tracing.NotInstalled as missing:
        pytest.skip(str(missing))


needs_renderer = pytest.mark.usefixtures("_renderer")


def brown(points, camera):
    """Pixels of points (n, 3): pinhole and Brown's radial terms, written out once more."""
    lens = camera.lens
    landed = []
    for point in np.asarray(points):
        right, down, ahead = (
            float(axis @ (point - camera.position)) for axis in camera.cam2world.T
        )
        x, y = right / ahead, down / ahead
        r2 = x * x + y * y
        stretched = 1 + lens.k1 * r2 + lens.k2 * r2 * r2
        landed.append(
            (
                lens.focal_px * stretched * x + lens.centre_px[0],
                lens.focal_px * stretched * y + lens.centre_px[1],
            )
        )
    return np.array(landed)


def camera_above(high=300.0, k1=0.05, k2=-0.03, tilt=8.0):
    lens = lens_of(WIDTH, HEIGHT, 26.0, k1, k2, (0.004, -0.003))
    turn = looking(np.array([np.sin(np.radians(tilt)), 0.1, -1.0]), np.array([0, 1.0, 0]), 12.0)
    return Camera(lens, turn, -turn[:, 2] * high, 0.8, high)


def light_of(things, camera, grid=4):
    room = np.full((4, 8, 3), 1.0, dtype=np.float32)
    scene = tracing.build(things, [], room)
    y, x = np.mgrid[: camera.lens.height, : camera.lens.width]
    pixels = np.stack([x.ravel(), y.ravel()], axis=-1).astype(float)
    light = tracing.trace(scene, camera, pixels, 1.0, grid, 2)
    return light.reshape(camera.lens.height, camera.lens.width, 3)


def ball(at, radius):
    angle = np.linspace(0, np.pi, 24)
    profile = np.stack([radius * np.sin(angle), radius * np.cos(angle)], axis=-1)
    return Thing(turned(profile, 32).moved(np.eye(3), np.asarray(at, float)), (0.05, 0.05, 0.05))


def floor(z=-40.0):
    section = np.array([[-900, z - 5], [900, z - 5], [900, z], [-900, z]], dtype=float)
    made = loft(np.array([-900.0, 900.0]), np.stack([section] * 2), np.full(4, 0.1), (0, 0))
    return Thing(made.skin(), (0.01, 0.01, 0.01))


@needs_renderer
def test_small_balls_land_where_browns_formula_says():
    camera = camera_above()
    at = np.array([(x, y, 12.0 * ((x + y) % 4)) for x in range(-96, 97, 24) for y in (-61, 2, 63)])
    # Dark balls before a sky that is equally bright everywhere: no shading to allow for.
    dark = 1 - light_of([ball(p, 2.2) for p in at], camera).mean(axis=-1)
    expected = brown(at, camera)
    assert expected.min() > 12
    errors = []
    for x, y in expected:
        column, row = round(x), round(y)
        weight = dark[row - 9 : row + 10, column - 9 : column + 10]
        rows, columns = np.mgrid[-9:10, -9:10]
        found = np.array([(weight * columns).sum(), (weight * rows).sum()]) / weight.sum()
        errors.append(found + np.array([column, row]) - (x, y))
    assert np.abs(errors).max() < 0.08  # sixteen rays a pixel leave some noise
    assert np.abs(np.mean(errors, axis=0)).max() < 0.015


@needs_renderer
def test_light_comes_from_where_the_room_is_bright():
    camera = camera_above(k1=0.0, k2=0.0, tilt=0.0)
    grey = Thing(ball((0, 0, 0), 30.0).mesh, (0.5, 0.5, 0.5))
    brightest = {}
    for name, column in (("y", 0), ("x", 16), ("-y", 32), ("-x", 48)):
        room = np.full((32, 64, 3), 0.01, dtype=np.float32)
        room[10:16, (column + np.arange(-3, 4)) % 64] = 5.0
        pixels = np.array([(p, q) for q in range(0, HEIGHT, 4) for p in range(0, WIDTH, 4)], float)
        light = tracing.trace(tracing.build([grey], [], room), camera, pixels, 4.0, 3, 2)
        at = {side: camera.project(30 * np.array(v)) for side, v in AROUND.items()}
        seen = {
            side: light[np.linalg.norm(pixels - middle, axis=1) < 10].mean()
            for side, middle in at.items()
        }
        brightest[name] = max(seen, key=seen.__getitem__)
    assert brightest == {name: name for name in brightest}


AROUND = {  # directions from above the ball's equator, where the camera sees it lit
    "x": (0.8, 0, 0.6),
    "-x": (-0.8, 0, 0.6),
    "y": (0, 0.8, 0.6),
    "-y": (0, -0.8, 0.6),
}


@needs_renderer
def test_gauge_block_has_its_width_in_the_picture():
    width, top = 40.0, 0.0
    camera = camera_above(tilt=0.0)
    half = width / 2
    section = np.array([[-half, -30], [half, -30], [half, top], [-half, top]], dtype=float)
    made = loft(np.array([-70.0, 70.0]), np.stack([section] * 2), np.full(4, 0.02), (0, 0))
    light = light_of([floor(), Thing(made.skin(), (0.8, 0.8, 0.8))], camera).mean(axis=-1)
    ends = []
    for side in (-1, 1):
        profiles = []
        for y in np.linspace(-40, 40, 161):
            inner, outer = brown(
                [(side * (half - 5), y, top), (side * (half + 5), y, top)], camera
            )
            line = inner + np.linspace(0, 1, 401)[:, None] * (outer - inner)
            seen = cv2.remap(
                light.astype(np.float32), *line.T.astype(np.float32)[:, None], cv2.INTER_LINEAR
            )
            profiles.append(seen[0])
        profile = np.mean(profiles, axis=0)
        middle = (profile[:80].mean() + profile[-80:].mean()) / 2
        past = int(np.argmax(profile < middle))
        at = past - (middle - profile[past]) / (profile[past - 1] - profile[past])
        ends.append(side * (half - 5 + 10 * at / 400))
    # At 1.5 px/mm this is a thirtieth of a pixel.
    assert ends[1] - ends[0] == pytest.approx(width, abs=0.02)


@needs_renderer
@pytest.mark.parametrize("scale", [(1.0, 1.0), (0.985, 0.99)])
def test_card_corners_land_where_browns_formula_says(scale):
    camera = camera_above(high=170.0)
    card = lying("A", np.array([3.0, -2.0, 0.0]), np.eye(3), 4.0, scale, 0.5)
    light = light_of([floor(), *card_things(card)], camera)
    levels = phone.developed(light * 0.8, phone.Phone(gain=0, read_noise=0), rng=_rng())
    grey = cv2.cvtColor(levels, cv2.COLOR_RGB2GRAY)
    board = CARDS["A"]
    nominal = board.corners_mm[:, :2]
    world = np.array([
        card.origin
        + card.card2world @ np.array([x * scale[0], y * scale[1], 0.0])
        for x, y in nominal
    ])  # fmt: skip
    expected = brown(world, camera)
    found = cv2.cornerSubPix(
        grey, np.ascontiguousarray(expected[:, None], np.float32), (2, 2), (-1, -1), (3, 50, 1e-4)
    )[:, 0]
    error = found - expected
    assert np.abs(error.mean(axis=0)).max() < 0.05
    assert np.sqrt(np.mean(error**2)) < 0.15


@needs_renderer
def test_card_is_seen_the_right_way_round():
    camera = camera_above(high=170.0)
    card = lying("B", np.zeros(3), np.eye(3), 0.0, (1.0, 1.0), 0.5)
    light = light_of([floor(), *card_things(card)], camera)
    levels = phone.developed(light * 0.8, phone.Phone(), rng=_rng())
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_100))
    corners, ids, _ = detector.detectMarkers(cv2.cvtColor(levels, cv2.COLOR_RGB2GRAY))
    assert ids is not None
    for marker, found in zip(ids.ravel(), corners, strict=True):
        known = card.points(CARDS["B"].marker_corners_mm[int(marker)][:, :2])
        np.testing.assert_allclose(found[0], brown(known, camera), atol=2.5)


def _rng():
    return np.random.default_rng(4)


def test_telephone_moves_no_edge():
    x = np.arange(400)
    ramp = np.clip((x - 200.3) / 1.0 + 0.5, 0, 1) * 0.5 + 0.1
    light = np.repeat(np.tile(ramp, (64, 1))[..., None], 3, axis=2).astype(np.float32)
    plain = phone.Phone(gain=0, read_noise=0, curve=0, sharpening=0, vignetting=0)
    levels = phone.developed(light, plain, _rng()).astype(float) / 255
    colour = np.where(levels <= 0.04045, levels / 12.92, ((levels + 0.055) / 1.055) ** 2.4)
    linear = (colour @ [0.299, 0.587, 0.114]).mean(axis=0)
    step = np.diff(linear[180:220])
    edge = np.sum(step * (x[180:219] + 0.5)) / np.sum(step)
    assert edge == pytest.approx(200.3, abs=0.02)


def test_seat_truth_of_a_seat_worked_by_hand():
    riser = RiserEnd(width=40.0, face_height=10.5)
    limb = Limb(width=42.0, thickness=10.0)
    found = truth.seat_truth(riser, limb, seated(offset=0.6, angle_deg=0.5))
    # 42/2 / cos 0.5° = 21.0008; beside the riser's 20 mm, less and plus the offset.
    assert found["overhang_left"] == pytest.approx(0.4008, abs=1e-4)
    assert found["overhang_right"] == pytest.approx(1.6008, abs=1e-4)
    assert found["lateral_offset"] == pytest.approx(0.6, abs=1e-9)
    assert found["lateral_angle"] == pytest.approx(0.5, abs=1e-9)
    assert found["face_step"] == pytest.approx(0.5, abs=1e-9)


def test_tip_to_the_right_is_positive():
    limb = Limb()
    tip = seated(angle_deg=0.5).of(limb.surface(400.0)[0])
    assert tip[0] == pytest.approx(400 * np.sin(np.radians(0.5)), abs=1e-6)


def test_right_side_high_is_positive():
    limb = Limb(twist_deg=2.0, tip_slope_deg=0.0, deflex_deg=0.0)
    _, axes = limb.surface(460.0)
    assert axes[2, 0] > 0  # going right, the surface rises
    base, near = limb.surface(10.0)
    at, far = limb.surface(460.0)
    assert truth.twist_deg(base, near[:, 2], at, far[:, 2]) == pytest.approx(2.0, abs=1e-6)
    right = seated(roll_deg=1.0).of(np.array([20.0, 0.0, 0.0]))
    assert right[2] == pytest.approx(20 * np.sin(np.radians(1.0)))
    pad = RiserEnd(pad_squareness_deg=1.0).pad_block().points
    edge = pad[5][np.argsort(pad[5][:, 2])[-5:]]
    assert np.all(edge[:, 0] > 0)


def test_twist_does_not_depend_on_the_slope_of_the_tip():
    for slope in (-20.0, 0.0, 20.0):
        limb = Limb(twist_deg=1.5, tip_slope_deg=slope, deflex_deg=0.0, length=480)
        base, near = limb.surface(10.0)
        at, far = limb.surface(455.0)
        found = truth.twist_deg(base, near[:, 2], at, far[:, 2])
        # sin(twist) = sin(roll) / sqrt(1 + slope² cos² roll): 1.41° at 20°.
        assert found == pytest.approx(1.5, abs=0.1)


def test_wedge_opens_toward_the_risers_end():
    riser = RiserEnd(width=42.0, pad_length=90.0)
    seat = shots.Seat(
        riser,
        Limb(width=42.0),
        shots.placed(gap_butt=0.1, wedge_deg=0.2),
        dressed.RiserLook(),
        dressed.LimbLook(),
    )
    card = shots.joint_card(seat, shots.Paper(), 1, 2.0, 45.0, shots.Laid())
    lens = lens_of(WIDTH, HEIGHT, 26.0)
    camera = shots.joint_camera(seat, card, 1, shots.Held(lens, np.array([-1.0, 0, 0]), 0.0, 0.7))
    found = shots.joint_shot(seat, card, camera, 1, 2.0).truth
    assert found["gap_butt"] == pytest.approx(0.1, abs=1e-9)
    # The limb begins 0.3 mm from the shoulder: 89.7 mm · tan 0.2° = 0.3131.
    assert found["gap_end"] == pytest.approx(0.4131, abs=2e-4)
    assert found["gap_wedge"] == pytest.approx(0.2, abs=1e-4)


def test_standing_card_stands_on_its_fold_and_faces_the_tip():
    card = standing("C", np.array([1.0, 2.0, 3.0]), np.eye(3), (1.0, 1.0), 1.0)
    length, height = CARDS["C"].board_mm
    foot = card.points(np.array([length / 2, height + 2.0]))
    np.testing.assert_allclose(foot, [1.0, 2.0, 3.0], atol=1e-9)
    np.testing.assert_allclose(card.card2world[:, 2], [0, -1, 0], atol=1e-12)
    assert card.points(np.array([length / 2, 0.0]))[2] > 30


def test_framed_points_fill_the_frame():
    lens = lens_of(WIDTH, HEIGHT, 26.0)
    turn = looking(np.array([0.1, 0.1, -1]), np.array([0, 1.0, 0]), 5.0) @ rotation("x", 0.0)
    points = np.array([[-60, 0, 0], [60, 0, 0], [0, 20, 5], [0, -20, 5.0]])
    camera = Camera(lens, turn, framed(lens, turn, points, 0.8))
    reach = np.abs(camera.project(points) - np.array(lens.centre_px)) / (WIDTH / 2, HEIGHT / 2)
    assert reach.max() == pytest.approx(0.8, abs=0.01)


@pytest.mark.parametrize("view", cases.VIEWS)
def test_a_case_is_the_same_each_time_and_says_what_it_is(view):
    first, again = (cases.draw_case(view, 7, 480) for _ in range(2))
    assert first.shot.truth == again.shot.truth
    known = json.loads(json.dumps(cases.record(first, "x.jpg")))
    assert known["view"] == view
    assert known["seed"] == 7
    assert set(known) >= {
        "truth", "card_thickness_mm", "width", "height", "hard", "edges_px", "camera", "photo",
        "arris_radius_mm",
    }  # fmt: skip
    for ends in known["edges_px"].values():
        for x, y in ends:
            assert 0 < x < known["width"]
            assert 0 < y < known["height"]


def test_a_third_of_the_cases_is_hard():
    assert sum(cases.is_hard(seed) for seed in range(300)) == 100


@needs_renderer
def test_a_photograph_is_written_with_its_truth(tmp_path):
    from fitcheck.photo import load_photo

    case = cases.draw_case("pad", 4, 864)
    path = cases.photograph(case, tmp_path, "pad-4")
    photo = load_photo(path)
    known = json.loads(path.with_suffix(".json").read_text(encoding="utf-8"))
    assert photo.size_px == (known["width"], known["height"])
    assert photo.make == "Aldren"
    assert 20 < photo.grey.mean() < 235


# ---- the sample bow and the lot ---------------------------------------------------------


def test_sample_bow_arrived_with_its_limbs_exchanged_and_runs_straight_after():
    seats = sample_bow.story()["seats"]
    for end in ("upper", "lower"):
        before, after = seats["as received"][end], seats["exchanged"][end]
        assert abs(before["lateral_offset"]) > 0.9
        assert abs(before["lateral_angle"]) > 0.6
        assert abs(after["lateral_angle"]) < 0.05
    # What is left: one lip, on the right side of the limb marked lower.
    left = {
        (end, side): seats["exchanged"][end][f"overhang_{side}"]
        for end in ("upper", "lower")
        for side in ("left", "right")
    }
    lips = [place for place, overhang in left.items() if abs(overhang) > 0.4]
    assert lips == [("lower", "right")]
    assert 0.9 < left["lower", "right"] < 1.2


def test_inspection_of_the_sample_bow_can_be_read():
    photos = sample_bow.planned()
    found = inspection_file.inspection_from_json(sample_bow.inspection(photos))
    assert found.as_received == {"upper": "K2", "lower": "K1"}
    assert {limb.name: limb.marked_for for limb in found.limbs} == sample_bow.MARKED_FOR
    assert [photo.file for photo in found.photos] == [f"bow/{p.name}.jpg" for p in photos]
    assert {photo.view for photo in found.photos} == set(cases.VIEWS)


def test_sample_photographs_are_there_with_their_truth_and_not_too_heavy():
    photos = list((SAMPLES / "bow").glob("*.jpg"))
    assert sorted(p.stem for p in photos) == sorted(p.name for p in sample_bow.planned())
    for path in photos:
        known = json.loads(path.with_suffix(".json").read_text(encoding="utf-8"))
        with Image.open(path) as picture:
            assert sorted(picture.size) == sorted((known["width"], known["height"]))
            assert 8e6 - 1e5 < picture.width * picture.height < 12.2e6
    assert sum(p.stat().st_size for p in photos) < 25e6
    assert sum(p.stat().st_size for p in (SAMPLES / "lot").glob("*.jpg")) < 10e6


def test_lot_has_every_pad_from_both_people_three_times():
    known = json.loads((SAMPLES / "lot" / "lot.json").read_text(encoding="utf-8"))
    taken = {(p["pad"], p["operator"], p["trial"]) for p in known["photos"]}
    assert taken == {(pad, who, n) for pad in lot.pads() for who in lot.HABITS for n in (1, 2, 3)}
    for name, riser in lot.pads().items():
        assert known["pads"][name]["pad_squareness"] == riser.pad_squareness_deg
    assert all((SAMPLES / "lot" / p["photo"]).is_file() for p in known["photos"])
