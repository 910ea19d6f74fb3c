"""All commands on one page: what `lashwave --help` prints.

It needs no parser of commands, whose loading and layout would take longer than all else here. Each
line is the first sentence of its command's own help, which a test holds it to.
"""

from __future__ import annotations

import shutil
import textwrap

ABOUT = "The whole motion of a fast, slender, tapered line, from partial records of it."
EPILOGUE = (
    "Exit status: 0 done; 2 the input is at fault (one line says where, nothing is written); "
    "1 anything else. Every command also takes --help, and --traceback, which shows where in "
    "the program something went wrong."
)
COMMANDS = {
    "assemble": "Make a trial folder of instrument files: recognise, describe, check, write.",
    "calibrate": "Calibrate a camera, or several by a wand, with the uncertainty of each.",
    "campaign": "Reconstruct many throws and sum them up: table, comparison, and which ones to "
    "look at.",
    "check": "Say whether a trial is usable, what is wrong with it, and how good it is.",
    "compare": "Compare the answers of several trials: repeatability, spread of specimens and "
    "throwers.",
    "completion": "Print what completes commands and options in a shell.",
    "demo": "Simulate an example trial, reconstruct it, and show the answers beside the truth.",
    "deposit": "Pack a trial's answers for a data repository: one archive that explains itself.",
    "design": "Find the taper within limits that gives the fastest tip, or a wanted speed, and the "
    "gesture.",
    "fall": "Say which fold a falling chain has: energy-keeping, plastic, or which share in "
    "between.",
    "law": "Fit a design law of the crack to throws by the thousand, or ask it about one throw.",
    "locate": "Find sightings in a trial's pictures and sound: markers, tip, flashes, tuft, "
    "fronts, onsets.",
    "open": "Show a trial, or those of a folder, in the browser: look, scrub, mend, run.",
    "parameters": "Estimate drag, damping and bending stiffness from one trial or several of one "
    "specimen.",
    "plan": "Foretell how well a set-up would know each answer, and what a budget buys.",
    "predict": "Predict a trial from its hand's motion alone, and hold it against what was seen.",
    "rank": "Rank models of the forces by what they predict, with standard errors of the "
    "differences.",
    "reconstruct": "Reconstruct the line's whole motion from a trial, with its uncertainty.",
    "sensitivity": "Say which input of line, hand and air moves peak speed, crack time and grip "
    "force.",
    "simulate": "Simulate a trial on a virtual bench: OUT/trial, and the truth in OUT/truth.nc "
    "and .json.",
}
OPTIONS = {
    "--help (-h)": "Display this message and exit.",
    "--version": "Display application version.",
}
WIDEST = 100


def page() -> str:
    """The text, as wide as the terminal is, ending in a line break."""
    width = min(max(shutil.get_terminal_size().columns, 40), WIDEST)
    rows = {**COMMANDS, **OPTIONS}
    indent = 2 + max(len(name) for name in rows) + 2
    lines = ["Usage: lashwave COMMAND", "", *textwrap.wrap(ABOUT, width), "", "Commands"]
    for name, said in rows.items():
        wrapped = textwrap.wrap(said, width - indent, break_on_hyphens=False)
        lines.append(f"  {name}".ljust(indent) + wrapped[0])
        lines += [" " * indent + more for more in wrapped[1:]]
    return "\n".join([*lines, "", *textwrap.wrap(EPILOGUE, width)]) + "\n"
