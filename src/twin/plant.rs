//! Machine, inverter and rotor: what really happens, at 10 kHz or finer.

use super::rotation::{sine_cosine, turned};
use super::spec::{InverterSpec, LoadSpec, MachineSpec, RotorSpec, TwinSpec};
use super::supply::Supply;
use super::thermal::Heat;
use std::f64::consts::{FRAC_2_PI, TAU};

/// Period of the firmware, and of the plant with one step per period, in s.
pub(super) const PERIOD: f64 = 100e-6;

/// Current below which a freewheeling phase counts as out, in A.
const CURRENT_OUT: f64 = 0.05;

/// Parts of a step while current freewheels.
const FREEWHEEL_PARTS: u32 = 8;

/// Energies in J since the start; each is added up by a formula of its own, so that their balance
/// says how good the integration is.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Energy {
    /// Out of the transformer.
    pub source: f64,
    /// Lost in source resistance and rectifier.
    pub source_loss: f64,
    /// Lost in the bleeder.
    pub bleeder: f64,
    /// Lost in the inverter.
    pub inverter: f64,
    /// Lost in the copper.
    pub copper: f64,
    /// Lost in the iron.
    pub iron: f64,
    /// Lost to friction.
    pub friction: f64,
    /// Lost to drag.
    pub drag: f64,
    /// Lost to windage.
    pub windage: f64,
    /// Taken by the load on the shaft.
    pub load: f64,
    /// Held in the capacitor now.
    pub capacitor: f64,
    /// Held in the machine's inductances now.
    pub magnetic: f64,
    /// Held in the rotor now.
    pub kinetic: f64,
}

impl Energy {
    /// What the balance leaves unexplained since `start`, in J; it shrinks with the step.
    pub fn residual_since(&self, start: &Energy) -> f64 {
        let held = |e: &Energy| e.capacitor + e.magnetic + e.kinetic;
        let lost = |e: &Energy| {
            e.source_loss + e.bleeder + e.inverter + e.copper + e.iron + e.friction + e.drag + e.windage
        };
        (self.source - start.source) - (lost(self) - lost(start)) - (held(self) - held(start))
    }
}

/// What the equations of a step are made of, worked out at 100 Hz: all of it changes slowly or never.
#[derive(Debug, Clone, Copy, Default)]
struct Figures {
    /// 2 L/step along d and q, and that with the phase resistance, Ohm.
    inductive: [f64; 2],
    impeding: [f64; 2],
    /// Share of its speed that the shaft keeps under drag, and speed per Nm, in one step.
    keep: f64,
    push: f64,
}

/// Sums over steps since the books were closed last, of what losses are proportional to; times the step.
#[derive(Debug, Clone, Copy, Default)]
struct Sums {
    /// Current squared, A² s.
    current: f64,
    /// Size of the speed, its square and its cube: rad, rad²/s, rad³/s².
    turned: f64,
    square: f64,
    cube: f64,
}

/// Machine, inverter, rotor and supply.
#[derive(Debug, Clone)]
pub(super) struct Plant {
    pub machine: MachineSpec,
    pub rotor: RotorSpec,
    pub supply: Supply,
    /// Whether the leads of the second and third phase are swapped.
    pub swapped: bool,
    /// Resistance of a bad joint in the first phase's lead, Ohm.
    pub joint: f64,
    /// Torque of a hand at the shaft, Nm.
    pub hand: f64,
    /// Load: constant torque in Nm, torque per speed in Nm s/rad, and the most of that in Nm.
    load: [f64; 3],
    inverter: InverterSpec,
    substeps: u32,
    step: f64,
    /// Steps per second.
    rate: f64,
    /// Phase resistance at the present temperature, Ohm.
    resistance: f64,
    /// Flux linkage of the magnets at the present temperature, Wb.
    flux: f64,
    /// Torque against the shaft by iron losses: its constant part in Nm and what grows with speed, Nm s/rad.
    iron: [f64; 2],
    /// Flux at which the iron loss is known, Wb.
    flux_known: f64,
    current_d: f64,
    current_q: f64,
    /// Shaft speed, rad/s.
    speed: f64,
    /// Shaft angle, 0 to one turn, rad.
    angle: f64,
    /// Sine and cosine of the electrical angle.
    sine: f64,
    cosine: f64,
    torque: f64,
    /// Current drawn from the DC link, A.
    bus_current: f64,
    figures: Figures,
    sums: Sums,
    energy: Energy,
}

