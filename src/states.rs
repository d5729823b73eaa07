//! The states of a drive, after CiA 402 (IEC 61800-7-201): every board's own words are mapped to these.

use serde::{Deserialize, Serialize};

/// A state of the CiA 402 state machine.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum DriveState {
    /// Starting up.
    NotReady,
    /// Waiting, gates off.
    SwitchOnDisabled,
    /// Ready to switch on, gates off.
    ReadyToSwitchOn,
    /// Switched on, gates off.
    SwitchedOn,
    /// Driving: gates on.
    OperationEnabled,
    /// Stopping under control: gates on.
    QuickStopActive,
    /// Reacting to a fault: gates may be on.
    FaultReactionActive,
    /// Fault, gates off.
    Fault,
}

impl DriveState {
    /// Every state.
    pub const ALL: [DriveState; 8] = [
        DriveState::NotReady,
        DriveState::SwitchOnDisabled,
        DriveState::ReadyToSwitchOn,
        DriveState::SwitchedOn,
        DriveState::OperationEnabled,
        DriveState::QuickStopActive,
        DriveState::FaultReactionActive,
        DriveState::Fault,
    ];

    /// The state in words, as files and reports say it.
    pub fn words(self) -> &'static str {
        match self {
            DriveState::NotReady => "not ready",
            DriveState::SwitchOnDisabled => "switch on disabled",
            DriveState::ReadyToSwitchOn => "ready to switch on",
            DriveState::SwitchedOn => "switched on",
            DriveState::OperationEnabled => "operation enabled",
            DriveState::QuickStopActive => "quick stop active",
            DriveState::FaultReactionActive => "fault reaction active",
            DriveState::Fault => "fault",
        }
    }

    /// The status word that stands for the state, other bits clear.
    pub fn code(self) -> u16 {
        match self {
            DriveState::NotReady => 0x00,
            DriveState::SwitchOnDisabled => 0x40,
            DriveState::ReadyToSwitchOn => 0x21,
            DriveState::SwitchedOn => 0x23,
            DriveState::OperationEnabled => 0x27,
            DriveState::QuickStopActive => 0x07,
            DriveState::FaultReactionActive => 0x0F,
            DriveState::Fault => 0x08,
        }
    }

    /// The state that a status word stands for; `None` if the bits fit no state.
    pub fn from_status_word(word: u16) -> Option<DriveState> {
        match word & 0x4F {
            0x00 => return Some(DriveState::NotReady),
            0x40 => return Some(DriveState::SwitchOnDisabled),
            0x0F => return Some(DriveState::FaultReactionActive),
            0x08 => return Some(DriveState::Fault),
            _ => {}
        }
        match word & 0x6F {
            0x21 => Some(DriveState::ReadyToSwitchOn),
            0x23 => Some(DriveState::SwitchedOn),
            0x27 => Some(DriveState::OperationEnabled),
            0x07 => Some(DriveState::QuickStopActive),
            _ => None,
        }
    }

    /// Whether the gates may be switching: only where they surely are not is this false.
    pub fn may_drive(self) -> bool {
        matches!(
            self,
            DriveState::OperationEnabled | DriveState::QuickStopActive | DriveState::FaultReactionActive
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Masks and values of CiA 402 , checked against a public copy; 0x0028 is a fault.
    #[test]
    fn status_words_decode_as_published() {
        for state in DriveState::ALL {
            assert_eq!(DriveState::from_status_word(state.code()), Some(state));
        }
        assert_eq!(DriveState::from_status_word(0x0028), Some(DriveState::Fault));
        assert_eq!(DriveState::from_status_word(0x0237), Some(DriveState::OperationEnabled));
        assert_eq!(DriveState::from_status_word(0x0003), None);
    }
}
