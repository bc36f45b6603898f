"""Start the page on this machine's own address and nowhere else."""

from __future__ import annotations

import contextlib
import socket
import sys
import threading
import webbrowser
from pathlib import Path

from ..errors import InputError

ADDRESS = "127.0.0.1"


def free_port(port: int, tries: int = 20) -> socket.socket:
    """A listening socket on ``port`` or one of the next ``tries``; 0 takes any.

    Raises
    ------
    InputError
        When all of them are taken.
    """
    for candidate in [0] if port == 0 else range(port, min(port + tries, 65536)):
        sock = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            sock.bind((ADDRESS, candidate))
        except OSError:
            sock.close()
            continue
        return sock
    raise InputError(f"ports {port} to {port + tries - 1} are taken on this machine: give another with --port.")


def serve(port: int = 8642, log_path: str | Path | None = None, open_browser: bool = False) -> None:
    """Serve the page until it is interrupted; prints its address, opens it when asked.

    Raises
    ------
    LogError, InputError
        When the log cannot be opened or no port is free.
    """
    import uvicorn

    from .. import session
    from .app import create_app

    with session.open_log(log_path):  # a log that cannot be used is said before the page opens
        pass
    sock = free_port(port)
    address = f"http://{ADDRESS}:{sock.getsockname()[1]}/"
    config = uvicorn.Config(create_app(log_path), log_level="warning", access_log=False, ws_max_size=1 << 20,
                            timeout_graceful_shutdown=2)
    print(f"The page is at {address} (this machine only). Ctrl-C stops it.", file=sys.stderr, flush=True)
    threading.Thread(target=_warm_up, daemon=True).start()
    if open_browser:
        threading.Timer(0.5, webbrowser.open, (address,)).start()
    uvicorn.Server(config).run(sockets=[sock])


def _warm_up() -> None:
    """Load the libraries of reading and forecasting while the page is being opened, not at the first strike."""
    import math

    import numpy as np

    from .. import session
    from ..errors import BothheadsError
    from .bench import wav_bytes

    t = np.arange(44100) / 44100.0 - 0.2
    tone = np.where(t > 0, 0.1 * np.exp(-np.maximum(t, 0.0) / 0.2) * np.sin(2 * math.pi * 80 * t), 0.0)
    with contextlib.suppress(BothheadsError):
        session.read_upload(wav_bytes(tone[:, None], 44100), "warm.wav", quick=True)