impl Plant {
    /// At rest at shaft angle `angle` in rad, without current.
    pub fn new(spec: &TwinSpec, angle: f64) -> Plant {
        let substeps = spec.substeps.max(1);
        let step = PERIOD / f64::from(substeps);
        let load = match spec.load {
            LoadSpec::Free => [0.0; 3],
            LoadSpec::Brake { torque } => [torque, 0.0, 0.0],
            LoadSpec::Machine { per_speed, torque_max } => [0.0, per_speed, torque_max],
        };
        let mut plant = Plant {
            machine: spec.machine,
            rotor: RotorSpec { inertia: spec.rotor.inertia + spec.coupled_inertia, ..spec.rotor },
            supply: Supply::new(spec.supply, step),
            swapped: false,
            joint: 0.0,
            hand: 0.0,
            load,
            inverter: spec.inverter,
            substeps,
            step,
            rate: 1.0 / step,
            resistance: spec.machine.resistance,
            flux: spec.machine.flux_linkage,
            iron: [0.0; 2],
            flux_known: spec.machine.flux_linkage,
            current_d: 0.0,
            current_q: 0.0,
            speed: 0.0,
            angle,
            sine: 0.0,
            cosine: 1.0,
            torque: 0.0,
            bus_current: 0.0,
            figures: Figures::default(),
            sums: Sums::default(),
            energy: Energy::default(),
        };
        plant.warm(1.0, 0.0);
        plant.look_at_angle();
        plant
    }

    /// One period of the firmware. `voltage` is the inverter's output in stator axes, V, or `None`
    /// with the gates off.
    pub fn advance(&mut self, voltage: Option<[f64; 2]>) {
        let mut left = self.substeps;
        while left > 0 {
            left -= 1;
            let power = match voltage {
                Some([alpha, beta]) => self.driven([alpha, if self.swapped { -beta } else { beta }]),
                None => self.freewheel(),
            };
            // A bus that is all but empty cannot feed anything: the floor only keeps the quotient finite.
            self.bus_current = power / self.supply.bus().max(1.0);
            self.supply.step(self.bus_current);
            self.turn();
            self.look_at_angle();
        }
    }

    /// Turned by something outside at `speed` in rad/s.
    #[cfg(test)]
    pub fn spin(&mut self, speed: f64) {
        self.speed = speed;
    }

    /// Tells the phase resistance at the present temperature as a ratio to that at 20 °C, and how far the magnets
    /// are above 20 °C in K. Looks at the iron loss as well, which follows the flux: often enough at 100 Hz.
    pub fn warm(&mut self, resistance_ratio: f64, magnets_rise: f64) {
        self.close_books();
        let m = &self.machine;
        self.resistance = m.resistance * resistance_ratio;
        self.flux = m.flux_linkage * (1.0 - m.flux_per_kelvin * magnets_rise);
        let along = self.flux + m.inductance_d * self.current_d;
        let across = m.inductance_q * self.current_q;
        let square = (along * along + across * across) / (self.flux_known * self.flux_known);
        // P = (kh f + ke f²) (flux/known)², the two parts of iron loss in any textbook; torque is P over speed.
        let hertz = f64::from(m.pole_pairs) / TAU;
        self.iron = [m.iron_hysteresis * hertz * square, m.iron_eddy * hertz * hertz * square];
        let inductive = [2.0 * m.inductance_d * self.rate, 2.0 * m.inductance_q * self.rate];
        let drag = 0.5 * self.step * (self.rotor.drag + self.iron[1]);
        let mobility = 1.0 / (self.rotor.inertia + drag);
        self.figures = Figures {
            inductive,
            impeding: inductive.map(|l| l + self.resistance),
            keep: (self.rotor.inertia - drag) * mobility,
            push: self.step * mobility,
        };
    }

