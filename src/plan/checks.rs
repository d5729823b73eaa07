//! Pre-checks: windows, and what looks closer than a window, of each guard every way in which it is known.

use super::Plan;
use crate::record::Grade;
use crate::time::Duration;

/// A window for a channel.
#[derive(Debug, Clone)]
pub struct Window {
    /// Name of the pre-check: "bus in window".
    pub name: String,
    /// Index of the channel.
    pub channel: usize,
    /// Lowest value, SI.
    pub low: f64,
    /// Highest value, SI.
    pub high: f64,
}

impl Plan {
    /// The windows of the pre-checks of a test, by its index. What a person has set before it must still be as they set it: a
    /// supply that is turned on after its step was done is not the one that the hazards were judged with. Of several steps on
    /// one channel the last counts.
    pub fn windows(&self, test: usize) -> Vec<Window> {
        let mut windows = self.ready.windows.clone();
        let steps = self.tests.get(test).map_or(&[][..], |t| &t.operator);
        for (index, step) in steps.iter().enumerate() {
            if steps[index + 1..].iter().any(|later| later.channel == step.channel) {
                continue;
            }
            let (channel, name) = (step.channel, format!("{} as set", self.channels[step.channel].name));
            windows.push(Window { name, channel, low: step.low, high: step.high });
        }
        windows
    }
}

/// A pre-check of one guard. All its ways must hold; the best of them is its grade.
#[derive(Debug, Clone)]
pub struct Check {
    /// Name of the pre-check and of the guard: "coolant moving".
    pub name: String,
    /// When it is made.
    pub when: When,
    /// In which ways it is known, at least one.
    pub ways: Vec<Way>,
}

/// When a pre-check is made.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum When {
    /// Before every test, with the gates off.
    GatesOff,
    /// Before the first test, where the suite declares a cold soak.
    ColdSoak,
    /// Once enabled, at the demand's rest value, before the profile.
    GatesOn,
}

/// A way in which something is known.
#[derive(Debug, Clone)]
pub enum Way {
    /// Every sample lies in a window, once so much of the watch is past.
    Within(Window, Duration, Grade),
    /// Two channels of one reply are never further apart (SI).
    Alike([usize; 2], f64),
    /// The means of some channels differ by no more than this (SI) beside what the sensors may be off.
    Together(Vec<usize>, f64),
    /// The bus lies where the mains let it be.
    Predicted(Prediction),
    /// A person said yes to the question of this id.
    Seen(String),
    /// What a little heat leaves behind.
    Pulse(Pulse),
}

/// Index of the test that makes the heat pulse, where there is one.
pub const HEAT_PULSE_TEST: usize = 0;

/// A heat pulse: its test has the segments before, rise of the current, heat, wait.
#[derive(Debug, Clone, Copy)]
pub struct Pulse {
    /// The channel of the temperature.
    pub channel: usize,
    /// The channel of the rotor's electrical angle.
    pub angle: usize,
    /// The demand of the forced angle: it is told the angle at which the rotor stands.
    pub demand: usize,
    /// Over how much of the ends of heat and wait means are taken.
    pub edge: Duration,
    /// Most of the rise that may be left after the wait.
    pub left: f64,
    /// Smallest step of the temperature's reading, K.
    pub resolution: f64,
}

/// What the bus is predicted from.
#[derive(Debug, Clone, Copy)]
pub struct Prediction {
    /// The channel of the bus.
    pub bus: usize,
    /// Where the mains are known from.
    pub mains: Mains,
    /// Lowest and highest peak of the mains over their rms.
    pub crest: (f64, f64),
    /// Least and most that the diodes in the way take together, V.
    pub diodes: (f64, f64),
}

/// Where the output of the transformer is known from.
#[derive(Debug, Clone, Copy)]
pub enum Mains {
    /// A channel in V rms.
    Read(usize),
    /// Two ends, V rms, of what a person has set.
    Set(f64, f64),
}

impl Way {
    /// The channels whose values it needs from the watch before a test, in its own order.
    pub fn channels(&self) -> Vec<usize> {
        match self {
            Way::Within(window, ..) => vec![window.channel],
            Way::Alike(two, _) => two.to_vec(),
            Way::Together(all, _) => all.clone(),
            Way::Predicted(Prediction { bus, mains: Mains::Read(mains), .. }) => vec![*bus, *mains],
            Way::Predicted(Prediction { bus, .. }) => vec![*bus],
            Way::Seen(_) | Way::Pulse(_) => Vec::new(),
        }
    }

    /// Changes the index of each channel.
    pub(super) fn renumber(&mut self, plan_index: &[usize]) {
        let renumber = |channel: &mut usize| *channel = plan_index[*channel];
        match self {
            Way::Within(window, ..) => renumber(&mut window.channel),
            Way::Alike(two, _) => two.iter_mut().for_each(renumber),
            Way::Together(all, _) => all.iter_mut().for_each(renumber),
            Way::Predicted(prediction) => {
                renumber(&mut prediction.bus);
                if let Mains::Read(mains) = &mut prediction.mains {
                    renumber(mains);
                }
            }
            Way::Pulse(pulse) => {
                renumber(&mut pulse.channel);
                renumber(&mut pulse.angle);
            }
            Way::Seen(_) => {}
        }
    }
}

/// The watch with the gates on, before the profile.
#[derive(Debug, Clone, Copy)]
pub struct Quiet {
    /// What is read before does not count.
    pub settle: Duration,
    /// How long it is watched then.
    pub observe: Duration,
}
