"""The panels of `calwright rig-sim`, driven by general instrument libraries: pyvisa with pyvisa-py, and pymodbus' client.

Argument: the line of JSON that rig-sim prints. Prints a line of JSON with the checks that passed, and those that did not.
"""

import json
import sys
import time

import pyvisa
from pymodbus import FramerType
from pymodbus.client import ModbusSerialClient, ModbusTcpClient

passed, failed = [], []


def check(what, holds, seen=None):
    """Notes a check."""
    (passed if holds else failed).append(what if holds else f"{what}: {seen!r}")


def generator(address):
    """A generator over a raw socket."""
    host, port = address.rsplit(":", 1)
    manager = pyvisa.ResourceManager("@py")
    source = manager.open_resource(
        f"TCPIP0::{host}::{port}::SOCKET", read_termination="\n", write_termination="\n", timeout=2000
    )
    identity = source.query("*IDN?").split(",")
    check("identity of four fields", len(identity) == 4 and identity[0] == "simulated", identity)
    source.write("*CLS")
    check("operation complete", source.query("*OPC?") == "1")
    check("self-test", source.query("*TST?") == "0")
    check("version of the language", source.query("SYST:VERS?") == "1999.0")
    source.write("SOURCE1:FREQUENCY 31.5 HZ")
    source.write("SOUR:VOLT:UNIT VRMS")
    source.write("SOUR:VOLT 0.25")
    numbers = source.query_ascii_values("SOUR:FREQ?;:SOUR:VOLT?", separator=";")
    check("numbers read back", abs(numbers[0] - 31.5) < 1e-5 and abs(numbers[1] - 0.25) < 1e-4, numbers)
    source.write("SOUR:VOLT:UNIT VPP")
    peaks = source.query_ascii_values("SOUR:VOLT?")[0]
    check("another unit of the amplitude", abs(peaks - 0.25 * 8**0.5) < 1e-4, peaks)
    check("no error so far", source.query("SYST:ERR?") == '0,"No error"')
    source.write("NONSENSE 1")
    source.write("SOUR:VOLT 1E6")
    check("standard event status", int(source.query("*ESR?")) & 0x30 == 0x30)
    codes = [int(source.query("SYSTEM:ERROR:NEXT?").split(",")[0]) for _ in range(3)]
    check("errors in their order", codes == [-113, -222, 0], codes)
    source.write("OUTP ON")
    check("output on", source.query("OUTP?") == "1")
    source.write("OUTP OFF")
    check("output off", source.query("OUTP?") == "0")
    source.close()


def climate(path):
    """An ambient sensor on a serial line."""
    manager = pyvisa.ResourceManager("@py")
    sensor = manager.open_resource(
        f"ASRL{path}::INSTR", read_termination="\n", write_termination="\n", timeout=2000, baud_rate=9600
    )
    temperature = float(sensor.query("TEMP?"))
    check("temperature over a serial line", 20 < temperature < 26, temperature)
    humidity = float(sensor.query("HUMIDITY?"))
    check("humidity over a serial line", 0 < humidity < 100, humidity)
    sensor.close()


def amplifier(address):
    """An amplifier over Modbus TCP."""
    host, port = address.rsplit(":", 1)
    client = ModbusTcpClient(host, port=int(port), timeout=2)
    check("connection to the amplifier", client.connect())
    client.write_coil(0, True)
    check("muted", client.read_discrete_inputs(0, count=1).bits[0])
    client.write_coil(1, True)
    check("unmuted", not client.write_coil(0, False).isError())
    check("live", not client.read_discrete_inputs(0, count=1).bits[0])
    client.write_coil(0, True)
    check("muted again", client.read_coils(0, count=2).bits[:2] == [True, True])
    gain = client.convert_from_registers(
        client.read_input_registers(2, count=2).registers, client.DATATYPE.FLOAT32
    )
    check("gain in two registers", abs(gain - 10.0) < 1e-6, gain)
    client.write_register(0, 7)
    check("heartbeat", client.read_holding_registers(0, count=1).registers == [7])
    refused = client.read_holding_registers(99, count=1)
    check("illegal address refused", refused.isError() and refused.exception_code == 2, refused)
    client.close()


def contacts(path):
    """Contacts over Modbus RTU."""
    client = ModbusSerialClient(path, framer=FramerType.RTU, baudrate=115200, timeout=2)
    check("connection to the contacts", client.connect())
    bits = client.read_discrete_inputs(0, count=3).bits[:3]
    check("emergency stop and inputs over RTU", bits == [True, True, True], bits)
    client.write_coil(0, True)
    check("output on over RTU", client.read_coils(0, count=1).bits[0])
    client.write_coil(0, False)
    client.close()


def main():
    """Drives every panel."""
    said = json.loads(sys.argv[1])["instruments"]
    generator(said["generator"]["tcp"])
    climate(said["climate"]["serial"])
    amplifier(said["power-amplifier"]["tcp"])
    contacts(said["panel"]["serial"])
    print(json.dumps({"passed": len(passed), "failed": failed}))
    return 1 if failed else 0


if __name__ == "__main__":
    begun = time.monotonic()
    status = main()
    print(f"{time.monotonic() - begun:.1f} s", file=sys.stderr)
    sys.exit(status)