    /// Turns what has been summed up into energies: before anything changes that losses are proportional to.
    pub fn close_books(&mut self) {
        self.energy = self.losses();
        self.sums = Sums::default();
    }

    /// The energies lost in machine, inverter and rotor, what is still only summed up included.
    fn losses(&self) -> Energy {
        let (r, sums) = (&self.rotor, &self.sums);
        let [hysteresis, eddy] = self.iron;
        let e = &self.energy;
        Energy {
            copper: e.copper + 1.5 * self.resistance * sums.current,
            iron: e.iron + hysteresis * sums.turned + eddy * sums.square,
            friction: e.friction + r.friction * sums.turned,
            drag: e.drag + r.drag * sums.square,
            windage: e.windage + r.windage * sums.cube,
            ..*e
        }
    }

    /// Currents in rotor axes, d and q, in A peak.
    pub fn current(&self) -> [f64; 2] {
        [self.current_d, self.current_q]
    }

    /// Sine and cosine of the electrical angle.
    pub fn sine_cosine(&self) -> [f64; 2] {
        [self.sine, self.cosine]
    }

    /// The currents in the three leads of the inverter in A.
    pub fn phase_currents(&self) -> [f64; 3] {
        let alpha = self.cosine * self.current_d - self.sine * self.current_q;
        let beta = self.sine * self.current_d + self.cosine * self.current_q;
        let half = 0.5 * 3f64.sqrt() * if self.swapped { -beta } else { beta };
        [alpha, half - 0.5 * alpha, -half - 0.5 * alpha]
    }

    /// Flux of the magnets over that at which the iron loss is known.
    pub fn flux_share(&self) -> f64 {
        self.flux / self.flux_known
    }

    /// Shaft speed in rad/s.
    pub fn speed(&self) -> f64 {
        self.speed
    }

    /// Shaft angle in rad, 0 to one turn.
    pub fn angle(&self) -> f64 {
        self.angle
    }

    /// Torque of the machine in Nm.
    pub fn torque(&self) -> f64 {
        self.torque
    }

    /// Current that the inverter draws from the DC link in A.
    pub fn bus_current(&self) -> f64 {
        self.bus_current
    }

    /// Heat since the start.
    pub fn heat(&self) -> Heat {
        let e = self.losses();
        Heat {
            copper: e.copper,
            iron: e.iron,
            friction: e.friction + e.drag,
            windage: e.windage,
            inverter: e.inverter,
        }
    }

    /// All energies.
    pub fn energy(&self) -> Energy {
        let supply = self.supply.energy();
        let m = &self.machine;
        let magnetic = m.inductance_d * self.current_d * self.current_d
            + m.inductance_q * self.current_q * self.current_q;
        Energy {
            source: supply.source,
            source_loss: supply.source_loss,
            bleeder: supply.bleeder,
            capacitor: self.supply.stored(),
            magnetic: 0.75 * magnetic,
            kinetic: 0.5 * self.rotor.inertia * self.speed * self.speed,
            ..self.losses()
        }
    }

