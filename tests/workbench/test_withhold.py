"""`reconstruct --withhold`: what is left out, what is said of it, and what is refused."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from lashwave.files import write_trial
from lashwave.files.results import withheld_record
from lashwave.pipeline.foretell import Foretelling, cautions, foretold
from lashwave.pipeline.withholding import withhold
from lashwave.quantities import InputError
from lashwave.report import page, paper
from lashwave.workbench.cli import main
from tests.report import invented

DRAWS = 120
LASTS = 0.02
"""How long an error of the motion lasts [s]."""
MOTION_SD = 1e-3


@pytest.fixture(scope="module")
def trial():
    whole = invented.trial()
    tip = invented.place(whole.cameras[0].frame / 20e3, np.array([invented.LENGTH]))[:, 0]
    parallel = np.eye(4)[[0, 1, 3]]
    camera = replace(whole.cameras[0], projection=parallel, uv=tip[:, :2])
    return replace(whole, cameras=(camera,))


def wandering(rng: np.random.Generator, time: np.ndarray, count: int) -> np.ndarray:
    """(count, K, 1, 3) errors of the motion [m], alike for `LASTS` and along the whole line."""
    keep = np.exp(-np.diff(time) / LASTS)[:, None, None]
    noise = rng.standard_normal((time.size, count, 3))
    out = noise.copy()
    for k in range(1, time.size):
        out[k] = keep[k - 1] * out[k - 1] + np.sqrt(1 - keep[k - 1] ** 2) * noise[k]
    return MOTION_SD * out.transpose(1, 0, 2)[:, :, None]


def fitted(trial, seed: int, share: float = 1.0):
    """A fit whose motion is off by an error that its draws state `share` times as large."""
    rng = np.random.default_rng(seed)
    fit = invented.fit(trial, draws=DRAWS)
    error = wandering(rng, fit.time, 1 + DRAWS)
    draws = fit.draws.position + error[0] + share * error[1:]
    shared = {"clock_offset:tip-view": np.zeros(DRAWS)}
    speed = np.broadcast_to(fit.velocity, draws.shape)
    return replace(fit, draws=replace(fit.draws, position=draws, velocity=speed, shared=shared))


def judged(trial, seed: int, share: float = 1.0, asked: tuple[str, ...] = ("0.1:0.35",)):
    hidden = withhold(trial, asked)[1]
    return foretold(fitted(trial, seed, share), hidden, seed)


def fits(found) -> bool:
    return withheld_record(found)["fits"]


@pytest.mark.parametrize(
    ("asked", "hides"),
    [
        ("M07", lambda t, name: name == "M07"),
        ("0.30:0.34", lambda t, name: 0.3 <= t <= 0.34 and name not in ("M01", "H1", "H2")),
        ("300 ms:340ms", lambda t, name: 0.3 <= t <= 0.34 and name not in ("M01", "H1", "H2")),
        ("M07@0.30:0.34", lambda t, name: name == "M07" and 0.3 <= t <= 0.34),
        ("M07@every:4", lambda t, name: name == "M07" and (round(500 * t) + 1) % 4 == 0),
    ],
)
def test_exactly_what_is_asked_for_is_left_out(trial, asked, hides):
    left, hidden = withhold(trial, (asked,))
    markers, seen = trial.markers, np.isfinite(trial.markers.position[..., 0])
    wanted = np.array([[hides(t, name) for name in markers.labels] for t in markers.time])
    np.testing.assert_array_equal(hidden.marker, wanted & seen)
    shown = np.isfinite(left.markers.position[..., 0])
    np.testing.assert_array_equal(shown, seen & ~wanted)


def test_a_camera_is_withheld_by_name_and_by_its_frames(trial):
    left, hidden = withhold(trial, ("tip-view@every:2",))
    assert not hidden.marker.any()
    np.testing.assert_array_equal(left.cameras[0].frame % 2, 0)
    assert len(left.cameras[0].uv) == len(left.cameras[0].frame) == 40
    assert withhold(trial, ("tip-view",))[0].cameras[0].frame.size == 0


@pytest.mark.parametrize(
    ("asked", "says"),
    [
        ("M99", "'M99' is neither a marker nor a camera"),
        ("M99@0.1:0.2", "'M99' is neither"),
        ("M07@soon", "is not understood"),
        ("0.4:0.3", "ends before it begins"),
        ("0.3 kg:0.4 kg", "wrong unit"),
        ("every:1", "every how many"),
        ("every:two", "every how many"),
        ("9:10", "nothing that was seen"),
        ("H1", "beside the grip's axis"),
        ("nan:1", "not finite"),
    ],
)
def test_a_wish_that_cannot_be_met_is_one_clear_line(trial, tmp_path, capsys, asked, says):
    write_trial(tmp_path / "trial", trial)
    status = main(["reconstruct", str(tmp_path / "trial"), "--withhold", asked])
    said = capsys.readouterr().err.strip()
    assert status == 2
    assert said.count("\n") == 0
    assert "--withhold" in said
    if says != "wrong unit":
        assert says in said
    assert [p.name for p in tmp_path.iterdir()] == ["trial"]


def test_right_deviations_are_not_warned_of_though_errors_last(trial):
    # a tenth of a second in which errors are alike counts as few samples, not as thousands
    wrong = sum(not fits(judged(trial, seed)) for seed in range(20))
    assert wrong <= 2  # 1 in 60 each, by 120 draws


@pytest.mark.parametrize(("share", "says"), [(0.3, "do not fit"), (4.0, "lie nearer")])
def test_wrong_deviations_are_warned_of(trial, share, says):
    found = [judged(trial, seed, share) for seed in range(5)]
    assert not any(fits(one) for one in found)
    assert all(says in cautions(one)[1] for one in found)


def test_a_wrong_sighting_noise_is_warned_of(trial):
    # stretches that lie still and are known far better than seen: the noise alone decides
    fit = fitted(trial, 0, 1e-3)
    true = replace(
        fit, draws=replace(fit.draws, position=invented.fit(trial, draws=DRAWS).draws.position)
    )
    for factor, right in ((1.0, True), (0.5, False), (3.0, False)):
        stated = replace(trial.markers, sd=factor * trial.markers.sd)
        hidden = withhold(replace(trial, markers=stated), ("M03@0.3:0.4", "M04@0.3:0.4"))[1]
        assert fits(foretold(true, hidden, 1)) is right


def test_a_motion_in_pieces_foretells_what_the_whole_does(trial):
    """Each sighting once, whatever the cuts, a camera's by clocks that reach over them."""
    asked = ("M07", "0.1:0.35", "tip-view")
    hidden, fit = withhold(trial, asked)[1], fitted(trial, 1)
    clock = {"clock_offset:tip-view": np.linspace(-2e-3, 2e-3, DRAWS)}
    fit = replace(fit, draws=replace(fit.draws, shared=clock))
    whole, pieces = foretold(fit, hidden, 1), Foretelling(hidden, fit.stand_off, 1)
    seen = trial.markers.time  # cuts at samples that are withheld
    cuts = [fit.time[0], seen[80], seen[120], fit.time[-1]]
    for begin, end in reversed(list(zip(cuts[:-1], cuts[1:], strict=True))):
        first, last = np.searchsorted(fit.time, [begin, end])
        reach = slice(max(first - 16, 0), last + 17)
        around = replace(
            fit.draws, time=fit.time[reach], position=fit.draws.position[:, reach],
            velocity=fit.draws.velocity[:, reach],
        )  # fmt: skip
        pieces.take(around, (begin, end), closed=end == fit.time[-1])
    found = pieces.done()
    assert (found.asked, found.outside) == (whole.asked, whole.outside)
    assert [g.name for g in found.groups] == [g.name for g in whole.groups]
    for one, other in zip(found.groups, whole.groups, strict=True):
        np.testing.assert_array_equal(one.time, other.time)
        np.testing.assert_allclose(one.error, other.error, atol=1e-12)
        np.testing.assert_allclose(one.sd, other.sd, rtol=1e-12)
        # of the same draws, with other noise
        np.testing.assert_allclose(one.expected.mean(0), other.expected.mean(0), rtol=0.05)
    assert fits(found) is fits(whole)


