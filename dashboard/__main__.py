"""Start the dashboard: ``python3 -m dashboard [--share] [options of streamlit run]``.

With ``--share`` phones on the local Wi-Fi reach it after a code that the screen shows; see `dashboard/sharing.py`.
Where the surroundings set up signing in (`dashboard/hosting.py`) it is served as an organisation hosts it.
"""

from __future__ import annotations

import importlib.util
import os
import socket
import sys
from itertools import pairwise
from pathlib import Path

from dashboard import hosting
from dashboard.bootstrap import ROOT, StartError, prepare, run_module

FIRST_PORT = 8501
SHARE = "--share"
OWN_ADDRESSES = ("127.0.0.1", "localhost", "::1")
# The matrices here are small: threads that wait for one another cost several times what they save, above all on a busy
# machine.
ONE_THREAD = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "MKL_NUM_THREADS": "1"}


def free_port() -> int:
    """Return the first port from `FIRST_PORT` that nobody listens on."""
    for port in range(FIRST_PORT, FIRST_PORT + 50):
        with socket.socket() as probe:
            if probe.connect_ex(("127.0.0.1", port)) != 0:
                return port
    return FIRST_PORT


def _start(arguments: list[str]) -> int:
    from streamlit.web import cli

    if str(ROOT) not in sys.path:
        sys.path.insert(0, str(ROOT))
    hosted = hosting.set_up()
    script = Path(__file__).with_name("hosted.py" if hosted else "app.py")
    if hosted:
        arguments = [*hosted_options(), *arguments]
    elif SHARE not in arguments:
        refuse_strangers(arguments)
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


def hosted_options() -> list[str]:
    """Return the options of a hosted server.

    Raises
    ------
    StartError
        Something that signing in needs is missing: nothing is served before strangers are kept out.
    """
    lines = hosting.faults()
    if importlib.util.find_spec("authlib") is None or importlib.util.find_spec("httpx") is None:
        lines.append("The packages of the extra 'hosted' are not installed: pip install 'dryhold[hosted]'")
    if lines:
        raise StartError("\n".join(["Signing in is not set up in full:", *lines]))
    return hosting.options()


def refuse_strangers(arguments: list[str]) -> None:
    """Refuse to serve other computers where nobody has to sign in or to enter a code."""
    words = "=".join(arguments).split("=")  # both ways of writing it: with '=' and with a space
    given = [after for word, after in pairwise(words) if word == "--server.address"]
    address = given[-1] if given else os.environ.get("STREAMLIT_SERVER_ADDRESS", OWN_ADDRESSES[0])
    if address not in OWN_ADDRESSES:
        raise StartError(
            f"On {address} everybody on the network could read and change the records.\n"
            "Use --share for phones on your Wi-Fi, or set up signing in (see DEVELOPERS.md, 'Hosting')."
        )


def main() -> int:
    """Check and prepare the packages, then start the pages on this computer only."""
    arguments = sys.argv[1:]
    for name, count in ONE_THREAD.items():
        os.environ.setdefault(name, count)
    try:
        python = prepare()
        if python != Path(sys.executable):
            return run_module(python, "dashboard", arguments)
        return _start(arguments)
    except StartError as error:
        print(f"dryhold cannot start.\n{error}", file=sys.stderr)
        return 1


if __name__ == "__main__":
    sys.exit(main())