    /// Gates on: the voltage equations in rotor axes (any textbook on field-oriented control),
    ///   Ld did/dt = vd - R id + w Lq iq,   Lq diq/dt = vq - R iq - w (Ld id + psi),
    /// by the implicit midpoint rule, which is stable at any step and keeps quadratic energies.
    /// Returns the power drawn from the DC link, W.
    fn driven(&mut self, voltage: [f64; 2]) -> f64 {
        let m = &self.machine;
        let omega = f64::from(m.pole_pairs) * self.speed;
        let voltage = within_circle(voltage, self.supply.bus());
        let middle = turned([self.sine, self.cosine], 0.5 * omega * self.step);
        let [v_d, v_q] = in_rotor_axes(voltage, middle);
        let Figures { inductive: [l_d, l_q], impeding: [a_d, a_q], .. } = self.figures;
        let (x_d, x_q) = (omega * m.inductance_d, omega * m.inductance_q);
        let [j_d, j_dq, j_q] = if self.joint > 0.0 { self.joint_in(middle) } else { [0.0; 3] };
        let b_d = v_d + l_d * self.current_d;
        let b_q = v_q + l_q * self.current_q - omega * self.flux;
        // Two equations with two unknowns, by Cramer's rule.
        let (a_d, a_q, c_d, c_q) = (a_d + j_d, a_q + j_q, x_q - j_dq, x_d + j_dq);
        let scale = 1.0 / (a_d * a_q + c_d * c_q);
        let i_d = (b_d * a_q + c_d * b_q) * scale;
        let i_q = (a_d * b_q - c_q * b_d) * scale;
        self.current_d = 2.0 * i_d - self.current_d;
        self.current_q = 2.0 * i_q - self.current_q;
        self.torque = torque(m, self.flux, i_d, i_q);
        let square = i_d * i_d + i_q * i_q;
        let lost = inverter_loss(&self.inverter, square, self.supply.bus());
        self.sums.current += square * self.step;
        self.energy.inverter += lost * self.step;
        if self.joint > 0.0 {
            let [sine, cosine] = middle;
            let current = cosine * i_d - sine * i_q;
            self.energy.copper += self.joint * current * current * self.step;
        }
        1.5 * (v_d * i_d + v_q * i_q) + lost
    }

    /// The joint in the first phase as a resistance in rotor axes, along d, across and along q, Ohm: with the star point
    /// free, two thirds of its R i along the phase's axis and nothing across (Clarke's transform of R i in one lead).
    /// It stands in the equations of the step itself: L/R of a bad joint may be less than a step.
    fn joint_in(&self, [sine, cosine]: [f64; 2]) -> [f64; 3] {
        let along = 2.0 / 3.0 * self.joint;
        [along * cosine * cosine, -along * sine * cosine, along * sine * sine]
    }

    /// Gates off: the diodes let current flow only into the DC link, and none while the peak of
    /// the line voltage is below the bus. Taken as a voltage of constant length, bus/sqrt3, against
    /// the current (in truth it is up to 10 % more once all three phases conduct without a break).
    /// Returns the power drawn from the DC link, W: never positive.
    fn freewheel(&mut self) -> f64 {
        let emf = f64::from(self.machine.pole_pairs) * self.speed * self.flux;
        let against = self.supply.bus() / 3f64.sqrt() + self.inverter.drop;
        self.torque = 0.0;
        let mut power = 0.0;
        if self.current_d != 0.0 || self.current_q != 0.0 || emf.abs() > against {
            // A current that is cut off is gone within a few periods: finer parts resolve that.
            for _ in 0..FREEWHEEL_PARTS {
                power += self.freewheel_part(emf, against) / f64::from(FREEWHEEL_PARTS);
            }
        }
        power
    }

    /// A part of a freewheeling step by the implicit Euler rule, the diodes' voltage taken as a
    /// resistance that carries the current of before. Adds its share of the torque.
    fn freewheel_part(&mut self, emf: f64, against: f64) -> f64 {
        let m = &self.machine;
        let step = self.step / f64::from(FREEWHEEL_PARTS);
        let omega = f64::from(m.pole_pairs) * self.speed;
        let before = self.current_d.hypot(self.current_q);
        let resistance = self.resistance + against / before.max(CURRENT_OUT);
        let (l_d, l_q) = (m.inductance_d / step, m.inductance_q / step);
        let (a_d, a_q) = (l_d + resistance, l_q + resistance);
        let (x_d, x_q) = (omega * m.inductance_d, omega * m.inductance_q);
        let (b_d, b_q) = (l_d * self.current_d, l_q * self.current_q - emf);
        let scale = 1.0 / (a_d * a_q + x_d * x_q);
        let i_d = (b_d * a_q + x_q * b_q) * scale;
        let i_q = (a_d * b_q - x_d * b_d) * scale;
        let now = i_d.hypot(i_q);
        if now < CURRENT_OUT && emf.abs() <= against {
            (self.current_d, self.current_q) = (0.0, 0.0);
            return 0.0;
        }
        (self.current_d, self.current_q) = (i_d, i_q);
        self.torque += torque(m, self.flux, i_d, i_q) / f64::from(FREEWHEEL_PARTS);
        self.energy.copper += 1.5 * self.resistance * now * now * step;
        self.energy.inverter += 1.5 * self.inverter.drop * now * step;
        -1.5 * (against - self.inverter.drop) * now
    }

