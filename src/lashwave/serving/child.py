"""The process of one run: says how far it is, one JSON object a line on standard output."""

from __future__ import annotations

import json
import os
import sys
import threading
import time
import warnings
from pathlib import Path
from typing import Any

from lashwave.pipeline import Progress
from lashwave.quantities import LashwaveError

PAUSE = 0.1
"""Between two reports of one stage [s]."""


def main(arguments: dict[str, Any]) -> int:
    """Do what the server asks: `reconstruct` or `film`."""
    threading.Thread(target=_end_with_server, daemon=True).start()
    warnings.simplefilter("ignore")
    try:
        if arguments["kind"] == "film":
            from lashwave.serving.film_drawing import write_film

            write_film(arguments, _reporter())
        else:
            _reconstruct(Path(arguments["trial"]), Path(arguments["out"]))
    except LashwaveError as fault:
        _say({"line": str(fault)})
        return 2
    except MemoryError:
        _say({"line": "out of memory; give the machine more or shorten the trial"})
        return 1
    except OSError as error:
        _say({"line": f"{error}; check space and permissions"})
        return 1
    except KeyboardInterrupt:
        return 1
    except Exception as error:
        _say({"line": f"unexpected {type(error).__name__}: {error}"})
        return 1
    return 0


def _reconstruct(trial: Path, out: Path) -> None:
    from lashwave.files import folders
    from lashwave.pipeline import reconstruct as pipeline

    folders.check_trial_folder(trial)
    folders.check_answer_folder(out, trial)
    pipeline.reconstruct_folder(trial, out, _reporter(), threads=None)


def _reporter() -> Progress:
    """A progress that says each new stage at once, and shares not too often."""
    last: dict[str, Any] = {"stage": None, "at": 0.0}

    def show(stage: str, share: float) -> None:
        now = time.monotonic()
        if stage != last["stage"] or now - last["at"] >= PAUSE:
            last.update(stage=stage, at=now)
            _say({"stage": stage, "share": min(max(float(share), 0.0), 1.0)})

    return show


def _say(record: dict[str, Any]) -> None:
    print(json.dumps(record), flush=True)


def _end_with_server() -> None:
    """End at once when standard input closes: the server is gone, and nobody could stop us."""
    while os.read(0, 4096):
        pass
    os._exit(1)


if __name__ == "__main__":
    sys.exit(main(json.loads(sys.argv[1])))