def test_an_image_point_is_foretold_by_each_draws_own_clock(trial):
    hidden = withhold(trial, ("tip-view",))[1]
    fit = invented.fit(trial, draws=4)
    speed = np.zeros_like(fit.draws.velocity)
    speed[..., 0], speed[..., 1] = 3.0, -1.0  # the whole line moves evenly
    place = speed * fit.draws.time[:, None, None]
    clock = np.array([0.0, 1e-3, 2e-3, 5e-3])

    def at(offset):
        shared = {"clock_offset:tip-view": offset, "registration_u:tip-view": np.full(4, 0.25)}
        draws = replace(fit.draws, position=place, velocity=speed, shared=shared)
        return foretold(replace(fit, draws=draws), hidden, 3).groups[0]

    sharp, late = at(np.zeros(4)), at(clock)
    assert (sharp.unit, sharp.name, len(sharp.error)) == ("px", "tip-view", 80)
    seen = hidden.whole.cameras[0].uv
    stands = sharp.time[:, None] * [3.0, -1.0] + [0.25, 0.0]
    np.testing.assert_allclose(sharp.error, stands - seen, atol=1e-5)
    np.testing.assert_allclose(sharp.sd, 0.4)
    moved = np.tile(clock.mean() * np.array([3.0, -1.0]), (80, 1))
    np.testing.assert_allclose(late.error - sharp.error, moved, atol=1e-5)
    wider = np.sqrt(0.16 + 1.25 * (clock.var(ddof=1) * np.array([9.0, 1.0])))
    np.testing.assert_allclose(late.sd, np.tile(wider, (80, 1)), rtol=1e-4)


