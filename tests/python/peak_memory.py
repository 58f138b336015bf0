"""Runs a command and prints the most memory it held, in KiB.

    peak_memory.py PROGRAM ARGUMENT...

The kernel keeps that of all children together, so each command gets a process
of its own to be counted in. What this one holds itself, a few MiB, is the least
that can be seen.
"""

import resource
import subprocess
import sys

subprocess.run(sys.argv[1:], check=True, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL)
print(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)
