"""A Modbus RTU instrument on a serial port, by pymodbus: unit 1, ten registers that
functions 3 and 4 read alike. A counter counts periods since the start.

    0-1  volts, a single: 12 + counter/64     5    -40, signed
    2-3  amperes, a single: -1.5              6-9  the counter, 64 bits
    4    253

usage: modbus_server.py PORT PERIOD_SECOND
"""

import asyncio
import struct
import sys
import time

from pymodbus import FramerType
from pymodbus.server import StartAsyncSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice

PORT, PERIOD = sys.argv[1], float(sys.argv[2])
START = time.monotonic()


async def fill(_function, start, address, count, registers, _new):
    counter = int((time.monotonic() - START) / PERIOD)
    values = struct.unpack(
        ">10H", struct.pack(">ffHhQ", 12 + counter / 64, -1.5, 253, -40, counter)
    )
    for at in range(address, address + count):
        if 0 <= at < len(values):
            registers[at - start] = values[at]


async def main():
    data = SimData(address=0, count=10, values=0, datatype=DataType.REGISTERS)
    device = SimDevice(id=1, simdata=data, action=fill)
    print("ready", flush=True)
    await StartAsyncSerialServer(
        device,
        framer=FramerType.RTU,
        port=PORT,
        baudrate=115200,
        bytesize=8,
        parity="N",
        stopbits=1,
        ignore_missing_devices=True,
    )


asyncio.run(main())
