//! Metrics: pure functions over columns that give a value, its uncertainty and the number of
//! samples, or refuse and say why. Registered by id and version.

mod alignment;
mod bursts;
mod bus;
mod carried;
mod coast;
mod coolant;
mod fit;
mod follow;
mod level;
mod link;
mod machine;
mod map;
mod numeric;
mod operand;
mod orders;
mod pedal;
mod resolver;
mod ripple;
mod rise;
mod spectrum;
mod steady;
mod step;
mod thermal;
mod tracking;
mod vibration;
mod window;

#[cfg(test)]
mod samples;

pub use map::{MapRow, SpeedMap, speed_map};
pub use operand::{Given, Operand, Takes, Value};
pub use orders::{BearingOrders, Stretch, bearing_orders, track, turns};
pub use resolver::{ResolverPicture, resolver_picture};

use crate::columns::{Columns, Span};
use crate::units::{Dim, Kind};
use std::fmt;

/// Which way is better.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Direction {
    /// Less is better.
    LowerIsBetter,
    /// More is better.
    HigherIsBetter,
    /// Neither.
    Neither,
}

/// What a metric is of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Subject {
    /// A channel.
    Channel,
    /// A channel held against the demand of the test.
    Tracked,
    /// A link.
    Link,
    /// A channel of a burst.
    Burst,
    /// A channel of a burst, or a channel that is polled often enough.
    Waveform,
}

/// What a metric gets to see.
#[derive(Debug, Clone, Copy)]
pub struct View<'a> {
    /// Everything recorded.
    pub columns: &'a Columns,
    /// Name of the channel or link it is of.
    pub of: &'a str,
    /// Name of the demand, for tracked channels.
    pub against: &'a str,
    /// Over which stretch of time.
    pub span: &'a Span,
    /// Half-width of the band, for metrics that settle into one; SI.
    pub band: Option<f64>,
    /// What the criterion gives under the metric's other keys.
    pub given: &'a Given,
}

/// A figure with its uncertainty.
#[derive(Debug, Clone, PartialEq)]
pub struct Measured {
    /// The value, SI.
    pub value: f64,
    /// Its standard uncertainty (k = 1), SI.
    pub u: f64,
    /// Number of samples that it rests on.
    pub n: usize,
    /// A remark for the reader.
    pub note: Option<String>,
}

/// Why there is no figure. Not measured is never passed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Refusal {
    /// In words with numbers.
    pub why: String,
}

/// A metric.
pub trait Metric: fmt::Debug + Sync {
    /// Its id in suites.
    fn id(&self) -> &'static str;
    /// Counts up when the same columns could give another figure.
    fn version(&self) -> u32;
    /// One sentence: what it is, how it is made, how its uncertainty is made, what it refuses.
    fn about(&self) -> &'static str;
    /// Which way is better.
    fn direction(&self) -> Direction;
    /// What it is of.
    fn subject(&self) -> Subject;
    /// Kind of the figure, given the kind of the channel (for links the plain number).
    fn kind(&self, of: Kind) -> Kind;
    /// Whether a criterion must give a `band`.
    fn needs_band(&self) -> bool {
        false
    }
    /// The keys that a criterion gives it beside `of`, `over` and `band`.
    fn operands(&self) -> &'static [Operand] {
        &[]
    }
    /// The figure.
    fn compute(&self, view: &View<'_>) -> Result<Measured, Refusal>;
}

