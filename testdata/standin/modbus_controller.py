"""A controller as a Modbus TCP server on pymodbus, for tests of the gateway.

Prints "listening HOST:PORT", runs a shift of rolls, and ends with one line of
JSON, the ledger. Exit code 1 when the shift did not end in time or an invariant
broke. After SIGTERM no more rolls come; the shift ends with the last one.
"""

import argparse
import asyncio
import json
import random
import signal
import sys
import time

try:
    from pymodbus.datastore import ModbusServerContext
    from pymodbus.interfaces import IModbusSlaveContext
    from pymodbus.register_read_message import ReadHoldingRegistersRequest, ReadInputRegistersRequest
    from pymodbus.register_write_message import WriteMultipleRegistersRequest, WriteSingleRegisterRequest
    from pymodbus.server.async_io import ModbusTcpServer
except ImportError as problem:
    sys.exit(f"pymodbus 3.0 is needed, as Debian's python3-pymodbus: {problem}")

import switches
from handshake import HEADER, LENGTH, LIMITS, ORDER, RING, Controller, Image
from shift import Shift

SCAN = 0.02  # s
TICK = 0.01
AFTER = 1.5  # s after the last roll: the gateway may still look at the last result
READS, WRITES = (3, 4), (6, 16)
BASE = {"REQ": 1000, "OUT": 1200, "HEARTBEAT": 4000, "HELLO": 4010, "PAYLOAD": 4030, "COMMIT": 4120, "ACK": 4140, "LIMITS": 4200}


class Registers(IModbusSlaveContext):
    """The image of the program as holding registers, also readable as input
    registers. The gateway's blocks alone can be written."""

    def __init__(self, image, options):
        self.image = image
        self.strict = "strict" in options
        self.code = options.get("refuse")
        self.asked = {}
        self.refused = {}
        if options.get("unwritten") == "noise":
            dice = random.Random(3)
            image.out = [[dice.randrange(0x10000) for _ in entry] for entry in image.out]

    def blocks(self):
        yield "REQ", BASE["REQ"], self.image.req
        for n, entry in enumerate(self.image.out):
            yield "OUT", BASE["OUT"] + LENGTH["OUT"] * n, entry
        for name in ORDER:
            yield name, BASE[name], self.image.area[name]
        if self.image.limits is not None:
            yield "LIMITS", BASE["LIMITS"], self.image.limits

    def step(self, fx, address):
        """What a request is of, as "read REQ"."""
        for name, base, words in self.blocks():
            if base <= address < base + len(words):
                return ("read " if fx in READS else "write ") + name
        return None

    def refusal(self, fx, address):
        """The exception that this request gets, and whether it takes effect first. The
        look before a gateway is armed, which ends with the first HELLO, is answered."""
        step = self.step(fx, address)
        if self.code is None or step is None or step != "write HELLO" and "write HELLO" not in self.asked:
            return None, False
        n = self.asked[step] = self.asked.get(step, 0) + 1
        every = 90 if step in ("read REQ", "write HEARTBEAT") else 6
        if n % every != (1 if step == "write HELLO" else 4):
            return None, False
        self.refused[step] = self.refused.get(step, 0) + 1
        return self.code, n // every % 2 == 1

    def validate(self, fx, address, count=1):
        end = address + count
        if fx in WRITES:
            return any(name in ORDER and base <= address and end <= base + len(words) and
                       (not self.strict or count in (1, len(words))) for name, base, words in self.blocks())
        if not self.strict:
            sides = ((1000, 1200 + LENGTH["OUT"] * RING), (4000, 4150), (4200, 4280 if self.image.limits else 4200))
            return count > 0 and any(low <= address and end <= high for low, high in sides)
        for name, base, words in self.blocks():
            if name in ORDER or not base <= address < base + len(words):
                continue
            last = BASE["OUT"] + LENGTH["OUT"] * RING
            return count == 1 or address == base and (count == len(words) or name == "OUT" and end <= last and
                                                      count in (2 * len(words), 3 * len(words)))
        return False

    def getValues(self, fx, address, count=1):
        answer = [0] * count
        for _, base, words in self.blocks():
            low, high = max(base, address), min(base + len(words), address + count)
            if low < high:
                answer[low - address:high - address] = words[low - base:high - base]
        return answer

    def setValues(self, fx, address, values):
        for name, base, words in self.blocks():
            if name in ORDER and base <= address < base + len(words):
                words[address - base:address - base + len(values)] = values


def refusable(base):
    """The request of the library, which may be refused now and then."""

    class Request(base):
        def execute(self, context):
            code, effect = context.refusal(self.function_code, self.address)
            if code is None:
                return super().execute(context)
            if effect:
                super().execute(context)
            return self.doException(code)

    return Request


async def run(options):
    image = Image()
    chosen = switches.parse(options.switch)
    if "narrow-limits" in chosen:
        LIMITS[53] = (0, 1800, HEADER)
    program = Controller(image, switches.Shown(chosen), limits="no-limits" not in chosen)
    shift = Shift(program, options.rolls, chosen)
    unit = Registers(image, chosen)
    server = ModbusTcpServer(ModbusServerContext(slaves={options.unit: unit}, single=False), address=(options.host, options.port))
    for request in (ReadHoldingRegistersRequest, ReadInputRegistersRequest, WriteSingleRegisterRequest, WriteMultipleRegistersRequest):
        server.decoder.register(refusable(request))
    serving = asyncio.ensure_future(server.serve_forever())
    await asyncio.wait({server.serving, serving}, return_when=asyncio.FIRST_COMPLETED)
    if serving.done():
        serving.result()
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, shift.end)
    print("listening %s:%d" % server.server.sockets[0].getsockname()[:2], flush=True)

    last, passed = time.monotonic(), 0.0
    end, done = options.limit, False
    while passed < end:
        # Time that this process did not get is time in which controller and line stood.
        now = time.monotonic()
        passed, last = passed + min(now - last, 5 * SCAN), now
        shift.step(100000 + int(passed / TICK))
        if shift.done() and not done:
            end, done = passed + AFTER, True
        await asyncio.sleep(SCAN)
    serving.cancel()
    await server.server_close()
    return {**shift.report(), "refused": unit.refused, "seconds": round(passed, 1)}


def main():
    parser = argparse.ArgumentParser(description=__doc__, epilog=switches.__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--host", default="127.0.0.1")
    parser.add_argument("--port", type=int, default=0)
    parser.add_argument("--unit", type=int, default=1)
    parser.add_argument("--rolls", type=int, default=40)
    parser.add_argument("--limit", type=float, default=75, help="seconds")
    parser.add_argument("--switch", action="append", default=[], metavar="NAME[=VALUE]")
    report = asyncio.run(run(parser.parse_args()))
    print(json.dumps(report), flush=True)
    return 0 if report["done"] and not report["violations"] else 1


if __name__ == "__main__":
    sys.exit(main())
