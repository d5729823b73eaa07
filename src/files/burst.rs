//! Bursts of a link, as the rig file describes them.

use super::read::*;
use super::rig::Exchange;
use crate::units::Quantity;

table! {
    /// A burst: samples that the controller captures by a clock of its own, read afterwards in pieces.
    pub struct Burst as "burst" {
        /// Name, for `burst` in a test.
        name: At<String>,
        /// What starts it, and the reply to that.
        start: Exchange,
        /// How to ask how many samples there are, with {count} in the reply; without it the pieces are asked for
        /// once the burst should be whole.
        count: Option<Exchange>,
        /// Samples per channel.
        samples: At<u32>,
        /// Most samples in one reply: a piece must not hold up what is more urgent.
        chunk: At<u32>,
        /// Samples per second.
        rate: Q<Frequency>,
        /// Standard uncertainty of the rate; 100 millionths of it if absent (common practice for a quartz).
        rate_uncertainty: Option<Q<Frequency>>,
        /// What is captured.
        channel: Vec<BurstChannel>,
    }
    rules: [TableRule::Distinct(&["channel", "name"], "channel name")]
}

table! {
    /// One quantity of a burst. A reply to `read` is a definite-length block (IEEE 488.2) of signed 16 bit whole
    /// numbers, most significant byte first.
    pub struct BurstChannel as "channel of a burst" {
        /// Name, for `of` in a criterion.
        name: At<String>,
        /// What asks for a piece, with {offset} and {count} in samples.
        read: At<String>,
        /// What one count stands for: "0.2 A".
        scale: At<Quantity>,
        /// Standard uncertainty common to all values (an offset); half a count if absent.
        uncertainty: Option<At<Quantity>>,
        /// Standard uncertainty of the scale, as a share; "1 %" if absent (common practice).
        scale_uncertainty: Option<Q<Number>>,
        /// Bits of the converter: a sample at either end may have been clipped; 16 if absent.
        bits: Option<At<u32>>,
    }
}
