"""The tests of probetrail. ``python -m tests`` brings what they need and runs them all."""
