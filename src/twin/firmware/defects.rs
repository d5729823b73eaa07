//! What may be broken in the firmware itself: gates that do not follow the state, commands that are acknowledged and not carried
//! out, figures that are reported otherwise than they are used, and a restart with other settings.

use super::super::drive::takes_off;
use super::super::told::Told;
use super::super::truth::Settings;
use super::Firmware;
use crate::states::DriveState;
use crate::time::{Duration, Instant};

/// Longer than anything lasts.
pub(in super::super) const FOR_GOOD: Duration = Duration::from_micros(i64::MAX / 4);

/// Seconds between two looks at it: it is looked at with 1 kHz.
const LOOK: f64 = 1e-3;

/// What is broken, and what has come of it.
#[derive(Debug, Clone)]
pub(in super::super) struct Defects {
    /// For how long the gates go on after each off, and how fast the demand that they hold grows meanwhile, rad/s2.
    stays_on: Duration,
    speeds_up: f64,
    /// How long after each off the gates come back on.
    comes_back: Option<Duration>,
    /// For how long, from the first on, commands that take the gates off are acknowledged and not carried out.
    ignores_stops: Duration,
    ignores_since: Option<Instant>,
    /// What is reported of state, speed, current and bus whatever they are, and until when.
    frozen: Option<([f64; 5], Instant)>,
    /// What is reported for the phase current, A rms.
    current: Option<f64>,
    /// What is reported of the speed as a ratio to it; what it becomes at the next off.
    speed_ratio: f64,
    speed_ratio_when_off: Option<f64>,
    /// Why the gates are on although the state is one of those in which they are off.
    stray: Option<Stray>,
    /// When they come back on, and what was followed when they went off.
    back_at: Option<Instant>,
    last: Told,
    /// When a restart is over.
    boots_until: Option<Instant>,
    /// Restarts so far, and whether the ports have heard of the newest.
    restarts: u32,
    unheard: bool,
}

/// Gates that are on although the state says that they are off.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Stray {
    /// They have never gone off, and will at this moment.
    Stayed(Instant),
    /// They have come back on.
    Back,
}

impl Default for Defects {
    fn default() -> Defects {
        Defects {
            stays_on: Duration::ZERO,
            speeds_up: 0.0,
            comes_back: None,
            ignores_stops: Duration::ZERO,
            ignores_since: None,
            frozen: None,
            current: None,
            speed_ratio: 1.0,
            speed_ratio_when_off: None,
            stray: None,
            back_at: None,
            last: Told::Speed(0.0),
            boots_until: None,
            restarts: 0,
            unheard: false,
        }
    }
}

impl Defects {
    /// From now on the gates go on after each off for so long, and the speed demand that they hold grows by so much, rad/s2.
    pub fn stay_on(&mut self, lasting: Duration, speeds_up: f64) {
        self.stays_on = self.stays_on.max(lasting);
        self.speeds_up = self.speeds_up.max(speeds_up);
    }

    /// From now on the gates come back on so long after each off.
    pub fn come_back(&mut self, after: Duration) {
        self.comes_back = Some(self.comes_back.map_or(after, |before| before.max(after)));
    }

    /// From now on commands that take the gates off are not carried out, for so long from the first on.
    pub fn ignore_stops(&mut self, lasting: Duration) {
        self.ignores_stops = self.ignores_stops.max(lasting);
    }

    /// Reports this phase current, A rms, from now on.
    pub fn report_current(&mut self, current: f64) {
        self.current = Some(current);
    }

    /// Reports the speed times this ratio from now on, or from the next off on.
    pub fn report_speed(&mut self, ratio: f64, when_off: bool) {
        let ratio = self.worse(ratio);
        if when_off {
            self.speed_ratio_when_off = Some(ratio);
        } else {
            self.speed_ratio = ratio;
        }
    }

    /// Of two ratios that which is further from the truth.
    fn worse(&self, ratio: f64) -> f64 {
        if (ratio - 1.0).abs() > (self.speed_ratio - 1.0).abs() { ratio } else { self.speed_ratio }
    }

    /// Whether the gates are on against the state.
    pub fn strays(&self) -> bool {
        self.stray.is_some()
    }

    /// Whether it restarts just now and hears nothing.
    pub fn boots(&self) -> bool {
        self.boots_until.is_some()
    }

    /// Restarts so far.
    pub fn restarts(&self) -> u32 {
        self.restarts
    }

    /// The state has changed; `drove`: the gates were on; `drives`: they are meant to be on now; `told`: what was followed.
    pub(super) fn entered(&mut self, now: Instant, drove: bool, drives: bool, told: Told) {
        if drives {
            (self.stray, self.back_at) = (None, None);
            return;
        }
        if !drove {
            return;
        }
        if let Some(ratio) = self.speed_ratio_when_off.take() {
            self.speed_ratio = ratio;
        }
        match self.stray {
            Some(Stray::Stayed(_)) => {}
            None if self.stays_on > Duration::ZERO => self.stray = Some(Stray::Stayed(now + self.stays_on)),
            None | Some(Stray::Back) => {
                self.stray = None;
                self.last = told;
                self.back_at = self.comes_back.map(|after| now + after);
            }
        }
    }

