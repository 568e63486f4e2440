#!/usr/bin/env python3
"""A signal source over TCP that takes SCPI commands, as a plug-in: complete, in plain Python.

    [[instrument]]
    name = "generator"
    driver = "plug-in"
    settings = { program = "sine_source.py", tcp = "192.0.2.7:5025", frequency_hz_max = 20000, amplitude_v_peak_max = 5 }

The commands are settings with these defaults; {hz} and {v_peak} stand for numbers, with so many places behind the point as
.6f says (or .6e, with a power of ten); what is answered is what they say:
    frequency = "SOUR1:FREQ {hz:.6f}"       amplitude = "SOUR1:VOLT {v_peak:.6f}"     amplitude_query = "SOUR1:VOLT?"
    output_on = "OUTP1 ON"                  output_off = "OUTP1 OFF"                  output_query = "OUTP1?"
    amplitude_per_v_peak = 1.0              (2.0 where the instrument means peak to peak)

The instrument has no ramp of its own, so one is made here in steps of 10 ms, in a thread that ends as soon as the next
call comes or the instrument is made safe.
"""

import math
import re
import threading
import time
from decimal import Decimal

from host import Failure, Host, flagged, log, number, serve
from line import TextLine

STEP_S = 0.01
# Making safe waits for one transfer and takes four, each with the connection made anew before it.
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
PLACE = re.compile(r"\{(\w+):\.(\d{1,2})([fe])\}")
NEEDED = {"tcp": str, "frequency_hz_max": (int, float), "amplitude_v_peak_max": (int, float)}


def written(template: str, value: float, never_above: bool) -> tuple[str, float]:
    """A command with a number in its place, and that number as the instrument reads it."""
    _, places, form = PLACE.search(template).groups()
    text = f"{value:.{places}{form}}"
    if never_above and float(text) > value:
        below = Decimal(text)
        below -= Decimal(1).scaleb(below.as_tuple().exponent)
        text = f"{below:.{places}{form}}"
    return PLACE.sub(text, template), float(text)


class Over(Failure):
    """A ramp that is over: its leave was withdrawn, or another call has come."""


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
        for name, place in (("frequency", "hz"), ("amplitude", "v_peak")):
            if [found[0] for found in PLACE.findall(str(self._is[name]))] != [place]:
                raise Failure("out_of_range", f"the setting {name} needs one place for its number; write such as {{{place}:.6f}}")
        self._line = TextLine(self._is["tcp"], TRANSFER_S)
        # Opening asks, and changes nothing.
        said = [part.strip() for part in self._line.identify("*IDN?").split(",")]
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
        self._frequency: str | None = None
        # What went wrong on a ramp after its call was answered: the next call says so.
        self._failure: Failure | None = None

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
        self._fail_late()
        frequency, hz = written(self._is["frequency"], hz, never_above=False)
        _, wanted = self._amplitude_command(wanted)
        if self._frequency != frequency:
            if self._amplitude > 0:
                raise Failure("out_of_range", "it changes its frequency at 0 V only; go there first")
            self._frequency = None
            self._tell(ramp, generation, frequency)
            self._frequency = frequency
        # At the amplitude that it has, so that switching the output on is no jump.
        self._step(ramp, generation, self._amplitude)
        if wanted > 0:
            self._tell(ramp, generation, self._is["output_on"])
        return self._go(ramp, generation, wanted, over_s, {"frequency_hz": hz, "amplitude_v_peak": wanted})

    def output_off(self, params: dict) -> dict:
        """Goes to 0 V; needs no leave."""
        over_s = number(params, "over_s")
        ramp = self._begin()
        self._fail_late()
        return self._go(ramp, None, 0.0, over_s, {})

    def make_safe(self, _reason: str) -> dict:
        """0 V at once, output off, and what the instrument says of itself then."""
        self._begin()
        # What one of them does not do the other may; the answer is what the instrument says after both.
        for command in (self._amplitude_command(0.0)[0], self._is["output_off"]):
            try:
                self._reopen()
                self._line.tell(command)
            except Failure as error:
                log("WARN", f"'{command}' while it is made safe: {error}")
        self._reopen()
        on = self._line.ask(self._is["output_query"]).upper() not in ("0", "OFF")
        drive = self._line.ask_number(self._is["amplitude_query"]) / self._is["amplitude_per_v_peak"] if on else 0.0
        self._amplitude = drive
        self._failure = None
        return {**flagged(drive_v_peak=drive), "muted": None}

    def _try_to_be_safe(self) -> None:
        try:
            self.make_safe("link_lost")
        except Failure as failure:
            log("ERROR", f"a way down broke off, and it could not be made safe: {failure}")

    def _reopen(self) -> None:
        """An instrument whose connection was lost may have been switched off meanwhile: nothing that it was told holds."""
        if self._line.reopen():
            self._frequency = None

    def _amplitude_command(self, v_peak: float) -> tuple[str, float]:
        """The command for an amplitude, and the amplitude that it says: never above the one that is asked for."""
        per_peak = self._is["amplitude_per_v_peak"]
        command, value = written(self._is["amplitude"], v_peak * per_peak, never_above=True)
        return command, min(value / per_peak, v_peak)

    def _fail_late(self) -> None:
        failure, self._failure = self._failure, None
        if failure is not None:
            raise failure

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
                self._step(ramp, generation, start + (target - start) * share)
            except Over:
                return
            except Failure as failure:
                # Up it stays where it is; on its way down somebody counts on its arriving.
                if target < start:
                    self._try_to_be_safe()
                self._failure = failure
                return
            time.sleep(max(0.0, begun + step * STEP_S - time.monotonic()))

    def _step(self, ramp: int, generation: int | None, amplitude: float) -> None:
        """One step of a ramp."""
        command, amplitude = self._amplitude_command(amplitude)
        self._tell(ramp, generation, command, amplitude)

    def _tell(self, ramp: int, generation: int | None, command: str, amplitude: float | None = None) -> None:
        """A command of a call that drives: none once its ramp is over or its leave withdrawn. make_safe comes after it."""
        with self._lock:
            if ramp != self._ramp or not (generation is None or self._host.leave.stands(generation)):
                raise Over("out_of_range", f"leave {generation} to drive was withdrawn, or the next call has come")
            self._line.tell(command)
            if amplitude is not None:
                self._amplitude = amplitude


serve(SineSource)
