//! The controller's state machine, after CiA 402 (IEC 61800-7-201; transitions from memory, words
//! and masks checked against a public copy), and why it leaves driving by itself.

use crate::states::DriveState;
use std::borrow::Cow;

/// What a control word asks for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Command {
    DisableVoltage,
    QuickStop,
    Shutdown,
    SwitchOn,
    EnableOperation,
}

/// The command in a control word: bits 0 switch on, 1 enable voltage, 2 quick stop (low active),
/// 3 enable operation.
fn command(word: u16) -> Command {
    match word & 0x0F {
        w if w & 0x02 == 0 => Command::DisableVoltage,
        w if w & 0x04 == 0 => Command::QuickStop,
        w if w & 0x01 == 0 => Command::Shutdown,
        w if w & 0x08 == 0 => Command::SwitchOn,
        _ => Command::EnableOperation,
    }
}

/// Whether a control word takes the gates off that an enabled drive has on.
pub(super) fn takes_off(word: u16) -> bool {
    command(word) != Command::EnableOperation
}

/// The state that follows from a control word; `None` if it stays. `reset` is the rising edge of
/// bit 7, fault reset.
pub(super) fn next_state(state: DriveState, word: u16, reset: bool) -> Option<DriveState> {
    use Command as C;
    use DriveState as S;
    match (state, command(word)) {
        (S::Fault, _) if reset => Some(S::SwitchOnDisabled),
        (S::NotReady | S::FaultReactionActive | S::Fault, _) => None,
        (S::SwitchOnDisabled, C::Shutdown) => Some(S::ReadyToSwitchOn),
        (S::SwitchOnDisabled, _) => None,
        (S::ReadyToSwitchOn, C::SwitchOn | C::EnableOperation) => Some(S::SwitchedOn),
        (S::ReadyToSwitchOn | S::SwitchedOn, C::DisableVoltage | C::QuickStop) => Some(S::SwitchOnDisabled),
        (S::SwitchedOn, C::EnableOperation) => Some(S::OperationEnabled),
        (S::SwitchedOn | S::OperationEnabled, C::Shutdown) => Some(S::ReadyToSwitchOn),
        (S::OperationEnabled, C::SwitchOn) => Some(S::SwitchedOn),
        (S::OperationEnabled, C::QuickStop) => Some(S::QuickStopActive),
        (S::OperationEnabled | S::QuickStopActive, C::DisableVoltage) => Some(S::SwitchOnDisabled),
        (S::ReadyToSwitchOn, C::Shutdown)
        | (S::SwitchedOn, C::SwitchOn)
        | (S::OperationEnabled, C::EnableOperation)
        | (S::QuickStopActive, _) => None,
    }
}

/// Why the firmware took the gates off by itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Trouble {
    CommandTimeout,
    OverCurrent,
    OverSpeed,
    WindingHot,
    InverterHot,
    BusHigh,
    BusLow,
    StopLoop,
    GateDrivers,
}

impl Trouble {
    /// Number in the error queue (device-dependent, so positive) and words.
    pub fn number_and_words(self) -> (i16, &'static str) {
        match self {
            Trouble::CommandTimeout => (101, "command timeout"),
            Trouble::OverCurrent => (102, "overcurrent"),
            Trouble::OverSpeed => (103, "overspeed"),
            Trouble::WindingHot => (104, "winding too hot"),
            Trouble::InverterHot => (105, "inverter too hot"),
            Trouble::BusHigh => (106, "bus too high"),
            Trouble::BusLow => (107, "bus too low"),
            Trouble::StopLoop => (108, "stop loop open"),
            Trouble::GateDrivers => (109, "gate drivers shut down"),
        }
    }
}

/// Something that the truth log and the line should hear of.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Event {
    pub words: Cow<'static, str>,
    pub trouble: Option<Trouble>,
}

#[cfg(test)]
mod tests {
    use super::*;

    /// CiA 402, drawn from memory: state, control word, next state (`-` stays). Words: 06 shut
    /// down, 07 switch on, 0F enable, 00 disable voltage, 02 quick stop, 80 fault reset.
    #[test]
    fn transitions_follow_the_published_table() {
        use DriveState as S;
        let rows: &[(DriveState, [Option<DriveState>; 6])] = &[
            (S::NotReady, [None; 6]),
            (S::SwitchOnDisabled, [Some(S::ReadyToSwitchOn), None, None, None, None, None]),
            (
                S::ReadyToSwitchOn,
                [
                    None,
                    Some(S::SwitchedOn),
                    Some(S::SwitchedOn),
                    Some(S::SwitchOnDisabled),
                    Some(S::SwitchOnDisabled),
                    Some(S::SwitchOnDisabled),
                ],
            ),
            (
                S::SwitchedOn,
                [
                    Some(S::ReadyToSwitchOn),
                    None,
                    Some(S::OperationEnabled),
                    Some(S::SwitchOnDisabled),
                    Some(S::SwitchOnDisabled),
                    Some(S::SwitchOnDisabled),
                ],
            ),
            (
                S::OperationEnabled,
                [
                    Some(S::ReadyToSwitchOn),
                    Some(S::SwitchedOn),
                    None,
                    Some(S::SwitchOnDisabled),
                    Some(S::QuickStopActive),
                    Some(S::SwitchOnDisabled),
                ],
            ),
            (
                S::QuickStopActive,
                [None, None, None, Some(S::SwitchOnDisabled), None, Some(S::SwitchOnDisabled)],
            ),
            (S::FaultReactionActive, [None; 6]),
            (S::Fault, [None, None, None, None, None, Some(S::SwitchOnDisabled)]),
        ];
        assert_eq!(rows.len(), DriveState::ALL.len());
        for (state, next) in rows {
            for (word, expected) in [0x06, 0x07, 0x0F, 0x00, 0x02, 0x80].into_iter().zip(next) {
                assert_eq!(next_state(*state, word, word == 0x80), *expected, "{state:?} {word:02X}");
            }
        }
    }

    #[test]
    fn a_fault_reset_needs_an_edge() {
        assert_eq!(next_state(DriveState::Fault, 0x80, false), None);
    }
}
