"""What a fit's sightings alone say, and answers that follow what all throws say together."""

import numpy as np
import pytest

from lashwave.quantities import Answer
from lashwave.study import hierarchy as h, learned
from lashwave.study.throws_table import CampaignThrow

NAMES = ("drag_normal", "station:M01")
MEAN, SD, MODEL = np.array([0.1, 0.0]), np.array([0.15, 2e-3]), np.array([0.012, 0.0])
STATED = h.Belief(MEAN, np.diag(SD**2))
EXACT = 10**9
"""Draws that vary by nothing."""
SLOPE = np.array([-20.0, 500.0])
"""Of an answer that is linear in both parameters."""
OWN = 1.5
"""Its standard deviation where these are known."""


def sightings(seed=0, strength=1.0):
    """Information and preferred parameters of a throw's sightings, correlated."""
    rng = np.random.default_rng(seed)
    root = strength * rng.standard_normal((2, 2)) + 2 * strength * np.eye(2)
    return root @ root.T / np.outer(SD, SD), MEAN + SD * rng.standard_normal(2)


def posterior(information, prefers):
    """By Bayes' rule for normals, from what was stated."""
    cover = np.linalg.inv(information + np.diag(SD**-2.0))
    return cover @ (information @ prefers + MEAN / SD**2), cover


def throw(trial, mean, cover, draws=EXACT, specimen="A", names=NAMES):
    """A throw as a campaign keeps it; `cover` without what links and time grid leave out."""
    size = len(names)
    speed = float(300.0 + SLOPE[:size] @ mean)
    sd = float(np.sqrt(SLOPE[:size] @ cover @ SLOPE[:size] + OWN**2))
    answer = Answer(speed, "m s-1", sd, speed - 1.96 * sd, speed + 1.96 * sd)
    shared = {
        "names": list(names), "draws": draws, "mean": mean.tolist(),
        "covariance": (cover + np.diag(MODEL[:size] ** 2)).tolist(),
        "stated_mean": MEAN[:size].tolist(), "stated_sd": SD[:size].tolist(),
        "model_sd": MODEL[:size].tolist(),
        "answers": {"peak_tip_speed": (cover @ SLOPE[:size]).tolist()},
    }  # fmt: skip
    answers = {"peak_tip_speed": answer, "drag_normal": Answer(1.0, "1", 0.1, 0.8, 1.2)}
    return CampaignThrow(trial, specimen, "x", facts={"shared": shared}, answers=answers)


def test_what_was_stated_is_taken_from_a_fit_and_the_sightings_remain():
    information, prefers = sightings()
    mean, cover = posterior(information, prefers)
    said, single = learned.said_of(throw("t", mean, cover), NAMES, STATED, MODEL)
    np.testing.assert_allclose(said.information, information, rtol=1e-6)
    np.testing.assert_allclose(said.pull, information @ prefers, rtol=1e-6)
    np.testing.assert_allclose(single.mean, mean, rtol=1e-6)
    np.testing.assert_allclose(single.covariance, cover, rtol=1e-6)


def test_few_draws_do_not_make_sightings_say_more_than_they_do():
    """Over many fits of 60 draws each, the mean of what is taken for the sightings' is theirs."""
    information, prefers = sightings(strength=3.0)
    mean, cover = posterior(information, prefers)
    rng, found = np.random.default_rng(4), []
    for _ in range(600):
        draws = rng.multivariate_normal(mean, cover, 60)
        one = throw("t", draws.mean(axis=0), np.cov(draws.T), 60)
        found.append(np.diag(learned.said_of(one, NAMES, STATED, MODEL)[0].information))
    error = np.std(found, axis=0) / np.sqrt(len(found))
    np.testing.assert_array_less(np.abs(np.mean(found, axis=0) - np.diag(information)), 4 * error)


def test_a_fit_that_learned_nothing_says_nothing():
    rng, told = np.random.default_rng(5), 0
    for _ in range(200):
        draws = rng.multivariate_normal(MEAN, np.diag(SD**2), 100)
        one = throw("t", draws.mean(axis=0), np.cov(draws.T), 100)
        said, _ = learned.said_of(one, NAMES, STATED, MODEL)
        told += int(np.count_nonzero(np.diag(said.information)))
    # One in 160 lies 2.5 standard deviations below by chance; four times that is no chance.
    assert told <= 10


def campaign():
    throws = [throw(f"t{i}", *posterior(*sightings(i))) for i in range(4)]
    return [*throws, throw("t4", *(x[:1] if x.ndim == 1 else x[:1, :1] for x in
                                   posterior(*sightings(4))), names=NAMES[:1])]  # fmt: skip


def test_throws_are_put_together_by_what_their_sightings_say():
    found = learned.learn(campaign())
    assert found is not None and found.names == NAMES
    own = np.array([False, True])
    joint = h.together(found.said, MEAN, SD, own=own)
    for one, other in zip(found.found.throws, joint.throws, strict=True):
        np.testing.assert_allclose(one.mean, other.mean)
        np.testing.assert_allclose(one.covariance, other.covariance)
    np.testing.assert_allclose(found.scores[:, 2], joint.scores)
    stated = [h.log_score(s, STATED) for s in found.said]
    np.testing.assert_allclose(found.scores[:, 0], stated)
    by_mates = np.mean([h.log_score(found.said[0], found.singles[j]) for j in range(1, 5)])
    assert found.scores[0, 1] == pytest.approx(by_mates)
    assert found.said[4].information[1, 1] == 0.0  # it has no such marker
    prior = joint.beside[4]
    assert learned.known_for(found, 4) == (
        ("drag_normal", pytest.approx(prior.mean[0]),
         pytest.approx(np.sqrt(prior.covariance[0, 0]))),
    )  # fmt: skip
    assert [name for name, *_ in learned.known_for(found, 0)] == list(NAMES)
    assert learned.learn(campaign()[:1]) is None


