import json
from pathlib import Path

import numpy as np
import pytest

from daemon.trace_file import read_trace_csv

DATA = Path(__file__).parent / "data"


@pytest.fixture(scope="session")
def repairs():
    """Three invented repairs: printed values and the 47 lines of what was probed, mistakes included."""
    return {repair["name"]: repair for repair in json.loads((DATA / "repairs.json").read_text("utf-8"))}


@pytest.fixture(scope="session")
def waveform():
    """Simulated switch-ons of those repairs: volts and sample distance; sample 0 is the switch-on."""

    def load(name):
        times_s, volts = read_trace_csv((DATA / f"{name}.csv").read_text("utf-8"), name)
        return volts, float(times_s[1] - times_s[0])

    return load


@pytest.fixture(scope="session")
def through_a_scope():
    """A second of nothing before, noise, and the steps of an 8-bit converter."""

    def digitise(volts, dt_s, lsb_v, *, seed=0, noise_lsb=0.5, pre_s=1.0):
        rng = np.random.default_rng(seed)
        before = np.zeros(round(pre_s / dt_s))
        noisy = np.concatenate([before, volts])
        noisy = noisy + rng.normal(0, noise_lsb * lsb_v, len(noisy))
        return np.clip(np.round(noisy / lsb_v), -128, 127) * lsb_v

    return digitise
