"""`lashwave open`: serve a folder of trials on loopback and show it in the browser."""

from __future__ import annotations

import secrets
import socket
import threading
import webbrowser
from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from lashwave.pipeline import console
from lashwave.quantities import InputError
from lashwave.workbench.shared_options import flag

LOOPBACK = "127.0.0.1"


def open_folder(
    path: Annotated[Path, Parameter(name="DIR", help="A trial, answers, or a folder of either.")],
    /,
    *,
    port: Annotated[int, Parameter(help="Port on loopback; 0 takes a free one.")] = 0,
    no_browser: Annotated[bool, flag("Print the address and open no browser.")] = False,
) -> int:
    """Show a trial, or those of a folder, in the browser: look, scrub, mend, run.

    Serves pages on this machine only, at an address with a secret in it. Stop with Ctrl-C.
    """
    return serve(path, port, browser=not no_browser)


def serve(path: Path, port: int, browser: bool) -> int:
    """Serve until interrupted; status 0.

    Parameters
    ----------
    path : a trial, its answers, or a folder of either.

    Raises
    ------
    InputError
        Where the path is no folder, or the port is taken.
    """
    if not 0 <= port <= 65535:
        raise InputError("--port", f"{port} is no port", "give 0 to 65535; 0 takes a free one")
    import uvicorn

    from lashwave.serving import PatientProtocol, make_app, place_of

    if not path.is_dir():
        problem = "is not a folder" if path.exists() else "does not exist"
        raise InputError(path, problem, "name a trial, answers, or a folder of them", field="DIR")
    folder, place = place_of(path)
    token = secrets.token_urlsafe(24)
    listener = _listener(port)
    address = f"http://{LOOPBACK}:{listener.getsockname()[1]}/?token={token}{place}"
    app = make_app(folder, token)
    config = uvicorn.Config(
        app, log_level="critical", access_log=False, lifespan="on", server_header=False,
        timeout_graceful_shutdown=2, http=PatientProtocol,
    )  # fmt: skip
    print(address, flush=True)
    console.say("Stop with Ctrl-C.")
    threading.Thread(target=_warm_up, daemon=True).start()
    if browser:
        # The browser's command line is seen by everyone on this machine: a code that opens once.
        code = app.state.lashwave.codes.new()
        once = f"http://{LOOPBACK}:{listener.getsockname()[1]}/?code={code}{place}"
        threading.Timer(0.3, webbrowser.open, [once]).start()
    try:
        uvicorn.Server(config).run(sockets=[listener])
    except KeyboardInterrupt:
        pass
    finally:
        listener.close()
    console.say("Stopped.")
    return 0


def _listener(port: int) -> socket.socket:
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((LOOPBACK, port))
    except OSError as error:
        listener.close()
        raise InputError(
            "--port", f"{port} cannot be taken ({error.strerror})", "name another, or leave it out"
        ) from None
    listener.listen()
    return listener


def _warm_up() -> None:
    """Load what the first view needs, so that it does not wait for it."""
    import h5netcdf  # noqa: F401
    import xarray  # noqa: F401