    fn ignores(&mut self, now: Instant) -> bool {
        if self.ignores_stops == Duration::ZERO {
            return false;
        }
        let since = *self.ignores_since.get_or_insert(now);
        now - since < self.ignores_stops
    }
}

impl Firmware {
    /// Status word, speed in rad/s, phase current in A rms, bus in V and bus current in A as they are reported.
    pub fn drive_figures(&self) -> [f64; 5] {
        if let Some((figures, _)) = self.defects.frozen {
            return figures;
        }
        let r = &self.readings;
        let current = self.defects.current.unwrap_or_else(|| r.current_square.sqrt());
        [
            f64::from(self.status_word()),
            self.speed() * self.defects.speed_ratio,
            current,
            r.bus,
            r.bus_current,
        ]
    }

    /// What is reported of the drive stays as it is now, for so long.
    pub fn freeze(&mut self, now: Instant, lasting: Duration) {
        if lasting > Duration::ZERO && self.defects.frozen.is_none() {
            self.defects.frozen = Some((self.drive_figures(), now + lasting));
        }
    }

    /// The processor begins again: the gates go off, nothing is heard until it has booted, and what it was told is forgotten.
    /// `change` says what is set otherwise afterwards.
    pub fn restart(&mut self, now: Instant, booting: Duration, change: impl FnOnce(&mut Firmware)) {
        let words = if self.gates() { "gates off: restart" } else { "restart" };
        self.state = DriveState::NotReady;
        self.defects.stray = None;
        self.defects.back_at = None;
        self.defects.boots_until = Some(now + booting);
        self.defects.restarts += 1;
        self.defects.unheard = true;
        self.rest(now, true);
        self.told = Told::Speed(0.0);
        (self.word, self.pump) = (0, 0.0);
        change(self);
        self.tell(words.into(), None);
    }

    /// What is set, for the truth log.
    pub fn settings(&self) -> Settings {
        let l = &self.limits;
        Settings {
            build: self.build.label,
            current: l.current,
            alignment: l.alignment,
            speed: l.speed,
            pedal_rate: l.pedal_rate,
            command_timeout: self.command_timeout(),
            bus_high: l.bus_high,
        }
    }

    /// After a restart, another build runs.
    pub fn run_other_build(&mut self, label: &'static str) {
        self.build.label = label;
    }

    /// After a restart, the gates go off above another bus, in V.
    pub fn set_bus_limit(&mut self, bus_high: f64) {
        self.limits.bus_high = bus_high;
    }

    /// After a restart, there is no command timeout.
    pub fn end_command_timeout(&mut self) {
        self.build.command_timeout = false;
    }

    /// The build that runs after a restart of which the ports have not heard yet.
    pub fn restarted(&mut self) -> Option<&'static str> {
        std::mem::take(&mut self.defects.unheard).then_some(self.build.label)
    }

    /// Whether a command that takes the gates off is to be acknowledged and no more.
    pub(super) fn ignores(&mut self, now: Instant, word: u16) -> bool {
        self.state.may_drive() && takes_off(word) && self.defects.ignores(now)
    }

    /// Whether a word takes gates off that came back on by themselves.
    pub(super) fn takes_off_again(&self, word: u16) -> bool {
        self.defects.stray == Some(Stray::Back) && takes_off(word)
    }

    /// 1 kHz: what of it has become due.
    pub(super) fn look_at_defects(&mut self, now: Instant) {
        if self.defects.boots_until.is_some_and(|at| at <= now) {
            self.defects.boots_until = None;
            self.boot(now);
        }
        if self.defects.frozen.is_some_and(|(_, until)| until <= now) {
            self.defects.frozen = None;
        }
        match self.defects.stray {
            Some(Stray::Stayed(until)) if until <= now => {
                self.defects.stray = None;
                self.rest(now, true);
                self.tell("gates off: at last".into(), None);
            }
            Some(Stray::Stayed(_)) if self.defects.speeds_up > 0.0 => {
                if let Told::Speed(speed) = self.told {
                    let grown = (speed.abs() + self.defects.speeds_up * LOOK).min(self.limits.speed);
                    self.told = Told::Speed(grown.copysign(speed));
                }
            }
            _ => {}
        }
        let off = !matches!(self.state, DriveState::NotReady | DriveState::Fault) && !self.gates();
        if self.defects.back_at.is_some_and(|at| at <= now) && off {
            self.defects.back_at = None;
            self.defects.stray = Some(Stray::Back);
            self.rest(now, false);
            self.told = self.defects.last;
            self.tell("gates on: by themselves".into(), None);
        }
    }
}
