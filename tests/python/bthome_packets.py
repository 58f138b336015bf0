"""Prints BTHome v2 packets and what PyPI bthome-ble makes of them.

    bthome_packets.py KEY ADDRESS

One JSON object a line: "data" is the service data in hexadecimal, "values" what
bthome-ble reads, in its own units, "sealed" whether it is encrypted. The packets
are drawn, always the same.
"""

import json
import random
import sys

from bthome_ble.const import MEAS_TYPES
from bthome_ble.parser import BTHomeBluetoothDeviceData
from cryptography.hazmat.primitives.ciphers.aead import AESCCM
from habluetooth import BluetoothServiceInfoBleak

UUID = "0000fcd2-0000-1000-8000-00805f9b34fb"
# One id of each name at most, so that a name has one value.
CHOICES = [[0x01], [0x02, 0x45, 0x57, 0x58], [0x0A, 0x4D], [0x0B, 0x5C], [0x0C, 0x4A], [0x43, 0x5D]]
# Ids in between that we step over: text, raw, a counter, a light, a speed.
OTHERS = [[0x53, 2, 0x61, 0x62], [0x54, 1, 0xFF], [0x3E, 1, 2, 3, 4], [0x05, 1, 2, 3], [0x62, 1, 2, 3, 4]]

key, address = bytes.fromhex(sys.argv[1]), sys.argv[2]
draw = random.Random(20260302)


def objects():
    chosen = [draw.choice(ids) for ids in draw.sample(CHOICES, draw.randint(1, len(CHOICES)))]
    parts = [bytes([i]) + draw.randbytes(MEAS_TYPES[i].data_length) for i in chosen]
    parts += [bytes(other) for other in draw.sample(OTHERS, draw.randint(0, 2))]
    return b"".join(sorted(parts))


def sealed(counter, plain):
    count = counter.to_bytes(4, "little")
    nonce = bytes.fromhex(address.replace(":", "")) + b"\xd2\xfc\x41" + count
    data = AESCCM(key, tag_length=4).encrypt(nonce, plain, None)
    return b"\x41" + data[:-4] + count + data[-4:]


def read(parser, data):
    info = BluetoothServiceInfoBleak(
        "bench", address, -60, {}, {UUID: data}, [UUID], "", None, None, False, 0.0, None
    )
    values = parser.update(info).entity_values
    return {k.key: v.native_value for k, v in values.items() if isinstance(v.native_value, (int, float))}


for n in range(400):
    plain = objects()
    is_sealed = n % 4 == 0
    data = sealed(100 + n, plain) if is_sealed else b"\x40" + plain
    parser = BTHomeBluetoothDeviceData(bindkey=key if is_sealed else None)
    print(json.dumps({"data": data.hex(), "sealed": is_sealed, "values": read(parser, data)}))
