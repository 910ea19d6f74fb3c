"""What throws share: the estimate from single fits against one joint fit of all sightings."""

import numpy as np
import pytest
from scipy.linalg import fractional_matrix_power
from scipy.optimize import minimize
from scipy.stats import multivariate_normal

from lashwave.study import hierarchy as h, level_search

PLACES = [("A", "x"), ("A", "y"), ("A", "x"), ("B", "y"), ("B", "x"), ("C", "y"), ("C", "y")]
MEAN, SD = np.array([0.3, -0.1]), np.array([0.4, 0.7])
LEVELS = h.Levels(np.array([0.2, 0.0]), np.array([0.1, 0.05]), np.array([0.15, 0.3]))
CORRELATIONS = [0.0, 0.4, 0.98]


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


def joint(seen, levels, alike, common=SD):
    """Mean and covariance of all thetas, and of all sightings, by the model written out whole.

    The correlated part of the sightings' noise is put in by hand: what the fits of a specimen
    prefer errs by A_t (sqrt(r) u + sqrt(1 - r) n_t), with A_t the root of the fit's covariance.
    """
    count = len(PLACES)
    prior = np.tile(np.diag(common**2), (count, count))
    for i, (a, x) in enumerate(PLACES):
        for j, (b, y) in enumerate(PLACES):
            spread = (a == b) * levels.specimen**2 + (x == y) * levels.thrower**2
            spread = spread + (i == j) * levels.throw**2
            prior[2 * i : 2 * i + 2, 2 * j : 2 * j + 2] += np.diag(spread)
    mean = np.tile(MEAN, count)
    rows = sum(len(y) for _, _, y in seen)
    design, at, starts = np.zeros((rows, 2 * count)), 0, []
    for i, (b, _, y) in enumerate(seen):
        design[at : at + len(y), 2 * i : 2 * i + 2] = b
        starts.append(slice(at, at + len(y)))
        at += len(y)
    noise = np.zeros((rows, rows))
    for i, (b, sd, _) in enumerate(seen):
        for j, (other, sd_other, _) in enumerate(seen):
            if i == j:
                noise[starts[i], starts[i]] = sd**2 * np.eye(len(b))
            elif PLACES[i][0] == PLACES[j][0]:
                roots = [b_ @ _root(b_, s) for b_, s in ((b, sd), (other, sd_other))]
                noise[starts[i], starts[j]] = alike * roots[0] @ roots[1].T
    return mean, prior, design, noise


def _root(b, sd):
    cover = np.linalg.inv(b.T @ b / sd**2)
    return SD[:, None] * fractional_matrix_power(cover / np.outer(SD, SD), 0.5)


def conditioned(seen, levels, use, alike, common=SD):
    """theta given the sightings of the throws in `use`, by one joint fit."""
    mean, prior, design, noise = joint(seen, levels, alike, common)
    keep = np.concatenate([np.full(len(y), i in use) for i, (_, _, y) in enumerate(seen)])
    y = np.concatenate([y for _, _, y in seen])[keep]
    b, n = design[keep], noise[np.ix_(keep, keep)]
    gain = prior @ b.T @ np.linalg.inv(b @ prior @ b.T + n)
    return mean + gain @ (y - b @ mean), prior - gain @ b @ prior


