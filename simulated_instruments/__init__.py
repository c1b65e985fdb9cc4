"""Simulated instruments and one simulated unit, as processes that speak real bytes.

A *bench* is one unit (``unit``), five instruments (``instruments``: a bench meter, a second
meter on a serial line, a two-channel scope, a generator and a supply monitor) and, if wanted,
a scripted technician (``technician``). The instruments ask the unit over a loopback door of
newline-delimited JSON what their probes see; whoever tests sees only SCPI on sockets, ttys,
HiSLIP and VXI-11 (``serving``), with scripted faults on the wire if wanted (``faults``).
All units, values and makers in here are invented. Nothing in here imports the rest of the
project and nothing there imports this, so that a mistake in one parser cannot hide in the other.

What the simulation does NOT model
----------------------------------
The unit
  * No circuit is solved. Each net goes to a listed voltage per mode and fault stage, exponentially
    with one time constant; parts do not load each other and the meter does not load the net.
  * A switch-on waveform is always that of a cold start: residual charge from a short break does
    not make it smaller, and turning the mode switch of a powered unit makes no kick.
  * Ripple is one fixed shape at twice the mains frequency; it has no jitter and no 50 Hz part.
  * No heat, no drift with temperature, no intermittent contact other than the bounce of a probe.
  * Ohms in circuit are listed, not computed; a net without a listed value reads one invented
    value. Polarity of the leads, charge left by an ohmmeter and discharge by hand are absent.
  * Supply conditions other than direct (series lamp, variable transformer) change no voltage.
The instruments
  * A meter's noise is white and half a count; its error is one gain and one offset, drawn once.
    It rejects the mains perfectly. Currents and junctions always read as open or zero.
  * The scope digitises without anti-alias filter and goes on digitising while stopped; its
    trigger is the mains zero crossing, or nothing at all for sweeps shorter than a mains period; a
    knob that is turned clears the record.
  * The generator's output reaches nothing; only its settings are read back.
  * Over sockets and ttys nobody can show that a reader gave up: -410 INTERRUPTED and -420
    UNTERMINATED occur on HiSLIP and VXI-11 only, and so do service request, device clear and MAV.
    -430 DEADLOCKED never occurs: the queues are as long as they need to be.
  * Only an initiated measurement is an overlapped command; no instrument listens to a bus trigger
    (*TRG is -211). Baud rate, parity and flow control of the serial line have no effect.
  * HiSLIP speaks version 1: no encryption, no descriptors. Of a lock that is asked for while a
    device clear is under way nothing special is known.
  * VXI-11 serves ``inst0`` alone, on the loopback network; device_docmd is refused, as by any
    instrument that is no interface to another bus.
The technician
  * Takes each reading once, in the log's order, and never hesitates, slips or drops a lead midway.
"""
