"""Start the dashboard: ``python3 -m dashboard [--share] [options of streamlit run]``.

With ``--share`` phones on the local Wi-Fi reach it after a code that the screen shows; see `dashboard/sharing.py`.
"""

from __future__ import annotations

import os
import socket
import sys
from pathlib import Path

from dashboard.bootstrap import ROOT, StartError, prepare, run_module

FIRST_PORT = 8501
SHARE = "--share"
# The matrices here are small: threads that wait for one another cost several times what they save, above all on a busy
# machine.
ONE_THREAD = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "MKL_NUM_THREADS": "1"}


def free_port(first: int = FIRST_PORT, tries: int = 50) -> int:
    """Return the first port from `first` that nobody listens on."""
    for port in range(first, first + tries):
        with socket.socket() as probe:
            if probe.connect_ex(("127.0.0.1", port)) != 0:
                return port
    return first


def _start(arguments: list[str]) -> int:
    from streamlit.web import cli

    if str(ROOT) not in sys.path:
        sys.path.insert(0, str(ROOT))
    script = Path(__file__).with_name("app.py")
    if not any(argument.startswith("--server.port") for argument in arguments):
        arguments = [*arguments, f"--server.port={free_port()}"]
    if SHARE in arguments:
        from dashboard import sharing

        arguments.remove(SHARE)
        code, found = sharing.new_code(), sharing.addresses()
        port = next(argument.split("=")[-1] for argument in arguments if argument.startswith("--server.port"))
        sys.stdout.write(sharing.spoken(code, found, port))
        sys.stdout.flush()
        arguments += sharing.options(code, found)
    sys.argv = ["streamlit", "run", str(script), *arguments]
    return int(cli.main() or 0)


def main() -> int:
    """Check and prepare the packages, then start the pages on this computer only."""
    arguments = sys.argv[1:]
    for name, count in ONE_THREAD.items():
        os.environ.setdefault(name, count)
    try:
        python = prepare()
    except StartError as error:
        print(f"dryhold cannot start.\n{error}", file=sys.stderr)
        return 1
    if python != Path(sys.executable):
        return run_module(python, "dashboard", arguments)
    return _start(arguments)


if __name__ == "__main__":
    sys.exit(main())
