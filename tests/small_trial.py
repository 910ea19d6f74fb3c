"""The least of a trial: two markers that drift on a line of 2.4 m, as files, to which tests add."""

from __future__ import annotations

from pathlib import Path

LINE = "station,diameter [mm],linear_density [g/m]\n0,8,30\n2.4,1,1\n"
HEADING = "time [s],marker,x [m],y [m],z [m]\n"
STATIONS = {"M1": 0.1, "M2": 1.0}


def described(*, handle: str = "", stations: dict[str, float] = STATIONS) -> str:
    """trial.toml of markers alone; a test's own tables go behind it. handle : length and unit."""
    line = ["[line]", 'table = "line.csv"', *([f'handle_length = "{handle}"'] if handle else [])]
    places = [f'"{name}" = {station}' for name, station in stations.items()]
    rows = ["schema = 1", "[trial]", 'name = "t"', *line, "[markers]", 'file = "markers.csv"',
            'sd = "0.3 mm"', "[markers.stations]", *places]  # fmt: skip
    return "\n".join(rows) + "\n"


def drifting(
    samples: int = 25, rate: float = 500.0, markers: tuple[int, ...] = (1, 2)
) -> list[str]:
    """Rows of markers.csv, one a marker and sample."""
    return [
        f"{k / rate:.6f},M{m},{m - 0.5},{k * 1e-3:.4f},0\n" for k in range(samples) for m in markers
    ]


def write_small_trial(folder: Path, text: str) -> None:
    """A folder of trial.toml as given, with its markers and its line."""
    (folder / "trial.toml").write_text(text, encoding="utf-8")
    (folder / "line.csv").write_text(LINE, encoding="utf-8")
    (folder / "markers.csv").write_text(HEADING + "".join(drifting()), encoding="utf-8")
