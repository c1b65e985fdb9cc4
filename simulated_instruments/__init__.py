"""Simulated instruments and one simulated unit, as processes that speak real bytes."""
