"""The screens: a process of its own that talks to the daemon through its two doors only."""