def test_a_throw_is_foretold_by_the_mates_of_its_own_line():
    places = ("A", "B", "A", "C", "B", "A")
    throws = [
        throw(f"t{i}", *posterior(*sightings(i)), specimen=place) for i, place in enumerate(places)
    ]
    found = learned.learn(throws)
    assert found is not None
    by = {j: h.log_score(found.said[0], found.singles[j]) for j in range(1, 6)}
    assert found.scores[0, 1] == pytest.approx(np.mean([by[2], by[5]]))
    assert np.isnan(found.scores[3, 1])  # the only throw of its line


def test_the_least_deviation_that_any_trial_states_is_what_was_known():
    """And the largest that any chain leaves out; here the second throw's and the first's."""
    throws = [throw(f"t{i}", *posterior(*sightings(i))) for i in range(3)]
    for one, stated, left_out in zip(throws, (2.0, 1.0, 3.0), (1.0, 0.5, 0.0), strict=True):
        one.facts["shared"]["stated_sd"] = (stated * SD).tolist()
        one.facts["shared"]["stated_mean"] = (stated * MEAN).tolist()
        one.facts["shared"]["model_sd"] = (left_out * MODEL).tolist()
    found = learned.learn(throws)
    assert found is not None
    np.testing.assert_allclose(np.sqrt(np.diag(found.stated.covariance)), SD)
    np.testing.assert_allclose(found.stated.mean, MEAN)
    np.testing.assert_allclose(found.model_sd, MODEL)


@pytest.mark.parametrize(("explained", "followed"), [(0.4, 0.3 / (0.4 * 0.9)), (0.09, 0.0)])
def test_an_answer_follows_by_what_chance_does_not_explain(explained, followed):
    """Two parameters explain 0.1 of an answer's variance over 21 draws by chance."""
    answer, cover = Answer(300.0, "m s-1", 5.0, 290.0, 310.0), np.diag(SD**2)
    slope = np.array([3.0, 4.0]) * np.sqrt(explained) / SD  # 5.0 and the share of its square
    shift, change = 0.1 * SD, -0.5 * cover
    moved = learned._moved(answer, cover @ slope, cover, 21, shift, change)
    assert moved.value == pytest.approx(300.0 + followed * slope @ shift)
    assert moved.sd == pytest.approx(5.0 * np.sqrt(1.0 - 0.5 * explained * followed**2))


def test_errors_that_a_specimen_has_in_common_are_not_worn_down_by_throws():
    """Twelve throws of each of six lines whose fits err alike, again and again: truth is held."""
    rng, inside, near = np.random.default_rng(7), [], []
    sd, alike = 0.4 * SD, 0.7
    for _ in range(12):
        throws, truth = [], []
        for line in range(6):
            true, common = MEAN + SD * rng.standard_normal(2), rng.standard_normal(2)
            for i in range(12):
                theta, own = true + 0.1 * SD * rng.standard_normal(2), rng.standard_normal(2)
                prefers = theta + sd * (np.sqrt(alike) * common + np.sqrt(1.0 - alike) * own)
                fit = posterior(np.diag(sd**-2.0), prefers)
                throws.append(throw(f"t{line}.{i}", *fit, specimen=f"line {line}"))
                truth.append(theta)
        found = learned.learn(throws)
        assert found is not None
        means = np.array([b.mean for b in found.found.throws])
        covers = np.array([np.diag(b.covariance) for b in found.found.throws])
        inside.append((np.abs(means - truth) < 1.96 * np.sqrt(covers)).mean())
        near.append(found.found.alike.mean)
    assert 0.88 < np.mean(inside) < 0.99
    assert np.mean(near) == pytest.approx(alike, abs=0.1)


@pytest.mark.parametrize("i", range(4))
def test_an_answer_linear_in_the_parameters_follows_them_exactly(i):
    throws = campaign()
    found = learned.learn(throws)
    theta = found.found.throws[i]
    moved = learned.followed(found, i).answers
    speed = moved["peak_tip_speed"]
    assert speed.value == pytest.approx(300.0 + SLOPE @ theta.mean, rel=1e-6)
    sd = np.sqrt(SLOPE @ theta.covariance @ SLOPE + OWN**2)
    assert speed.sd == pytest.approx(sd, rel=1e-6)
    assert speed.high95 == pytest.approx(speed.value + 1.96 * sd, rel=1e-6)
    drag, wide = moved["drag_normal"], np.hypot(np.sqrt(theta.covariance[0, 0]), MODEL[0])
    assert drag.value == pytest.approx(np.exp(theta.mean[0]))
    assert drag.low95 == pytest.approx(np.exp(theta.mean[0] - 1.96 * wide))


def test_a_slope_along_the_line_is_no_ratio():
    """What throws say of it together is put into the answer as it is, scales as ratios."""
    names = ("drag_slope", "drag_normal")
    throws = [throw(f"t{i}", *posterior(*sightings(i)), names=names) for i in range(3)]
    for one in throws:
        one.answers["drag_slope"] = Answer(0.0, "1", 0.1, -0.2, 0.2)
    found = learned.learn(throws)
    theta = found.found.throws[1]
    slope, drag = (learned.followed(found, 1).answers[name] for name in names)
    wide = np.hypot(np.sqrt(theta.covariance[0, 0]), MODEL[0])
    assert slope.value == pytest.approx(theta.mean[0]) and slope.sd == pytest.approx(wide)
    assert slope.high95 == pytest.approx(theta.mean[0] + 1.96 * wide)
    assert drag.value == pytest.approx(np.exp(theta.mean[1]))