@pytest.mark.parametrize("alike", CORRELATIONS)
def test_the_estimate_is_that_of_one_joint_fit(alike):
    seen = sightings()
    said = said_of(seen)
    found = h.together(said, MEAN, SD, LEVELS, alike=alike)
    everyone = set(range(len(PLACES)))
    mean, cover = conditioned(seen, LEVELS, everyone, alike)
    for i, throw in enumerate(found.throws):
        at = slice(2 * i, 2 * i + 2)
        np.testing.assert_allclose(throw.mean, mean[at], atol=1e-11)
        np.testing.assert_allclose(throw.covariance, cover[at, at], atol=1e-12)
        blind_mean, blind_cover = conditioned(seen, LEVELS, everyone - {i}, alike)
        np.testing.assert_allclose(found.others[i].mean, blind_mean[at], atol=1e-11)
        np.testing.assert_allclose(found.others[i].covariance, blind_cover[at, at], atol=1e-12)
        # What others add, with the throw's own sightings taken as independent, is all they say.
        before = np.linalg.inv(found.beside[i].covariance)
        whole = np.linalg.inv(before + said[i].information)
        np.testing.assert_allclose(whole, cover[at, at], atol=1e-11)
        both = whole @ (before @ found.beside[i].mean + said[i].pull)
        np.testing.assert_allclose(both, mean[at], atol=1e-10)


def test_a_specimen_is_what_a_throw_of_it_without_spread_would_be():
    """By one joint fit that holds one throw more, of no sightings and no spread of its own."""
    seen = sightings()
    found = h.together(said_of(seen), MEAN, SD, LEVELS, alike=0.4)
    none = h.Said(np.zeros((2, 2)), np.zeros(2), "B", "nobody")
    still = h.Levels(LEVELS.specimen, np.zeros(2), np.zeros(2))
    plain = h.together(said_of(seen), MEAN, SD, still, alike=0.4)
    more = h.together([*said_of(seen), none], MEAN, SD, still, alike=0.4)
    np.testing.assert_allclose(more.throws[-1].mean, plain.specimens["B"].mean, atol=1e-12)
    np.testing.assert_allclose(
        more.throws[-1].covariance, plain.specimens["B"].covariance, atol=1e-12
    )
    assert set(found.specimens) == {"A", "B", "C"}


def test_a_parameter_of_every_specimens_own_is_learnt_from_its_own_throws_alone():
    """Against one joint fit in which specimens have nothing of it in common."""
    seen, own = sightings(), np.array([False, True])
    found = h.together(said_of(seen), MEAN, SD, LEVELS, own=own, alike=0.4)
    mean, cover = conditioned(seen, LEVELS, set(range(len(PLACES))), 0.4, np.where(own, 0.0, SD))
    for i, throw in enumerate(found.throws):
        at = slice(2 * i, 2 * i + 2)
        np.testing.assert_allclose(throw.mean, mean[at], atol=1e-11)
        np.testing.assert_allclose(throw.covariance, cover[at, at], atol=1e-12)
    # What was stated holds of each specimen, and no thrower changes it.
    levels = h.together(said_of(seen), MEAN, SD, own=own, alike=0.4).levels
    assert levels.specimen[1] == SD[1] and levels.thrower[1] == 0.0
    assert levels.specimen[0] != SD[0] and levels.thrower[0] > 0.0


@pytest.mark.parametrize("alike", CORRELATIONS)
def test_log_scores_are_densities_of_the_sightings(alike):
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
    found = h.together(said, MEAN, SD, LEVELS, alike=alike)
    chain = [
        h.together(said[: i + 1], MEAN, SD, LEVELS, alike=alike).scores[i] for i in range(len(said))
    ]
    assert found.log_evidence == pytest.approx(sum(chain), abs=1e-9)
    # And each held-out throw's, of its specimen's mates, against the model written out.
    mean, prior, design, noise = joint(seen, LEVELS, alike)
    every = np.concatenate([y for _, _, y in seen])
    cover = design @ prior @ design.T + noise
    for i, (b, sd, y) in enumerate(seen):
        mine = slice(9 * i, 9 * i + 9)
        rest = np.setdiff1d(np.arange(every.size), np.arange(mine.start, mine.stop))
        whole = multivariate_normal(design @ mean, cover).logpdf(every)
        without = multivariate_normal((design @ mean)[rest], cover[np.ix_(rest, rest)])
        nothing = h.Belief(MEAN, np.zeros((2, 2)))
        plain = multivariate_normal(b @ MEAN, sd**2 * np.eye(9)).logpdf(y)
        expected = whole - without.logpdf(every[rest]) - plain
        assert found.scores[i] - h.log_score(said[i], nothing) == pytest.approx(expected, abs=1e-7)


