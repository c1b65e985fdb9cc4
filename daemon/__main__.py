"""``python -m daemon`` is the command ``probetrail``."""

import sys

from daemon.command_line import main

sys.exit(main())