def test_scores_of_the_summary_are_those_of_the_samples(trial):
    found = judged(trial, 1, asked=("M07", "M08@every:2"))
    record = json.loads(json.dumps(withheld_record(found), allow_nan=False))
    assert record["asked"] == ["M07", "M08@every:2"]
    assert list(record["groups"]) == ["M07", "M08"]
    whole, parts = record["pooled"]["m"], record["groups"].values()
    count = sum(part["coordinates"] for part in parts)
    assert whole["coordinates"] == count == 3 * record["sightings"]
    for name in ("crps", "log_score", "coverage95"):
        mean = sum(part[name] * part["coordinates"] for part in parts) / count
        assert whole[name] == pytest.approx(mean)
    assert abs(whole["log_score"] - record["groups"]["M07"]["log_score_expected"]) < 1.0


def test_page_and_paper_say_what_is_missing_and_show_it(trial):
    fit = replace(fitted(trial, 1, 0.3), foretold=judged(trial, 1, 0.3, ("M07", "tip-view")))
    fit = replace(fit, warnings=tuple(cautions(fit.foretold)))
    content = page.compose(trial, fit, invented.answers(fit), invented.lists(fit), fit.warnings)
    html = page.render(content)
    assert html.count("reconstructed without M07, tip-view") >= 3  # head, warning, chapter
    assert content.chapters[0].name == "withheld"
    assert len(content.chapters[0].figures) == 1
    assert [row[0] for row in content.chapters[0].table.rows] == ["M07", "tip-view"]
    assert b"%PDF" in paper.render(content)[:10]


def test_an_unknown_trial_still_names_what_it_has(trial):
    with pytest.raises(InputError, match="there are M01, M02"):
        withhold(trial, ("tip",))
