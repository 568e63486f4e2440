"""Run directories as these checks read them: with the standard library and pyarrow, nothing of the program's own.

The journal's chain and the names of the waveforms are verified here again, since everything rests on them.
"""

import hashlib
import json
import math
import re
from dataclasses import dataclass
from pathlib import Path

import pyarrow.parquet as parquet

# Standard gravity in m/s²: 3rd General Conference on Weights and Measures (1901); exact.
STANDARD_GRAVITY = 9.80665

# Units in which run.json keeps quantities: factor to SI.
UNITS = {
    "Hz": 1.0,
    "S/s": 1.0,
    "V/(m/s2)": 1.0,
    "rad": 1.0,
    "%": 0.01,
}


def quantity(text: str) -> float:
    """The SI value of a quantity such as "0.5 Hz"."""
    match = re.fullmatch(r"([-+0-9.eE]+) (\S+)", text)
    if not match or match[2] not in UNITS:
        raise ValueError(f"{text!r} is no quantity that is known here")
    return float(match[1]) * UNITS[match[2]]


@dataclass
class Reference:
    """The reference's certificate: value at a frequency, linear in its logarithm between two lines."""

    lines: list[dict]

    def at(self, frequency: float) -> tuple[float, float]:
        """Sensitivity in V/(m/s²) and phase in rad."""
        rows = [(quantity(p["frequency"]), quantity(p["sensitivity"]), quantity(p["phase"])) for p in self.lines]
        for low, high in zip(rows, rows[1:]):
            if low[0] <= frequency <= high[0]:
                share = math.log(frequency / low[0]) / math.log(high[0] / low[0])
                step = math.remainder(high[2] - low[2], math.tau)
                return low[1] + share * (high[1] - low[1]), low[2] + share * step
        raise ValueError(f"{frequency} Hz lies outside the certificate")


class Run:
    """A run directory whose chain and hashes are in order."""

    def __init__(self, path: str):
        self.path = Path(path)
        self.run = json.loads((self.path / "run.json").read_bytes())
        self.result = json.loads((self.path / "result.json").read_bytes())
        self.journal = self._journal()
        calibration = self.run["references"]["reference"][0]["calibration"][0]
        self.reference = Reference(calibration["point"])
        self.reference_channel = self.run["rig"]["reference"]["channel"]
        self.channel_of = {m["sensor"]: m["channel"] for m in self.run["job"]["mounted"]}

    def _journal(self) -> list[dict]:
        entries, before = [], "0" * 64
        for number, line in enumerate((self.path / "journal.jsonl").read_bytes().splitlines()):
            entry = json.loads(line)
            if entry["prev"] != before or entry["seq"] != number:
                raise ValueError(f"line {number + 1} of the journal does not follow from the line before it")
            before = hashlib.sha256(line).hexdigest()
            entries.append(entry)
        return entries

    def truth(self) -> dict:
        """What the simulator knows."""
        return json.loads((self.path / "truth.json").read_bytes())

    def dwells(self) -> list[dict]:
        """Bodies of the entries of measured points."""
        return [e["body"] for e in self.journal if e["kind"] == "point"]

    def raw(self, sha256: str) -> tuple[dict[str, str], dict]:
        """Metadata and columns (f64) of a file of waveforms."""
        path = self.path / "raw" / f"{sha256}.parquet"
        if hashlib.sha256(path.read_bytes()).hexdigest() != sha256:
            raise ValueError(f"{path.name} has not the hash that is its name")
        table = parquet.read_table(path)
        metadata = {k.decode(): v.decode() for k, v in (table.schema.metadata or {}).items()}
        return metadata, {name: table[name].to_numpy().astype(float) for name in table.column_names}
