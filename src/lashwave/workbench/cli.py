"""The program: runs a command; every failure becomes one line on standard error and a status.

Exit status 0: done; 2: the input is at fault; 1: anything else. Nothing heavy is imported before
signals are looked after, so that Ctrl-C is answered in one line from the start.
"""

from __future__ import annotations

import errno
import re
import sys
import warnings
from typing import TYPE_CHECKING

from lashwave.pipeline import stopping

if TYPE_CHECKING:
    from cyclopts import CycloptsError

DONE, FAULT, INPUT_AT_FAULT = 0, 1, 2
STOPPED = "lashwave: stopped; no answer was written"


def main(argv: list[str] | None = None) -> int:
    """Run a command; its exit status.

    Parameters
    ----------
    argv : in place of the process's own; then signals are as before when it returns.
    """
    with stopping.answered(last=argv is None):
        try:
            return _run(list(sys.argv[1:] if argv is None else argv))
        except BaseException:  # a signal outside of what `_run` looks after
            if not stopping.asked():
                raise
            _complain(STOPPED)
            return FAULT


def _run(tokens: list[str]) -> int:
    traceback = "--traceback" in tokens
    tokens = [token for token in tokens if token != "--traceback"]
    try:
        if tokens in ([], ["--help"], ["-h"]):
            from lashwave.workbench import command_list

            print(command_list.page(), end="")
            return DONE
        from lashwave.workbench.commands import app

        with warnings.catch_warnings():
            if not traceback:  # a library's warning would be a second line beside the one promised
                warnings.simplefilter("ignore")
            status = app(tokens, exit_on_error=False, print_error=False)
        return status if isinstance(status, int) else DONE
    except SystemExit as leave:
        if stopping.asked():
            _complain(STOPPED)
            return FAULT
        return leave.code if isinstance(leave.code, int) else FAULT
    except BaseException as failure:
        if traceback:
            from traceback import print_exc

            print_exc()
        status, line = _explain(failure)
        _complain(line)
        return status


def _explain(failure: BaseException) -> tuple[int, str]:
    """Exit status and the one line to print for what went wrong."""
    # A signal within a library's C code comes out as an error of that library.
    if isinstance(failure, KeyboardInterrupt) or stopping.asked():
        return FAULT, STOPPED
    from cyclopts import CycloptsError

    from lashwave.files import DiskFullError
    from lashwave.quantities import InputError, LashwaveError

    if isinstance(failure, CycloptsError):
        return INPUT_AT_FAULT, f"lashwave: {_usage(failure)}"
    if isinstance(failure, InputError):
        return INPUT_AT_FAULT, str(failure)
    if isinstance(failure, DiskFullError):
        return FAULT, f"lashwave: {failure}"
    if isinstance(failure, LashwaveError):
        return FAULT, f"lashwave: {failure}; `lashwave check TRIAL` says what may be behind it"
    if isinstance(failure, BrokenPipeError):
        return FAULT, ""
    if isinstance(failure, MemoryError):
        return FAULT, "lashwave: out of memory; give the machine more or shorten the trial"
    if isinstance(failure, OSError) and failure.errno in (errno.ENOSPC, errno.EDQUOT):
        return FAULT, "lashwave: the disk is full; make room and run again"
    if isinstance(failure, OSError):
        return FAULT, f"lashwave: {failure}; check space and permissions"
    name = type(failure).__name__
    return FAULT, f"lashwave: unexpected {name}: {failure}; run again with --traceback to see where"


def _usage(failure: CycloptsError) -> str:
    """One clear sentence for what was typed wrong, and where to read on."""
    from cyclopts import MissingArgumentError, UnknownCommandError

    chain = failure.command_chain or ()
    see = " ".join(("see", "lashwave", *chain, "--help"))
    text = " ".join(str(failure).split())
    near = re.search(r"Did you mean (.+?)( instead of (.+?))?\?", text)
    near_text = "" if near is None else near[1].strip("\"'")
    if isinstance(failure, MissingArgumentError) and failure.argument is not None:
        name = failure.argument.name
        if near is not None and near[3]:
            return f"there is no option {near[3].strip(chr(34))}; did you mean {near_text}? {see}"
        meaning = failure.argument.parameter.help or ""
        said = meaning[:1].lower() + meaning[1:].rstrip(".")
        return f"{' '.join(chain)} needs {name}: {said}; {see}" if said else f"needs {name}; {see}"
    if isinstance(failure, UnknownCommandError):
        typed = failure.unused_tokens[0] if failure.unused_tokens else ""
        ask = f"did you mean {near_text}?" if near is not None else "all are listed by"
        return f"there is no command {typed!r}; {ask} {see}"
    if (option := text.removeprefix("Unknown option: ")) != text:
        ask = "" if near is None else f" did you mean {near_text}?"
        return f"there is no option {option.split()[0].strip(chr(34) + '.')};{ask} {see}"
    if near is not None:
        return f"{text[: near.start()].rstrip('. ')}; did you mean {near_text}? {see}"
    return f"{text.rstrip('. ')}; {see}"


def _complain(line: str) -> None:
    """One line on standard error, whatever the message holds."""
    text = " ".join("".join(c if c.isprintable() else " " for c in line).split())
    if text:
        print(text, file=sys.stderr)


if __name__ == "__main__":
    sys.exit(main())
