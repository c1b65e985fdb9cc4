"""Five invented networks of 30 to 62 parts, one line a part, and one point a net."""

import json
from dataclasses import replace

import numpy as np

from daemon.drawing import parse_drawing
from tests.suspects.console import CONSOLE

MIXER = """
modes PHANTOM OFF | PHANTOM ON
hard vn vd2 q1b q2b
V1 source rawp 0 value=25 inner_ohm=1.5 follows_mains=true
V2 source 0 rawn value=25 inner_ohm=1.5 follows_mains=true
V3 source rawd 0 value=72 inner_ohm=22 follows_mains=true
F1 fuse rawp f1
F2 fuse rawn f2
F3 fuse rawd f3
D1 diode f1 vp
D2 diode vn f2
D3 diode f3 vd
C1 capacitor vp 0 value=4.7e-3
C2 capacitor 0 vn value=4.7e-3
C3 capacitor vd 0 value=470e-6
U1 regulator vp p15 0 value=15
U2 regulator vn n15 0 value=-15
C4 capacitor p15 0 value=100e-6
C5 capacitor 0 n15 value=100e-6
R1 resistor vd vd2 value=680
C6 capacitor vd2 0 value=220e-6
R2 resistor vd2 q1b value=3300
D4 zener 0 q1b value=49
Q1 npn vd q1b v48
R3 resistor v48 0 value=10k
S1 switch v48 pbus closed_in=["PHANTOM ON"]
R4 resistor pbus ch1 value=6800
R5 resistor ch1 0 value=22k
R6 resistor pbus led value=4700
D5 led led 0
J1 connector p15 p15b
J2 connector n15 n15b
L1 load p15b 0 current_a=0.22
L2 load 0 n15b current_a=0.22
R7 resistor p15b p12 value=47
D6 zener 0 p12 value=12
L3 load p12 0 current_a=0.02
C7 capacitor p12 0 value=47e-6
"""

CASSETTE = """
modes STOP | PLAY
hard q1b q3b q4b
V1 source raw 0 value=19 inner_ohm=1.2 follows_mains=true
F1 fuse raw f1
D1 diode f1 vr
C1 capacitor vr 0 value=2.2e-3
R1 resistor vr q1b value=820
D2 zener 0 q1b value=12.6
C2 capacitor q1b 0 value=100e-6
Q1 npn vr q1b b12
C3 capacitor b12 0 value=220e-6
S1 switch b12 pb closed_in=["PLAY"]
J1 connector pb pbm
R2 resistor pbm mot value=10
L1 load mot 0 current_a=0.11
D3 diode 0 mot
R3 resistor b12 pre value=220
C4 capacitor pre 0 value=220e-6
R4 resistor pre q2b value=100k
R5 resistor q2b 0 value=22k
R6 resistor pre q2c value=4700
R7 resistor q2e 0 value=1000
Q2 npn q2c q2b q2e
R8 resistor pb q3b value=22k
R9 resistor q3b 0 value=10k
R10 resistor b12 q3c value=10k
Q3 npn q3c q3b 0
R11 resistor q3c q4b value=22k
Q4 npn mute q4b 0
R12 resistor b12 mute value=15k
R13 resistor pb led value=820
D4 led led 0
J2 joint b12 b12h
L2 load b12h 0 current_a=0.05
"""

