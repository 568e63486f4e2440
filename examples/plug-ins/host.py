"""The daemon's side of a plug-in, in plain Python: lines, leave, heartbeats, and being safe at the end.

drivers/PROTOCOL.md says what is done here and why. A plug-in imports this file, which lies beside it, and calls
`serve(open_instrument)`. It has to be no program itself, so it is not executable.

    threads:  reader ── never waits for anything but the next line
              one worker a role ── calls of that role, one after the other
              one thread for each make_safe ── never behind another call
              writer ── replies first, then blocks, from queues of bounded length
              the main thread ── waits for heartbeats, and makes the instrument safe at the end
"""

import base64
import collections
import json
import math
import os
import queue
import signal
import sys
import threading

VERSION = (1, 0)
LINE_MAX = 4 << 20
# What may wait for a reader that is slow: samples of so many seconds in so many blocks, at least and at most, and replies.
WAITING_S = 2.0
BLOCKS = (8, 8192)
REPLIES_MAX = 256
KINDS = (
    "timeout", "disconnected", "busy", "out_of_range", "unsupported", "overload", "bad_data", "protocol", "bug",
)


class Failure(Exception):
    """What goes wrong with an instrument: one of KINDS, and what happened, with numbers and units."""

    def __init__(self, kind: str, message: str, code: int | None = None):
        super().__init__(message)
        self.kind = kind
        self.code = code

    def as_error(self) -> dict:
        """The error object of a failure."""
        if self.code is not None:
            return {"code": self.code, "message": str(self)}
        return {"code": -32001 - KINDS.index(self.kind), "message": str(self), "data": {"kind": self.kind}}


def log(level: str, message: str) -> None:
    """A line for people. Standard error is never waited for: a line that finds no room is lost."""
    try:
        os.write(2, f"{level} {message}\n".encode())
    except OSError:
        pass


def flagged(**numbers: float | None) -> dict:
    """Numbers as they are written: what is not finite is null and named in `not_finite`."""
    bad = [name for name, value in numbers.items() if value is not None and not math.isfinite(value)]
    written = {name: None if name in bad else value for name, value in numbers.items()}
    return {**written, "not_finite": bad} if bad else written


def number(params: dict, name: str) -> float:
    """A number of a request."""
    value = params.get(name)
    if isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value):
        return float(value)
    raise Failure("protocol", f"{name} has to be a finite number", code=-32602)


