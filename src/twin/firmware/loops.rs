//! The firmware's loops: from a speed, a torque or the pedal to currents, and from currents to voltages.

use super::super::plant::PERIOD;
use super::super::rotation::{sine_cosine, turned};
use super::super::told::Told;
use super::Firmware;
use crate::states::DriveState;

/// Period of the speed loop in s.
const SPEED_PERIOD: f64 = 1e-3;
/// Bandwidth of the current loops in rad/s: a seventh of where the delay of 1.5 periods alone turns
/// the phase by a quarter turn.
const CURRENT_BANDWIDTH: f64 = 1500.0;
/// One over the root of three: from a line's voltage to a phase's.
const INVERSE_ROOT_3: f64 = 0.577_350_269_189_625_8;
/// Share of the voltage limit that the current loops use.
const VOLTAGE_SHARE: f64 = 0.97;

impl Firmware {
    /// The speed loop begins, or goes on later, from the speed that is.
    pub(super) fn follow_from_here(&mut self) {
        self.followed = self.speed();
        self.integral = self.speed_gain() * (1.0 - self.build.demand_weight) * self.followed;
    }

    fn speed_gain(&self) -> f64 {
        self.build.speed_gain * self.inertia
    }

    /// Proportional-integral loop on speed; the proportional part sees a share of the demand, which
    /// keeps a step from overshooting.
    pub(super) fn speed_loop(&mut self) {
        let (to, rate) = match self.state {
            DriveState::QuickStopActive => (0.0, self.limits.quick_stop_rate),
            _ if matches!(self.told, Told::Pedal(_)) => (self.demand(), self.limits.pedal_rate),
            _ => (self.demand(), self.limits.speed_rate),
        };
        let step = rate * SPEED_PERIOD;
        self.followed += (to - self.followed).clamp(-step, step);
        let speed = self.speed();
        let gain = self.speed_gain();
        let free = gain * (self.build.demand_weight * self.followed - speed) + self.integral;
        let most = self.torque_most();
        // Who lifts the foot coasts: a bus without a way back takes no braking.
        let by_foot = matches!(self.told, Told::Pedal(_)) && self.state == DriveState::OperationEnabled;
        let torque = free.clamp(if by_foot { 0.0 } else { -most }, most);
        let share = self.build.speed_integral * SPEED_PERIOD;
        self.integral += share * gain * (self.followed - speed);
        if self.build.windup_guard {
            self.integral += share * (torque - free);
        }
        self.current_q = torque / self.torque_per_ampere();
    }

    /// The torque as told, within what current and heat leave, and less of it the nearer the speed limit is: at the
    /// limit nothing drives beyond it.
    pub(super) fn torque_mode(&mut self, torque: f64) {
        let most = self.torque_most();
        let room = |limit: f64| self.speed_gain() * (limit - self.speed());
        let (least, highest) = (room(-self.limits.speed), room(self.limits.speed));
        self.current_q = torque.max(least).min(highest).clamp(-most, most) / self.torque_per_ampere();
        self.follow_from_here();
    }

    fn torque_per_ampere(&self) -> f64 {
        1.5 * f64::from(self.machine.pole_pairs) * self.machine.flux_linkage
    }

    /// Largest torque in Nm that the current limit and heat leave.
    pub fn torque_most(&self) -> f64 {
        self.torque_per_ampere() * self.forced.most(self.limits.current) * self.derating
    }

    /// Proportional-integral loops on the currents in rotor axes, the coupling taken out, the
    /// voltage held within the inverter's circle.
    pub(super) fn current_loops(&mut self, alpha: f64, beta: f64) {
        let (angle, omega, demand) = match self.forced.demand() {
            Some((angle, current)) => (angle, 0.0, [current, 0.0]),
            None => (self.angle, self.omega, [0.0, self.current_q]),
        };
        let [s, c] = sine_cosine(angle);
        let current = [c * alpha + s * beta, c * beta - s * alpha];
        let m = &self.machine;
        let coupling =
            [-omega * m.inductance_q * demand[1], omega * (m.inductance_d * demand[0] + m.flux_linkage)];
        let gain = [CURRENT_BANDWIDTH * m.inductance_d, CURRENT_BANDWIDTH * m.inductance_q];
        let error = [demand[0] - current[0], demand[1] - current[1]];
        let free: [f64; 2] = std::array::from_fn(|i| gain[i] * error[i] + self.integrals[i] + coupling[i]);
        let most = VOLTAGE_SHARE * self.readings.bus.max(0.0) * INVERSE_ROOT_3;
        let square = free[0] * free[0] + free[1] * free[1];
        let share = m.resistance * CURRENT_BANDWIDTH * PERIOD;
        let mut held = 1.0;
        for (integral, error) in self.integrals.iter_mut().zip(error) {
            *integral += share * error;
        }
        if square > most * most {
            held = most / square.sqrt();
            for i in 0..2 {
                // The integral leaks back by what the limit cut off, so that it cannot wind up.
                self.integrals[i] -= share * (1.0 - held) * free[i] / gain[i];
            }
        }
        let ahead = turned([s, c], 1.5 * PERIOD * omega);
        self.forced.newest = [current[0], current[1], held * free[0], held * free[1]];
        self.voltage = out_of_rotor_axes(ahead, [held * free[0], held * free[1]]);
    }

    /// A voltage in rotor axes for the middle of a period, `ahead` periods from the last look at the
    /// angle.
    pub(super) fn stator_voltage(&self, rotor: [f64; 2], ahead: f64) -> [f64; 2] {
        let now = sine_cosine(self.angle);
        out_of_rotor_axes(turned(now, ahead * PERIOD * self.omega), rotor)
    }
}

fn out_of_rotor_axes([s, c]: [f64; 2], [d, q]: [f64; 2]) -> [f64; 2] {
    [c * d - s * q, s * d + c * q]
}
