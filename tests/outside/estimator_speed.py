"""The same fit in numpy, and how long it takes there: least squares of four channels on one core.

usage: estimator_speed.py RECORD CHANNELS RATE_HZ FREQUENCY_HZ HARMONICS [SECONDS]

RECORD is one channel after the other, f32, little-endian, as the example program `estimator_speed` writes it with
--write. The frequency is given; the program under test has to find it. Two ways:

lstsq   the model written out as a matrix (offset, drift, cosine and sine of each harmonic), numpy.linalg.lstsq
fast    columns from a table of one block turned by the phasor of each block, normal equations through BLAS, Cholesky

The last line of standard output is JSON: the best time of each, from raw samples to ratios, and the ratios to the
first channel, which agree to 1e-9 or the exit status is 1.
"""

import os

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[name] = "1"  # before numpy starts its threads

import json
import sys
import time

import numpy

sys.dont_write_bytecode = True  # nothing is left beside these files

BLOCK = 1024  # samples that share a phasor
AGREEMENT = 1e-9


def matrix(turn: float, samples: int, harmonics: int) -> numpy.ndarray:
    """The model's terms as columns, every sine taken by itself."""
    n = numpy.arange(samples, dtype=float)
    columns = [numpy.ones(samples), (n - (samples - 1) / 2) / samples]
    for harmonic in range(1, harmonics + 1):
        angle = 2 * numpy.pi * numpy.remainder(harmonic * numpy.remainder(n * turn, 1.0), 1.0)
        columns += [numpy.cos(angle), numpy.sin(angle)]
    return numpy.column_stack(columns)


def turned(turn: float, samples: int, harmonics: int) -> numpy.ndarray:
    """The same columns with few sines: one table, one phasor a block, powers for the harmonics. Columns by rows."""
    blocks = -(-samples // BLOCK)
    table = numpy.exp(2j * numpy.pi * turn * numpy.arange(BLOCK))
    anchors = numpy.exp(2j * numpy.pi * numpy.remainder(turn * BLOCK * numpy.arange(blocks), 1.0))
    rows = numpy.empty((2 + 2 * harmonics, samples))
    rows[0] = 1.0
    rows[1] = (numpy.arange(samples) - (samples - 1) / 2) / samples
    at_block, in_block = numpy.ones_like(anchors), numpy.ones_like(table)
    for harmonic in range(1, harmonics + 1):
        at_block, in_block = at_block * anchors, in_block * table
        phasor = numpy.multiply.outer(at_block, in_block).reshape(-1)[:samples]
        rows[2 * harmonic], rows[2 * harmonic + 1] = phasor.real, phasor.imag
    return rows


def ratios(answer: numpy.ndarray) -> numpy.ndarray:
    """Complex amplitudes against that of the first channel: x = Re(c e^{jωn}) with c = a − jb."""
    amplitudes = answer[2] - 1j * answer[3]
    return amplitudes[1:] / amplitudes[0]


def by_lstsq(record: numpy.ndarray, turn: float, harmonics: int) -> numpy.ndarray:
    answer, _, rank, _ = numpy.linalg.lstsq(matrix(turn, record.shape[1], harmonics), record.T.astype(float), rcond=None)
    if rank != 2 + 2 * harmonics:
        raise ValueError("the terms of the model depend on each other")
    return ratios(answer)


def fast(record: numpy.ndarray, turn: float, harmonics: int) -> numpy.ndarray:
    rows = turned(turn, record.shape[1], harmonics)
    # A bias of many times the signal would cost digits.
    samples = record.astype(float) - record[:, :1]
    factor = numpy.linalg.cholesky(rows @ rows.T)
    return ratios(numpy.linalg.solve(factor.T, numpy.linalg.solve(factor, rows @ samples.T)))


def best(way, record: numpy.ndarray, turn: float, harmonics: int, seconds: float) -> tuple[float, numpy.ndarray]:
    """The shortest of three runs or more."""
    times, begin = [], time.perf_counter()
    while len(times) < 3 or time.perf_counter() - begin < seconds:
        start = time.perf_counter()
        found = way(record, turn, harmonics)
        times.append(time.perf_counter() - start)
    return min(times), found


def main(path: str, channels: str, rate: str, frequency: str, harmonics: str, seconds: str = "3") -> int:
    record = numpy.fromfile(path, dtype="<f4").reshape(int(channels), -1)
    turn = float(frequency) / float(rate)
    result, answers = {"samples": record.shape[1], "channels": record.shape[0], "numpy": numpy.__version__}, []
    for name, way in (("lstsq", by_lstsq), ("fast", fast)):
        taken, found = best(way, record, turn, int(harmonics), float(seconds))
        answers.append(found)
        result[f"{name}_s"] = taken
        result[f"{name}_ratios"] = [[z.real, z.imag] for z in found]
    result["disagreement"] = float(numpy.max(numpy.abs(answers[1] / answers[0] - 1)))
    print(json.dumps(result))
    return 0 if result["disagreement"] <= AGREEMENT else 1


if __name__ == "__main__":
    if not 6 <= len(sys.argv) <= 7:
        sys.exit("usage: estimator_speed.py RECORD CHANNELS RATE_HZ FREQUENCY_HZ HARMONICS [SECONDS]")
    sys.exit(main(*sys.argv[1:]))
