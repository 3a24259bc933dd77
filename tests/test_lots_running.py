"""Lots are measured once, whatever is killed, and one bad photograph stops nothing."""

import dataclasses
import hashlib
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from fitcheck.errors import BadInput
from fitcheck.lots import photo_job
from fitcheck.lots.kept_results import Asked, KeptResults
from fitcheck.lots.plan import LotPlan, Planned
from fitcheck.lots.plan_file import read_plan
from fitcheck.lots.running import measure_lot
from fitcheck.lots.whole import RESULTS_FOLDER, gather_lot, run_lot
from fitcheck.setup import Setup
from fitcheck.store.processes import this_machine
from tests.lot_pieces import ROOT, SAMPLE, jpeg, small_lot

ASKED = Asked("pad", Setup(), (), "tests")


def plan_of(folder, *files):
    return LotPlan(folder, "lot", "pad", Setup(), tuple(Planned(f, Path(f).stem) for f in files))


def kept_files(results):
    return {p: p.stat().st_mtime_ns for p in results.folder.rglob("*.json")}


def test_two_sample_photographs_as_measured_alone(tmp_path):
    from fitcheck.pipeline import measure

    plan = read_plan(SAMPLE)
    plan = dataclasses.replace(plan, photos=plan.photos[:2])
    lot = run_lot(plan, tmp_path, workers=2)
    for line in lot.photos:
        alone = measure(SAMPLE / line.planned.file, "pad", plan.setup)
        here = [v for v in lot.values if v.photo == line.planned.file]
        assert {v.characteristic: v.value for v in here} == pytest.approx(
            {c.name: c.value for c in alone.characteristics}, abs=1e-5
        )
    assert lot.occasion.focal.keys() == {"Aldren Aldren S2, 832 px, 1200 × 900"}
    before = kept_files(KeptResults(tmp_path / RESULTS_FOLDER))
    again: list[bool] = []
    run_lot(plan, tmp_path, workers=2, progress=lambda o: again.append(o.fresh))
    assert again == [False, False]
    assert kept_files(KeptResults(tmp_path / RESULTS_FOLDER)) == before


def test_bad_photographs_stop_nothing(tmp_path):
    folder = small_lot(tmp_path / "lot", 1)
    (folder / "empty.jpg").write_bytes(b"")
    (folder / "text.jpg").write_text("no photograph at all")
    (folder / "cut.jpg").write_bytes(jpeg()[:900])
    (folder / "folder.jpg").mkdir()
    (tmp_path / "outside.jpg").write_bytes(jpeg())
    (folder / "link.jpg").symlink_to(tmp_path / "outside.jpg")
    files = ("P1", "empty", "text", "cut", "folder", "link", "missing", "nul\0")
    plan = plan_of(folder, *(f"{name}.jpg" for name in files))
    results = KeptResults(tmp_path / "out")
    lot = gather_lot(plan, measure_lot(plan, ASKED, results, 2), results)
    codes = {line.planned.part: line.refused.code for line in lot.refused}
    assert len(codes) == 8
    assert codes["empty"] == "file_empty"
    assert codes["text"] == "not_a_photo"
    assert codes["link"] == "outside_folder"
    assert {codes[n] for n in ("missing", "folder", "nul\0")} == {"file_missing"}
    assert lot.characteristics == ()
    assert lot.notes[-1].code == "parts_not_measured"


def test_a_copy_is_no_repeat(tmp_path):
    folder = small_lot(tmp_path / "lot", 1)
    (folder / "P2.jpg").write_bytes((folder / "P1.jpg").read_bytes())
    plan = plan_of(folder, "P1.jpg", "P2.jpg")
    results = KeptResults(tmp_path / "out")
    lot = gather_lot(plan, measure_lot(plan, ASKED, results, 1), results)
    assert [line.refused.code for line in lot.photos] == ["no_card", "copy"]
    assert "P1.jpg" in lot.photos[1].refused.message


def test_results_depend_on_all_that_they_come_from():
    base = ASKED.key("ab" * 32)
    others = [
        ASKED.key("cd" * 32),
        dataclasses.replace(ASKED, view="seat").key("ab" * 32),
        dataclasses.replace(ASKED, setup=Setup(0.5)).key("ab" * 32),
        dataclasses.replace(ASKED, program="newer").key("ab" * 32),
    ]
    assert len({base, *others}) == 5


def test_a_damaged_result_is_measured_anew(tmp_path):
    folder = small_lot(tmp_path / "lot", 1)
    plan = plan_of(folder, "P1.jpg")
    results = KeptResults(tmp_path / "out")
    (first,) = measure_lot(plan, ASKED, results, 1)
    path = next(results.folder.rglob("*.json"))
    whole = path.read_bytes()
    for damage in (b"", whole[:50], b"[]"):
        path.write_bytes(damage)
        (again,) = measure_lot(plan, ASKED, results, 1)
        assert again.fresh
        assert again.key == first.key
        found = results.get(again.key)
        assert found.measurement.refused.code == "no_card"


