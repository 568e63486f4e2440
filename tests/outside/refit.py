"""Every dwell fitted again by an independent program, and compared with what the run says.

usage: refit.py RUN_DIRECTORY...

The model is written out as a matrix (offset, drift, cosine and sine of each harmonic) and solved by LAPACK through
scipy.linalg.lstsq, with a column for each line of the mains and each decay that the waveforms' metadata name; the program
under test builds normal equations from sums over blocks instead. The sine fit with known
frequency is that of IEEE Std 1057 (three parameters), with harmonics and drift added. For a frequency that the program
measured, the one that leaves the least residual is searched for here too (four parameters, Gauss-Newton).

The last line of standard output is JSON. Exit status 0 if everything agrees, 1 if not.
"""

import json
import sys

import numpy
import scipy.linalg

sys.dont_write_bytecode = True  # nothing is left beside these files

from records import Run

MAGNITUDE_LIMIT = 1e-8  # relative
PHASE_LIMIT = 1e-8  # rad
# A frequency may differ by this share of its own standard uncertainty.
FREQUENCY_LIMIT = 1e-6
# Harmonics above this share of the rate are not fitted: too near to the Nyquist frequency.
HIGHEST_SHARE = 0.45


def tone(n: numpy.ndarray, cycles_per_sample: float) -> list[numpy.ndarray]:
    """Cosine and sine. The whole cycles are dropped before 2π comes in, so that the phase keeps its digits."""
    angle = 2 * numpy.pi * numpy.remainder(n * cycles_per_sample, 1.0)
    return [numpy.cos(angle), numpy.sin(angle)]


def matrix(frequency: float, rate: float, samples: int, harmonics: int, mains: list[float]) -> numpy.ndarray:
    """The model's terms as columns: 1, drift, then cosine and sine of each harmonic and of each line of the mains."""
    n = numpy.arange(samples, dtype=float)
    columns = [numpy.ones(samples), (n - (samples - 1) / 2) / samples]
    for harmonic in range(1, harmonics + 1):
        if harmonic * frequency / rate > HIGHEST_SHARE:
            break
        angle = 2 * numpy.pi * numpy.remainder(harmonic * numpy.remainder(n * (frequency / rate), 1.0), 1.0)
        columns += [numpy.cos(angle), numpy.sin(angle)]
    for line in mains:
        columns += tone(n, line / rate)
    return numpy.column_stack(columns)


def solve(terms: numpy.ndarray, samples: numpy.ndarray) -> numpy.ndarray:
    """Least squares; one column of the answer for each channel."""
    answer, _, rank, _ = scipy.linalg.lstsq(terms, samples, lapack_driver="gelsy")
    if rank != terms.shape[1]:
        raise ValueError("the terms of the model depend on each other")
    return answer


def fundamental(answer: numpy.ndarray) -> numpy.ndarray:
    """Complex amplitudes: x = Re(c e^{jωn}) with c = a − jb."""
    return answer[2] - 1j * answer[3]


def search(
    reference: numpy.ndarray, start: float, rate: float, harmonics: int, mains: list[float]
) -> tuple[float, float]:
    """Frequency that leaves the least residual, and its standard uncertainty from the residual."""
    n = numpy.arange(len(reference), dtype=float)
    n -= n.mean()
    frequency = start
    for _ in range(2):
        terms = matrix(frequency, rate, len(reference), harmonics, mains)
        answer = solve(terms, reference)
        # Derivative by frequency, every harmonic's part: n · h · (−a sin + b cos) · 2π / rate.
        slope = numpy.zeros(len(reference))
        for position in range(2, terms.shape[1] - 2 * len(mains), 2):
            harmonic = position // 2
            a, b = answer[position], answer[position + 1]
            slope += harmonic * (b * terms[:, position] - a * terms[:, position + 1])
        whole = numpy.column_stack([terms, slope * n * 2 * numpy.pi / rate])
        step = solve(whole, reference)
        frequency += step[-1]
    residual = reference - whole @ step
    variance = residual @ residual / (len(reference) - whole.shape[1])
    covariance = scipy.linalg.inv(whole.T @ whole / len(reference)) * variance / len(reference)
    return frequency, float(numpy.sqrt(covariance[-1, -1]))


class Worst:
    """The largest of many differences, and where it was."""

    def __init__(self, what: str, limit: float):
        self.what, self.limit, self.value, self.place, self.count = what, limit, 0.0, "nowhere", 0

    def see(self, value: float, place: str) -> None:
        self.count += 1
        if not value <= self.value:  # NaN too
            self.value, self.place = value, place

    def good(self) -> bool:
        return self.count > 0 and self.value <= self.limit

    def __str__(self) -> str:
        verdict = "met" if self.good() else "MISSED"
        return f"{self.what}: {self.value:.3e} at {self.place}, of {self.count}; limit {self.limit:.0e}: {verdict}"


