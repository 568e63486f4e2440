"""Results compared with what the simulator knows, and figures of the trade compared with their published sources.

usage: truth.py RUN_DIRECTORY...

Sources: coverage factors, JCGM 100:2008 (GUM), table G.2, and Student's distribution of scipy, or, where a budget says that it
was simulated, its rows drawn again by numpy (JCGM 101:2008, model and limits as printed); standard gravity, 3rd
CGPM (1901), as scipy.constants has it; preferred frequencies, ISO 266 (R10 series, the frequencies below its table by
powers of ten). The numbers of table G.2 and of ISO 266 were written down from memory.

The last line of standard output is JSON. Exit status 0 if everything agrees, 1 if not.
"""

import json
import math
import sys

import numpy
import scipy.constants
import scipy.stats

sys.dont_write_bytecode = True  # nothing is left beside these files

from records import STANDARD_GRAVITY, Run

# No error may be larger than this many expanded uncertainties …
FARTHEST = 1.5
# … and this share of the errors has to lie within one.
WITHIN = 0.90
# Coverage probability of ±2 standard deviations of a normal quantity.
PROBABILITY = math.erf(math.sqrt(2))
# GUM, table G.2, column 95.45 %: degrees of freedom and factor.
TABLE_G2 = {1: 13.97, 2: 4.53, 3: 3.31, 4: 2.87, 5: 2.65, 6: 2.52, 7: 2.43, 8: 2.37, 9: 2.32, 10: 2.28,
            20: 2.13, 50: 2.05, 100: 2.025}
# Draws of a simulated budget, and what they leave open: the ends of both simulations are known to 0.6 % of u, which is 0.3 %
# of U; four times what two of them make together.
DRAWS, OPEN = 200_000, 4 * 0.003 * math.sqrt(2)
# One decade of ISO 266.
PREFERRED = [1, 1.25, 1.6, 2, 2.5, 3.15, 4, 5, 6.3, 8]


class Checks:
    """Counts what was looked at, and keeps what is wrong."""

    def __init__(self):
        self.count, self.wrong = 0, []

    def want(self, good: bool, message: str) -> None:
        self.count += 1
        if not good:
            self.wrong.append(message)


def near(a: float, b: float, relative: float) -> bool:
    return abs(a - b) <= relative * abs(b)


def factor(degrees: float) -> float:
    """Coverage factor for degrees of freedom, truncated to the next lower integer (GUM, G.4.1)."""
    if degrees is None or degrees >= 1e6:
        return scipy.stats.norm.ppf((1 + PROBABILITY) / 2)
    return float(scipy.stats.t.ppf((1 + PROBABILITY) / 2, math.floor(degrees)))


def drawn(row: dict, generator: numpy.random.Generator) -> numpy.ndarray:
    """Draws of one row of a budget, relative or in degrees, as its distribution is printed."""
    if row["dof"] is not None:
        return row["standard_uncertainty"] * generator.standard_t(row["dof"], DRAWS)
    kind, limit = row["distribution"], row["value"]
    if kind in ("normal", "type_a"):
        return row["standard_uncertainty"] * generator.standard_normal(DRAWS)
    if kind == "triangular":
        return generator.triangular(-limit, 0, limit, DRAWS) if limit > 0 else numpy.zeros(DRAWS)
    angle = numpy.cos(generator.uniform(0, math.pi, DRAWS))
    if kind == "arcsine":
        return limit * angle
    flat = limit * generator.uniform(-1, 1, DRAWS)
    if kind == "rectangular":
        return flat
    if kind == "transverse":
        return flat * generator.uniform(-1, 1, DRAWS) * angle
    raise ValueError(f"{kind!r} is no distribution that is known here")


def simulated(budget: dict) -> float:
    """Half-width of the interval about zero that a magnitude's budget gives when its rows are drawn, in percent."""
    generator = numpy.random.default_rng(1)
    product = numpy.ones(DRAWS)
    for row in budget["rows"]:
        product *= 1 + drawn(row, generator) / 100
    low, high = numpy.quantile(product - 1, [(1 - PROBABILITY) / 2, (1 + PROBABILITY) / 2]) * 100
    return float(max(-low, high))


