//! Recordings made beside a run, as the rig file describes them.

use super::read::*;
use crate::units::Quantity;

table! {
    /// A recording made beside the run, such as vibration through a sound card: a WAV file with a clock of its own, given
    /// with `report --recording NAME=FILE`.
    pub struct Recording as "recording" {
        /// A sentence or two about it.
        about: Option<String>,
        /// Standard uncertainty of its clock's rate, as a share; "100 ppm" if absent (common practice for a quartz).
        clock_uncertainty: Option<Q<Number>>,
        /// It is cut into pieces so long, and figures are of pieces as they are of bursts.
        piece: Q<Time>,
        /// What was recorded.
        channel: Vec<RecordedChannel>,
    }
    rules: [TableRule::Distinct(&["channel", "name"], "channel name")]
}

table! {
    /// One track of a recording.
    pub struct RecordedChannel as "channel of a recording" {
        /// Name, for `of` in a criterion.
        name: At<String>,
        /// Which track of the file, counted from 1.
        track: At<u32>,
        /// What the file's full scale stands for, from a calibration with the gain as it was: "50 m/s2".
        full_scale: At<Quantity>,
        /// Standard uncertainty of that, as a share; a sound card's gain is as good as its last calibration.
        scale_uncertainty: Q<Number>,
        /// Standard uncertainty common to all values (an offset); half a step of 16 bits if absent.
        uncertainty: Option<At<Quantity>>,
    }
}