def test_a_held_out_throw_says_nothing_of_the_correlation_that_foretells_it():
    """Its score is the density of all throws over that of all others, each a mean over r."""
    said, _, _ = drawn(np.random.default_rng(4), 0.7, specimens=2, throws=3)
    every = (np.arange(h.CELLS) + 0.5) / h.CELLS

    def density(some):
        each = [h.together(some, MEAN, SD, TRUE_LEVELS, alike=r).log_evidence for r in every]
        return np.logaddexp.reduce(each)

    found = h.together(said, MEAN, SD, TRUE_LEVELS)
    for i in range(len(said)):
        expected = density(said) - density([*said[:i], *said[i + 1 :]])
        # cells of so little weight are left out
        assert found.scores[i] == pytest.approx(expected, abs=20 * h.RARE)


def test_a_quantile_of_the_correlation_lies_within_its_cell():
    known = h.ErrorsAlike(np.array([0.125, 0.375, 0.625, 0.875]), np.array([0.1, 0.2, 0.3, 0.4]))
    shares = (0.0, 0.05, 0.1, 0.2, 0.6, 0.8, 1.0)
    found = [known.quantile(share) for share in shares]
    assert found == pytest.approx([0.0, 0.125, 0.25, 0.375, 0.75, 0.875, 1.0])
    assert known.mean == pytest.approx(0.625)
    assert h.ErrorsAlike(np.array([0.3]), np.ones(1)).quantile(0.975) == 0.3


@pytest.mark.parametrize("alike", [0.6])
def test_spreads_are_those_of_greatest_density(alike):
    """Against a search of the same density, written out whole, by scipy."""
    seen = sightings(seed=8)
    found = h.together(said_of(seen), MEAN, SD, alike=alike).levels
    y = np.concatenate([y for _, _, y in seen])

    def lost(logs):
        three = np.exp(logs).reshape(3, 2)
        mean, prior, design, noise = joint(seen, h.Levels(*three), alike)
        normal = multivariate_normal(design @ mean, design @ prior @ design.T + noise)
        # One member's weight of a guess: an inverse gamma for each variance.
        guess = np.array([level_search.GUESS[n] for n in level_search.LEVELS])[:, None] * SD
        return -normal.logpdf(y) + float((np.log(three) + 0.5 * (guess / three) ** 2).sum())

    start = np.log(np.array([found.specimen, found.thrower, found.throw])).ravel()
    fine = {"xatol": 1e-5, "fatol": 1e-9, "maxiter": 8000, "maxfev": 8000}
    best = minimize(lost, start + 0.3, method="Nelder-Mead", options=fine)
    np.testing.assert_allclose(np.exp(start), np.exp(best.x), rtol=2e-3)


def drawn(rng, alike, specimens=6, throws=8, noise=0.3, spread=0.1):
    """Throws of several specimens whose errors are alike, what is said of them and the truth."""
    said, truth, places = [], [], []
    for k in range(specimens):
        line = MEAN + SD * 0.5 * rng.standard_normal(2)
        common = rng.standard_normal(2)
        for _ in range(throws):
            theta = line + spread * SD * rng.standard_normal(2)
            size = noise * SD * rng.uniform(0.7, 1.4)
            sure = np.diag(size**-2.0)
            own = rng.standard_normal(2)
            seen = theta + size * (np.sqrt(alike) * common + np.sqrt(1 - alike) * own)
            said.append(h.Said(sure, sure @ seen, f"line {k}", "x"))
            truth.append(theta)
            places.append(k)
    return said, np.array(truth), np.array(places)


TRUE_LEVELS = h.Levels(0.5 * SD, np.zeros(2), 0.1 * SD)


