"""A second opinion on a sampled step response, from the PyPI package `control`.

Reads {"t": [...], "y": [...], "final": y, "band": share} from standard input and prints
{"overshoot": share, "settling_time": s, "version": text}. `step_info` takes samples as they are: its overshoot is that of
the largest sample, and its settling time the moment of the first sample inside the band for good.
"""

import json
import sys

import control

record = json.load(sys.stdin)
info = control.step_info(
    record["y"], T=record["t"], yfinal=record["final"], SettlingTimeThreshold=record["band"]
)
answer = {
    "overshoot": float(info["Overshoot"]) / 100,
    "settling_time": float(info["SettlingTime"]),
    "version": control.__version__,
}
json.dump(answer, sys.stdout)