/// Every metric, in the order in which they are listed.
pub fn catalogue() -> &'static [&'static dyn Metric] {
    static CATALOGUE: [&dyn Metric; 50] = [
        &tracking::RMS,
        &tracking::MAX,
        &tracking::MEAN,
        &step::OVERSHOOT,
        &step::SETTLING_TIME,
        &steady::RIPPLE,
        &rise::RATE,
        &bus::SAG,
        &link::ROUND_TRIP_P50,
        &link::ROUND_TRIP_P99,
        &link::REPLY_LOSS,
        &link::SLOTS_MISSED,
        &coolant::RISE_OVER,
        &coolant::HEAT,
        &pedal::APART,
        &thermal::TIME_CONSTANT,
        &thermal::FINAL,
        &thermal::TIME_CONSTANT_THREE_POINT,
        &thermal::FINAL_THREE_POINT,
        &coast::DRAG,
        &coast::COULOMB,
        &coast::VISCOUS,
        &coast::WINDAGE,
        &coast::INERTIA_BY_DRAG,
        &coast::INERTIA_BY_ADDED,
        &resolver::IMBALANCE,
        &resolver::QUADRATURE,
        &resolver::OFFSET,
        &resolver::ERROR,
        &resolver::RADIUS,
        &resolver::NOISE,
        &resolver::NOISE_GATES_OFF,
        &vibration::VELOCITY,
        &orders::AMPLITUDE,
        &orders::GROWTH,
        &ripple::PEAK_TO_PEAK,
        &ripple::FREQUENCY,
        &level::HIGHEST,
        &level::LOWEST,
        &follow::RMS,
        &follow::LAG,
        &alignment::MEAN_LEVEL,
        &alignment::TURN_RATIO,
        &alignment::FOLLOW_SLOPE,
        &alignment::ALIGNMENT_OFFSET,
        &machine::DC_RESISTANCE,
        &machine::LINKED_FLUX,
        &machine::HOLDING_INERTIA,
        &machine::HOLDING_FRICTION,
        &machine::HOLDING_DRAG,
    ];
    &CATALOGUE
}

/// The metric of that id.
pub fn find(id: &str) -> Option<&'static dyn Metric> {
    catalogue().iter().copied().find(|m| m.id() == id)
}

/// A row of the catalogue: what a metric says of itself, and its function.
#[derive(Debug)]
struct Entry {
    id: &'static str,
    version: u32,
    about: &'static str,
    direction: Direction,
    subject: Subject,
    kind: fn(Kind) -> Kind,
    needs_band: bool,
    operands: &'static [Operand],
    compute: fn(&View<'_>) -> Result<Measured, Refusal>,
}

impl Metric for Entry {
    fn id(&self) -> &'static str {
        self.id
    }
    fn version(&self) -> u32 {
        self.version
    }
    fn about(&self) -> &'static str {
        self.about
    }
    fn direction(&self) -> Direction {
        self.direction
    }
    fn subject(&self) -> Subject {
        self.subject
    }
    fn kind(&self, of: Kind) -> Kind {
        (self.kind)(of)
    }
    fn needs_band(&self) -> bool {
        self.needs_band
    }
    fn operands(&self) -> &'static [Operand] {
        self.operands
    }
    fn compute(&self, view: &View<'_>) -> Result<Measured, Refusal> {
        (self.compute)(view)
    }
}