@pytest.fixture(scope="module")
def campaigns():
    """Of each correlation: campaigns drawn, what is learnt, and what knowing it would give."""
    found = {}
    for alike in (0.0, 0.3, 0.7, 0.97):
        rng = np.random.default_rng([23, int(100 * alike)])
        rows = []
        for _ in range(20):
            said, truth, places = drawn(rng, alike)
            learnt = h.together(said, MEAN, SD)
            rows.append((said, truth, places, learnt, h.together(said, MEAN, SD, alike=alike)))
        found[alike] = rows
    return found


@pytest.mark.parametrize("alike", [0.3, 0.7, 0.97])
def test_the_correlation_of_the_fits_errors_is_learnt(campaigns, alike):
    """Its 95 % interval holds it in 17 of 20 campaigns; by chance fewer would once in 390 times."""
    known = [row[3].alike for row in campaigns[alike]]
    inside = [a.quantile(0.025) <= alike <= a.quantile(0.975) for a in known]
    assert sum(inside) >= 17
    error = np.std([a.mean for a in known]) / np.sqrt(len(known))
    # The mean of what is known is drawn to that of before, 1/2, by a share of its own variance.
    width = np.mean([(a.at - a.mean) ** 2 @ a.weight for a in known])
    drawn_in = abs(alike - 0.5) * width / (1.0 / 12.0)
    assert abs(np.mean([a.mean for a in known]) - alike) < 3.0 * error + drawn_in + 0.02


@pytest.mark.parametrize("alike", [0.0, 0.97])
def test_many_throws_leave_little_doubt_at_the_edges(alike):
    """Ten specimens of twenty throws each; without any, 95 % reach over 0.95, twice as far."""
    said, _, _ = drawn(np.random.default_rng(29), alike, 10, 20, spread=0.02)
    known = h.together(said, MEAN, SD).alike
    assert known.quantile(0.975) - known.quantile(0.025) < 0.475
    assert abs(known.mean - alike) < 0.15


@pytest.mark.parametrize("alike", [0.0, 0.3, 0.7, 0.97])
def test_throws_are_foretold_no_worse_than_with_the_true_correlation(campaigns, alike):
    """By the standard error that the difference has over the throws of one campaign."""
    gain = np.array([a.scores - b.scores for *_, a, b in campaigns[alike]])
    error = gain.std(axis=1, ddof=1).mean() / np.sqrt(gain.shape[1])
    assert gain.mean() > -error


@pytest.mark.parametrize("alike", [0.0, 0.3, 0.7, 0.97])
def test_joint_intervals_hold_the_truth_however_alike_the_errors_are(campaigns, alike):
    """And are narrower than those of single fits, all the same."""
    inside, width = [], []
    for said, truth, _, learnt, _ in campaigns[alike]:
        sd = np.array([np.sqrt(np.diag(one.covariance)) for one in learnt.throws])
        off = np.abs(np.array([one.mean for one in learnt.throws]) - truth)
        inside.append((off < 1.96 * sd).mean())
        alone = np.array([1.0 / np.sqrt(np.diag(s.information) + SD**-2.0) for s in said])
        width.append((sd / alone).mean())
    assert 0.92 < np.mean(inside) < 0.995
    assert np.mean(width) < 1.0


def test_one_throw_of_each_specimen_says_nothing_of_the_correlation():
    said, _, _ = drawn(np.random.default_rng(2), 0.5, specimens=5, throws=1)
    found = h.together(said, MEAN, SD)
    np.testing.assert_allclose(found.alike.at, [0.0])
    independent = h.together(said, MEAN, SD, alike=0.0)
    for one, other in zip(found.throws, independent.throws, strict=True):
        np.testing.assert_allclose(one.mean, other.mean)


