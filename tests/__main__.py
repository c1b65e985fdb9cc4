"""``python -m tests``: see to a browser for the page tests and to ngspice for the solver's, then run everything.

Extra arguments are passed on to pytest; ``-n 0`` runs all in one process.
"""

import os
import shutil
import subprocess
import sys
from collections.abc import Sequence

# The page and process tests wait more than they work (two at once keep two processors busy for two fifths of the time).
SIDE_BY_SIDE = ("-n", "3", "--dist=loadfile")
BROWSERS = ("chromium", "chromium-browser", "google-chrome")


def find_browser() -> str | None:
    """The browser named by PROBETRAIL_CHROMIUM, else the first that is installed."""
    named = os.environ.get("PROBETRAIL_CHROMIUM")
    return named or next((path for name in BROWSERS if (path := shutil.which(name))), None)


def find_ngspice() -> str | None:
    """The ngspice named by PROBETRAIL_NGSPICE, else the installed one."""
    return os.environ.get("PROBETRAIL_NGSPICE") or shutil.which("ngspice")


def install(packages: Sequence[str]) -> bool:
    """Install Debian's packages where that can be done; says what to do where it cannot."""
    if shutil.which("apt-get") and os.geteuid() == 0:
        quiet = {"env": os.environ | {"DEBIAN_FRONTEND": "noninteractive"}, "stdout": subprocess.DEVNULL}
        for words in (["update", "-q"], ["install", "-q", "-y", *packages]):
            subprocess.run(["apt-get", *words], check=True, **quiet)
        return True
    sys.stderr.write(
        f"The tests need {' and '.join(packages)}, which this machine lacks.\n"
        f"On Debian or Ubuntu: sudo apt-get install {' '.join(packages)}. Elsewhere: install it, and name it in the "
        "environment variable PROBETRAIL_CHROMIUM or PROBETRAIL_NGSPICE.\n"
    )
    return False


def main() -> int:
    """Exit code of the whole run; 2 where something that the tests need is missing."""
    wanted = {"chromium": find_browser(), "ngspice": find_ngspice()}
    missing = [name for name, path in wanted.items() if path is None]
    if missing and not install(missing):
        return 2
    environment = os.environ | {"PROBETRAIL_CHROMIUM": find_browser() or ""}
    return subprocess.call([sys.executable, "-m", "pytest", *SIDE_BY_SIDE, *sys.argv[1:]], env=environment)


if __name__ == "__main__":
    sys.exit(main())
