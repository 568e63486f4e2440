"""A TCP connection to an instrument that is asked in lines of text, one transfer at a time, each bounded in time."""

import socket
import threading

from host import Failure


class TextLine:
    """Questions and commands. `make_safe` waits for one transfer at most, for each holds the lock for `within_s` at most."""

    def __init__(self, address: str, within_s: float):
        host, _, port = address.rpartition(":")
        if not host or not port.isdecimal():
            raise Failure("out_of_range", f"'{address}' is no address; write it like \"192.0.2.7:5025\"")
        self._place = (host, int(port))
        self._within_s = within_s
        self._lock = threading.Lock()
        self._socket: socket.socket | None = None

    def _connect(self) -> socket.socket:
        if self._socket is None:
            try:
                self._socket = socket.create_connection(self._place, timeout=self._within_s)
            except TimeoutError as error:
                raise Failure("timeout", f"{self._place} did not take the connection") from error
            except OSError as error:
                raise Failure("disconnected", f"{self._place}: {error}") from error
        return self._socket

    def _give_up(self) -> None:
        """A late answer must never pass for the next one: the connection is given up and made anew."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def tell(self, command: str) -> None:
        """Sends a command."""
        with self._lock:
            self._send(command)

    def ask(self, question: str) -> str:
        """Sends a question; gives the answer."""
        with self._lock:
            self._send(question)
            answer = b""
            try:
                while not answer.endswith(b"\n"):
                    piece = self._connect().recv(4096)
                    if not piece or len(answer) > 4096:
                        self._give_up()
                        raise Failure("disconnected", f"{self._place} ended in the answer to '{question}'")
                    answer += piece
            except TimeoutError as error:
                self._give_up()
                raise Failure("timeout", f"no answer to '{question}' within {self._within_s} s") from error
            except OSError as error:
                self._give_up()
                raise Failure("disconnected", f"{self._place}: {error}") from error
            return answer.decode("ascii", "replace").strip()

    def ask_number(self, question: str) -> float:
        """Sends a question whose answer is a number."""
        answer = self.ask(question)
        try:
            return float(answer)
        except ValueError as error:
            raise Failure("bad_data", f"the answer to '{question}' is no number: '{answer}'") from error

    def _send(self, text: str) -> None:
        try:
            self._connect().sendall(text.encode("ascii") + b"\n")
        except TimeoutError as error:
            self._give_up()
            raise Failure("timeout", f"'{text}' was not taken within {self._within_s} s") from error
        except OSError as error:
            self._give_up()
            raise Failure("disconnected", f"{self._place}: {error}") from error
