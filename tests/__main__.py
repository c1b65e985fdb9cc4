"""``python -m tests``: see to a browser for the page tests, then run everything.

Extra arguments are passed on to pytest.
"""

import os
import shutil
import subprocess
import sys

BROWSERS = ("chromium", "chromium-browser", "google-chrome")


def find_browser() -> str | None:
    """The browser named by PROBETRAIL_CHROMIUM, else the first that is installed."""
    named = os.environ.get("PROBETRAIL_CHROMIUM")
    return named or next((path for name in BROWSERS if (path := shutil.which(name))), None)


def install_browser() -> bool:
    """Install Debian's Chromium where that can be done; says what to do where it cannot."""
    if shutil.which("apt-get") and os.geteuid() == 0:
        quiet = {"env": os.environ | {"DEBIAN_FRONTEND": "noninteractive"}, "stdout": subprocess.DEVNULL}
        for words in (["update", "-q"], ["install", "-q", "-y", "chromium"]):
            subprocess.run(["apt-get", *words], check=True, **quiet)
        return True
    sys.stderr.write(
        "The page tests need Chromium, and there is none on this machine.\n"
        "On Debian or Ubuntu: sudo apt-get install chromium. Elsewhere: install it, and name it in the "
        "environment variable PROBETRAIL_CHROMIUM.\n"
    )
    return False


def main() -> int:
    """Exit code of the whole run; 2 where something that the tests need is missing."""
    if find_browser() is None and not install_browser():
        return 2
    environment = os.environ | {"PROBETRAIL_CHROMIUM": find_browser() or ""}
    return subprocess.call([sys.executable, "-m", "pytest", *sys.argv[1:]], env=environment)


if __name__ == "__main__":
    sys.exit(main())