RECEIVER = """
modes FM | AM
hard q1b q1e q2e q3e reg
V1 source raw 0 value=20 inner_ohm=2.2 follows_mains=true
F1 fuse raw f1
D1 diode f1 vr
C1 capacitor vr 0 value=3.3e-3
R1 resistor vr vr2 value=4.7
U1 regulator vr2 b12 0 value=12
C2 capacitor b12 0 value=100e-6
S1 selector b12 fm am contact_in={"FM"="fm","AM"="am"}
R2 resistor fm fm2 value=100
C3 capacitor fm2 0 value=47e-6
L1 inductor fm2 q1c dc_ohm=2
R3 resistor fm2 q1b value=33k
R4 resistor q1b 0 value=10k
Q1 npn q1c q1b q1e
R5 resistor q1e 0 value=680
L2 load fm2 0 current_a=0.018
R6 resistor am am2 value=150
C4 capacitor am2 0 value=47e-6
R7 resistor am2 q2b value=47k
R8 resistor q2b 0 value=12k
R9 resistor am2 q2c value=1500
Q2 npn q2c q2b q2e
R10 resistor q2e 0 value=820
L3 load am2 0 current_a=0.012
R11 resistor b12 reg value=390
D2 zener 0 reg value=6.2
R12 resistor reg tune value=10k
R13 resistor tune 0 value=22k
J1 connector b12 aud
L4 load aud 0 current_a=0.06
R14 resistor aud q3b value=220k
R15 resistor q3b 0 value=56k
R16 resistor aud q3c value=6800
Q3 npn q3c q3b q3e
R17 resistor q3e 0 value=1500
R18 resistor fm led value=1000
D3 led led 0
"""

AMPLIFIER = """
modes SPEAKERS OFF | SPEAKERS ON
hard q1c q1e tail vas vasn
V1 source rawp 0 value=42 inner_ohm=0.8 follows_mains=true
V2 source 0 rawn value=42 inner_ohm=0.8 follows_mains=true
F1 fuse rawp vp
F2 fuse rawn vn
C1 capacitor vp 0 value=10e-3
C2 capacitor 0 vn value=10e-3
R1 resistor vp p15 value=1200
D1 zener 0 p15 value=15
C3 capacitor p15 0 value=100e-6
R2 resistor vn n15 value=1200
D2 zener n15 0 value=15
C4 capacitor 0 n15 value=100e-6
L1 load p15 0 current_a=0.008
L2 load 0 n15 current_a=0.008
R3 resistor vp vpf value=100
C5 capacitor vpf 0 value=100e-6
R4 resistor vn vnf value=100
C6 capacitor 0 vnf value=100e-6
R5 resistor tail vnf value=15k
R6 resistor in 0 value=22k
Q1 npn q1c in tail
R7 resistor vpf q1c value=1000
Q2 npn vpf fb tail
R8 resistor fb out value=22k
Q3 pnp vas q1c q3e
R9 resistor vpf q3e value=330
R10 resistor vas vasb value=10
R11 resistor vasb vnf value=8200
Q4 npn vp vas q4e
R12 resistor q4e out value=47
Q5 pnp vn vasb q5e
R13 resistor q5e out value=47
S1 relay out spk closed_in=["SPEAKERS ON"]
R14 resistor spk 0 value=10k
U1 regulator vp p24 0 value=24
C7 capacitor p24 0 value=100e-6
J1 connector p24 fan
L3 load fan 0 current_a=0.12
R15 resistor p24 coil value=220
S2 switch coil coilb closed_in=["SPEAKERS ON"]
R16 resistor coilb 0 value=680
D3 diode 0 coilb
R17 resistor vp led value=10k
D4 led led 0
"""

TEXTS = {"mixer": MIXER, "cassette": CASSETTE, "receiver": RECEIVER, "amplifier": AMPLIFIER, "console": CONSOLE}


def drawing_text(text, printed=None):
    """TOML of a network; ``printed`` holds volts by net and mode."""
    modes, hard, parts, nets = [], set(), [], []
    for line in text.strip().splitlines():
        first, rest = line.split(" ", 1)
        if first == "modes":
            modes = rest.split(" | ")
        elif first == "hard":
            hard = set(rest.split())
        else:
            parts.append(_part(first, rest))
            nets += [net for net in parts[-1][1] if net != "0" and net not in nets]
    head = f'[drawing]\nunit = "invented"\nmodes = {json.dumps(modes)}\nnominal_mains_v = 230\n'
    return head + "".join(_point(net, hard, printed) for net in nets) + "".join(text for text, _ in parts)


