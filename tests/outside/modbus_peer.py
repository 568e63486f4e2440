"""A Modbus unit of pymodbus, over TCP and as RTU on a pseudo-terminal, for the driver under test.

Prints one line of JSON with the two addresses and serves until its standard input ends. Coils and discrete inputs from 0
on alternate 1, 0, 1, 0 …; input and holding register n hold 100 + n.
"""

import asyncio
import json
import logging
import os
import sys
import threading
import tty

from pymodbus import FramerType
from pymodbus.datastore import ModbusDeviceContext, ModbusSequentialDataBlock, ModbusServerContext
from pymodbus.server import ModbusSerialServer, ModbusTcpServer


# That an interface will change in a later version is no news for a version that is pinned.
logging.disable(logging.WARNING)


def context():
    """Tables of 64 places each."""
    # A block of address 1 is address 0 on the wire.
    bits = [1, 0] * 32
    words = [100 + n for n in range(64)]
    unit = ModbusDeviceContext(
        di=ModbusSequentialDataBlock(1, list(bits)),
        co=ModbusSequentialDataBlock(1, list(bits)),
        ir=ModbusSequentialDataBlock(1, list(words)),
        hr=ModbusSequentialDataBlock(1, list(words)),
    )
    return ModbusServerContext(devices=unit, single=True)


def line():
    """Two pseudo-terminals whose far ends are joined: what is written to one comes out of the other."""
    ends = [os.openpty() for _ in range(2)]
    for _, near in ends:
        tty.setraw(near)

    def carry(source, target):
        while True:
            os.write(target, os.read(source, 4096))

    for source, target in [(ends[0][0], ends[1][0]), (ends[1][0], ends[0][0])]:
        threading.Thread(target=carry, args=(source, target), daemon=True).start()
    return [os.ttyname(near) for _, near in ends]


async def main():
    """Serves both."""
    own, theirs = line()
    tcp = ModbusTcpServer(context(), address=("127.0.0.1", 0))
    rtu = ModbusSerialServer(context(), framer=FramerType.RTU, port=own, baudrate=115200)
    await tcp.serve_forever(background=True)
    await rtu.serve_forever(background=True)
    port = tcp.transport.sockets[0].getsockname()[1]
    print(json.dumps({"tcp": f"127.0.0.1:{port}", "serial": theirs}), flush=True)
    await asyncio.get_running_loop().run_in_executor(None, sys.stdin.read)
    # The threads that carry bytes would keep the interpreter.
    os._exit(0)


asyncio.run(main())