def of_one_line(seen, noise, sd, correlations):
    """By hand, of one parameter: the throws of one line whose fits all have the same noise.

    seen : (T,), what each fit prefers, over a mean of 0 with the deviation `sd`. For each r (K,):
    means (K, T) and variance (K,) of the throws, log density (K,). The mean of all throws and their
    distances from it are independent. The error that fits have in common moves the mean alone.
    """
    r, count = np.asarray(correlations), seen.size
    middle, apart = seen.mean(), seen - seen.mean()
    guess = level_search.GUESS["throw"] * sd
    spread = guess * np.exp(np.linspace(-4.0, 4.0, 4001))
    own = noise**2 * (1.0 - r)
    both = own[:, None] + spread**2
    of_mean = sd**2 + spread**2 / count + (noise**2 * r + own / count)[:, None]
    density = -0.5 * ((count - 1) * np.log(both) + apart @ apart / both)
    density -= 0.5 * (np.log(of_mean) + middle**2 / of_mean)
    density -= np.log(spread / guess) + 0.5 * (guess / spread) ** 2
    at = density.argmax(axis=1)
    throw, rows = spread[at] ** 2, np.arange(r.size)
    known, error = sd**2 + throw / count, noise**2 * r + own / count
    means = (known / (known + error) * middle)[:, None] + (throw / both[rows, at])[:, None] * apart
    variance = known * error / (known + error) + (1.0 - 1.0 / count) * throw * own / both[rows, at]
    return means, variance, density[rows, at]


@pytest.mark.parametrize("alike", [0.0, 0.6, None])
@pytest.mark.parametrize("spread", [0.05, 0.4])
def test_many_throws_of_one_line_narrow_each_others_intervals(alike, spread):
    """Twenty throws of one line: by as much as the closed form says, and the truth is in them."""
    rng = np.random.default_rng(1)
    line, noise = np.array([0.2, -0.3]), 0.3
    said, truth, single, prefers = [], [], [], []
    for _ in range(20):
        theta = line + spread * rng.standard_normal(2)
        seen = theta + noise * rng.standard_normal(2)
        said.append(h.Said(np.eye(2) / noise**2, seen / noise**2, "A", "x"))
        cover = np.diag(1 / (1 / noise**2 + 1 / SD**2))
        single.append(h.Belief(cover @ (seen / noise**2), cover))
        truth.append(theta)
        prefers.append(seen)
    found = h.together(said, np.zeros(2), SD, alike=alike)
    means = np.array([n.mean for n in found.throws])
    sd = np.array([np.sqrt(np.diag(n.covariance)) for n in found.throws])
    # Cells of the correlation, as many as show what the coarse ones of the code leave out.
    every = [alike] if alike is not None else (np.arange(600) + 0.5) / 600
    by_hand = [of_one_line(np.array(prefers)[:, j], noise, SD[j], every) for j in range(2)]
    weight = np.exp(sum(density for *_, density in by_hand))
    weight /= weight.sum()
    mean_of_r = weight @ np.asarray(every)
    near = 2e-3 if alike is not None else 1e-2
    for j, (mean, variance, _) in enumerate(by_hand):
        expected = weight @ mean
        square = weight @ variance + weight @ (mean - expected) ** 2
        np.testing.assert_allclose(sd[:, j], np.sqrt(square), rtol=near)
        np.testing.assert_allclose(means[:, j], expected, atol=near * sd[:, j].min())
    assert found.alike.mean == pytest.approx(mean_of_r, abs=near)
    assert (np.abs(means - truth) < 1.96 * sd).mean() > 0.85
    if spread > noise:  # a throw's own spread was in no single fit's prior
        return
    assert (sd < np.sqrt(np.diag(single[0].covariance))).all()
    stated = h.Belief(np.zeros(2), np.diag(SD**2))
    before = np.array([h.log_score(s, stated) for s in said])
    by_one = [h.log_score(s, single[i - 1]) for i, s in enumerate(said)] - before
    assert np.mean(found.scores - before) > np.mean(by_one) > 0.0
