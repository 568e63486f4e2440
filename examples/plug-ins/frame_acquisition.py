#!/usr/bin/env python3
"""A continuous acquisition whose box sends frames of samples over TCP, as a plug-in: complete, in plain Python.

    [[instrument]]
    name = "daq"
    driver = "plug-in"
    settings = { program = "frame_acquisition.py", tcp = "192.0.2.8:5026" }

Commands are lines of text: IDENTIFY, CONFIGURE rate=… frames=… channels=INPUT:RANGE,…, START, STOP. What comes back are
frames, little-endian: "CWFR", version 1, kind, two zeros, length of the body, CRC-32 of version to length and body, body.
Kind 1 is an answer (text, OK or ERROR first), kind 2 a block (first sample, 8 bytes; samples per channel, 4; channels, 2;
two zeros; overload flags, 8; then binary32 in V, channel after channel), kind 3 the end of sampling, and why.
"""

import array
import math
import queue
import socket
import struct
import sys
import threading
import zlib
from decimal import Decimal

from host import Failure, Host, number, samples_on_a_line, serve

HEAD = struct.Struct("<4sBBHII")
BLOCK_HEAD = struct.Struct("<QIHHQ")
BODY_MAX = 4 << 20
TRANSFER_S = 0.4
ANSWER, BLOCK, ENDED = 1, 2, 3


class Connection:
    """A connection to the box. One that was given up once is over: a late answer must not pass for the next one's."""

    def __init__(self, place: tuple[str, int]):
        self._socket = socket.create_connection(place, timeout=TRANSFER_S)
        self._socket.settimeout(None)
        self.stream = self._socket.makefile("rb", buffering=1 << 16)
        self.answers: queue.Queue[str | None] = queue.Queue(maxsize=4)
        self.over = False

    def give_up(self) -> None:
        """Ends it, also for the thread that reads: closing alone would leave it open for as long as that reads."""
        self.over = True
        try:
            self._socket.shutdown(socket.SHUT_RDWR)
        except OSError:
            pass
        self._socket.close()
        try:
            self.answers.put_nowait(None)
        except queue.Full:
            pass

    def command(self, command: str) -> str:
        """Sends a command; gives what its answer says behind OK."""
        if self.over:
            raise Failure("disconnected", f"'{command}': the connection was given up")
        # What waits here already answers nothing that is asked now.
        if not self.answers.empty():
            self.give_up()
            raise Failure("protocol", f"before '{command}' an answer came that nobody asked for")
        try:
            self._socket.sendall(command.encode("ascii") + b"\n")
            answer = self.answers.get(timeout=TRANSFER_S)
        except OSError as error:
            self.give_up()
            raise Failure("disconnected", f"'{command}': {error}") from error
        except queue.Empty:
            self.give_up()
            raise Failure("timeout", f"no answer to '{command}' within {TRANSFER_S} s") from None
        if answer is None:
            raise Failure("disconnected", f"the box ended the connection at '{command}'")
        word, _, rest = answer.partition(" ")
        if word == "OK":
            return rest
        if word != "ERROR":
            self.give_up()
        raise Failure("out_of_range" if word == "ERROR" else "protocol", f"'{command}': {answer}")


