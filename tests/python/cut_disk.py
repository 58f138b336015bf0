"""Power cuts without a power switch: a disk whose every write and flush is
logged, and images of what could be on it after a cut at any of them.

A file system of this program (FUSE, spoken here) shows one file; a loop device
over it carries a real ext4. The block layer's cache flush arrives as a sync of
that file. A cut at a place in the log leaves all that was written before the
last flush, and any part, down to sectors of 512 bytes, of what came after.

    cut_disk.py --folder DIR --seconds 5 --cuts 40 --seed 1 WRITER CHECKER

WRITER runs with MNT set, and prints `ACK n` when all up to n is said to be on
disk. CHECKER runs with MNT on each cut image, prints `HAVE n` if all up to n is
there, and ends with 0 if what is there is sound. Ends with 1 if any cut lost
what was acknowledged. Needs root, /dev/fuse and /dev/loop-control.
"""

import argparse
import bisect
import ctypes
import os
import random
import signal
import struct
import subprocess
import sys
import threading
import time

LOOKUP, FORGET, GETATTR, SETATTR, OPEN, READ, WRITE = 1, 2, 3, 4, 14, 15, 16
STATFS, RELEASE, FSYNC, FLUSH, INIT, OPENDIR, READDIR = 17, 18, 20, 25, 26, 27, 28
RELEASEDIR, ACCESS, DESTROY, BATCH_FORGET = 29, 34, 38, 42
NAME, SECTOR = b"disk.img", 512


class Disk:
    """The one file, and the log: (offset, bytes) of each write, None of each flush."""

    def __init__(self, folder, content):
        self.content, self.log = bytearray(content), []
        self.fd = os.open("/dev/fuse", os.O_RDWR)
        options = f"fd={self.fd},rootmode=40000,user_id=0,group_id=0,allow_other,max_read=131072"
        libc = ctypes.CDLL(None, use_errno=True)
        no_suid_no_devices = 2 | 4
        args = (b"cutdisk", folder.encode(), b"fuse.cutdisk", no_suid_no_devices, options.encode())
        if libc.mount(*args):
            raise OSError(ctypes.get_errno(), "the file system cannot be mounted")
        threading.Thread(target=self.serve, daemon=True).start()

    def attributes(self, node):
        size, mode = (0, 0o40755) if node == 1 else (len(self.content), 0o100600)
        return struct.pack(
            "<6Q10I", node, size, size // 512, 0, 0, 0, 0, 0, 0, mode, 1, 0, 0, 0, 4096, 0
        )

    def serve(self):
        while True:
            try:
                request = os.read(self.fd, 1 << 20)
            except OSError as error:
                if error.errno in (2, 4):
                    continue
                return
            length, kind, unique, node = struct.unpack_from("<IIQQ", request)
            if kind in (FORGET, BATCH_FORGET):
                continue
            error, answer = self.answer(kind, node, request[40:length])
            os.write(self.fd, struct.pack("<IiQ", 16 + len(answer), error, unique) + answer)
            if kind == DESTROY:
                return

    def answer(self, kind, node, body):
        if kind == INIT:
            return 0, struct.pack("<IIIIHHII", 7, 31, 131072, 0, 16, 12, 131072, 1) + bytes(32)
        if kind == LOOKUP:
            if body.rstrip(b"\0") != NAME:
                return -2, b""
            return 0, struct.pack("<4Q2I", 2, 0, 3600, 3600, 0, 0) + self.attributes(2)
        if kind in (GETATTR, SETATTR):
            return 0, struct.pack("<QII", 3600, 0, 0) + self.attributes(node)
        if kind in (OPEN, OPENDIR):
            return 0, struct.pack("<QIi", 1, 0, 0)
        if kind == READ:
            _, offset, size = struct.unpack_from("<QQI", body)
            return 0, bytes(self.content[offset : offset + size])
        if kind == WRITE:
            _, offset, size = struct.unpack_from("<QQI", body)
            data = body[40 : 40 + size]
            self.content[offset : offset + size] = data
            self.log.append((offset, data))
            return 0, struct.pack("<II", size, 0)
        if kind == FSYNC:
            self.log.append(None)
        if kind == STATFS:
            return 0, struct.pack("<5Q4I", 0, 0, 0, 2, 0, 4096, 255, 4096, 0) + bytes(24)
        known = (FSYNC, READDIR, FLUSH, RELEASE, RELEASEDIR, ACCESS, DESTROY)
        return (0 if kind in known else -38), b""


def run(*command):
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout.strip()


