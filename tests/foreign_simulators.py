"""The machine of two other simulators, PyPI `gym-electric-motor` and `motulator`, under the same voltages.

Reads {"machine": {p, psi, r, ld, lq}, "rotor": {j, drag, windage}, "voltages": [[from s, vd, vq], ...], "times": [s, ...]} from
standard input and prints {"gym-electric-motor": {"version": ..., "rows": [[id, iq, speed], ...]}, "motulator": {...}}. The
equations are theirs; both are integrated by SciPy to 1e-9, segment by segment, so that no step straddles a jump.
"""

import json
import sys
from importlib.metadata import version

import numpy as np
from scipy.integrate import solve_ivp

record = json.load(sys.stdin)
M, R = record["machine"], record["rotor"]
TIMES = np.round(record["times"], 9)


def integrate(rate, start, out):
    """Rows of `out(state)` at the times, for a state whose change is `rate(state, vd, vq)`."""
    rows, state = [], np.array(start)
    begins = record["voltages"]
    ends = [v[0] for v in begins[1:]] + [TIMES[-1]]
    for (begin, vd, vq), end in zip(begins, ends):
        inside = TIMES[(TIMES > begin + 1e-9) & (TIMES <= end + 1e-9)]
        grid = np.unique(np.round(np.append(inside, end), 9))
        solved = solve_ivp(
            lambda _, x: rate(x, vd, vq), (begin, grid[-1]), state,
            t_eval=grid, method="DOP853", rtol=1e-9, atol=1e-9,
        )
        assert solved.success, solved.message
        rows += [out(x) for t, x in zip(solved.t, solved.y.T) if np.any(np.isclose(t, inside, atol=1e-12))]
        state = solved.y[:, -1]
    return rows


def gym_electric_motor():
    from gym_electric_motor.physical_systems.electric_motors import PermanentMagnetSynchronousMotor
    from gym_electric_motor.physical_systems.mechanical_loads import PolynomialStaticLoad

    motor = PermanentMagnetSynchronousMotor(
        motor_parameter=dict(p=M["p"], psi_p=M["psi"], r_s=M["r"], l_d=M["ld"], l_q=M["lq"], j_rotor=0.5 * R["j"])
    )
    load = PolynomialStaticLoad(load_parameter=dict(a=0.0, b=R["drag"], c=R["windage"], j_load=0.5 * R["j"]))
    load.set_j_rotor(motor.motor_parameter["j_rotor"])

    def rate(x, vd, vq):
        electrical = motor.electrical_ode(x[:3], [vd, vq], x[3])
        return np.append(electrical, load.mechanical_ode(0.0, x[3:], motor.torque(x[:3])))

    return integrate(rate, [0.0] * 4, lambda x: [x[0], x[1], x[3]])


def motulator():
    from motulator.drive.model import StiffMechanicalSystem, SynchronousMachine
    from motulator.drive.utils import SynchronousMachinePars

    machine = SynchronousMachine(
        SynchronousMachinePars(n_p=M["p"], R_s=M["r"], L_d=M["ld"], L_q=M["lq"], psi_f=M["psi"])
    )
    shaft = StiffMechanicalSystem(J=R["j"], B_L=lambda w: R["drag"] + R["windage"] * w)

    def put(x):
        machine.state.psi_s = complex(x[0], x[1])
        machine.state.exp_j_theta_m = np.exp(1j * x[2])
        shaft.state.w_M = x[3]
        machine.set_outputs(0.0)
        shaft.set_outputs(0.0)

    def rate(x, vd, vq):
        put(x)
        machine.inp.u_ss = complex(vd, vq) * machine.state.exp_j_theta_m
        machine.inp.w_M = x[3]
        shaft.inp.tau_M = machine.out.tau_M
        flux, turned = machine.rhs()
        speed, _ = shaft.rhs()
        angle = (turned / (1j * machine.state.exp_j_theta_m)).real
        return np.array([flux.real, flux.imag, angle, speed])

    def out(x):
        put(x)
        return [machine.out.i_s.real, machine.out.i_s.imag, x[3]]

    return integrate(rate, [M["psi"], 0.0, 0.0, 0.0], out)


answer = {
    name: {"version": version(name), "rows": [[float(v) for v in row] for row in run()]}
    for name, run in [("gym-electric-motor", gym_electric_motor), ("motulator", motulator)]
}
json.dump(answer, sys.stdout)
