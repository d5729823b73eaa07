"""SciPy's route to what benches/order_tracking.rs measures: the same record, resampled to equal angles by a cubic spline,
then a discrete Fourier transform of each 16 turns. Prints how long it takes."""

import time

import numpy as np
import scipy
from scipy import integrate, interpolate, signal

RATE, SECONDS, WHOLE = 50_000, 60, 16
ORDERS = [1, 2, 4, 24, 8.58]

t = np.arange(RATE * SECONDS) / RATE
speed = 10 + 0.5 * t
angle = 10 * t + 0.25 * t * t
x = 0.05 * speed * np.sin(8 * np.pi * angle) + 0.002 * speed**2 * np.sin(2 * np.pi * angle)
raw = (x * 1e3).astype(np.int16)
speed_t = np.arange(0, SECONDS + 0.005, 0.005)
speed_v = 10 + 0.5 * speed_t

for _ in range(3):
    begun = time.perf_counter()
    values = raw * 1e-3
    turns = integrate.cumulative_trapezoid(np.interp(t, speed_t, speed_v), t, initial=0)
    # As many samples a turn as the slowest speed has, so that nothing is aliased.
    per_turn = int(RATE / 10)
    at = np.interp(np.arange(int(turns[-1]) // WHOLE * WHOLE * per_turn) / per_turn, turns, t)
    even = interpolate.CubicSpline(t, values)(at).reshape(-1, WHOLE * per_turn)
    window = signal.windows.hann(even.shape[1], sym=False)
    lines = np.abs(np.fft.rfft(even * window, axis=1)) * 2 / window.sum()
    last = [lines[-1, round(order * WHOLE)] for order in ORDERS]
    took = time.perf_counter() - begun
    print(f"SciPy {scipy.__version__}: {took:.3f} s, {len(lines)} stretches, the last: " + " ".join(f"{a:.4f}" for a in last))
