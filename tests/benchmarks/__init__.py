"""Benchmarks: ``python -m tests.benchmarks.NAME [--json] [--full]``. The contract is in ``figures``."""