def image(base, log, at, chance):
    """What could be on the disk after a cut just before log[at]."""
    found = bytearray(base)
    flushed = max((i for i in range(at) if log[i] is None), default=-1)
    for entry in log[: flushed + 1]:
        if entry:
            found[entry[0] : entry[0] + len(entry[1])] = entry[1]
    kept = chance.choice(["nothing", "everything", "some writes", "some sectors"])
    for entry in filter(None, log[flushed + 1 : at]):
        offset, data = entry
        step = SECTOR if kept == "some sectors" else len(data)
        for begin in range(0, len(data), step):
            if kept == "everything" or (kept != "nothing" and chance.random() < 0.5):
                piece = data[begin : begin + step]
                found[offset + begin : offset + begin + len(piece)] = piece
    return found, kept


def record(args, base, fuse, mount):
    """Runs the writer; gives the log, and how long it was at each acknowledgement."""
    disk, loop, acknowledged = Disk(fuse, base), None, []
    try:
        loop = run("losetup", "-f", "--show", os.path.join(fuse, NAME.decode()))
        run("mount", "-t", "ext4", loop, mount)
        writer = subprocess.Popen(
            args.writer,
            shell=True,
            stdout=subprocess.PIPE,
            text=True,
            env=dict(os.environ, MNT=mount),
            start_new_session=True,
        )
        end = threading.Timer(args.seconds, lambda: os.killpg(writer.pid, signal.SIGKILL))
        end.start()
        for line in writer.stdout:
            if line.startswith("ACK "):
                acknowledged.append((len(disk.log), int(line.split()[1])))
        end.cancel()
        writer.wait()
        log = list(disk.log)
    finally:
        unmount(mount)
        if loop:
            subprocess.run(["losetup", "-d", loop])
        unmount(fuse)
    return log, acknowledged


def unmount(folder):
    for _ in range(100):
        if subprocess.run(["umount", folder], capture_output=True).returncode == 0:
            return
        time.sleep(0.05)


def check(args, found, mount):
    """What the checker says of an image: how much is there, and what is wrong."""
    file = os.path.join(args.folder, "cut.img")
    with open(file, "wb") as out:
        out.write(found)
    try:
        run("mount", "-o", "loop", "-t", "ext4", file, mount)
    except subprocess.CalledProcessError as error:
        return -1, f"the file system cannot be mounted: {error.stderr.strip()}"
    try:
        environment = dict(os.environ, MNT=mount)
        said = subprocess.run(
            args.checker, shell=True, capture_output=True, text=True, env=environment, timeout=60
        )
    finally:
        unmount(mount)
    have = [int(line.split()[1]) for line in said.stdout.splitlines() if line.startswith("HAVE ")]
    wrong = (said.stdout + said.stderr).strip()[-300:] if said.returncode else ""
    return (have[0] if have else -1), wrong


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--folder", required=True)
    parser.add_argument("--seconds", type=float, default=5)
    parser.add_argument("--cuts", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("writer")
    parser.add_argument("checker")
    args = parser.parse_args()
    fuse, mount, cut = (os.path.join(args.folder, name) for name in ("fuse", "mnt", "cut"))
    for folder in (fuse, mount, cut):
        os.makedirs(folder)
    file = os.path.join(args.folder, "base.img")
    with open(file, "wb") as out:
        out.truncate(48 << 20)
    run("mkfs.ext4", "-q", "-F", "-b", "4096", "-E", "lazy_itable_init=0,lazy_journal_init=0", file)
    with open(file, "rb") as made:
        base = made.read()
    log, acknowledged = record(args, base, fuse, mount)
    if not acknowledged:
        sys.exit("the writer acknowledged nothing")
    places = [place for place, _ in acknowledged]
    chance, bad = random.Random(args.seed), []
    cuts = sorted(chance.randrange(places[0], len(log) + 1) for _ in range(args.cuts))
    for at in cuts:
        found, kept = image(base, log, at, chance)
        promised = acknowledged[bisect.bisect_right(places, at) - 1][1]
        have, wrong = check(args, found, cut)
        if wrong or have < promised:
            bad.append(f"cut {at}, {kept} kept: promised {promised}, there {have}. {wrong}")
    flushes = sum(entry is None for entry in log)
    print(f"{len(log)} writes and flushes ({flushes}), {len(acknowledged)} acknowledgements")
    print(f"{len(cuts)} cuts, {len(bad)} bad")
    print("\n".join(bad[:5]))
    sys.exit(1 if bad else 0)


main()
