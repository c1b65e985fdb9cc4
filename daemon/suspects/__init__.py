"""Which part may be broken, and where to probe next: pure, no I/O, no clock."""