/// The kind of a length of time.
fn duration() -> Kind {
    Kind { dim: Dim { time: 1, ..Dim::default() }, ..Kind::default() }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::parse_unit;

    /// Those that give another value or uncertainty from the same columns than they first did.
    const SECOND: [&str; 19] = [
        "time_constant",
        "final_temperature",
        "time_constant_three_point",
        "final_temperature_three_point",
        "resolver_imbalance",
        "resolver_quadrature",
        "resolver_offset",
        "resolver_error",
        "resolver_radius",
        "angle_noise",
        "angle_noise_gates_off",
        "vibration_velocity",
        "order_amplitude",
        "order_growth",
        "bus_ripple",
        "dc_resistance",
        "holding_inertia",
        "holding_friction",
        "holding_drag",
    ];

    /// Id, direction, subject, whether a band is needed, and the kind of the figure of a temperature.
    #[test]
    fn the_catalogue_says_what_each_metric_is() {
        use Direction::*;
        use Subject::*;
        let rows = [
            ("tracking_rms", LowerIsBetter, Tracked, false, "K"),
            ("tracking_max", LowerIsBetter, Tracked, false, "K"),
            ("tracking_mean", Neither, Tracked, false, "K"),
            ("overshoot", LowerIsBetter, Tracked, false, "%"),
            ("settling_time", LowerIsBetter, Tracked, true, "s"),
            ("steady_ripple", LowerIsBetter, Channel, false, "K"),
            ("rise_rate", LowerIsBetter, Channel, false, "K/min"),
            ("bus_sag", LowerIsBetter, Channel, false, "K"),
            ("round_trip_p50", LowerIsBetter, Link, false, "ms"),
            ("round_trip_p99", LowerIsBetter, Link, false, "ms"),
            ("reply_loss", LowerIsBetter, Link, false, "%"),
            ("slots_missed", LowerIsBetter, Link, false, "%"),
            ("rise_over_coolant", LowerIsBetter, Channel, false, "K"),
            ("coolant_heat", Neither, Channel, false, "W"),
            ("pedal_apart", LowerIsBetter, Channel, false, "K"),
            ("time_constant", Neither, Channel, false, "s"),
            ("final_temperature", LowerIsBetter, Channel, false, "°C"),
            ("time_constant_three_point", Neither, Channel, false, "s"),
            ("final_temperature_three_point", LowerIsBetter, Channel, false, "°C"),
            ("coast_drag", LowerIsBetter, Channel, false, "Nm"),
            ("coast_coulomb", LowerIsBetter, Channel, false, "Nm"),
            ("coast_viscous", LowerIsBetter, Channel, false, "Nm s/rad"),
            ("coast_windage", LowerIsBetter, Channel, false, "Nm s2/rad2"),
            ("coast_inertia", Neither, Channel, false, "kg m2"),
            ("coast_inertia_added", Neither, Channel, false, "kg m2"),
            ("resolver_imbalance", Neither, Burst, false, "%"),
            ("resolver_quadrature", Neither, Burst, false, "deg electrical"),
            ("resolver_offset", LowerIsBetter, Burst, false, "%"),
            ("resolver_error", LowerIsBetter, Burst, false, "deg electrical"),
            ("resolver_radius", HigherIsBetter, Burst, false, "K"),
            ("angle_noise", LowerIsBetter, Burst, false, "deg electrical rms"),
            ("angle_noise_gates_off", LowerIsBetter, Burst, false, "deg electrical rms"),
            ("vibration_velocity", LowerIsBetter, Burst, false, "K s rms"),
            ("order_amplitude", LowerIsBetter, Burst, false, "K peak"),
            ("order_growth", Neither, Burst, false, "%"),
            ("bus_ripple", LowerIsBetter, Waveform, false, "K"),
            ("bus_ripple_frequency", Neither, Waveform, false, "Hz"),
            ("highest", Neither, Channel, false, "°C"),
            ("lowest", Neither, Channel, false, "°C"),
            ("follow_rms", LowerIsBetter, Channel, false, "K"),
            ("follow_lag", LowerIsBetter, Channel, false, "s"),
            ("mean_level", Neither, Channel, false, "°C"),
            ("turn_ratio", Neither, Channel, false, "1"),
            ("follow_slope", Neither, Tracked, false, "1"),
            ("alignment_offset", Neither, Tracked, false, "K"),
            ("dc_resistance", Neither, Channel, false, "Ohm"),
            ("linked_flux", Neither, Channel, false, "Wb"),
            ("holding_inertia", Neither, Channel, false, "kg m2"),
            ("holding_friction", LowerIsBetter, Channel, false, "Nm"),
            ("holding_drag", LowerIsBetter, Channel, false, "Nm s/rad"),
        ];
        assert_eq!(catalogue().len(), rows.len());
        let celsius = parse_unit("°C").expect("a unit").kind;
        for (metric, (id, direction, subject, band, unit)) in catalogue().iter().zip(rows) {
            let found = (metric.id(), metric.direction(), metric.subject(), metric.needs_band());
            assert_eq!(found, (id, direction, subject, band));
            assert_eq!(metric.kind(celsius), parse_unit(unit).expect("a unit").kind, "{id}");
            let expected = match id {
                "bus_sag" => 3,
                _ if SECOND.contains(&id) => 2,
                _ => 1,
            };
            assert_eq!(metric.version(), expected, "{id}");
            assert!(find(id).is_some_and(|m| m.about() == metric.about()), "{id}");
            assert!(!metric.about().contains("  ") && metric.about().contains("refus"), "{id}");
        }
        let abouts: std::collections::BTreeSet<_> = catalogue().iter().map(|m| m.about()).collect();
        assert_eq!(abouts.len(), rows.len());
        assert!(find("nothing").is_none());
    }
}
