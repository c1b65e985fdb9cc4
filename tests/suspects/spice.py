"""The same network for ngspice: one deck whose every property can be altered, and one process for many cases.

Written from the drawing's parts and the properties' names, never from our solver's matrices.
"""

import os
import re
import shutil
import subprocess
from functools import partial
from pathlib import Path

import numpy as np

from daemon.drawing import GROUND

MISSING = "This needs ngspice: sudo apt-get install ngspice (Debian, Ubuntu), or name it in PROBETRAIL_NGSPICE."
OPTIONS = ".options reltol=1e-7 abstol=1e-15 vntol=1e-9 gmin=1e-12 itl1=500 temp=27 tnom=27"
METER_V, METER_OHM = 0.25, 2e3
NO_METER_OHM = 1e15
VOLTMETER_OHM = 1e7
TAKEN_V = 2e-4

# Convergence by 1 uV instead of 1 nV: many cases in a short time.
QUICK_OPTIONS = ".options reltol=1e-6 abstol=1e-13 vntol=1e-7 gmin=1e-12 itl1=300 temp=27 tnom=27"


def ngspice():
    """Path of ngspice, or None."""
    return os.environ.get("PROBETRAIL_NGSPICE") or shutil.which("ngspice")


def deck(net, options=OPTIONS, places=()):
    """Netlist lines, and for each row of theta the control words that alter it.

    Each of ``places`` (two nodes, -1 is 0 V) may get a meter: theta's further rows are their conductances.
    """
    lines, words = ["* a network", options], {}
    lines += [f"rleak{number} {node(name)} 0 1g" for number, name in enumerate(net.nodes)]
    for number, part in enumerate(net.parts):
        rows = net.slots[part.name]
        nodes = [node(name) for name in part.nets]
        _PART.get(part.kind, two_nets)(number, part, nodes, rows, lines, words)
    names = [*map(node, net.nodes), "0"]
    for number, (plus, minus) in enumerate(places):
        lines.append(f"rmeter{number} {names[plus]} {names[minus]} {NO_METER_OHM:g}")
        words[len(net.nominal) + number] = partial(meter, number)
    return lines, words


def meter(number, siemens):
    return f"alter rmeter{number} = {1 / siemens if siemens else NO_METER_OHM:.12g}"


def node(name):
    return "0" if name == GROUND else "n_" + re.sub(r"\W", "_", name.lower())


def resistor(name, a, b, row, lines, words):
    lines.append(f"r{name} {a} {b} 1k")
    words[row] = lambda g, name=name: f"alter r{name} = {1 / g:.12g}"


def control(name, row, lines, words):
    lines.append(f"vc{name} c{name} 0 dc 1")
    words[row] = lambda value, name=name: f"alter vc{name} dc = {value:.12g}"
    return f"v(c{name})"


def two_nets(number, part, nodes, rows, lines, words):
    if part.kind == "selector":
        for contact, (slot, row) in enumerate(rows.items()):
            resistor(f"{number}_{contact}", nodes[0], node(slot[2:]), row, lines, words)
        return
    resistor(number, *nodes, rows["g"], lines, words)
    if "i" in rows:
        value = control(f"{number}i", rows["i"], lines, words)
        across = f"v({nodes[0]},{nodes[1]})" if nodes[1] != "0" else f"v({nodes[0]})"
        if nodes[0] == "0":
            across = f"(-v({nodes[1]}))"
        lines.append(f"b{number} {nodes[0]} {nodes[1]} i = {value}*{across}/sqrt({across}*{across}+0.49)")


def source(number, part, nodes, rows, lines, words):
    lines.append(f"v{number} s{number} {nodes[1]} dc 1")
    words[rows["v"]] = lambda volts: f"alter v{number} dc = {volts:.12g}"
    resistor(number, f"s{number}", nodes[0], rows["g"], lines, words)


def lead(name, outer, lines):
    """A lead of 10 uohm that can be cut: a part that does not conduct is one with its leads cut."""
    lines.append(f"rl{name} {outer} l{name} 10u")
    return f"l{name}", lambda i_s: cut(i_s, name, f"m{name}")


def cut(i_s, name, model):
    if i_s == 0:
        return f"alter rl{name} = 1e13"
    return f"alter rl{name} = 10u\naltermod {model} is = {i_s:.12g}"


def junction(number, part, nodes, rows, lines, words):
    resistor(number, *nodes, rows["g"], lines, words)
    inner, words[rows["i_s"]] = lead(number, nodes[0], lines)
    n = {"diode": 1.8, "led": 2.0, "zener": 1.0}[part.kind]
    lines += [f"d{number} {inner} {nodes[1]} m{number}", f".model m{number} d(is=1e-14 n={n})"]
    if "z_s" in rows:
        inner, words[rows["z_s"]] = lead(f"z{number}", nodes[1], lines)
        lines += [f"dz{number} {inner} z{number} mz{number}", f".model mz{number} d(is=1e-9 n=2)"]
        lines.append(f"vz{number} z{number} {nodes[0]} dc 1")
        words[rows["z_off_v"]] = lambda value: f"alter vz{number} dc = {value:.12g}"


