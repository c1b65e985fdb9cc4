"""The fault campaign: random seeded faults over every transport and every kind of instrument.

The real poller and drivers poll simulated instruments whose every value tells when it was made. ``python -m
tests.drivers.campaign --full`` runs all of it; the tests run a seeded part.
"""
