"""A TCP connection to an instrument that is asked in lines of text, one transfer at a time, each bounded in time."""

import contextlib
import socket
import threading
import time

from host import Failure


class TextLine:
    """Questions and commands. `make_safe` waits for one transfer at most, for each holds the lock for `within_s` at most.

    A connection that failed is given up and stays so until `reopen`: what the instrument was told before may be forgotten,
    so whoever drives has to make it safe first.
    """

    def __init__(self, address: str, within_s: float):
        host, _, port = address.rpartition(":")
        if not host or not port.isdecimal():
            raise Failure("out_of_range", f"'{address}' is no address; write it like \"192.0.2.7:5025\"")
        self._place = (host, int(port))
        self._within_s = within_s
        self._until = 0.0
        self._lock = threading.Lock()
        self._socket: socket.socket | None = None
        self._given_up = False
        self._known_as: tuple[str, str] | None = None

    def identify(self, question: str) -> str:
        """Asks who is there; from now on the same has to answer whenever the connection is made anew."""
        answer = self.ask(question)
        self._known_as = (question, answer)
        return answer

    def reopen(self) -> bool:
        """Makes a connection that was given up anew, to the same instrument; says whether it was."""
        with self._lock:
            if not self._given_up:
                return False
            self._begin()
            self._given_up = False
            if self._known_as is not None:
                question, known = self._known_as
                self._send(question)
                answer = self._answer(question)
                if answer != known:
                    self._give_up()
                    raise Failure("bad_data", f"{self._place}: '{answer}' answers in place of '{known}'")
            return True

    def tell(self, command: str) -> None:
        """Sends a command."""
        with self._lock:
            self._begin()
            self._send(command)

    def ask(self, question: str) -> str:
        """Sends a question; gives the answer."""
        with self._lock:
            self._begin()
            self._send(question)
            return self._answer(question)

    def ask_number(self, question: str) -> float:
        """Sends a question whose answer is a number."""
        answer = self.ask(question)
        try:
            return float(answer)
        except ValueError as error:
            raise Failure("bad_data", f"the answer to '{question}' is no number: '{answer}'") from error

    def _begin(self) -> None:
        """One limit holds for the whole transfer, however many pieces it comes in."""
        self._until = time.monotonic() + self._within_s

    def _left(self) -> float:
        left = self._until - time.monotonic()
        if left <= 0:
            raise TimeoutError
        return left

    def _connect(self) -> socket.socket:
        if self._given_up:
            raise Failure("disconnected", f"the connection to {self._place} was lost; make the instrument safe first")
        if self._socket is None:
            with self._in_time(f"{self._place} did not take the connection"):
                self._socket = socket.create_connection(self._place, timeout=self._left())
        self._socket.settimeout(self._left())
        return self._socket

    @contextlib.contextmanager
    def _in_time(self, late: str):
        """A part of a transfer; one that fails, or comes too late, gives the connection up."""
        try:
            yield
        except TimeoutError as error:
            self._give_up()
            raise Failure("timeout", late) from error
        except OSError as error:
            self._give_up()
            raise Failure("disconnected", f"{self._place}: {error}") from error

    def _give_up(self) -> None:
        """A late answer must never pass for the next one: the connection is given up and made anew."""
        self._given_up = True
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def _answer(self, question: str) -> str:
        answer = b""
        with self._in_time(f"no answer to '{question}' within {self._within_s} s"):
            while not answer.endswith(b"\n"):
                piece = self._connect().recv(4096)
                if not piece or len(answer) > 4096:
                    self._give_up()
                    raise Failure("disconnected", f"{self._place} ended in the answer to '{question}'")
                answer += piece
        return answer.decode("ascii", "replace").strip()

    def _send(self, text: str) -> None:
        with self._in_time(f"'{text}' was not taken within {self._within_s} s"):
            self._connect().sendall(text.encode("ascii") + b"\n")
