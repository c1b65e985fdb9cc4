"""Drivers: bytes from real instruments become readings and traces. Imports nothing of ours."""
