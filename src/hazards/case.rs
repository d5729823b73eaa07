//! What the hazards are judged from: the files, the plan made of them, and the questions asked of both again and again.

use super::physics::{RPM, copper_at, in_windings};
use super::shorted::Shorted;
use crate::diag::{Diag, Place, Sources};
use crate::files::rig::{Coupled, Rig, Role, Sets, Shaft, SupplyKind};
use crate::files::suite::{Segment, Suite};
use crate::files::unit::Unit;
use crate::plan::{Plan, Test};
use crate::units::{parse_unit, quantity_text};

/// A plan with the files that it was resolved from.
#[derive(Debug, Clone, Copy)]
pub struct Case<'a> {
    /// The texts, for places.
    pub sources: &'a Sources,
    /// The bench.
    pub rig: &'a Rig,
    /// The unit under test.
    pub unit: &'a Unit,
    /// The suite.
    pub suite: &'a Suite,
    /// What they resolve to.
    pub plan: &'a Plan,
}

impl<'a> Case<'a> {
    /// A place as messages cite it: `rig, line 4`.
    pub(super) fn cite(&self, at: Place) -> String {
        let file = [(self.rig.at, "rig"), (self.unit.at, "unit"), (self.suite.at, "suite")];
        let name = file.iter().find(|(of, _)| of.file == at.file).map_or("table", |(_, name)| name);
        format!("{name}, line {}", self.sources.line(at))
    }

    /// What stands at a place, and where.
    pub(super) fn said(&self, at: Place) -> String {
        let text = self.sources.text(at);
        let text = text.strip_prefix('"').and_then(|t| t.strip_suffix('"')).unwrap_or(text);
        format!("`{text}` ({})", self.cite(at))
    }

    /// A message about the rig as a whole: something that it does not declare.
    pub(super) fn undeclared(&self, message: String) -> Diag {
        let at = Place { end: self.rig.at.start.saturating_add(1), ..self.rig.at };
        Diag::at(at, message)
    }

