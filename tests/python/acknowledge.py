"""Runs the daemon, and says `ACK n` as soon as it calls all samples up to
number n recorded.

    acknowledge.py AMPLEDGERD CONFIGURATION SOCKET
"""

import json
import os
import socket
import subprocess
import sys
import time

daemon, configuration, path = sys.argv[1:4]
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
