"""Figures that are claimed, each with its goal; see ``figures.py`` for the contract.

Sums run on one thread, as in the judging process that they are measured for.
"""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
