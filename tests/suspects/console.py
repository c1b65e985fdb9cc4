"""One more invented network, of 62 parts in three modes: as large as a section on a drawing gets."""

CONSOLE = """
modes PHONO | FM | TAPE
hard q1b q1e q2e q3b q3e q4b q4e q5b vr2
V1 source raw 0 value=26 inner_ohm=1.2 follows_mains=true
F1 fuse raw f1
D1 diode f1 vr
C1 capacitor vr 0 value=4.7e-3
L1 inductor vr vr2 dc_ohm=3
C2 capacitor vr2 0 value=1e-3
U1 regulator vr2 p18 0 value=18
C3 capacitor p18 0 value=100e-6
S1 selector p18 ph fm tp contact_in={"PHONO"="ph","FM"="fm","TAPE"="tp"}
R2 resistor ph ph2 value=220
C4 capacitor ph2 0 value=220e-6
R3 resistor ph2 q1b value=150k
R4 resistor q1b 0 value=27k
Q1 npn q1c q1b q1e
R5 resistor ph2 q1c value=6800
R6 resistor q1e 0 value=1500
Q2 npn q2c q1c q2e
R7 resistor ph2 q2c value=1500
R8 resistor q2e 0 value=3300
R9 resistor fm fm2 value=100
D2 zener 0 fm2 value=12
C5 capacitor fm2 0 value=100e-6
L2 load fm2 0 current_a=0.035
R10 resistor fm2 q3b value=47k
R11 resistor q3b 0 value=12k
Q3 npn q3c q3b q3e
R12 resistor fm2 q3c value=1000
R13 resistor q3e 0 value=560
R14 resistor fm led value=1200
D3 led led 0
J1 connector tp tpm
L3 load tpm 0 current_a=0.09
D5 diode 0 tpm
R15 resistor tp tp2 value=330
C6 capacitor tp2 0 value=220e-6
R16 resistor tp2 q4b value=100k
R17 resistor q4b 0 value=22k
Q4 npn q4c q4b q4e
R18 resistor tp2 q4c value=4700
R19 resistor q4e 0 value=1000
K1 relay p18 osc closed_in=["TAPE"]
R20 resistor osc osc2 value=47
C9 capacitor osc2 0 value=47e-6
L4 load osc2 0 current_a=0.03
V2 source 0 rawn value=20 inner_ohm=1.2 follows_mains=true
F2 fuse rawn f2
D4 diode vn f2
C7 capacitor 0 vn value=2.2e-3
U2 regulator vn n12 0 value=-12
C8 capacitor 0 n12 value=100e-6
J2 joint p18 oup
J3 connector n12 oun
L5 load oup 0 current_a=0.08
L6 load 0 oun current_a=0.06
R21 resistor oup mut value=10k
Q5 npn mut q5b 0
R22 resistor oup q5b value=100k
R23 resistor q5b oun value=150k
J4 jumper oup lamp
R24 resistor lamp lampb value=120
D6 zener 0 lampb value=9.1
L7 load lampb 0 current_a=0.02
"""