def wrapped(angle: float) -> float:
    """The angle without whole turns."""
    return abs(numpy.angle(numpy.exp(1j * angle)))


def length(columns: dict[str, numpy.ndarray]) -> int:
    """Samples of each channel."""
    return len(next(iter(columns.values())))


def amplitudes(
    columns: dict[str, numpy.ndarray], terms: numpy.ndarray, metadata: dict[str, str]
) -> dict[str, complex]:
    """Complex amplitude of each channel; one with a decay has a column of its own for it."""
    decays = metadata["model_decays_s"].split(",")
    n = numpy.arange(len(terms), dtype=float)
    found = {}
    for (name, samples), decay in zip(columns.items(), decays, strict=True):
        own = [numpy.exp(-n / (float(decay) * float(metadata["rate_hz"])))] if decay else []
        found[name] = fundamental(solve(numpy.column_stack([terms, *own]), samples))
    return found


def responses(run: Run, frequencies: Worst) -> dict[tuple[int, str], list[complex]]:
    """Complex sensitivities by point and sensor, one for each repeat that could be fitted."""
    found: dict[tuple[int, str], list[complex]] = {}
    points = run.result["sensors"][0]["points"]
    # A check standard has no result of its own.
    under_test = {sensor["serial"] for sensor in run.result["sensors"]}
    for dwell in run.dwells():
        if dwell["closing"]:
            continue
        metadata, columns = run.raw(dwell["raw_sha256"])
        if "fitted_frequency_hz" not in metadata:
            continue
        frequency, rate = float(metadata["fitted_frequency_hz"]), float(metadata["rate_hz"])
        harmonics = int(metadata["model_harmonics"])
        mains = [float(line) for line in metadata["model_mains_hz"].split(",") if line]
        amplitude = amplitudes(columns, matrix(frequency, rate, length(columns), harmonics, mains), metadata)
        place = f"{run.path.name}, point {dwell['point']}"
        if frequency != dwell["applied_frequency_hz"]:
            best, uncertainty = search(columns[run.reference_channel], frequency, rate, harmonics, mains)
            frequencies.see(abs(best - frequency) / uncertainty, place)
        magnitude, phase = run.reference.at(points[dwell["point"] - 1]["frequency_hz"])
        for serial, channel in run.channel_of.items():
            if serial not in under_test:
                continue
            ratio = amplitude[channel] / amplitude[run.reference_channel]
            found.setdefault((dwell["point"], serial), []).append(ratio * magnitude * numpy.exp(1j * phase))
    return found


def compare(run: Run, magnitudes: Worst, phases: Worst, frequencies: Worst) -> None:
    """Compares every repeat, and the mean of those that count, with result.json."""
    found = responses(run, frequencies)
    for sensor in run.result["sensors"]:
        for number, point in enumerate(sensor["points"], start=1):
            own = found.pop((number, sensor["serial"]), [])
            place = f"{run.path.name}, {sensor['serial']}, {point['frequency_hz']} Hz"
            if point["status"] == "skipped":
                continue
            if len(own) != len(point["repeats"]):
                raise ValueError(f"{place}: {len(own)} repeats were fitted, the result has {len(point['repeats'])}")
            said = list(zip(own, point["repeats"]))
            valid = [response for response, repeat in said if repeat["valid"]]
            if valid:
                said.append((numpy.mean(valid), point))
            for response, record in said:
                magnitudes.see(abs(abs(response) / record["sensitivity"] - 1), place)
                phases.see(wrapped(numpy.angle(response) - numpy.radians(record["phase_deg"])), place)
    if found:
        raise ValueError(f"{run.path.name}: dwells of no sensor's point: {sorted(found)}")


def main(paths: list[str]) -> int:
    magnitudes = Worst("relative difference of magnitude", MAGNITUDE_LIMIT)
    phases = Worst("difference of phase in rad", PHASE_LIMIT)
    frequencies = Worst("difference of frequency in standard uncertainties", FREQUENCY_LIMIT)
    for path in paths:
        compare(Run(path), magnitudes, phases, frequencies)
    for worst in (magnitudes, phases, frequencies):
        print(worst)
    print(json.dumps({
        "compared": magnitudes.count,
        "magnitude_relative_max": magnitudes.value,
        "phase_rad_max": phases.value,
        "frequency_uncertainties_max": frequencies.value,
    }))
    return 0 if all(worst.good() for worst in (magnitudes, phases, frequencies)) else 1


if __name__ == "__main__":
    if len(sys.argv) < 2:
        sys.exit("usage: refit.py RUN_DIRECTORY...")
    sys.exit(main(sys.argv[1:]))