    /// Newton's second law with friction solved together with the step: the rotor either comes to
    /// rest within it or is slowed by the whole friction, so nothing chatters around zero.
    fn turn(&mut self) {
        let r = &self.rotor;
        let Figures { keep, push, .. } = self.figures;
        let before = self.speed;
        let free = keep * before + push * (self.torque + self.hand - r.windage * before * before.abs());
        let mut against = r.friction + self.iron[0];
        let [brake, per_speed, most] = self.load;
        let load = brake + (per_speed * before.abs()).min(most);
        against += load;
        let stuck = if before == 0.0 { (r.breakaway - r.friction).max(0.0) } else { 0.0 };
        self.speed =
            if free.abs() <= push * (against + stuck) { 0.0 } else { free - (push * against).copysign(free) };
        let mean = 0.5 * (before + self.speed);
        let (turned, square) = (mean.abs() * self.step, mean * mean * self.step);
        self.sums.turned += turned;
        self.sums.square += square;
        self.sums.cube += mean.abs() * square;
        self.energy.load += load * turned;
        self.angle += mean * self.step;
        if self.angle >= TAU {
            self.angle -= TAU;
        } else if self.angle < 0.0 {
            self.angle += TAU;
        }
    }

    fn look_at_angle(&mut self) {
        let turns = f64::from(self.machine.pole_pairs) * self.angle * (1.0 / TAU);
        [self.sine, self.cosine] = sine_cosine(turns);
    }
}

/// A voltage in stator axes seen from a rotor at this sine and cosine.
fn in_rotor_axes(voltage: [f64; 2], [s, c]: [f64; 2]) -> [f64; 2] {
    [c * voltage[0] + s * voltage[1], c * voltage[1] - s * voltage[0]]
}

/// The most that the inverter can put out of a bus without harmonics: a circle of bus/sqrt3.
fn within_circle([alpha, beta]: [f64; 2], bus: f64) -> [f64; 2] {
    let (square, most) = (alpha * alpha + beta * beta, bus * bus * (1.0 / 3.0));
    if square <= most {
        return [alpha, beta];
    }
    let share = (most / square).sqrt();
    [share * alpha, share * beta]
}

/// Torque in Nm from the magnets' flux in Wb and currents in rotor axes, A peak: T = 1.5 p (psi iq + (Ld - Lq) id iq).
#[inline]
pub(super) fn torque(m: &MachineSpec, flux: f64, i_d: f64, i_q: f64) -> f64 {
    let flux = flux + (m.inductance_d - m.inductance_q) * i_d;
    1.5 * f64::from(m.pole_pairs) * flux * i_q
}

/// Losses of the three legs in W. Each leg carries a sine: mean of its size 2/pi of the amplitude,
/// mean square one half; conduction v0 |i| + r i², switching k V |i| f.
fn inverter_loss(spec: &InverterSpec, square: f64, bus: f64) -> f64 {
    let mean = FRAC_2_PI * square.sqrt();
    let conduction = spec.drop * mean + 0.5 * spec.resistance * square;
    let switching = spec.switching * bus * mean * spec.switching_frequency;
    3.0 * (conduction + switching)
}