def test_an_unwritable_folder_is_a_sentence(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(BadInput, match="cannot be kept"):
        KeptResults(tmp_path / "file")


def start(folder, out, *more):
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path), "PYTHONWARNINGS": ""}
    command = [sys.executable, "-m", "fitcheck", "lot", str(folder), "--out", str(out)]
    return subprocess.Popen(
        [*command, "--workers", "2", "--not-kept", *more],
        cwd=ROOT,
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )


def test_killed_midway_it_goes_on_and_measures_nothing_twice(tmp_path):
    folder = small_lot(tmp_path / "lot", 40)
    out = tmp_path / "out"
    results = KeptResults(out / RESULTS_FOLDER)
    running = start(folder, out)
    deadline = time.monotonic() + 120
    while len(kept_files(results)) < 4 and time.monotonic() < deadline:
        assert running.poll() is None, running.communicate()
        time.sleep(0.02)
    os.killpg(running.pid, signal.SIGKILL)
    running.wait()
    running.communicate()
    before = kept_files(results)
    assert 4 <= len(before) < 40
    for path in before:  # whole, each of them
        assert json.loads(path.read_bytes())["measurement"]["refused"]["code"] == "no_card"
    again = start(folder, out)
    said, told = again.communicate(timeout=240)
    assert again.returncode == 3, told  # all of them are refused
    after = kept_files(results)
    assert len(after) == 40
    assert {p: t for p, t in after.items() if p in before} == before
    assert f"{len(before)} of them were measured before" in told
    assert not [*results.folder.rglob("*.new"), *results.folder.rglob("*.begun")]
    assert "every photograph was refused" in said


def test_what_a_dead_process_left_is_swept_and_a_living_one_goes_on(tmp_path):
    results = KeptResults(tmp_path / "out")
    dead = subprocess.Popen([sys.executable, "-c", ""])
    dead.wait()
    names = [f"x.json.{this_machine()}-{pid}-00.new" for pid in (dead.pid, os.getpid())]
    for name in (*names, "x.json.elsewhere-1-00.new"):
        (results.folder / name).write_bytes(b"{")
    results.forget_marks()
    left = sorted(path.name for path in results.folder.glob("*.new"))
    assert left == sorted([names[1], "x.json.elsewhere-1-00.new"])


def test_two_runs_on_one_folder_at_once(tmp_path):
    folder, out = small_lot(tmp_path / "lot", 12), tmp_path / "out"
    both = [start(folder, out) for _ in range(2)]
    for running in both:
        said, told = running.communicate(timeout=240)
        assert running.returncode == 3, told
        assert "12 parts, none measured" in said
    results = KeptResults(out / RESULTS_FOLDER)
    assert len(kept_files(results)) == 12
    assert not [*results.folder.rglob("*.new"), *results.folder.rglob("*.begun")]
    assert len([*out.glob("lot-*")]) == 5


class Deadly(KeptResults):
    """Results whose keeping ends the process for one photograph, as a fault in a library."""

    def keep(self, key, record):
        if record["measurement"]["photo"] == "P3.jpg":
            os.kill(os.getpid(), signal.SIGKILL)
        super().keep(key, record)


@pytest.mark.parametrize("workers", [1, 2])
@pytest.mark.filterwarnings("ignore:A worker stopped")
def test_a_photograph_that_kills_its_process_is_named_and_the_others_are_measured(
    tmp_path, workers
):
    folder = small_lot(tmp_path / "lot", 6)
    plan = plan_of(folder, *(f"P{i}.jpg" for i in range(1, 7)))
    results = Deadly(tmp_path / "out")
    outcomes = measure_lot(plan, ASKED, results, workers)
    problems = {o.file: o.problem.code for o in outcomes if o.problem}
    assert problems == {"P3.jpg": "process_died"}
    assert all(results.has(o.key) for o in outcomes if o.file != "P3.jpg")


# ---- Dask --------------------------------------------------------------------------------


def fake_record(data, file, sha256, asked):  # noqa: ARG001
    """A measurement that takes a moment and is written down once it is done."""
    from fitcheck.measurement import Measurement, Note

    time.sleep(0.03)
    journal, _, number = data.decode().partition("\n")
    if number == "poison":
        os.kill(os.getpid(), signal.SIGKILL)
    with Path(journal).open("a", encoding="utf-8") as lines:
        lines.write(f"{file}\n")
    note = Note("fake", f"Number {number}.")
    found = Measurement(file, "pad", refused=note)
    return {"measurement": found.to_json(), "lens": "", "seconds": 0.0}


@pytest.fixture(scope="module")
def two_workers():
    distributed = pytest.importorskip("distributed")
    import dask

    class Fake(distributed.WorkerPlugin):
        def setup(self, worker):  # noqa: ARG002
            photo_job.measured_record = fake_record

    with (
        # A second death with the same photograph is enough to give it up: the test is quicker.
        dask.config.set({"distributed.scheduler.allowed-failures": 1}),
        distributed.LocalCluster(
            2,
            threads_per_worker=1,
            dashboard_address=":0",
            silence_logs=50,
        ) as cluster,
        distributed.Client(cluster.scheduler_address) as client,
    ):
        client.register_plugin(Fake())
        yield cluster