def _part(name, rest):
    kind, *words = rest.split(" ")
    nets = [word for word in words if "=" not in word and '"' not in word]
    keys = " ".join(words[len(nets) :])
    lines = [f'[[part]]\nname = "{name}"\nkind = "{kind}"\nnets = {json.dumps(nets)}']
    for key, value in (pair.split("=", 1) for pair in keys.replace('["PHANTOM ON"]', "@").split(" ") if pair):
        lines.append(f"{key} = {_toml(value)}")
    return "\n".join(lines) + _missing(kind, keys) + "\n", nets


def _toml(value):
    if value == "@":
        return '["PHANTOM ON"]'
    return value if value[0] in "[{-0123456789t" and value[-1] not in "kM" else json.dumps(value)


def _missing(kind, keys):
    return "\nvalue = 1" if kind == "fuse" and "value" not in keys else ""


def _point(net, hard, printed):
    lines = [f'[[point]]\nname = "{net.upper()}"\nnet = "{net}"', f'access = "{"hard" if net in hard else "easy"}"']
    if printed:
        volts = ", ".join(f"{json.dumps(mode)} = {value:.3g}" for mode, value in printed[net].items())
        lines.append(f"printed_v = {{ {volts} }}")
    return "\n".join(lines) + "\n"


def drawing_of(name, printed=None):
    text = TEXTS[name].replace('["SPEAKERS ON"]', '["SPEAKERS_ON"]')
    text = text.replace("SPEAKERS ON", "SPEAKERS_ON").replace("SPEAKERS OFF", "SPEAKERS_OFF")
    return parse_drawing(drawing_text(text, printed), f"{name}.toml")


def printed_only(drawing, table):
    """The drawing as most people have it: printed volts of a sound unit, and arrows from each point to its feeders."""
    usual = np.median(table.volts[:, :, table.of == 0], axis=2)
    feeders, on_mains = _feeders(drawing), _before_regulators(drawing)
    regulated = {part.nets[1] for part in drawing.parts if part.kind == "regulator"}
    points = [
        replace(
            point,
            printed_v={mode: float(f"{usual[m, table.nodes[point.net]]:.3g}") for m, mode in enumerate(table.modes)},
            fed_by=tuple(f.upper() for f in feeders.get(point.net, ())),
            tolerance_percent=5 if point.net in regulated else None,
            follows_mains=point.net in on_mains,
        )
        for point in drawing.points
    ]
    return replace(drawing, points=tuple(points), parts=())


def _series(part):
    """The nets that a part leads from one to the other, or None for one that only loads a net."""
    ends = {"npn": (0, 2), "pnp": (2, 0), "regulator": (0, 1)}.get(part.kind, (0, 1))
    nets = [part.nets[end] for end in ends]
    return None if "0" in nets or part.kind in ("capacitor", "load") else nets


def _feeders(drawing):
    """Breadth first from the sources, as arrows are drawn; a selector's contacts are fed by its common."""
    found, reached = {}, []
    for part in drawing.parts:
        if part.kind == "source":
            reached += [net for net in part.nets if net != "0" and net not in reached]
    for net in reached:
        for part in drawing.parts:
            if part.kind == "selector":
                beyond = part.nets[1:] if part.nets[0] == net else ()
            else:
                nets = _series(part)
                beyond = [n for n in nets if n != net] if nets and net in nets and part.kind != "source" else ()
            for other in beyond:
                if other not in reached:
                    reached.append(other)
                    found[other] = [net]
    return found


def _before_regulators(drawing):
    """Nets that follow the mains: reached from a source through fuses, diodes, resistors and coils of few ohms."""
    found = [net for part in drawing.parts if part.kind == "source" for net in part.nets if net != "0"]
    for net in found:
        for part in drawing.parts:
            small = part.kind in ("fuse", "diode", "inductor") or (part.kind == "resistor" and part.value < 1000)
            if small and net in part.nets and "0" not in part.nets:
                found += [other for other in part.nets if other not in found]
    return found
