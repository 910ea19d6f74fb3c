"""The account of energy of estimated motions: `python -m benchmarks.account 7 20 [--kind swing]`.

Of each twin trial: the true hand's work, the one given, and how far stored and lost energy close
the account, in percent of the true work.
"""

from __future__ import annotations

import argparse

from lashwave import twin
from lashwave.workbench.pipeline import reconstruct_trial

PARTS = ("stored_energy", "drag_loss", "tuft_loss", "damping_loss")


def main() -> None:
    """Fit each trial and print a line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("seeds", type=int, nargs="+")
    parser.add_argument("--kind", choices=("throw", "swing"), default="throw")
    args = parser.parse_args()
    print("seed  true work [J]  given off [%]  stored + lost off [%]  torque given [N m]")
    for seed in args.seeds:
        trial, truth = twin.make(seed, args.kind)
        _, answers, _ = reconstruct_trial(trial)
        true = truth.answers["hand_work"]
        assert true is not None
        value = {name: answer.value or 0.0 for name, answer in answers.items()}
        off = 100.0 * (value["hand_work"] / true - 1.0)
        closed = 100.0 * (sum(value[name] for name in PARTS) / true - 1.0)
        torque = value["peak_hand_torque"]
        print(f"{seed:4d} {true:13.4g} {off:+14.2f} {closed:+19.2f} {torque:18.4g}", flush=True)


if __name__ == "__main__":
    main()
