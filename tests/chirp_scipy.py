"""A second opinion on swings of the demand, from `scipy.signal.chirp`.

Reads {"t": [...], "from": Hz, "to": Hz, "lasting": s, "method": text} from standard input and prints the sine of the
sweep's phase at each moment, as a list. SciPy's chirp is a cosine: 90 degrees less make it a sine.
"""

import json
import sys

from scipy.signal import chirp

r = json.load(sys.stdin)
values = chirp(r["t"], r["from"], r["lasting"], r["to"], method=r["method"], phi=-90)
json.dump([float(v) for v in values], sys.stdout)
