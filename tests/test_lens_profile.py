"""What earlier photographs told of a lens, and what it is worth."""

import json
from dataclasses import replace

import numpy as np
import pytest
from scene import SeatScene, photograph

from fitcheck import cli
from fitcheck.errors import BadInput
from fitcheck.lens_profile import (
    LensKey,
    LensProfile,
    profile_from_json,
    profiles_by_key,
    read_profiles,
    write_profiles,
)
from fitcheck.pipeline import Shot, lens_key, measure_shots, profile_after
from fitcheck.samples import samples
from fitcheck.setup import Setup

SETUP = Setup(0.5, bars_mm=(100.0, 100.0))
KEY = LensKey("Acme", "Nine", 3029, 4032, 3024)
PROFILE = LensProfile(
    KEY, np.array([3000.0, 0.02, -0.01]), np.diag([15.0, 0.004, 0.01]) ** 2, photographs=3
)


def scenes():
    tilts = [(14.0, -6.0, 10.0), (-12.0, 8.0, 100.0), (4.0, 15.0, -40.0), (-13.0, -7.0, 60.0)]
    for i, tilt in enumerate(tilts):
        camera = (5.0 - 3 * i, -6.0 + 4 * i, 420.0)
        yield SeatScene(camera=camera, tilt=tilt, focal_px=1530.0, k1=0.03, k2=-0.02, seed=i)


def test_each_photograph_sharpens_what_is_known_of_the_lens():
    profile, stated, alone, helped = None, [], [], []
    for scene in scenes():
        photo = replace(photograph(scene), make="Acme", model="Nine")
        shot = Shot(photo, "seat")
        (first,) = measure_shots([shot], SETUP)
        known = {} if profile is None else {profile.key: profile}
        (found,) = measure_shots([shot], SETUP, profiles=known)
        profile = profile_after(photo, found, profile)
        sd = np.sqrt(np.diag(profile.covariance))
        assert np.all(np.abs(profile.mean - [1530.0, 0.03, -0.02]) < 3.5 * sd)
        stated.append(sd[0])
        alone.append(first.characteristic("face_step"))
        helped.append(found.characteristic("face_step"))
    assert profile.photographs == 4
    assert profile.key == lens_key(photo)
    assert stated[-1] < 0.7 * stated[0]
    # The face step lives on the lens more than anything else does.
    assert helped[-1].budget["lens"] < 0.8 * alone[-1].budget["lens"]
    assert helped[-1].standard_uncertainty < alone[-1].standard_uncertainty
    truth = SeatScene().face_step
    assert abs(helped[-1].value - truth) < 3 * helped[-1].standard_uncertainty


def test_a_profile_becomes_loosened_before_it_is_used_again():
    loosened = PROFILE.loosened()
    assert np.all(np.diag(loosened) > np.diag(PROFILE.covariance))
    assert np.sqrt(loosened[0, 0]) == pytest.approx(np.hypot(15.0, 0.003 * 3000.0))


def test_profiles_go_through_json_unchanged():
    back = profile_from_json(PROFILE.to_json())
    assert back.key == KEY
    assert np.array_equal(back.mean, PROFILE.mean)
    assert np.array_equal(back.covariance, PROFILE.covariance)
    assert profiles_by_key([PROFILE, back]) == {KEY: back}


@pytest.mark.parametrize(
    "damage",
    [
        {"mean": [float("nan"), 0, 0]},
        {"mean": [-3000.0, 0, 0]},
        {"mean": [3000.0, 0]},
        {"covariance": [[1, 0, 0], [0, -1, 0], [0, 0, 1]]},
        {"covariance": [[1, 0.5, 0], [0, 1, 0], [0, 0, 1]]},
        {"size_px": "large"},
        {"photographs": None},
    ],
)
def test_a_damaged_profile_is_refused(damage):
    with pytest.raises(BadInput) as refusal:
        profile_from_json({**PROFILE.to_json(), **damage})
    assert refusal.value.code == "lens_profile_unreadable"


def test_profiles_are_kept_in_a_file(tmp_path):
    path = tmp_path / "lenses.json"
    assert read_profiles(path) == {}
    write_profiles(path, {KEY: PROFILE})
    assert np.array_equal(read_profiles(path)[KEY].covariance, PROFILE.covariance)
    assert [p.name for p in tmp_path.iterdir()] == ["lenses.json"]
    path.write_text('{"no": "list"}')
    with pytest.raises(BadInput, match="does not hold lens profiles"):
        read_profiles(path)
    with pytest.raises(BadInput, match="cannot be written"):
        write_profiles(tmp_path / "nowhere" / "lenses.json", {KEY: PROFILE})


def test_the_command_starts_from_what_it_learned(tmp_path, capsys):
    photo, lenses = samples()[0].path, tmp_path / "lenses.json"
    arguments = ["measure", str(photo), "--view", "seat", "--json", "--lens-profiles", str(lenses)]
    focal_sd = []
    for times in (1, 2):
        assert cli.main(arguments) == 0
        focal_sd.append(json.loads(capsys.readouterr().out)["lens"]["standard_uncertainty"][0])
        (profile,) = read_profiles(lenses).values()
        assert profile.photographs == times
    assert focal_sd[1] < focal_sd[0]


def test_a_phone_without_a_name_gets_no_profile():
    scene = next(scenes())
    photo = photograph(scene)
    (found,) = measure_shots([Shot(photo, "seat")], SETUP)
    assert found.lens is not None
    assert profile_after(photo, found) is None
