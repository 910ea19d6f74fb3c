"""What a campaign's throws share, written down; and their answers as all throws give them."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from lashwave import study

if TYPE_CHECKING:
    import pandas as pd


def record_of(found: study.Learned) -> dict[str, Any]:
    """The content of shared.json: scales of the law are logarithms, stations [m]."""
    joint = found.found
    parameters = {}
    for at, name in enumerate(found.names):
        sd = float(np.sqrt(found.stated.covariance[at, at]))
        parameters[name] = {
            "unit": "m" if name.startswith("station:") else "1",
            "stated": {"mean": float(found.stated.mean[at]), "sd": sd},
            "throws_that_tell": int(sum(s.information[at, at] > 0.0 for s in found.said)),
            "model_sd": float(found.model_sd[at]),
            "between": {n: float(v[at]) for n, v in joint.levels._asdict().items()},
            "specimens": {
                specimen: {
                    "mean": float(one.mean[at]),
                    "sd": float(np.hypot(np.sqrt(one.covariance[at, at]), found.model_sd[at])),
                }
                for specimen, one in joint.specimens.items()
            },
        }
    return {
        "schema": 1,
        "throws": [t.trial for t in found.throws],
        "parameters": parameters,
        "errors_alike": {
            "mean": joint.alike.mean,
            "low95": joint.alike.quantile(0.025),
            "high95": joint.alike.quantile(0.975),
        },
        "held_out": held_out(found),
    }


def held_out(found: study.Learned) -> dict[str, Any]:
    """Log scores of throws that were left out, over those of what was stated, mean and its error.

    A score is that of a throw's sightings where its parameters are predicted by what was stated, by
    another single throw of its specimen, by all other throws.
    """
    scores = found.scores
    gain = scores[:, 1:] - scores[:, :1]
    shares = {}
    for name, column in zip(("one_other_throw", "all_other_throws"), gain.T, strict=True):
        good = column[np.isfinite(column)]
        if good.size > 1:
            shares[name] = {
                "gain": float(good.mean()),
                "standard_error": float(good.std(ddof=1) / np.sqrt(good.size)),
                "throws": int(good.size),
            }
    return shares


def table(found: study.Learned) -> pd.DataFrame:
    """Answers of each throw by itself and as all throws give them, a row an answer that changed."""
    import pandas as pd

    rows = []
    for i, alone in enumerate(found.throws):
        together = study.followed(found, i)
        for name, answer in together.answers.items():
            before = alone.answers[name]
            if answer != before and before.value is not None:
                rows.append({
                    "trial": alone.trial, "quantity": name, "unit": answer.unit,
                    "value": answer.value, "sd": answer.sd, "low95": answer.low95,
                    "high95": answer.high95, "value_alone": before.value, "sd_alone": before.sd,
                })  # fmt: skip
    columns = ["trial", "quantity", "unit", "value", "sd", "low95", "high95", "value_alone",
               "sd_alone"]  # fmt: skip
    return pd.DataFrame(rows, columns=columns)


def files_of(throws: Sequence[study.CampaignThrow]) -> tuple[dict[str, bytes], dict[str, Any]]:
    """Every file by name, and the content of shared.json; empty where too few throws tell."""
    from lashwave.report import table_file

    found = study.learn(throws)
    if found is None:
        return {}, {}
    record, answers = record_of(found), table(found)
    flat = [
        [name, one["unit"], one["throws_that_tell"], one["stated"]["mean"], one["stated"]["sd"],
         *one["between"].values(), specimen, of["mean"], of["sd"]]
        for name, one in record["parameters"].items()
        for specimen, of in one["specimens"].items()
    ]  # fmt: skip
    head = ["parameter", "unit", "throws_that_tell", "stated", "stated_sd",
            *(f"sd_between_{level}s" for level in found.found.levels._fields), "specimen", "value",
            "sd"]  # fmt: skip
    return {
        "shared.json": (json.dumps(record, indent=1, allow_nan=False) + "\n").encode(),
        "shared.csv": table_file(head, flat),
        "shared-answers.csv": table_file(
            list(answers.columns),
            [[None if x is None or x != x else x for x in row] for row in answers.to_numpy(object)],
        ),
    }, record


def known_to(throws: Sequence[study.CampaignThrow]) -> dict[str, Any]:
    """By trial, what all others say of its parameters, for a second pass."""
    found = study.learn(throws)
    if found is None:
        return {}
    return {t.trial: study.known_for(found, i) for i, t in enumerate(found.throws)}