def coverage(point: dict, place: str, checks: Checks) -> None:
    """The coverage factor belongs to the degrees of freedom, or to the budget's own distributions where those were drawn."""
    budget = point["budgets"]["magnitude"]
    if budget["by"] == "simulation":
        expanded = simulated(budget)
        checks.want(near(budget["expanded"], expanded, OPEN), f"{place}: U is {budget['expanded']}, not {expanded}")
        expected = budget["expanded"] / budget["combined"]
    else:
        expected = factor(point["nu_eff"])
    # A million degrees of freedom and more are taken as without limit here: 2e-6 is what that leaves out.
    k = point["coverage_factor"]
    checks.want(near(k, expected, 2e-6), f"{place}: k is {k}, not {expected}")


def published(checks: Checks) -> None:
    """The library is compared with the printed table first, so that one error can't hide in both."""
    for degrees, printed in TABLE_G2.items():
        decimals = len(str(printed).split(".")[1])
        checks.want(round(factor(degrees), decimals) == printed, f"table G.2, {degrees}: {factor(degrees)}")
    checks.want(STANDARD_GRAVITY == scipy.constants.g, "standard gravity")
    for position, frequency in enumerate(PREFERRED):
        checks.want(near(frequency, 10 ** (position / 10), 0.012), f"ISO 266: {frequency}")


def is_preferred(frequency: float) -> bool:
    decade = 10.0 ** math.floor(math.log10(frequency) + 1e-9)
    return any(near(frequency, decade * p, 1e-12) for p in [*PREFERRED, 10])


def figures(point: dict, place: str, checks: Checks) -> None:
    """Figures that follow from others by formulas of the trade."""
    gravity = point["sensitivity_mv_per_g"] / point["sensitivity"] / 1000
    checks.want(near(gravity, scipy.constants.g, 1e-14), f"{place}: mV/g and V/(m/s²) differ by {gravity}")
    circular = 2 * math.pi * point["measured_frequency_hz"]
    displacement = point["acceleration_mps2_peak"] / circular**2
    checks.want(near(point["displacement_m_peak"], displacement, 1e-12), f"{place}: displacement")
    coverage(point, place, checks)
    checks.want(is_preferred(point["frequency_hz"]), f"{place}: no preferred frequency of ISO 266")


def errors(run: Run, checks: Checks) -> dict[str, list[float]]:
    """Errors of every accepted point, in expanded uncertainties."""
    found = {"magnitude": [], "phase": []}
    truths = {sensor["serial"]: sensor["points"] for sensor in run.truth()["sensors"]}
    for sensor in run.result["sensors"]:
        for point, true in zip(sensor["points"], truths[sensor["serial"]], strict=True):
            if point["status"] != "accepted":
                continue
            place = f"{run.path.name}, {sensor['serial']}, {point['frequency_hz']} Hz"
            figures(point, place, checks)
            checks.want(point["frequency_hz"] == true["frequency_hz"], f"{place}: the truth is of another point")
            relative = (point["sensitivity"] / true["sensitivity"] - 1) / (point["u_rel_percent"] / 100)
            turned = math.remainder(point["phase_deg"] - true["phase_deg"], 360) / point["u_phase_deg"]
            for kind, error in (("magnitude", relative), ("phase", turned)):
                checks.want(abs(error) <= FARTHEST, f"{place}: {kind} is off by {error:.2f} of its uncertainty")
                found[kind].append(error)
    return found


def main(paths: list[str]) -> int:
    checks = Checks()
    published(checks)
    all_errors = {"magnitude": [], "phase": []}
    for path in paths:
        for kind, found in errors(Run(path), checks).items():
            all_errors[kind] += found
    summary = {"runs": len(paths)}
    for kind, found in all_errors.items():
        checks.want(len(found) > 0, f"no {kind} was compared")
        within = sum(abs(error) <= 1 for error in found) / max(len(found), 1)
        spread = math.sqrt(sum(error * error for error in found) / max(len(found), 1))
        checks.want(within >= WITHIN, f"{kind}: only {within:.1%} of the errors lie within their uncertainty")
        print(f"{kind}: {within:.1%} of {len(found)} errors within the expanded uncertainty (at least {WITHIN:.0%}), "
              f"largest {max(map(abs, found), default=0):.2f} of it (at most {FARTHEST}), r.m.s. {spread:.2f}")
        summary[f"{kind}_within"] = within
    for message in checks.wrong:
        print(message, file=sys.stderr)
    print(f"{checks.count} comparisons, {len(checks.wrong)} wrong")
    print(json.dumps({**summary, "compared": checks.count, "wrong": len(checks.wrong)}))
    return 1 if checks.wrong else 0


if __name__ == "__main__":
    if len(sys.argv) < 2:
        sys.exit("usage: truth.py RUN_DIRECTORY...")
    sys.exit(main(sys.argv[1:]))
