//! How the text of a field becomes the number that is recorded.

use crate::plan::{Channel, Reading, Source};

impl Channel {
    /// How its text is read; `None` for a derived channel.
    pub(super) fn reading(&self) -> Option<&Reading> {
        match &self.source {
            Source::Wire { reading, .. } => Some(reading),
            Source::Derived(_) => None,
        }
    }
}

impl Reading {
    /// The number in the unit on the wire; `None` if the text is no reading at all. The controller's
    /// own "not a number" (`NAN`, or SCPI's 9.91E37, from memory) is a reading: NaN.
    pub fn read(&self, text: &str) -> Option<f64> {
        match self {
            Reading::Number => {
                let number: f64 = text.parse().ok()?;
                Some(if (9.905e37..9.915e37).contains(&number) { f64::NAN } else { number })
            }
            Reading::StatusWord => {
                let word = match text.strip_prefix("0x").or_else(|| text.strip_prefix("0X")) {
                    Some(hex) => u16::from_str_radix(hex, 16).ok()?,
                    None => text.parse().ok()?,
                };
                Some(f64::from(word))
            }
            Reading::States(words) => {
                words.iter().find(|(w, _)| w == text).map(|(_, state)| f64::from(state.code()))
            }
            Reading::Words(words) => words.iter().find(|(w, _)| w == text).map(|(_, number)| *number),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::states::DriveState;

    #[test]
    fn texts_become_numbers_or_nothing() {
        let words = Reading::Words(vec![("OPEN".into(), 0.0), ("CLOSED".into(), 1.0)]);
        let states = Reading::States(vec![("RUN".into(), DriveState::OperationEnabled)]);
        for (reading, text, expected) in [
            (&Reading::Number, "12.5", Some(12.5)),
            (&Reading::Number, "-1e3", Some(-1000.0)),
            (&Reading::Number, "12,5", None),
            (&Reading::Number, "", None),
            (&Reading::StatusWord, "567", Some(567.0)),
            (&Reading::StatusWord, "0x0237", Some(567.0)),
            (&Reading::StatusWord, "-1", None),
            (&Reading::StatusWord, "70000", None),
            (&states, "RUN", Some(39.0)),
            (&states, "run", None),
            (&words, "CLOSED", Some(1.0)),
        ] {
            assert_eq!(reading.read(text), expected, "{reading:?} {text}");
        }
        assert!(Reading::Number.read("9.91E37").is_some_and(f64::is_nan));
        assert!(Reading::Number.read("NAN").is_some_and(f64::is_nan));
    }
}
