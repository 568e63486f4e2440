#!/usr/bin/env python3
"""A plug-in to copy: an ambient sensor that always says the same. What to replace is said beside it.

1. Copy this file under another name, with host.py (and line.py, if your instrument is asked in lines) beside it.
2. Make it executable: chmod +x yours.py
3. List the folder in the settings of the machine: plug_in_folders = ["/where/it/is"]
4. Name it in the rig file:  [[instrument]]  driver = "plug-in"  settings = { program = "yours.py", … }
5. Try it by hand, typing lines: see drivers/PROTOCOL.md, section 2. Amplifier off, nobody near the armature.
"""

from host import Failure, Host, flagged, serve


class Instrument:
    """What `serve` needs of an instrument; its own documentation says what each attribute is."""

    # Longest time that make_safe takes, and longest time that one transfer keeps the link busy. Measure them.
    safe_ms = 100.0
    transfer_ms = 50.0

    def __init__(self, host: Host, settings: dict):
        # Opening: check the settings, connect, ask who is there. Change no output.
        unknown = settings.keys() - {"temperature_degc"}
        if unknown:
            raise Failure("out_of_range", f"there are no settings {', '.join(sorted(unknown))}; remove them")
        # `host.leave.check(params, drive)` is to be called right before anything that drives; `host.output.block(…)`
        # sends samples.
        self._host = host
        self._temperature = float(settings.get("temperature_degc", 23.0))
        # As the instrument says it now, never as it was remembered.
        self.identity = {"make": "Nobody", "model": "Skeleton", "serial": "0", "firmware": "0"}
        # Which roles it fills; those that it does not are left out. Then a function for each call of each role.
        self.roles = {"ambient": {}}
        self.calls = {"ambient.read": self.read}

    def read(self, _params: dict) -> dict:
        """From parameters to result, as the protocol's table says. Raise Failure(kind, message) where it did not work."""
        return {**flagged(temperature_degc=self._temperature), "humidity_percent": None}

    def make_safe(self, _reason: str) -> dict:
        """Called from any thread at any time, also while another call hangs: share nothing with them that may be held.

        A source goes to 0 V, an amplifier mutes; then ask the instrument what it does, and answer that.
        """
        return {"drive_v_peak": None, "muted": None}


serve(Instrument)