def transistor(number, part, nodes, rows, lines, words):
    inner = " ".join(lead(f"{number}_{leg}", name, lines)[0] for leg, name in enumerate(nodes))
    lines += [f"q{number} {inner} m{number}", f".model m{number} {part.kind}(is=1e-14 bf=100 br=1)"]
    words[rows["i_s"]] = lambda value: "\n".join([*(cut(value, f"{number}_{leg}", f"m{number}") for leg in range(3))])
    words[rows["beta"]] = lambda value: f"altermod m{number} bf = {value:.12g}"
    for name, pair in (("g_ce", (0, 2)), ("g_be", (1, 2)), ("g_cb", (0, 1))):
        resistor(f"{number}{name}", nodes[pair[0]], nodes[pair[1]], rows[name], lines, words)


def regulator(number, part, nodes, rows, lines, words):
    resistor(number, nodes[0], nodes[1], rows["g"], lines, words)
    told, dropout, ohm, limit = (
        control(f"{number}{name}", rows[name], lines, words) for name in ("v", "dropout", "ohm", "limit")
    )
    sign = "-1" if (part.value or 0) < 0 else "1"

    def against(name):
        return f"({sign}*({volts(name)}-{volts(nodes[2])}))"

    def volts(name):
        return "0" if name == "0" else f"v({name})"

    # In steps, each a node of its own, so that no expression is longer than a line.
    headroom = f"({against(nodes[0])}-{dropout})"
    lines.append(f"bt{number} t{number} 0 v = ({told}+{headroom}-sqrt(({headroom}-{told})^2+1e-4))/2")
    lines.append(f"be{number} e{number} 0 v = v(t{number})-{against(nodes[1])}")
    error = f"v(e{number})"
    lines.append(f"bw{number} w{number} 0 v = (max({error},0)+0.01*ln(1+exp(-abs({error})*100)))/{ohm}")
    current = f"{limit}*v(w{number})/sqrt({limit}^2+v(w{number})^2+1e-30)"
    lines.append(f"bi{number} {nodes[0]} {nodes[1]} i = {sign}*{current}")


_PART = {
    "source": source,
    "diode": junction,
    "led": junction,
    "zener": junction,
    "npn": transistor,
    "pnp": transistor,
    "regulator": regulator,
}


def ohms(net, theta, one, other, folder: Path, options=OPTIONS):
    """What an ohm-meter of a few tenths of a volt reads between two nets of a unit whose sources are gone."""
    meter = [f"vmeter meter {node(other)} dc {METER_V}", f"rmeter meter {node(one)} {METER_OHM}"]
    (volts,) = solve(net, [theta], folder, options, meter)
    at = [0.0 if name == GROUND else volts[net.nodes[name]] for name in (one, other)]
    across = float(at[0] - at[1])
    return METER_OHM * across / max(METER_V - across, 1e-9)


def solve(net, cases, folder: Path, options=OPTIONS, more=(), places=()):
    """Volts (cases, nodes) by ngspice for theta columns (cases, rows), with ``more`` lines; NaN where it found none."""
    lines, words = deck(net, options, places)
    lines += more
    script, last = [".control", "set numdgt=12", "set noaskquit"], np.full(len(net.nominal) + len(places), np.nan)
    names = " ".join(f"v({node(name)})" for name in net.nodes)
    for number, theta in enumerate(cases):
        for row in np.flatnonzero(theta != last):
            if int(row) in words:
                script.append(words[int(row)](theta[row]))
        last = theta
        script += [f"echo case {number}", "op", f"print {names}", "destroy all"]
    path = folder / "network.cir"
    path.write_text("\n".join([*lines, *script, "quit", ".endc", ".end"]) + "\n")
    done = subprocess.run([ngspice(), "-b", path], capture_output=True, text=True, check=False, timeout=600)
    return _read(done.stdout, net, len(cases))


def read(net, cases, places, folder: Path, options=OPTIONS, taken_v=TAKEN_V):
    """Volts (cases, places) that a meter of 10 Mohm reads at each place, put there alone; NaN where none were found.

    Each case is solved with no meter and with all of them, and where that differs by more than ``taken_v`` with one
    after the other.
    """
    columns = np.array([[plus, minus] for plus, minus in places]).reshape(-1, 2)

    def across(volts):
        padded = np.concatenate([volts, np.zeros((len(volts), 1))], axis=1)
        return padded[:, columns[:, 0]] - padded[:, columns[:, 1]]

    rows = np.array(cases)
    none, every = np.zeros((len(rows), len(places))), np.full((len(rows), len(places)), 1 / VOLTMETER_OHM)
    both = np.stack([np.hstack([rows, none]), np.hstack([rows, every])], axis=1).reshape(2 * len(rows), -1)
    found = across(solve(net, both, folder, options, places=places)).reshape(len(rows), 2, -1)
    told = found[:, 0].copy()
    case, place = np.nonzero(~(np.abs(found[:, 0] - found[:, 1]) <= taken_v))
    alone = np.zeros((len(case), len(places)))
    alone[np.arange(len(case)), place] = 1 / VOLTMETER_OHM
    if len(case):
        volts = across(solve(net, np.hstack([rows[case], alone]), folder, options, places=places))
        told[case, place] = volts[np.arange(len(case)), place]
    return told


def _read(text, net, cases):
    column = {f"v({node(name)})": index for name, index in net.nodes.items()}
    found = np.full((cases, len(column)), np.nan)
    case = -1
    for line in text.splitlines():
        if line.startswith("case "):
            case = int(line.split()[1])
        elif line.startswith("v(") and line.count(" = ") == 1:
            name, value = line.split(" = ")
            if name.strip() in column and case >= 0:
                found[case, column[name.strip()]] = float(value)
    return found
