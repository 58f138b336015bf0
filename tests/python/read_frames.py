"""Reads every frame of a store with Python alone. Written from
docs/store-format.md, and held to it by a test.

    read_frames.py STORE    prints a line a frame, in order: run, source, number,
                            time in us, kind, endpoint, payload in hex; and after
                            the frames of a row its saved state, if it has one
"""

import json
import sqlite3
import sys
import zlib

KINDS = ["opened", "received", "sent", "drained", "deadline", "command", "closed"]


class Bytes:
    def __init__(self, data):
        self.data, self.at = data, 0

    def take(self, count):
        self.at += count
        return self.data[self.at - count : self.at]

    def is_left(self):
        return self.at < len(self.data)

    def varint(self):
        value = shift = 0
        while True:
            byte = self.take(1)[0]
            value |= (byte & 0x7F) << shift
            shift += 7
            if byte < 0x80:
                return value

    def signed(self):
        value = self.varint()
        return (value >> 1) ^ -(value & 1)


def unpack(data):
    packed = Bytes(data)
    if zlib.crc32(data[4:]) != int.from_bytes(packed.take(4), "little"):
        raise ValueError("a damaged chunk")
    how, length = packed.take(1)[0], packed.varint()
    rest = data[packed.at :]
    data = zlib.decompress(rest) if how == 1 else rest
    if len(data) != length:
        raise ValueError("a damaged chunk")
    return data


def frames(data):
    part, number, t_us = Bytes(data), 0, 0
    while part.is_left():
        head = part.take(1)[0]
        endpoint = part.varint() if head & 8 else 0
        number += 1 + (part.signed() if head & 16 else 0)
        t_us += part.signed()
        payload = part.take(part.varint()) if head & 32 else b""
        yield number, t_us, KINDS[head & 7], endpoint, payload.hex()


store = sqlite3.connect(f"file:{sys.argv[1]}?mode=ro", uri=True)
rows = store.execute(
    "SELECT run, source, snapshot, frames FROM frame_chunk JOIN decode_set ON decode_set.id = decode_set "
    "ORDER BY source, run, first_number"
)
for run, source, snapshot, data in rows:
    for frame in frames(unpack(data)):
        print(run, json.dumps(source), *frame)
    if snapshot is not None:
        print("state", unpack(snapshot).hex())
