"""Fault cases of the invented networks, drawn afresh, for ngspice and for our solver."""

import numpy as np

from daemon.suspects.faults import faults_of, put_in, spreads
from daemon.suspects.net import build_net


def drawn_cases(drawing, seed, most=None):
    """Net, faults, and theta (modes, rows, cases): every fault of every part once, in a random order."""
    rng = np.random.default_rng(seed)
    net = build_net(drawing)
    faults = [fault for part in drawing.parts for fault in faults_of(net, part)]
    faults = [faults[i] for i in rng.permutation(len(faults))[:most]]
    drawn = []
    for fault in faults:
        theta = np.repeat(net.nominal.T[:, :, None], 1, axis=2)
        for spread in spreads(net):
            for row in spread.rows:
                far = rng.uniform(-1.7, 1.7)
                theta[:, row] = theta[:, row] * np.exp(far * spread.relative) + far * spread.absolute
        put_in(net, fault, theta, rng.random(1))
        drawn.append(theta)
    return net, faults, np.concatenate(drawn, axis=2)