    /// Every test with its index.
    pub(super) fn tests(&self) -> impl Iterator<Item = (usize, &'a Test)> + '_ {
        self.plan.tests.iter().enumerate()
    }

    /// Tests that demand a speed, with their index.
    pub(super) fn speed_tests(&self) -> impl Iterator<Item = (usize, &'a Test)> + '_ {
        let sets =
            |t: &Test| matches!(self.plan.demands[t.demand].sets, Sets::ShaftSpeed | Sets::SpeedAtFullPedal);
        self.tests().filter(move |(_, t)| sets(t))
    }

    /// A test as the suite has it; `None` of the heat pulse, which the rig asks for before those of the suite.
    fn test_file(&self, test: usize) -> Option<&'a crate::files::suite::Test> {
        let before = usize::from(self.plan.heat_pulse().is_some());
        self.suite.test.get(test.checked_sub(before)?)
    }

    /// Where the value of a segment was written; that of the segment before it for a hold.
    pub(super) fn written(&self, test: usize, segment: usize) -> Place {
        let Some(file) = self.test_file(test) else {
            // The heat pulse: the rig asked for it.
            let pulse = self.rig.heat_pulse(self.suite).map(|pulse| pulse.current.at);
            return pulse.unwrap_or(self.suite.name.at);
        };
        let all = laid(&file.profile);
        let value = |s: &&Segment| match s {
            Segment::Ramp(s) => Some(s.ramp.at),
            Segment::Step(s) => Some(s.step.at),
            Segment::Stairs(s) => Some(s.stairs.at),
            Segment::Sine(s) => Some(s.sine.at),
            Segment::Chirp(s) => Some(s.chirp.at),
            Segment::Cycle(s) => Some(s.cycle.at),
            Segment::ByHand(s) => Some(s.up_to.at),
            Segment::Hold(_) | Segment::Coast(_) | Segment::Repeat(_) => None,
            Segment::Watch(_) | Segment::Silence(_) | Segment::StopFrame(_) => None,
        };
        let upto = &all[..all.len().min(segment + 1)];
        upto.iter().rev().find_map(value).unwrap_or(file.name.at)
    }

    /// The controller's own current limit, A peak, and where it was written: what is read back before anything turns, or
    /// else all that the unit's board may be asked for.
    pub(super) fn current(&self) -> (f64, Place) {
        let q = self.rig.current.as_ref().map_or(&self.unit.controller.current_max, |c| &c.at_most);
        let peak = q.unit.kind.form.peak();
        (q.si * peak, q.at)
    }

    /// Largest difference of the inductances across and along the magnets, H.
    pub(super) fn saliency(&self) -> f64 {
        let m = &self.unit.machine;
        (m.inductance_q.high - m.inductance_d.low).abs().max((m.inductance_d.high - m.inductance_q.low).abs())
    }

    /// The largest torque that the controller can make with a current of so many A peak, Nm.
    pub(super) fn torque_of(&self, current: f64) -> f64 {
        let m = &self.unit.machine;
        super::physics::torque_max(
            f64::from(m.pole_pairs.value),
            m.flux_linkage.high,
            self.saliency(),
            current,
        )
    }

    /// The largest torque of windings or an inverter that are shorted at speed with a current of so many A peak in them, Nm, whatever
    /// is shorted: what the unit file declares, or else all lines, two of them, or one switch that is stuck on. Infinite if nothing
    /// bounds it.
    pub(super) fn torque_shorted(&self, current: f64) -> f64 {
        let m = &self.unit.machine;
        if let Some(known) = &m.torque_shorted_max {
            return known.si;
        }
        let shorted = Shorted {
            poles: f64::from(m.pole_pairs.value),
            flux: m.flux_linkage.high,
            ld: (m.inductance_d.low, m.inductance_d.high),
            lq: (m.inductance_q.low, m.inductance_q.high),
        };
        let coldest = copper_at(m.resistance.low, self.rig.ready.temperature.low);
        let stuck = shorted.stuck_on(current, coldest, self.overspeed().0);
        shorted.all_lines(current).max(shorted.two_lines(current)).max(stuck)
    }

    /// Energy that the windings hold with the most current in them, J: it flows through the diodes into the DC link when the torque
    /// goes off.
    pub(super) fn energy_of_windings(&self) -> f64 {
        let m = &self.unit.machine;
        in_windings(m.inductance_d.high.max(m.inductance_q.high), self.current().0)
    }

    /// Inertia of everything that turns, lowest and highest, kg m².
    pub(super) fn inertia(&self) -> (f64, f64) {
        let rotor = &self.unit.rotor.inertia;
        let more =
            self.rig.shaft.as_ref().and_then(|s| s.inertia.as_ref()).map_or((0.0, 0.0), |i| (i.low, i.high));
        (rotor.low + more.0, rotor.high + more.1)
    }

    /// What turns with the shaft, if anything is coupled to it.
    pub(super) fn coupling(&self) -> Option<&'a Shaft> {
        self.rig.shaft.as_ref().filter(|s| s.coupled.value != Coupled::Nothing)
    }

    /// Torque that what is coupled takes up, lowest and highest, Nm; what is not declared is not counted on.
    pub(super) fn load(&self) -> (f64, f64) {
        let shaft = self.coupling();
        shaft.and_then(|s| s.holds.as_ref()).map_or((0.0, 0.0), |h| (h.low.max(0.0), h.high.max(0.0)))
    }

    /// What the bus may stand at when a test begins, V, and where the lower and the upper end were written: the window of the
    /// pre-checks, narrowed by what a person sets last in that test. Each step takes the place of the one before it, and the
    /// pre-checks hold the window of the last until driving begins.
    pub(super) fn bus(&self, test: usize) -> ((f64, Place), (f64, Place)) {
        let window = &self.rig.supply.bus;
        let (mut low, mut high) = ((window.low, window.at), (window.high, window.at));
        let written = self.test_file(test).map_or(&[][..], |t| &t.operator);
        let mut steps = self.plan.tests[test].operator.iter().zip(written);
        let on_bus = |channel: usize| self.plan.channels[channel].role == Some(Role::BusVoltage);
        if let Some((step, file)) = steps.rfind(|(step, _)| on_bus(step.channel)) {
            let at = |i: usize| file.between.get(i).map_or(window.at, |q| q.at);
            if step.low > low.0 {
                low = (step.low, at(0));
            }
            if step.high < high.0 {
                high = (step.high, at(1));
            }
        }
        (low, high)
    }

