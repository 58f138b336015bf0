"""Runs the daemon on a meter that prints a thousand lines a second, and says
`ACK n` as soon as it calls all samples up to number n recorded.

    acknowledge.py AMPLEDGERD CONFIGURATION SOCKET METER
"""

import json
import os
import socket
import subprocess
import sys
import threading
import time
import tty

daemon, configuration, path, meter = sys.argv[1:5]
ours, theirs = os.openpty()
tty.setraw(theirs)
os.symlink(os.ttyname(theirs), meter)


def print_lines():
    while True:
        os.write(ours, b"U=26.400 I=-12.100\n" * 5)
        time.sleep(0.005)


threading.Thread(target=print_lines, daemon=True).start()
environment = dict(os.environ)
if "DAEMON_PRELOAD" in environment:
    environment["LD_PRELOAD"] = environment.pop("DAEMON_PRELOAD")
subprocess.Popen(
    [daemon, "--config", configuration],
    env=environment,
    stdin=subprocess.DEVNULL,
    stdout=subprocess.DEVNULL,
    stderr=subprocess.DEVNULL,
)


def status():
    connection = socket.socket(socket.AF_UNIX)
    connection.connect(path)
    request = "GET /v1/status HTTP/1.1\r\nhost: ampledger\r\nconnection: close\r\n\r\n"
    connection.sendall(request.encode())
    answer = b""
    while piece := connection.recv(65536):
        answer += piece
    head, body = answer.split(b"\r\n\r\n", 1)
    return json.loads(body)


said = 0
while True:
    try:
        recorded = status()["store"]["recorded_up_to"]
    except OSError:
        recorded = 0
    if recorded > said:
        print("ACK", recorded, flush=True)
        said = recorded
    time.sleep(0.01)
