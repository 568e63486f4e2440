"""Units and sines as the program reads them, against a library of units and published figures.

usage: units.py VALUES

VALUES has a JSON object a line: a number with its unit and the SI value that the program reads, an amplitude with its kind, a
sine, or the frequencies of a series. Units are judged by pint, a general library of units (its definitions follow the SI brochure and NIST SP 811); sines by
the definition of ISO 2041: v = 2 pi f x, a = (2 pi f)^2 x. Third-octaves are judged by the definition of ISO 266, 1000 * 10^(n/10)
Hz, and up to 40 Hz by the 27 frequencies of the key comparison CCAUV.V-K3 (BIPM key comparison database, comparison 1123; final
report: Metrologia 54 (2017) 1A 09001), whose decade goes on above. Standard gravity is 9.80665 m/s^2 (CGPM 1901, exact).

Messages go to standard error; the last line of standard output is JSON. Exit status 0 if all agree, 1 if not.
"""

import json
import math
import sys
from pathlib import Path

import pint

# Where a spelling of ours is no expression of pint's.
IN_PINT = {
    "g": "standard_gravity", "gn": "standard_gravity", "g_n": "standard_gravity",
    "mg": "1e-3 standard_gravity", "ug": "1e-6 standard_gravity",
}
OF_MASS = {"kg": "kilogram", "g": "gram", "mg": "milligram"}
PLAIN = {
    "m/s2": "meter/second**2", "m/s/s": "meter/second**2", "m·s-2": "meter*second**-2", "mm/s2": "millimeter/second**2",
    "S/s": "1/second", "Sa/s": "1/second", "kS/s": "1e3/second", "kSa/s": "1e3/second", "MS/s": "1e6/second",
    "Hz": "1/second", "mHz": "1e-3/second", "uHz": "1e-6/second", "kHz": "1e3/second", "MHz": "1e6/second",
    "1": "1", "%": "0.01", "percent": "0.01", "ppm": "1e-6", "V/V": "1", "mV/V": "1e-3",
    "degC": "1", "deg": "degree", "rad": "radian", "mrad": "1e-3 radian", "urad": "1e-6 radian",
    "N·m": "newton*meter", "Nm": "newton*meter", "N·cm": "newton*centimeter",
    "%/K": "0.01/kelvin", "ppm/K": "1e-6/kelvin", "1/K": "1/kelvin",
    "W·s/K": "watt*second/kelvin",
    "V/(m/s2)": "volt/(meter/second**2)", "V·s2/m": "volt*second**2/meter",
    "mV/(m/s2)": "millivolt/(meter/second**2)", "mV·s2/m": "millivolt*second**2/meter",
    "V/g": "volt/standard_gravity", "mV/g": "millivolt/standard_gravity", "uV/g": "microvolt/standard_gravity",
    "(m/s2)/sqrtHz": "meter/second**2", "m/s2/sqrtHz": "meter/second**2", "g/sqrtHz": "standard_gravity",
    "mg/sqrtHz": "1e-3 standard_gravity", "ug/sqrtHz": "1e-6 standard_gravity",
    "Ohm": "ohm", "kOhm": "kiloohm", "kohm": "kiloohm", "mOhm": "milliohm", "mohm": "milliohm", "MOhm": "megaohm", "Mohm": "megaohm",
    "uH": "microhenry", "us": "microsecond", "uV": "microvolt", "um": "micrometer",
    "h": "hour", "min": "minute",
}
# The frequencies in Hz of CCAUV.V-K3.
KEY_COMPARISON = [0.1, 0.125, 0.16, 0.2, 0.25, 0.315, 0.4, 0.5, 0.63, 0.8, 1, 1.25, 1.6, 2, 2.5, 3.15, 4, 5, 6.3, 8, 10, 12.5, 16,
                  20, 25, 31.5, 40]
# Factors to the peak of a sine, by definition of rms and peak to peak.
TO_PEAK = {"pk": 1.0, "rms": math.sqrt(2.0), "pk-pk": 0.5}


def factor(ureg: pint.UnitRegistry, unit: str, si_unit: str) -> float:
    """How many SI units one of these is."""
    if si_unit == "kg":
        expression, target = OF_MASS[unit], "kilogram"
    elif si_unit == "m/s2" and unit in IN_PINT:
        expression, target = IN_PINT[unit], "meter/second**2"
    else:
        expression, target = PLAIN.get(unit, unit), PLAIN.get(si_unit, si_unit)
    quantity = ureg.Quantity(1.0, "dimensionless") * ureg.parse_expression(expression)
    base = ureg.Quantity(1.0, "dimensionless") * ureg.parse_expression(target)
    return (quantity / base).to("dimensionless").magnitude


def third_octaves(values: str) -> list[float]:
    """From 0.1 Hz to 10 kHz, exact or nominal: the published decade from 1 Hz, a power of ten higher or lower."""
    if values == "exact":
        return [1000 * 10 ** (n / 10) for n in range(-40, 11)]
    decade = [f for f in KEY_COMPARISON if 1 <= f < 10]
    nominal = [float(f"{f}e{power}") for power in range(-1, 4) for f in decade] + [10_000.0]
    assert nominal[: len(KEY_COMPARISON)] == KEY_COMPARISON
    return nominal


def relative(value: float, wanted: float) -> float:
    return abs(value - wanted) / max(abs(wanted), 1e-300)


def main(path: str) -> int:
    ureg = pint.UnitRegistry()
    compared, wrong, largest = 0, 0, 0.0
    for line in Path(path).read_text(encoding="utf-8").splitlines():
        case = json.loads(line)
        pairs = []
        if case["what"] == "unit":
            pairs.append((case["si"], float(case["number"]) * factor(ureg, case["unit"], case["si_unit"])))
        elif case["what"] == "kind":
            peak = TO_PEAK[case["kind"]] * factor(ureg, case["unit"], case["si_unit"])
            pairs.append((case["si"], float(case["number"]) * peak))
        elif case["what"] == "series":
            pairs.extend(zip(case["frequencies_hz"], third_octaves(case["values"]), strict=True))
        else:
            omega, a = 2 * math.pi * case["frequency_hz"], case["acceleration_mps2_peak"]
            pairs.append((case["velocity_mps_peak"], a / omega))
            pairs.append((case["displacement_m_peak"], a / omega**2))
            pairs.append((case["of_velocity_mps2_peak"], a))
            pairs.append((case["of_displacement_mps2_peak"], a))
        for value, wanted in pairs:
            compared += 1
            difference = math.inf if value is None else relative(value, wanted)
            if difference > 1e-12:
                wrong += 1
                print(f"{line}: {value}, not {wanted}", file=sys.stderr)
            else:
                largest = max(largest, difference)
    print(json.dumps({"compared": compared, "wrong": wrong, "relative_max": largest}))
    return 1 if wrong else 0


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit("usage: units.py VALUES")
    sys.exit(main(sys.argv[1]))
