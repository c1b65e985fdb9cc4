"""``python -m simulated_instruments``."""

from simulated_instruments.command_line import main

raise SystemExit(main())
