"""A controller as a Modbus TCP server on pymodbus, for tests of the gateway.

Prints "listening HOST:PORT", runs a shift of rolls, and ends with one line of
JSON. Exit code 1 when the shift did not end in time or an invariant broke.
"""

import argparse
import asyncio
import json
import sys
import time

try:
    from pymodbus.datastore import ModbusServerContext
    from pymodbus.interfaces import IModbusSlaveContext
    from pymodbus.server.async_io import ModbusTcpServer
except ImportError as problem:
    sys.exit(f"pymodbus 3.0 is needed, as Debian's python3-pymodbus: {problem}")

import handshake

SCAN = 0.02  # s
TICK = 0.01
READS, WRITES = (3, 4), (6, 16)


class Registers(IModbusSlaveContext):
    """The image of the program as holding registers, also readable as input
    registers. The gateway's blocks alone can be written."""

    def __init__(self, image):
        self.image = image

    def validate(self, fx, address, count=1):
        if fx in READS:
            return self.image.readable(address, count)
        return fx in WRITES and self.image.owner(address, count) is not None

    def getValues(self, fx, address, count=1):
        return self.image.read(address, count)

    def setValues(self, fx, address, values):
        self.image.write(address, values)


async def run(options):
    image = handshake.Image()
    shift = handshake.Shift(handshake.Controller(image), options.rolls)
    unit = Registers(image)
    context = ModbusServerContext(slaves={options.unit: unit}, single=False)
    server = ModbusTcpServer(context, address=(options.host, options.port))
    serving = asyncio.ensure_future(server.serve_forever())
    await asyncio.wait({server.serving, serving}, return_when=asyncio.FIRST_COMPLETED)
    if serving.done():
        serving.result()
    print("listening %s:%d" % server.server.sockets[0].getsockname()[:2], flush=True)

    begin = time.monotonic()
    tick = 100000
    while not shift.done() and time.monotonic() - begin < options.limit:
        tick = 100000 + int((time.monotonic() - begin) / TICK)
        shift.step(tick)
        await asyncio.sleep(SCAN)
    serving.cancel()
    await server.server_close()
    return {**shift.report(), "seconds": round(time.monotonic() - begin, 1)}


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--host", default="127.0.0.1")
    parser.add_argument("--port", type=int, default=0)
    parser.add_argument("--unit", type=int, default=1)
    parser.add_argument("--rolls", type=int, default=40)
    parser.add_argument("--limit", type=float, default=75, help="seconds")
    report = asyncio.run(run(parser.parse_args()))
    print(json.dumps(report), flush=True)
    return 0 if report["done"] and not report["violations"] else 1


if __name__ == "__main__":
    sys.exit(main())