def journal_lot(folder, count):
    folder.mkdir()
    journal = folder.parent / "journal.txt"
    for i in range(count):
        (folder / f"P{i}.jpg").write_text(f"{journal}\n{i}", encoding="utf-8")
    return plan_of(folder, *(f"P{i}.jpg" for i in range(count))), journal


@pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::DeprecationWarning")
@pytest.mark.parametrize("shared", [True, False])
def test_a_worker_killed_in_the_middle_loses_nothing(tmp_path, two_workers, shared, monkeypatch):
    from fitcheck.lots.cluster import measure_lot_on_cluster
    from fitcheck.reporting.program import program

    plan, journal = journal_lot(tmp_path / "lot", 60)
    asked = dataclasses.replace(ASKED, program=program())
    results = KeptResults(tmp_path / "out")
    if not shared:  # as if the workers' disk were another
        monkeypatch.setattr(results, "token", "another folder")
    done: list[str] = []

    def told(outcome):
        done.append(outcome.file)
        if len(done) == 20:
            os.kill(two_workers.workers[0].pid, signal.SIGKILL)

    outcomes = measure_lot_on_cluster(plan, asked, results, two_workers.scheduler_address, told)
    assert sorted(done) == sorted(p.file for p in plan.photos)
    lines = journal.read_text().split()
    assert set(lines) == set(done)
    if shared:  # what was measured to the end was kept, and is not measured again
        assert len(lines) == 60
    for outcome, photo in zip(outcomes, plan.photos, strict=True):
        assert outcome.fresh
        found = results.get(outcome.key).measurement
        assert found.refused.message == f"Number {photo.part[1:]}."
    again: list[bool] = []
    measure_lot_on_cluster(
        plan, asked, results, two_workers.scheduler_address, lambda o: again.append(o.fresh)
    )
    assert again == [False] * 60
    assert len(journal.read_text().split()) == len(lines)


@pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::DeprecationWarning")
def test_a_photograph_that_kills_every_worker_is_named(tmp_path, two_workers):
    from fitcheck.lots.cluster import measure_lot_on_cluster
    from fitcheck.reporting.program import program

    plan, journal = journal_lot(tmp_path / "lot", 6)
    (plan.folder / "P2.jpg").write_text(f"{journal}\npoison", encoding="utf-8")
    asked = dataclasses.replace(ASKED, program=program())
    outcomes = measure_lot_on_cluster(
        plan, asked, KeptResults(tmp_path / "out"), two_workers.scheduler_address
    )
    # One that was in hand beside it may be given up, too, if it shared a worker each time.
    assert outcomes[2].problem.code == "process_died"
    assert sum(o.problem is None for o in outcomes) >= 4


@pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::DeprecationWarning")
def test_workers_of_another_version_are_refused(tmp_path, two_workers):
    from fitcheck.lots.cluster import measure_lot_on_cluster

    plan, _ = journal_lot(tmp_path / "lot", 2)
    with pytest.raises(BadInput, match="A worker of the cluster runs") as error:
        measure_lot_on_cluster(
            plan, ASKED, KeptResults(tmp_path / "out"), two_workers.scheduler_address
        )
    assert error.value.code == "other_program"


@pytest.mark.parametrize("address", ["tcp://127.0.0.1:9", "nonsense", "tcp://", "http://x:1"])
def test_no_scheduler_is_a_sentence(tmp_path, address, monkeypatch):
    pytest.importorskip("distributed")
    from fitcheck.lots import cluster

    monkeypatch.setattr(cluster, "CONNECT_S", 1)
    plan = plan_of(small_lot(tmp_path / "lot", 1), "P1.jpg")
    with pytest.raises(BadInput, match="No Dask scheduler answers"):
        cluster.measure_lot_on_cluster(plan, ASKED, KeptResults(tmp_path / "out"), address)


def test_sent_photographs_are_not_measured_again(tmp_path):
    from fitcheck.reporting.program import program

    asked = dataclasses.replace(ASKED, program=program())
    results = KeptResults(tmp_path)
    data = jpeg()
    sha256 = hashlib.sha256(data).hexdigest()
    key = asked.key(sha256)
    first = photo_job.measure_sent(data, "a.jpg", sha256, asked, str(tmp_path), results.token)
    assert first == {"kept": key}
    time_kept = kept_files(results)
    photo_job.measure_sent(data, "a.jpg", sha256, asked, str(tmp_path), results.token)
    assert kept_files(results) == time_kept
    other = photo_job.measure_sent(data, "a.jpg", sha256, asked, str(tmp_path), "other")
    assert other["measurement"]["refused"]["code"] == "no_card"