class Leave:
    """Leave to drive: a generation that was left behind or taken back never comes back."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._highest = 0
        self._ceiling: float | None = None
        self._void = 0
        self._judged = -1

    def check(self, params: dict, drive: float | None = None) -> int:
        """Takes the permit of a call; gives its generation. To be called right before the instrument is written to."""
        permit = params.get("permit")
        if not isinstance(permit, dict) or not is_count(permit.get("generation")):
            raise Failure("protocol", "the call needs a permit", code=-32602)
        generation, ceiling = permit["generation"], number(permit, "ceiling_v_peak")
        with self._lock:
            if generation <= self._void or generation < self._highest:
                raise Failure("out_of_range", f"leave {generation} to drive was withdrawn")
            if generation > self._highest:
                self._highest, self._ceiling = generation, None
            if self._ceiling is None:
                self._ceiling = ceiling
            if not 0 <= ceiling <= self._ceiling:
                raise Failure("out_of_range", f"a ceiling of {ceiling} V pk is above the {self._ceiling} V pk of this leave")
            if drive is not None and not 0 <= drive <= ceiling:
                raise Failure("out_of_range", f"{drive} V pk is beyond the ceiling of {ceiling} V pk")
        return generation

    def withdraw(self) -> None:
        """Everything so far is void."""
        with self._lock:
            self._void = self._highest

    def stands(self, generation: int) -> bool:
        """Whether a leave still stands."""
        with self._lock:
            return generation > self._void and generation >= self._highest

    def hear(self, beat: dict) -> bool:
        """Hears a heartbeat; true if it is believed."""
        generation, judged = beat.get("generation"), beat.get("judged_samples")
        if not is_count(generation) or not (judged is None or is_count(judged)):
            return False
        with self._lock:
            if generation == 0:
                self._void = self._highest
            elif generation > self._highest:
                self._highest, self._ceiling = generation, None
            advanced = judged is not None and judged > self._judged
            if advanced:
                self._judged = judged
            return advanced or self._highest <= self._void


def is_count(value: object) -> bool:
    """A whole number from 0 up."""
    return isinstance(value, int) and not isinstance(value, bool) and value >= 0


def samples_on_a_line(channels: int) -> int:
    """Most samples of so many channels that fit into a line: each takes 16/3 characters of base64."""
    return ((LINE_MAX - 1024) // channels - 64) // 16 * 3


class Output:
    """Standard output: nobody who speaks ever waits for it."""

    def __init__(self) -> None:
        self._ready = threading.Condition()
        self._replies: collections.deque[bytes] = collections.deque()
        self._blocks: collections.deque[bytes] = collections.deque()
        self._lost = 0
        self._room = BLOCKS[0]
        threading.Thread(target=self._write, daemon=True).start()

    def _write(self) -> None:
        while True:
            with self._ready:
                self._ready.wait_for(lambda: self._replies or self._blocks)
                line = self._replies.popleft() if self._replies else self._blocks.popleft()
            try:
                sys.stdout.buffer.write(line)
                sys.stdout.buffer.flush()
            except (OSError, ValueError):
                return

    def say(self, **message: object) -> None:
        """Sends a reply, a failure or a notification that must not be lost."""
        line = json.dumps({"jsonrpc": "2.0", **message}, allow_nan=False).encode() + b"\n"
        with self._ready:
            if len(self._replies) < REPLIES_MAX:
                self._replies.append(line)
                self._ready.notify()

    def block(self, first_sample: int, gap_before: int, channels: list[bytes], overload: list[bool],
              not_finite: list[bool]) -> None:
        """Sends a block of samples (little-endian binary32, a piece of bytes for each channel), or drops and counts it.

        What does not fit into a line goes in pieces; that an input was overloaded is said of each.
        """
        count, most = len(channels[0]) // 4, samples_on_a_line(len(channels))
        for start in range(0, count, most):
            pieces = [channel[4 * start : 4 * (start + most)] for channel in channels]
            self._piece(first_sample + start, 0 if start else gap_before, pieces, overload, not_finite)

    def _piece(self, first_sample: int, gap_before: int, channels: list[bytes], overload: list[bool],
               not_finite: list[bool]) -> None:
        with self._ready:
            if len(self._blocks) >= self._room:
                self._lost += gap_before + len(channels[0]) // 4
                return
            gap_before, self._lost = gap_before + self._lost, 0
        params = {
            "first_sample": first_sample,
            "gap_before_samples": gap_before,
            "channels": [base64.b64encode(channel).decode("ascii") for channel in channels],
            "overload": overload,
        }
        if any(not_finite):
            params["not_finite"] = not_finite
        line = json.dumps({"jsonrpc": "2.0", "method": "acquisition.block", "params": params}).encode() + b"\n"
        with self._ready:
            self._blocks.append(line)
            self._ready.notify()

    def keep(self, block_s: float) -> None:
        """Says how long a block is, and with it how many may wait."""
        self._room = min(max(math.ceil(WAITING_S / block_s), BLOCKS[0]), BLOCKS[1])

    def forget_blocks(self) -> None:
        """No block that waits follows the end of sampling."""
        with self._ready:
            self._blocks.clear()
            self._lost = 0


class Host:
    """What an instrument is given: where blocks go, and the leave that its drives are checked against."""

    def __init__(self) -> None:
        self.output = Output()
        self.leave = Leave()
        self.hello: dict = {}
        self._signs: queue.SimpleQueue[str | None] = queue.SimpleQueue()
        self._instrument = None
        self._opened = threading.Event()
        self._workers: dict[str, queue.Queue] = {}

    # --- the main thread -------------------------------------------------------------------------------------------

    def live(self, open_instrument) -> int:
        """Lives until the daemon is gone; gives the exit status."""
        for kind in (signal.SIGTERM, signal.SIGINT):
            signal.signal(kind, lambda *_: self._signs.put("a signal said so"))
        threading.Thread(target=self._read, args=(open_instrument,), daemon=True).start()
        limit = None
        while True:
            try:
                over = self._signs.get(timeout=limit)
            except queue.Empty:
                over = "no heartbeat came that could be believed"
            if over is not None:
                break
            # The first sign comes with hello; nothing has to beat before.
            limit = self.hello["heartbeat_limit_s"]
        log("INFO", f"the plug-in ends: {over}")
        return self._end()

    def _end(self) -> int:
        if not self.hello:
            return 0
        # What is being opened may be what a host before this one left on.
        self._opened.wait(10)
        if self._instrument is None:
            return 0
        for _ in range(3):
            done: queue.SimpleQueue[str] = queue.SimpleQueue()
            threading.Thread(target=self._make_safe_into, args=(done,), daemon=True).start()
            try:
                wrong = done.get(timeout=self._instrument.safe_ms / 1000 + 0.1)
            except queue.Empty:
                wrong = "it took too long"
            if not wrong:
                return 0
            log("ERROR", f"could not be made safe: {wrong}")
        return 4

    def _make_safe_into(self, done: queue.SimpleQueue) -> None:
        try:
            proof = self.make_safe("link_lost")
            # A number that is none is null and flagged: that is no 0 V.
            safe = not proof.get("not_finite") and not proof.get("drive_v_peak") and proof.get("muted") in (None, True)
            done.put("" if safe else f"it read back {proof}")
        except Exception as error:
            done.put(str(error) or repr(error))

    # --- the reader ------------------------------------------------------------------------------------------------

    def _read(self, open_instrument) -> None:
        over = "the input ended"
        while True:
            line = sys.stdin.buffer.readline(LINE_MAX + 2)
            if not line.endswith(b"\n"):
                if len(line) <= LINE_MAX:
                    break
                while line and not line.endswith(b"\n"):
                    line = sys.stdin.buffer.readline(LINE_MAX)
                self._fail(None, Failure("protocol", "the line is too long", code=-32700))
                continue
            try:
                self._hear(json.loads(line), open_instrument)
            except Failure as failure:
                self._fail(None, failure)
            except ValueError as error:
                self._fail(None, Failure("protocol", f"the line is no message: {error}", code=-32700))
            except Exception as error:
                self._fail(None, Failure("bug", repr(error)))
        self._signs.put(over)

    def _hear(self, message: object, open_instrument) -> None:
        bad = Failure("protocol", "the line is no message of JSON-RPC 2.0", code=-32600)
        if not isinstance(message, dict) or message.get("jsonrpc") != "2.0":
            raise bad
        method, params, ident = message.get("method"), message.get("params", {}), message.get("id")
        if not isinstance(method, str) or not isinstance(params, dict) or not (ident is None or is_count(ident)):
            raise bad
        if ident is None:
            if method == "heartbeat" and self.leave.hear(params) and self.hello:
                self._signs.put(None)
        elif method == "make_safe":
            threading.Thread(target=self._answer, args=(ident, self._safe_now, params), daemon=True).start()
        elif method == "hello":
            self._greet(ident, params, open_instrument)
        else:
            self._route(ident, method, params)

    def _greet(self, ident: int, params: dict, open_instrument) -> None:
        try:
            if self.hello:
                raise Failure("protocol", "hello was said already")
            theirs = str(params.get("protocol", "")).split(".")
            if len(theirs) != 2 or not all(part.isdecimal() for part in theirs):
                raise Failure("protocol", "protocol has to be major.minor", code=-32602)
            if int(theirs[0]) != VERSION[0]:
                raise Failure("unsupported", f"this plug-in speaks protocol {VERSION[0]}.{VERSION[1]}, not {params['protocol']}")
            for name in ("latency_s", "reply_limit_s", "heartbeat_limit_s"):
                number(params, name)
            if not isinstance(params.get("settings"), dict):
                raise Failure("protocol", "settings have to be an object", code=-32602)
        except Failure as failure:
            self._fail(ident, failure)
            return
        self.hello = params
        self._signs.put(None)
        threading.Thread(target=self._open, args=(ident, open_instrument), daemon=True).start()

    def _open(self, ident: int, open_instrument) -> None:
        try:
            self._answer(ident, lambda _: self._introduce(open_instrument), {})
        finally:
            self._opened.set()

    def _introduce(self, open_instrument) -> dict:
        instrument = open_instrument(self, self.hello["settings"])
        for role in instrument.roles:
            self._workers[role] = calls = queue.Queue(maxsize=8)
            threading.Thread(target=self._work, args=(calls,), daemon=True).start()
        self._instrument = instrument
        return {
            "protocol": f"{VERSION[0]}.{VERSION[1]}",
            "identity": instrument.identity,
            "roles": instrument.roles,
            "safe_ms": instrument.safe_ms,
            "transfer_ms": instrument.transfer_ms,
        }

    def _route(self, ident: int, method: str, params: dict) -> None:
        role = method.partition(".")[0]
        if self._instrument is None:
            self._fail(ident, Failure("protocol", "say hello first"))
        elif role not in self._workers:
            self._fail(ident, Failure("unsupported", f"the instrument has no role '{role}'"))
        else:
            try:
                self._workers[role].put_nowait((ident, method, params))
            except queue.Full:
                self._fail(ident, Failure("busy", "8 calls wait already"))

    # --- calls -----------------------------------------------------------------------------------------------------

    def _work(self, calls: queue.Queue) -> None:
        while True:
            ident, method, params = calls.get()
            call = self._instrument.calls.get(method)
            if call is None:
                self._fail(ident, Failure("unsupported", f"there is no method '{method}'", code=-32601))
                continue
            generation = (params.get("permit") or {}).get("generation") if "permit" in params else None
            self._answer(ident, lambda p, call=call, generation=generation: self._driven(call, p, generation), params)

    def _driven(self, call, params: dict, generation: int | None) -> dict:
        """A call; one that outlasted its leave is undone."""
        try:
            return call(params)
        finally:
            if is_count(generation) and not self.leave.stands(generation):
                self.make_safe("link_lost")
                raise Failure("out_of_range", f"leave {generation} was withdrawn; made safe again")

    def _safe_now(self, params: dict) -> dict:
        return self.make_safe(str(params.get("reason", "link_lost")))

    def make_safe(self, reason: str) -> dict:
        """Leave is withdrawn first, then the instrument made safe; gives the proof."""
        self.leave.withdraw()
        if self._instrument is None:
            raise Failure("protocol", "the instrument is not open yet; say hello first")
        return self._instrument.make_safe(reason)

    def _answer(self, ident: int, call, params: dict) -> None:
        try:
            result = call(params)
        except Failure as failure:
            self._fail(ident, failure)
        except Exception as error:
            log("ERROR", repr(error))
            self._fail(ident, Failure("bug", repr(error)))
        else:
            self.output.say(id=ident, result=result)

    def _fail(self, ident: int | None, failure: Failure) -> None:
        self.output.say(id=ident, error=failure.as_error())


def serve(open_instrument) -> None:
    """Runs a plug-in: `open_instrument(host, settings)` gives an object with these attributes.

    identity    make, model, serial, firmware, as the instrument says them
    roles       such as {"acquisition": {"continuity": "continuous"}}
    safe_ms, transfer_ms
    calls       a function for each method, from parameters to result, such as {"ambient.read": self.read}
    make_safe   a function of the reason that gives the proof; called from any thread, at any time

    It raises Failure where it can't open, and changes no output.
    """
    # Not a terminal's: its mode is shared with the shell.
    if not os.isatty(2):
        os.set_blocking(2, False)
    status = Host().live(open_instrument)
    # At once: a call may still hang in its thread.
    os._exit(status)
