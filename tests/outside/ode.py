"""Solves the full equations of shaker and amplifier with SciPy and compares with what the simulator made of them.

    cargo run -p sim --example ode_cases > cases.json
    python ode.py cases.json

Needs SciPy (tried with 1.17): `scipy.integrate.solve_ivp`, method Radau (Hairer and Wanner), rtol 1e-10.
Wanted: 0.01 % of the peak of what a sensor feels, at every sample of twenty cycles from rest. Exits 1 if missed.
The last line of standard output is JSON.
"""

import json
import sys

import numpy as np
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

GRAVITY = 9.80665  # m/s2, standard gravity (CGPM 1901)
SHARE = 1e-4


def forces(case):
    """What touches the armature, per mass, and gravity along the axis: two functions of the state."""
    mass = case["moving_mass_kg"] + case["payload_kg"]
    carried = case["moving_mass_kg"] * GRAVITY if case["vertical"] else 0.0
    raised = np.pi / 2 if case["vertical"] else 0.0

    def factor(x):
        return case["force_factor_n_per_a"] * (1 - case["force_factor_droop"] * (x / case["rated_stroke_m"]) ** 2)

    def felt(i, x, v):
        y = x - case["centre_error_m"]
        spring = case["stiffness_n_per_m"] * y * (1 + case["suspension_hardening"] * (y / case["rated_stroke_m"]) ** 2)
        return (factor(x) * i - spring - case["damping_n_s_per_m"] * v + carried) / mass

    def gravity(x):
        return GRAVITY * np.sin(raised + case["tilt_rad"] + case["tilt_along_stroke_rad_per_m"] * x)

    return factor, felt, gravity


def drive(case):
    """The source: a sine that rises as a raised cosine."""

    def at(t):
        t = t - case["source_latency_s"]
        share = 0.5 - 0.5 * np.cos(np.pi * np.clip(t / case["over_s"], 0, 1))
        return case["amplitude"] * share * np.sin(2 * np.pi * case["frequency_hz"] * t)

    return at


def solve(case):
    """What a sensor feels at the printed samples, and the largest displacement there."""
    factor, felt, gravity = forces(case)
    source = drive(case)
    corner = 2 * np.pi * case["bandwidth_hz"]
    stop = 0.5
    rest = brentq(lambda x: felt(0, x, 0) - gravity(x), -stop, stop, xtol=1e-16, rtol=1e-14)
    times = np.arange(len(case["felt_mps2"])) * case["interval_s"]

    # States: displacement, velocity, the amplifier's aim, and in voltage mode the current.
    def slope(t, s):
        x, v, aim = s[:3]
        current = aim if case["current_mode"] else s[3]
        rates = [v, felt(current, x, v) - gravity(x), corner * (source(t) + case["offset"] - aim)]
        if not case["current_mode"]:
            rates.append((aim - case["resistance_ohm"] * current - factor(x) * v) / case["inductance_h"])
        return rates

    # Until the source starts nothing moves: an armature at rest with a shorted coil, then with an amplifier at 0 V.
    assert case["offset"] == 0
    start = case["source_latency_s"]
    state = [rest, 0.0, 0.0] + ([] if case["current_mode"] else [0.0])
    later = times[times > start]
    scale = case["amplitude"] + 1e-6
    tolerance = np.array([case["rated_stroke_m"], 1.0, scale] + ([] if case["current_mode"] else [scale])) * 1e-12
    # The start is a corner of the drive; from there on it is smooth until its rise ends.
    points = [start, start + case["over_s"], times[-1]]
    columns = []
    for begin, end in zip(points, points[1:]):
        here = later[(later > begin) & (later <= end)]
        asked = np.append(here, end) if len(here) == 0 or here[-1] < end else here
        found = solve_ivp(slope, (begin, end), state, method="Radau", t_eval=asked, rtol=1e-10, atol=tolerance)
        assert found.success, found.message
        state = found.y[:, -1]
        columns.append(found.y[:, : len(here)])
    motion = np.concatenate(columns, axis=1)
    current = motion[2] if case["current_mode"] else motion[3]
    quiet = np.full(len(times) - len(later), felt(0, rest, 0))
    return np.concatenate([quiet, felt(current, motion[0], motion[1])]), np.abs(motion[0]).max()


def main():
    with open(sys.argv[1], encoding="utf-8") as file:
        cases = json.load(file)
    worst = 0.0
    for case in cases:
        expected, stroke = solve(case)
        peak = np.abs(expected).max()
        off = np.abs(np.array(case["felt_mps2"]) - expected).max() / peak
        # A number that is none is the worst of all.
        worst = worst if off <= worst else off
        mode = "current" if case["current_mode"] else "voltage"
        print(
            f"{case['name']:12} {mode} {case['frequency_hz']:5.1f} Hz hardening {case['suspension_hardening']:.2f}: "
            f"off by {off * 100:.5f} % of {peak:.4g} m/s2; stroke {stroke * 1e3:.3f} mm, "
            f"simulator {case['displacement_m_peak_max'] * 1e3:.3f} mm"
        )
    print(f"worst {worst * 100:.5f} % of {SHARE * 100} % in {len(cases)} cases")
    print(json.dumps({"cases": len(cases), "worst_share": worst}))
    return 0 if worst < SHARE else 1


if __name__ == "__main__":
    sys.exit(main())
