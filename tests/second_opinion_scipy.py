"""Second opinions on metrics from NumPy and SciPy, each by another route than the program's own.

Reads one JSON object per line from standard input, {"case": name, ...}, and prints one object per line.
"""

import json
import sys

import numpy as np
import scipy
from scipy import integrate, interpolate, optimize, signal


def exponential(record):
    """Free fit of final + change exp(-t / tau) by SciPy's least squares, uncorrelated residuals."""
    t, y = np.array(record["t"]), np.array(record["y"])
    guess = [y[-1], y[0] - y[-1], (t[-1] - t[0]) / 3]
    p, _ = optimize.curve_fit(lambda x, a, b, c: a + b * np.exp(-x / c), t, y, p0=guess)
    return {"final": p[0], "tau": p[2]}


def velocity(record):
    """Integrated in the time domain: band-pass, cumulative trapezoids, then root mean square of the middle."""
    a, rate = np.array(record["a"]), record["rate"]
    band = signal.butter(6, [record["low"], record["high"]], "bandpass", fs=rate, output="sos")
    v = integrate.cumulative_trapezoid(signal.sosfiltfilt(band, a - a.mean()), dx=1 / rate, initial=0)
    v = signal.sosfiltfilt(signal.butter(3, record["low"] / 2, "highpass", fs=rate, output="sos"), v)
    middle = v[len(v) // 4 : -len(v) // 4]
    return {"rms": float(np.sqrt(np.mean(middle**2)))}


def order(record):
    """Resampled to equal angles by a cubic spline, then a discrete Fourier transform of whole turns."""
    x, rate = np.array(record["x"]), record["rate"]
    t = np.arange(len(x)) / rate
    speed = interpolate.make_interp_spline(np.array(record["speed_t"]), np.array(record["speed"]), k=1)
    fine = np.arange(0, t[-1], 1 / (4 * rate))
    turns = integrate.cumulative_trapezoid(speed(fine), fine, initial=0) / (2 * np.pi)
    whole = int(turns[-1])
    per_turn = 1024
    at = np.interp(np.arange(whole * per_turn) / per_turn, turns, fine)
    even = interpolate.CubicSpline(t, x)(at)
    window = signal.windows.hann(len(even), sym=False)
    lines = np.abs(np.fft.rfft(even * window)) * 2 / window.sum()
    return {"amplitude": float(lines[record["order"] * whole])}


def ellipse(record):
    """Geometric distance to the ellipse, with the angle of every point free in turn."""
    s, c = np.array(record["sine"]), np.array(record["cosine"])

    def residuals(p):
        x0, y0, b, a, skew = p
        phi = np.arctan2((s - y0) / a, (c - x0) / b)
        phi = np.arctan2(((s - y0) / a - np.sin(skew) * np.cos(phi)) / np.cos(skew), (c - x0) / b)
        return np.concatenate([c - x0 - b * np.cos(phi), s - y0 - a * np.sin(phi + skew)])

    p = optimize.least_squares(residuals, [0, 0, 1, 1, 0], xtol=1e-12, ftol=1e-12).x
    return {"imbalance": p[3] / p[2] - 1, "quadrature": p[4]}


def coast(record):
    """Trajectories by SciPy's initial-value solver, fitted to the samples as they are."""
    t, w, inertia = np.array(record["t"]), np.array(record["w"]), record["inertia"]

    def residuals(p):
        run = integrate.solve_ivp(
            lambda _, y: -(p[1] + p[2] * y * 1e-2 + p[3] * y * y * 1e-4) / inertia,
            (t[0], t[-1]),
            [p[0]],
            t_eval=t,
            rtol=1e-9,
            atol=1e-9,
        )
        return run.y[0] - w

    p = optimize.least_squares(residuals, [w[0], 0.5, 0.5, 0.1], x_scale=[100, 1, 1, 1]).x
    return {"a": p[1], "b": p[2] * 1e-2, "c": p[3] * 1e-4}


CASES = {f.__name__: f for f in (exponential, velocity, order, ellipse, coast)}

for line in sys.stdin:
    record = json.loads(line)
    answer = CASES[record["case"]](record)
    print(json.dumps({**answer, "version": scipy.__version__}), flush=True)