class FrameAcquisition:
    """The instrument."""

    # It moves nothing, so there is nothing to make safe; what is declared is never less than a transfer.
    safe_ms = TRANSFER_S * 1000
    transfer_ms = TRANSFER_S * 1000

    def __init__(self, host: Host, settings: dict):
        address = settings.get("tcp")
        place, _, port = str(address).rpartition(":")
        if settings.keys() != {"tcp"} or not place or not port.isdecimal():
            raise Failure("out_of_range", "write settings = { program = …, tcp = \"192.0.2.8:5026\" }, nothing else")
        self._host = host
        self._place = (place, int(port))
        self._connection: Connection | None = None
        self._known_as: str | None = None
        self._channels = 0
        self._next: int | None = None
        said = [part.strip() for part in self._command("IDENTIFY").split(",")]
        if len(said) != 4:
            raise Failure("protocol", f"IDENTIFY has four parts, not {len(said)}")
        self.identity = dict(zip(("make", "model", "serial", "firmware"), said, strict=True))
        self.roles = {"acquisition": {"continuity": "continuous"}}
        self.calls = {
            "acquisition.configure": self.configure,
            "acquisition.start": self.start,
            "acquisition.stop": self.stop,
        }

    def make_safe(self, _reason: str) -> dict:
        """Neither source nor amplifier: nothing to prove."""
        return {"drive_v_peak": None, "muted": None}

    def configure(self, params: dict) -> dict:
        """Rate, length of a block, channels; answers what the box applied, which has to be the same."""
        if self._next is not None:
            raise Failure("busy", "it is sampling; stop it first")
        channels = params.get("channels")
        if not isinstance(channels, list) or not channels:
            raise Failure("protocol", "channels have to be a list", code=-32602)
        inputs = ",".join(f"{c['input']}:{plain(number(c, 'range_v_peak'))}" for c in channels)
        written = f"rate={plain(number(params, 'rate_hz'))} frames={number(params, 'block_samples'):.0f} channels={inputs}"
        answer = self._command(f"CONFIGURE {written}")
        if answer != written:
            raise Failure("out_of_range", f"asked for '{written}', it can do '{answer}'; write that into the rig file")
        self._channels = len(channels)
        length = min(number(params, "block_samples"), samples_on_a_line(len(channels)))
        self._host.output.keep(length / number(params, "rate_hz"))
        return params

    def start(self, _params: dict) -> dict:
        """Blocks follow."""
        self._next = 0
        try:
            self._command("START")
        except Failure:
            self._next = None
            raise
        return {}

    def stop(self, _params: dict) -> dict:
        """No block follows the answer."""
        if self._next is not None:
            try:
                self._command("STOP")
            finally:
                self._next = None
                self._host.output.forget_blocks()
        return {}

    def _connect(self) -> "Connection":
        """The connection; made anew where the one before is over, and only to the same box."""
        if self._connection is not None and not self._connection.over:
            return self._connection
        try:
            self._connection = connection = Connection(self._place)
        except OSError as error:
            raise Failure("disconnected", f"{self._place}: {error}") from error
        threading.Thread(target=self._read, args=(connection,), daemon=True).start()
        said = connection.command("IDENTIFY")
        if self._known_as is None:
            self._known_as = said
        elif said != self._known_as:
            connection.give_up()
            raise Failure("bad_data", f"'{said}' answers in place of '{self._known_as}'")
        return connection

    def _command(self, command: str) -> str:
        return self._connect().command(command)

    # --- the thread that reads frames ------------------------------------------------------------------------------

    def _read(self, connection: "Connection") -> None:
        try:
            while True:
                self._frame(connection)
        except Failure as failure:
            self._broken(connection, failure)
        except (OSError, ValueError) as error:
            self._broken(connection, Failure("disconnected", f"the box: {error}"))

    def _broken(self, connection: "Connection", failure: Failure) -> None:
        """What follows a broken frame is not looked at."""
        connection.give_up()
        if connection is self._connection and self._next is not None:
            self._next = None
            self._host.output.say(method="acquisition.failed", params=failure.as_error())

    def _frame(self, connection: "Connection") -> None:
        stream = connection.stream
        head = stream.read(HEAD.size)
        if len(head) < HEAD.size:
            raise Failure("disconnected", "the box ended the connection")
        magic, version, kind, zeros, length, checksum = HEAD.unpack(head)
        if (magic, version, zeros) != (b"CWFR", 1, 0) or length > BODY_MAX:
            raise Failure("protocol", "this is no frame of version 1")
        body = stream.read(length)
        if len(body) < length or zlib.crc32(body, zlib.crc32(head[4:12])) != checksum:
            raise Failure("protocol", "a frame is torn or its checksum wrong")
        if kind == ANSWER:
            try:
                connection.answers.put_nowait(body.decode())
            except queue.Full:
                raise Failure("protocol", "answers came that nobody asked for") from None
        elif kind == BLOCK:
            self._block(body)
        elif kind == ENDED:
            raise Failure("disconnected", f"sampling ended: {body.decode(errors='replace')}")
        else:
            raise Failure("protocol", f"frames of kind {kind} are unknown")

    def _block(self, body: bytes) -> None:
        if len(body) < BLOCK_HEAD.size:
            raise Failure("protocol", "a block without a head")
        first, frames, channels, zeros, flags = BLOCK_HEAD.unpack_from(body)
        if zeros or not frames or channels != self._channels or len(body) != BLOCK_HEAD.size + 4 * frames * channels:
            raise Failure("protocol", "a block does not hold what it says")
        if self._next is None:
            return
        if first < self._next:
            raise Failure("bad_data", f"sample {first} came again: the next one was {self._next}")
        gap, self._next = first - self._next, first + frames
        starts = range(BLOCK_HEAD.size, len(body), 4 * frames)
        pieces = [body[start : start + 4 * frames] for start in starts]
        self._host.output.block(
            first, gap, pieces, [bool(flags >> n & 1) for n in range(channels)], [not is_finite(p) for p in pieces]
        )


def plain(value: float) -> str:
    """The shortest number that reads back the same, never with an exponent: 48828.125, 1048576, 0.00001."""
    text = f"{Decimal(repr(value)):f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def is_finite(piece: bytes) -> bool:
    """Whether all are finite: their sum is, in double precision, if and only if each is."""
    samples = array.array("f", piece)
    if sys.byteorder == "big":
        samples.byteswap()
    return math.isfinite(sum(samples))


serve(FrameAcquisition)
