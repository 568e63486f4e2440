#!/usr/bin/env python3
"""A signal source over TCP that takes SCPI commands, as a plug-in: complete, in plain Python.

    [[instrument]]
    name = "generator"
    driver = "plug-in"
    settings = { program = "sine_source.py", tcp = "192.0.2.7:5025", frequency_hz_max = 20000, amplitude_v_peak_max = 5 }

The commands are settings with these defaults; {hz} and {v_peak} stand for numbers:
    frequency = "SOUR1:FREQ {hz:.6f}"       amplitude = "SOUR1:VOLT {v_peak:.6f}"     amplitude_query = "SOUR1:VOLT?"
    output_on = "OUTP1 ON"                  output_off = "OUTP1 OFF"                  output_query = "OUTP1?"
    amplitude_per_v_peak = 1.0              (2.0 where the instrument means peak to peak)

The instrument has no ramp of its own, so one is made here in steps of 10 ms, in a thread that ends as soon as the next
call comes or the instrument is made safe.
"""

import math
import threading
import time

from host import Failure, Host, flagged, number, serve
from line import TextLine

STEP_S = 0.01
# A command and the question after it, each within a fifth of the time that making safe may take.
TRANSFER_S = 0.1
DEFAULTS = {
    "frequency": "SOUR1:FREQ {hz:.6f}",
    "amplitude": "SOUR1:VOLT {v_peak:.6f}",
    "amplitude_query": "SOUR1:VOLT?",
    "output_on": "OUTP1 ON",
    "output_off": "OUTP1 OFF",
    "output_query": "OUTP1?",
    "amplitude_per_v_peak": 1.0,
    "frequency_hz_min": 0.1,
}
NEEDED = {"tcp": str, "frequency_hz_max": (int, float), "amplitude_v_peak_max": (int, float)}


class SineSource:
    """The instrument."""

    safe_ms = 1000.0
    transfer_ms = TRANSFER_S * 1000

    def __init__(self, host: Host, settings: dict):
        for name, kind in NEEDED.items():
            if not isinstance(settings.get(name), kind):
                raise Failure("out_of_range", f"the setting {name} is missing; see the head of sine_source.py")
        unknown = settings.keys() - DEFAULTS.keys() - NEEDED.keys()
        if unknown:
            raise Failure("out_of_range", f"there are no settings {', '.join(sorted(unknown))}; remove them")
        self._host = host
        self._is = {**DEFAULTS, **settings}
        self._line = TextLine(self._is["tcp"], TRANSFER_S)
        # Opening asks, and changes nothing.
        said = [part.strip() for part in self._line.ask("*IDN?").split(",")]
        if len(said) != 4:
            raise Failure("protocol", f"*IDN? has four parts, not {len(said)}")
        self.identity = dict(zip(("make", "model", "serial", "firmware"), said, strict=True))
        self.roles = {
            "source": {
                "frequency_hz_min": self._is["frequency_hz_min"],
                "frequency_hz_max": self._is["frequency_hz_max"],
                "amplitude_v_peak_max": self._is["amplitude_v_peak_max"],
                "starts_at_zero": False,
            }
        }
        self.calls = {"source.set_tone": self.set_tone, "source.output_off": self.output_off}
        # What a ramp compares with at each step: it ends when it is no longer the last.
        self._ramp = 0
        self._lock = threading.Lock()
        self._amplitude = 0.0
        self._frequency: float | None = None

    def set_tone(self, params: dict) -> dict:
        """Goes to a tone: to 0 V first where the frequency is another, for a step in it would be a step in phase."""
        hz, wanted, over_s = (number(params, name) for name in ("frequency_hz", "amplitude_v_peak", "over_s"))
        low, high = self._is["frequency_hz_min"], self._is["frequency_hz_max"]
        if not low <= hz <= high or wanted > self._is["amplitude_v_peak_max"] or over_s < 0:
            raise Failure(
                "out_of_range",
                f"{hz} Hz and {wanted} V pk: it goes from {low} to {high} Hz and up to {self._is['amplitude_v_peak_max']} V pk",
            )
        generation = self._host.leave.check(params, wanted)
        ramp = self._begin()
        if self._frequency != hz:
            if self._amplitude > 0:
                raise Failure("out_of_range", "it changes its frequency at 0 V only; go there first")
            self._line.tell(self._is["frequency"].format(hz=hz))
            self._frequency = hz
        # At the amplitude that it has, so that switching the output on is no jump.
        if not self._step(ramp, generation, self._amplitude):
            raise Failure("out_of_range", f"leave {generation} to drive was withdrawn")
        if wanted > 0:
            self._line.tell(self._is["output_on"])
        return self._go(ramp, generation, wanted, over_s, {"frequency_hz": hz, "amplitude_v_peak": wanted})

    def output_off(self, params: dict) -> dict:
        """Goes to 0 V; needs no leave."""
        over_s = number(params, "over_s")
        return self._go(self._begin(), None, 0.0, over_s, {})

    def make_safe(self, _reason: str) -> dict:
        """0 V at once, output off, and what the instrument says of itself then."""
        self._begin()
        self._line.tell(self._is["amplitude"].format(v_peak=0.0))
        self._line.tell(self._is["output_off"])
        on = self._line.ask(self._is["output_query"]).upper() not in ("0", "OFF")
        drive = self._line.ask_number(self._is["amplitude_query"]) / self._is["amplitude_per_v_peak"] if on else 0.0
        self._amplitude = drive
        return {**flagged(drive_v_peak=drive), "muted": None}

    def _begin(self) -> int:
        """Ends the ramp before; gives the number of the new one."""
        with self._lock:
            self._ramp += 1
            return self._ramp

    def _go(self, ramp: int, generation: int | None, target: float, over_s: float, applied: dict) -> dict:
        steps = max(1, math.ceil(over_s / STEP_S))
        start = self._amplitude
        if steps == 1:
            self._step(ramp, generation, target)
        else:
            threading.Thread(target=self._walk, args=(ramp, generation, start, target, steps), daemon=True).start()
        return flagged(**applied, over_s=steps * STEP_S if steps > 1 else over_s)

    def _walk(self, ramp: int, generation: int | None, start: float, target: float, steps: int) -> None:
        """A raised cosine in small steps: smooth, and never beyond its ends."""
        begun = time.monotonic()
        for step in range(1, steps + 1):
            share = (1 - math.cos(math.pi * step / steps)) / 2
            try:
                if not self._step(ramp, generation, start + (target - start) * share):
                    return
            except Failure:
                # The next call finds the same, and answers it.
                return
            time.sleep(max(0.0, begun + step * STEP_S - time.monotonic()))

    def _step(self, ramp: int, generation: int | None, amplitude: float) -> bool:
        """One step of a ramp; none once the ramp is over or its leave withdrawn. Holds the lock: make_safe comes after."""
        with self._lock:
            if ramp != self._ramp or not (generation is None or self._host.leave.stands(generation)):
                return False
            self._line.tell(self._is["amplitude"].format(v_peak=amplitude * self._is["amplitude_per_v_peak"]))
            self._amplitude = amplitude
            return True


serve(SineSource)
