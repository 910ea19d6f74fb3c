"""Throws that learn from each other: from single fits to shared parameters, and back to each.

A single fit's posterior over what was known before is what its sightings say. The part of it that
sampling noise could have made is taken for nothing. What all other throws say of a throw's
parameters is its new prior; its answers follow by their regression on the parameters over the
draws of the single fit, which is exact where answers are linear in them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from lashwave.quantities import DRAG_SLOPE, SLOPE, Answer, Array, Mask
from lashwave.study.hierarchy import Belief, Hierarchy, Said, log_score, together
from lashwave.study.throws_table import CampaignThrow

SURE = 2.5
"""Standard deviations of a sampled variance below the stated one, from which it is believed."""


@dataclass(frozen=True)
class Learned:
    """What a campaign's throws say together."""

    names: tuple[str, ...]
    throws: tuple[CampaignThrow, ...]
    """Those that took part."""
    said: tuple[Said, ...]
    singles: tuple[Belief, ...]
    """What each single fit said, the chain's own error that all fits have in common left out."""
    stated: Belief
    model_sd: Array
    """(P,), standard deviations of what links and time grid leave out, the same in every throw."""
    found: Hierarchy
    """All throws together; `found.beside` is what the others add to each."""

    @property
    def scores(self) -> Array:
        """Log scores (T, 3) [1] of each throw's sightings, by three predictions of its parameters.

        By what was stated; by another throw's single fit, a mean over the others of its specimen;
        by all other throws. The error that a specimen's fits have in common is part of what these
        foretell.
        """
        rows = []
        for i, said in enumerate(self.said):
            mates = [
                log_score(said, self.singles[j])
                for j, other in enumerate(self.said)
                if j != i and other.specimen == said.specimen
            ]
            rows.append([
                log_score(said, self.stated),
                float(np.mean(mates)) if mates else np.nan,
                float(self.found.scores[i]),
            ])  # fmt: skip
        return np.array(rows)


def learn(throws: Sequence[CampaignThrow]) -> Learned | None:
    """What throws with answers share; None of fewer than two."""
    able = [t for t in throws if t.facts.get("shared", {}).get("names")]
    names = tuple(dict.fromkeys(n for t in able for n in t.facts["shared"]["names"]))
    if len(able) < 2:
        return None
    stated, model_sd = _stated(able, names)
    said, singles = zip(*[said_of(t, names, stated, model_sd) for t in able], strict=True)
    own = np.array([name.startswith("station:") for name in names])
    sd = np.sqrt(np.diag(stated.covariance))
    found = together(said, stated.mean, sd, own=own)
    return Learned(names, tuple(able), said, singles, stated, model_sd, found)


def _stated(throws: Sequence[CampaignThrow], names: Sequence[str]) -> tuple[Belief, Array]:
    """Known before any throw (the least that any trial states), and the chain's own error."""
    mean, sd, model_sd = np.zeros(len(names)), np.full(len(names), np.inf), np.zeros(len(names))
    for throw in throws:
        shared = throw.facts["shared"]
        for j, name in enumerate(shared["names"]):
            at = names.index(name)
            if shared["stated_sd"][j] < sd[at]:
                mean[at], sd[at] = shared["stated_mean"][j], shared["stated_sd"][j]
            model_sd[at] = max(model_sd[at], shared["model_sd"][j])
    return Belief(mean, np.diag(sd**2)), model_sd


def said_of(
    throw: CampaignThrow, names: Sequence[str], stated: Belief, model_sd: Array
) -> tuple[Said, Belief]:
    """What a throw's sightings alone say of parameters (P,), and its single fit, from its draws.

    names : of all P parameters, scales of the law as logarithms, stations [m].
    """
    shared = throw.facts["shared"]
    at = np.array([names.index(n) for n in shared["names"]])
    before = np.array(shared["stated_mean"]), np.array(shared["stated_sd"])
    mean = np.array(shared["mean"])
    cover = np.array(shared["covariance"]) - np.diag(model_sd[at] ** 2)
    informed = informed_by(cover, before[1], shared["draws"])
    information, pull = _alone(mean, cover, before, informed, shared["draws"])
    total, whole = np.zeros((len(names), len(names))), np.zeros(len(names))
    total[np.ix_(at, at)], whole[at] = information, pull
    precision = np.linalg.inv(stated.covariance) + total
    covariance = np.linalg.inv(precision)
    single = covariance @ (whole + np.linalg.solve(stated.covariance, stated.mean))
    said = Said(total, whole, throw.specimen or "", throw.thrower or "")
    return said, Belief(np.asarray(single, float), np.asarray(covariance, float))


def informed_by(cover: Array, stated_sd: Array, draws: int) -> Mask:
    """Which parameters (P,) the sightings tell of: their variance fell by more than draws vary.

    cover : (P, P), over the draws, [1] for logarithms and [m] for stations; stated_sd : (P,).
    """
    left = np.diag(cover) / stated_sd**2
    return np.asarray(left < 1.0 - SURE * np.sqrt(2.0 / max(draws - 1, 1)))


