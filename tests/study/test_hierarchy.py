"""What throws share: the estimate from single fits against one joint fit of all sightings."""

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.stats import multivariate_normal

from lashwave.study import hierarchy as h

PLACES = [("A", "x"), ("A", "y"), ("A", "x"), ("B", "y"), ("B", "x"), ("C", "y"), ("C", "y")]
MEAN, SD = np.array([0.3, -0.1]), np.array([0.4, 0.7])
LEVELS = h.Levels(np.array([0.2, 0.0]), np.array([0.1, 0.05]), np.array([0.15, 0.3]))


def sightings(seed=3, count=9):
    """Of each throw: y = B theta + noise, with a matrix and noise of its own."""
    rng = np.random.default_rng(seed)
    found = []
    for _ in PLACES:
        design, noise = rng.standard_normal((count, 2)), rng.uniform(0.2, 0.5)
        theta = MEAN + SD * rng.standard_normal(2)
        found.append((design, noise, design @ theta + noise * rng.standard_normal(count)))
    return found


def said_of(seen):
    return [
        h.Said(b.T @ b / noise**2, b.T @ y / noise**2, *place)
        for (b, noise, y), place in zip(seen, PLACES, strict=True)
    ]


def joint(seen, levels):
    """Mean and covariance of all thetas and of all sightings, by the model written out whole."""
    count = len(PLACES)
    prior = np.tile(np.diag(SD**2), (count, count))
    for i, (a, x) in enumerate(PLACES):
        for j, (b, y) in enumerate(PLACES):
            spread = (a == b) * levels.specimen**2 + (x == y) * levels.thrower**2
            spread = spread + (i == j) * levels.throw**2
            prior[2 * i : 2 * i + 2, 2 * j : 2 * j + 2] += np.diag(spread)
    mean = np.tile(MEAN, count)
    rows = sum(len(y) for _, _, y in seen)
    design, noise, at = np.zeros((rows, 2 * count)), np.zeros(rows), 0
    for i, (b, sd, y) in enumerate(seen):
        design[at : at + len(y), 2 * i : 2 * i + 2] = b
        noise[at : at + len(y)] = sd
        at += len(y)
    return mean, prior, design, np.diag(noise**2)


def conditioned(seen, levels, use):
    """theta given the sightings of the throws in `use`, by one joint fit."""
    mean, prior, design, noise = joint(seen, levels)
    keep = np.concatenate([np.full(len(y), i in use) for i, (_, _, y) in enumerate(seen)])
    y = np.concatenate([y for _, _, y in seen])[keep]
    b, n = design[keep], noise[np.ix_(keep, keep)]
    gain = prior @ b.T @ np.linalg.inv(b @ prior @ b.T + n)
    return mean + gain @ (y - b @ mean), prior - gain @ b @ prior


def test_the_estimate_is_that_of_one_joint_fit():
    seen = sightings()
    found = h.together(said_of(seen), MEAN, SD, LEVELS)
    everyone = set(range(len(PLACES)))
    mean, cover = conditioned(seen, LEVELS, everyone)
    for i, throw in enumerate(found.throws):
        at = slice(2 * i, 2 * i + 2)
        np.testing.assert_allclose(throw.mean, mean[at], atol=1e-11)
        np.testing.assert_allclose(throw.covariance, cover[at, at], atol=1e-12)
        blind_mean, blind_cover = conditioned(seen, LEVELS, everyone - {i})
        np.testing.assert_allclose(found.others[i].mean, blind_mean[at], atol=1e-11)
        np.testing.assert_allclose(found.others[i].covariance, blind_cover[at, at], atol=1e-12)


def test_log_scores_are_densities_of_the_sightings():
    seen, said = sightings(), said_of(sightings())
    b, noise, y = seen[2]
    normals = [h.Belief(MEAN, np.diag(SD**2)), h.Belief(MEAN + 0.2, np.diag([0.01, 0.0]))]
    exact = [
        multivariate_normal(b @ n.mean, b @ n.covariance @ b.T + noise**2 * np.eye(y.size)).logpdf(
            y
        )
        for n in normals
    ]
    scores = [h.log_score(said[2], n) for n in normals]
    assert scores[0] - scores[1] == pytest.approx(exact[0] - exact[1], abs=1e-9)
    # The chain rule: all throws' density is each one's given those before it.
    whole = h.together(said, MEAN, SD, LEVELS).log_evidence
    chain = 0.0
    for i in range(len(said)):
        shown = h.together(said[: i + 1], MEAN, SD, LEVELS).others[i]
        shifted = h.Said(said[i].information, said[i].pull - said[i].information @ MEAN, *PLACES[i])
        chain += h.log_score(shifted, h.Belief(shown.mean - MEAN, shown.covariance))
    assert whole == pytest.approx(chain, abs=1e-9)


def test_spreads_are_those_of_greatest_density():
    """Against a search of the same density, written out whole, by scipy."""
    seen = sightings(seed=8)
    found = h.together(said_of(seen), MEAN, SD).levels
    y = np.concatenate([y for _, _, y in seen])

    def lost(logs):
        three = np.exp(logs).reshape(3, 2)
        mean, prior, design, noise = joint(seen, h.Levels(*three))
        normal = multivariate_normal(design @ mean, design @ prior @ design.T + noise)
        # One member's weight of a guess: an inverse gamma for each variance.
        guess = np.array([h.GUESS[level] for level in h.LEVELS])[:, None] * SD
        return -normal.logpdf(y) + float((np.log(three) + 0.5 * (guess / three) ** 2).sum())

    start = np.log(np.array([found.specimen, found.thrower, found.throw])).ravel()
    fine = {"xatol": 1e-5, "fatol": 1e-9, "maxiter": 8000, "maxfev": 8000}
    best = minimize(lost, start + 0.3, method="Nelder-Mead", options=fine)
    np.testing.assert_allclose(np.exp(start), np.exp(best.x), rtol=2e-3)


def test_many_throws_of_one_line_narrow_each_others_intervals():
    """Twenty throws of one line; the truth is in the intervals, and these are narrower."""
    rng = np.random.default_rng(1)
    line, spread, noise = np.array([0.2, -0.3]), 0.05, 0.3
    said, truth, single = [], [], []
    for _ in range(20):
        theta = line + spread * rng.standard_normal(2)
        seen = theta + noise * rng.standard_normal(2)
        said.append(h.Said(np.eye(2) / noise**2, seen / noise**2, "A", "x"))
        cover = np.diag(1 / (1 / noise**2 + 1 / SD**2))
        single.append(h.Belief(cover @ (seen / noise**2 + np.zeros(2)), cover))
        truth.append(theta)
    found = h.together(said, np.zeros(2), SD)
    sd = np.array([np.sqrt(np.diag(n.covariance)) for n in found.throws])
    assert (sd < 0.5 * np.sqrt(np.diag(single[0].covariance))).all()
    inside = np.abs(np.array([n.mean for n in found.throws]) - truth) < 1.96 * sd
    assert inside.mean() > 0.85
    stated = h.Belief(np.zeros(2), np.diag(SD**2))
    gain = [
        h.log_score(s, n) - h.log_score(s, stated) for s, n in zip(said, found.others, strict=True)
    ]
    by_one = [h.log_score(s, single[i - 1]) - h.log_score(s, stated) for i, s in enumerate(said)]
    assert np.mean(gain) > np.mean(by_one) > 0.0
