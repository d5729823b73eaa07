//! Hand-driven segments: a person works the pedal, any key stops, and one key marks a moment. The engine sends what keeps
//! the controller's command timeout off, watches and records; what turns is up to the foot.

use super::core::Core;
use super::{Output, State};
use crate::engine::driving::Driving;
use crate::outcome::Cause;
use crate::record::{Grade, What};
use crate::time::Instant;

/// The key that marks "I heard something"; every other one stops. Capital or small: a shift lock must not stop.
pub const MARK_KEY: u8 = b'm';

impl Core {
    /// Wants keys from here on, or no more.
    pub(super) fn listen(&mut self, on: bool) {
        if self.listening != on {
            self.listening = on;
            self.out.push_back(Output::Listen { on });
        }
    }

    /// Notes how the person at the pedal can stop with a key: without that nothing is handed over.
    pub(super) fn heard_keys(&mut self, now: Instant, test: usize, by: &str, person: bool) {
        let name = "any key stops".to_string();
        let grade = if person { Grade::Confirmed } else { Grade::Absent };
        let mark = char::from(MARK_KEY);
        let found = format!("keys are read {by}; `{mark}` marks a moment, any other stops");
        self.event(now, What::PreCheck { name, holds: true, grade, found, test });
    }
}

impl Driving {
    /// A key: a mark while the person drives, and a stop otherwise.
    pub(super) fn key(self, core: &mut Core, now: Instant, key: u8) -> State {
        if !core.listening {
            return State::Driving(self);
        }
        if key.eq_ignore_ascii_case(&MARK_KEY) {
            core.event(now, What::Marked { test: self.test() });
            return State::Driving(self);
        }
        let why = format!("the key `{}` was pressed", words(key));
        self.end(core, now, Cause::Stopped, why)
    }
}

/// A key as people call it.
fn words(key: u8) -> String {
    match key {
        b' ' => "space".into(),
        b'\r' | b'\n' => "Enter".into(),
        0x1B => "Esc or an arrow".into(),
        0x7F | 0x08 => "Backspace".into(),
        b'\t' => "Tab".into(),
        key => char::from(key).escape_default().to_string(),
    }
}