def _alone(
    mean: Array, cover: Array, before: tuple[Array, Array], informed: Mask, draws: int
) -> tuple[Array, Array]:
    """Information and pull of the sightings: posterior less prior, of what they inform.

    The inverse of a sampled covariance is too large by (D - 1) / (D - P - 2) (Anderson, An
    Introduction to Multivariate Statistical Analysis (2003), section 7.7).
    """
    count = int(informed.sum())
    information, pull = np.zeros_like(cover), np.zeros(mean.size)
    if not count:
        return information, pull
    stated, sd = before[0][informed], before[1][informed]
    size = max((draws - count - 2) / (draws - 1), 0.1)
    inner = np.linalg.inv(cover[np.ix_(informed, informed)] / np.outer(sd, sd)) * size
    gained, axes = np.linalg.eigh(0.5 * (inner + inner.T) - np.eye(count))
    gained = np.maximum(gained, 0.0)  # no sighting takes knowledge away
    apart = (mean[informed] - stated) / sd
    # Along an axis: (g + 1) (mean - stated) = g (what the sightings prefer - stated).
    push = axes @ np.where(gained > 0.0, (gained + 1.0) * (axes.T @ apart), 0.0)
    part = (axes * gained) @ axes.T / np.outer(sd, sd)
    information[np.ix_(informed, informed)] = part
    pull[informed] = push / sd + part @ stated
    return information, pull


def known_for(found: Learned, i: int) -> tuple[tuple[str, float, float], ...]:
    """What all other throws say of throw i's parameters, as `Options.known` takes it.

    Their error is in part that of throw i itself: so much less do they count beside its sightings.
    """
    prior, shared = found.found.beside[i], found.throws[i].facts["shared"]
    sd = np.sqrt(np.diag(prior.covariance))
    return tuple(
        (name, float(prior.mean[at]), float(sd[at]))
        for at, name in enumerate(found.names)
        if name in shared["names"]
    )


def followed(found: Learned, i: int) -> CampaignThrow:
    """Throw i with its answers as all throws together give them.

    An answer's regression on the parameters is shrunk by what chance alone would explain, so that
    no interval narrows by the noise of the draws.
    """
    throw, theta, single = found.throws[i], found.found.throws[i], found.singles[i]
    shared, answers = throw.facts["shared"], dict(throw.answers)
    at = np.array([found.names.index(n) for n in shared["names"]])
    cover = np.array(shared["covariance"]) - np.diag(found.model_sd[at] ** 2)
    informed = informed_by(cover, np.array(shared["stated_sd"]), shared["draws"])
    for name, with_each in shared["answers"].items():
        answer = answers.get(name)
        if answer is not None and answer.value is not None and answer.sd and informed.any():
            square = np.ix_(informed, informed)
            answers[name] = _moved(
                answer, np.array(with_each)[informed], cover[square], shared["draws"],
                (theta.mean - single.mean)[at][informed],
                (theta.covariance - single.covariance)[np.ix_(at, at)][square],
            )  # fmt: skip
    return replace(throw, answers={**answers, **_scales(found, theta, answers)})


def _moved(
    answer: Answer, with_each: Array, cover: Array, draws: int, shift: Array, change: Array
) -> Answer:
    """An answer whose parameters moved by `shift` and whose covariance by `change`."""
    assert answer.value is not None and answer.sd
    slope = np.linalg.solve(cover, with_each)
    explained = min(float(with_each @ slope) / answer.sd**2, 1.0)
    chance = slope.size / max(draws - 1, 1)
    slope = slope * max(0.0, (explained - chance) / max(explained * (1.0 - chance), 1e-12))
    moved = answer.value + float(slope @ shift)
    sd = max(answer.sd**2 + float(slope @ change @ slope), 1e-4 * answer.sd**2) ** 0.5
    ends = [
        None if end is None else moved + (end - answer.value) * sd / answer.sd
        for end in (answer.low95, answer.high95)
    ]
    return replace(answer, value=moved, sd=sd, low95=ends[0], high95=ends[1])


def _scales(found: Learned, theta: Belief, answers: Mapping[str, Answer]) -> dict[str, Answer]:
    """The law's scales among the answers, as ratios, with the error that all fits share."""
    sd = np.sqrt(np.diag(theta.covariance) + found.model_sd**2)
    scales: dict[str, Answer] = {}
    for at, name in enumerate(found.names):
        if name not in answers or name.startswith(("station:", SLOPE)):
            continue
        ends = [float(theta.mean[at] + z * sd[at]) for z in (0.0, -1.96, 1.96)]
        middle, low, high = ends if name == DRAG_SLOPE else np.exp(ends).tolist()
        own = float(sd[at]) * (1.0 if name == DRAG_SLOPE else middle)
        scales[name] = Answer(middle, "1", own, low, high)
    return scales