    /// Whether the supply takes energy back.
    pub(super) fn takes_back(&self) -> bool {
        let supply = &self.rig.supply;
        supply.takes_back.as_ref().map_or(supply.kind.value == SupplyKind::Battery, |t| t.value)
    }

    /// The lowest of the voltages that the DC link must not exceed: bench limit, capacitor, machine; and where it stands.
    pub(super) fn bus_limit(&self) -> (f64, Place) {
        let limit = &self.rig.limits.bus;
        let rating = self.rating();
        if rating.0 < limit.si { rating } else { (limit.si, limit.at) }
    }

    /// What the DC link is destroyed above: the lower of what capacitor and machine are rated for, and where it stands.
    pub(super) fn rating(&self) -> (f64, Place) {
        let unit = &self.unit.machine.bus_max;
        let lower = self.rig.supply.rated.as_ref().filter(|r| r.si < unit.si).unwrap_or(unit);
        (lower.si, lower.at)
    }
}

/// Every segment in the order in which the plan lays them, repeats unrolled.
fn laid(profile: &[crate::files::read::At<Segment>]) -> Vec<&Segment> {
    let mut all = Vec::new();
    for segment in profile {
        match &segment.value {
            Segment::Repeat(repeat) => {
                let pass = laid(&repeat.of);
                (0..repeat.repeat.value).for_each(|_| all.extend(pass.iter().copied()));
            }
            other => all.push(other),
        }
    }
    all
}

/// A value in a unit, to four significant digits.
pub(super) fn shown(si: f64, unit: &str) -> String {
    let Ok(unit) = parse_unit(unit) else { return String::new() };
    quantity_text(&unit, si, None)
}

/// A speed in rad/s, as rpm.
pub(super) fn rpm(speed: f64) -> String {
    shown(speed, "rpm")
}

/// A value that still fits, rounded to the side that fits: down to three significant digits.
pub(super) fn at_most(si: f64, unit: &str) -> String {
    let Ok(known) = parse_unit(unit) else { return String::new() };
    let value = known.from_si(si);
    if !(value.is_finite() && value > 0.0) {
        return format!("0 {unit}");
    }
    let step = 10f64.powi(value.log10().floor() as i32 - 2);
    // A value that stands on a step already must not fall to the next.
    let floored = ((value / step) * (1.0 + 1e-12)).floor() * step;
    format!("{} {unit}", crate::units::number_text(floored))
}

/// What fits, as the text `with` makes of it; nothing where only none at all would.
pub(super) fn fitting(si: f64, unit: &str, with: impl FnOnce(String) -> String) -> Option<String> {
    (si.is_finite() && si > 0.0).then(|| with(at_most(si, unit)))
}

/// Two ways out of which each may be none.
pub(super) fn either(one: Option<String>, other: Option<String>) -> Option<String> {
    match (one, other) {
        (Some(one), Some(other)) => Some(format!("{one}, or {other}")),
        (one, other) => one.or(other),
    }
}

/// The same upwards.
pub(super) fn at_least(si: f64, unit: &str) -> String {
    let Ok(known) = parse_unit(unit) else { return String::new() };
    let value = known.from_si(si);
    let step = 10f64.powi(value.abs().max(1e-9).log10().floor() as i32 - 2);
    format!("{} {unit}", crate::units::number_text(((value / step) * (1.0 - 1e-12)).ceil() * step))
}

/// The largest value from 0 to `most` for which `fits` holds, found by halving; `fits` must not hold again above the first value
/// for which it does not.
pub(super) fn largest(most: f64, fits: impl Fn(f64) -> bool) -> f64 {
    if fits(most) {
        return most;
    }
    let (mut low, mut high) = (0.0, most);
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if fits(middle) { low = middle } else { high = middle }
    }
    low
}

/// A speed far beyond anything that turns: 100 000 rpm.
pub(super) const BEYOND: f64 = 1e5 * RPM;
