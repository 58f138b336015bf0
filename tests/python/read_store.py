"""Reads every sample of a store, with Python's own SQLite and the packages
pcodec and numpy. Written from docs/store-format.md alone, and held to it by a test.

    read_store.py STORE    prints a line a sample, in order of number:
                           number, run, source, time in us, readings as hex bits
"""

import json
import sqlite3
import sys
import zlib

import numpy as np
from pcodec import standalone


class Bytes:
    def __init__(self, data):
        self.data, self.at = data, 0

    def take(self, count):
        self.at += count
        return self.data[self.at - count : self.at]

    def rest(self):
        return self.take(len(self.data) - self.at)

    def varint(self):
        value = shift = 0
        while True:
            byte = self.take(1)[0]
            value |= (byte & 0x7F) << shift
            shift += 7
            if byte < 0x80:
                return value


def whole(part, n):
    how = part.take(1)[0]
    if how == 0:
        first, step = np.frombuffer(part.take(16), "<i8")
        with np.errstate(over="ignore"):
            return first + np.arange(n, dtype="i8") * step
    if how == 1:
        least = np.frombuffer(part.take(8), "<i8")[0]
        return least + standalone.simple_decompress(part.rest()).astype("i8")
    return standalone.simple_decompress(part.rest()) if how == 2 else np.frombuffer(part.rest(), "<i8")


def readings(part, n):
    how = part.take(1)[0]
    if how == 1:
        return standalone.simple_decompress(part.rest())
    if how == 2:
        return np.frombuffer(part.rest(), "<f8")
    places, exceptions, at = part.take(1)[0], {}, -1
    for _ in range(part.varint()):
        at += part.varint() + 1
        exceptions[at] = np.frombuffer(part.take(8), "<f8")[0]
    values = whole(part, n).astype("f8") / 10.0**places
    for at, value in exceptions.items():
        values[at] = value
    return values


def chunk(data):
    data = Bytes(data)
    checksum = int.from_bytes(data.take(4), "little")
    if zlib.crc32(data.data[4:]) != checksum or data.take(1) != b"\x01":
        raise ValueError("a damaged chunk")
    n = data.varint()
    lengths = [data.varint() for _ in range(data.varint())]
    parts = [Bytes(data.take(length)) for length in lengths]
    numbers, times = whole(parts[0], n), whole(parts[1], n)
    return numbers, times, [readings(part, n) for part in parts[3:]]


def samples(db):
    source = "SELECT g.id, source FROM channel_group g JOIN decode_set d ON d.id = g.decode_set"
    sources = dict(db.execute(source))
    for seq, run, group, t_us, data in db.execute("SELECT seq, run, channel_group, t_us, readings FROM tail"):
        yield seq, run, sources[group], t_us, list(np.frombuffer(data, "<f8"))
    for run, group, data in db.execute("SELECT run, channel_group, data FROM chunk JOIN chunk_data ON chunk = id"):
        numbers, times, columns = chunk(data)
        for i, (seq, t_us) in enumerate(zip(numbers.tolist(), times.tolist())):
            yield seq, run, sources[group], t_us, [column[i] for column in columns]


store = sqlite3.connect(f"file:{sys.argv[1]}?mode=ro", uri=True)
for seq, run, source, t_us, values in sorted(samples(store), key=lambda sample: sample[0]):
    print(seq, run, json.dumps(source), t_us, *(np.float64(v).view("u8").item().to_bytes(8, "big").hex() for v in values))
