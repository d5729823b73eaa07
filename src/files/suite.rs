//! The suite file: tests in order with their trips and criteria; and the answers file.

use super::read::*;
use super::rig::{Question, Trip};
use crate::units::Quantity;

table! {
    /// Tests in order, with their pre-checks, trips and criteria.
    pub struct Suite as "suite" {
        /// Version of the file format.
        schema: At<FormatVersion>,
        /// Name of the suite.
        name: At<String>,
        /// A sentence or two about it.
        about: Option<String>,
        /// Which rung of the ladder this is, by hazard; a suite that does not say counts as "full".
        rung: Option<At<Rung>>,
        /// How a measured value with its uncertainty is held against a limit; "guarded" if absent.
        rule: Option<At<Rule>>,
        /// Whether the unit has stood until all of it was as warm as the room: before the first test its temperatures
        /// must then agree.
        cold_soak: Option<At<bool>>,
        /// Questions beside those of the rig.
        question: Vec<Question>,
        /// Trips beside those of the rig.
        trip: Named<Trip>,
        /// Optional polls of the rig that this suite needs.
        poll: Vec<At<String>>,
        /// The tests, in order.
        test: Vec<Test>,
    }
    rules: [
        TableRule::Distinct(&["test", "name"], "test name"),
        TableRule::Distinct(&["question", "id"], "question id"),
        TableRule::Distinct(&["test", "operator", "id"], "operator step id"),
    ]
}

words! {
    /// A rung of the ladder, from the least hazard to the greatest.
    pub enum Rung {
        /// Right after assembly: sense, offset, order and direction, a few amperes, a few per cent of the speed.
        Commissioning = "commissioning",
        /// It turns by itself for the first time: low speed, free shaft, reduced bus.
        FirstSpin = "first spin",
        /// Profiles that ask for acceleration, at speeds that the first spin has reached.
        Ramp = "ramp",
        /// The highest speeds of the bench: what is loose or out of balance shows itself here.
        RunUp = "run-up",
        /// Torque against a load for long enough to heat every part.
        Heat = "heat",
        /// Everything together, or more bus voltage than the rungs below had.
        Full = "full",
    }
}

words! {
    /// The decision rule.
    pub enum Rule {
        /// Met only if the value with its expanded uncertainty (k = 2) is inside the limit.
        Guarded = "guarded",
        /// Met if the value is inside the limit.
        Simple = "simple",
    }
}

table! {
    /// One test: a profile and what must be true of it.
    pub struct Test as "test" {
        /// Name of the test.
        name: At<String>,
        /// A sentence or two about it.
        about: Option<String>,
        /// Which demand the profile is for; the rig's shaft speed demand if absent.
        demand: Option<At<String>>,
        /// Other demands that stand at a value while the profile runs, such as { current_limit = "6 A peak" }.
        with: Named<At<Quantity>>,
        /// What a person must set before the pre-checks, in order.
        operator: Vec<OperatorStep>,
        /// Segments in order, beginning at the demand's rest value.
        profile: Vec<At<Segment>>,
        /// Bursts that are taken meanwhile, one after the other.
        burst: Vec<Take>,
        /// What must be true.
        criterion: Vec<Criterion>,
    }
    rules: [TableRule::Distinct(&["profile", "name"], "segment name")]
}

table! {
    /// A sort of burst that is taken again and again.
    pub struct Take as "burst of a test" {
        /// Name of the burst in the rig file.
        take: At<String>,
        /// During which named segment; the whole profile if absent.
        over: Option<At<String>>,
    }
}

table! {
    /// Something that a person sets, such as the supply: asked for, watched until it is there, and, with a meter, cross-checked.
    pub struct OperatorStep as "operator step" {
        /// Id, under which an answers file gives the meter's value.
        id: At<String>,
        /// What to do, such as "Raise the supply to 60 V.".
        ask: String,
        /// The channel that shows it.
        of: At<String>,
        /// The window that the channel must stay in for as long as pre-checks watch.
        between: Vec<At<Quantity>>,
        /// How long it may take.
        within: Q<Time>,
        /// Standard uncertainty of the person's own meter, whose value they then type; without it nothing is typed.
        meter: Option<At<Quantity>>,
    }
    rules: [TableRule::Needed("between"), TableRule::Pair("between")]
}

choice! {
    /// A piece of a profile.
    pub enum Segment as "segment" {
        /// The demand stays.
        Hold(Hold) by "hold",
        /// The demand moves steadily.
        Ramp(Ramp) by "ramp",
        /// The demand jumps.
        Step(Step) by "step",
        /// The demand climbs stair by stair.
        Stairs(Stairs) by "stairs",
        /// The demand swings at one frequency.
        Sine(Sine) by "sine",
        /// The demand swings at a frequency that sweeps.
        Chirp(Chirp) by "chirp",
        /// The demand follows a table of a CSV file.
        Cycle(Cycle) by "cycle",
        /// The torque is off and the shaft runs down.
        Coast(Coast) by "coast",
        /// A person works the pedal.
        ByHand(ByHand) by "by_hand",
        /// The torque is off from the begin on, and the shaft is watched.
        Watch(Watch) by "watch",
        /// No demand is sent: the controller must switch itself off.
        Silence(Silence) by "silence",
        /// The stop frame is sent once and the demands go on: the frame alone must take the torque off.
        StopFrame(StopFrame) by "stop_frame",
        /// Segments again and again.
        Repeat(Repeat) by "repeat",
    }
}

table! {
    /// The demand stays for a time.
    pub struct Hold as "hold" {
        /// How long.
        hold: Q<Time>,
        /// Name, for `over` in a criterion.
        name: Option<At<String>>,
    }
}

table! {
    /// The demand moves steadily to a value.
    pub struct Ramp as "ramp" {
        /// Where to.
        ramp: At<Quantity>,
        /// How fast; this or `lasting`.
        rate: Option<At<Quantity>>,
        /// For how long; this or `rate`.
        lasting: Option<Q<Time>>,
        /// Name, for `over` in a criterion.
        name: Option<At<String>>,
    }
    rules: [TableRule::OneOf(&["rate", "lasting"])]
}

table! {
    /// The demand jumps to a value and stays for a time.
    pub struct Step as "step" {
        /// Where to.
        step: At<Quantity>,
        /// How long it stays there.
        hold: Option<Q<Time>>,
        /// Name, for `over` in a criterion.
        name: Option<At<String>>,
    }
}

table! {
    /// The demand climbs or descends to a value in equal stairs, ramping to each and holding there.
    pub struct Stairs as "stairs" {
        /// Where to.
        stairs: At<Quantity>,
        /// Height of a stair; the last may be lower.
        by: At<Quantity>,
        /// How fast from stair to stair.
        rate: At<Quantity>,
        /// How long on each.
        each: Q<Time>,
        /// Name, for `over` in a criterion.
        name: Option<At<String>>,
    }
}

words! {
    /// What a turn is.
    pub enum Turn {
        /// A turn of the machine's shaft.
        Mechanical = "mechanical",
        /// A turn of the field: pole pairs of them make one of the shaft.
        Electrical = "electrical",
    }
}

table! {
    /// The demand swings at one frequency through whole cycles: it begins rising and ends where it began.
    pub struct Sine as "sine" {
        /// Amplitude: half of the way from the lowest to the highest value.
        sine: At<Quantity>,
        /// The value to swing around; the demand must stand within the amplitude of it. Where the demand stands, if absent.
        around: Option<At<Quantity>>,
        /// How often in a second; this or `period`.
        frequency: Option<Q<Frequency>>,
        /// How long one cycle takes; this or `frequency`.
        period: Option<Q<Time>>,
        /// How many cycles; this or `lasting`.
        cycles: Option<At<u32>>,
        /// For how long, a whole number of cycles; this or `cycles`.
        lasting: Option<Q<Time>>,
        /// Name, for `over` in a criterion.
        name: Option<At<String>>,
    }
    rules: [TableRule::OneOf(&["frequency", "period"]), TableRule::OneOf(&["cycles", "lasting"])]
}

table! {
    /// The demand swings at a frequency that sweeps: it begins rising and ends where it began.
    pub struct Chirp as "chirp" {
        /// Amplitude: half of the way from the lowest to the highest value.
        chirp: At<Quantity>,
        /// The value to swing around; the demand must stand within the amplitude of it. Where the demand stands, if absent.
        around: Option<At<Quantity>>,
        /// Frequency at the begin.
        from: Q<Frequency>,
        /// Frequency at the end.
        to: Q<Frequency>,
        /// For how long; as much is added as the last cycle needs to be whole.
        lasting: Q<Time>,
        /// How the frequency moves; "linear" if absent.
        sweep: Option<At<Sweep>>,
        /// Name, for `over` in a criterion.
        name: Option<At<String>>,
    }
}

table! {
    /// The demand follows a table: straight from point to point.
    pub struct Cycle as "cycle" {
        /// CSV file with a header of two columns, time and demand, each with its unit, such as `t_s,speed_rpm`; the path counts from the suite file.
        cycle: At<String>,
        /// Name, for `over` in a criterion.
        name: Option<At<String>>,
    }
}

table! {
    /// The torque is off, the pump stays on and the shaft runs down: the last segment of its test.
    pub struct Coast as "coast" {
        /// For how long at most.
        coast: Q<Time>,
        /// The speed that ends it before.
        below: Option<Q<Speed>>,
        /// Name, for `over` in a criterion.
        name: Option<At<String>>,
    }
}

table! {
    /// A person works the pedal: the program demands nothing but keeps the controller's command timeout off, watches, trips
    /// and records. Any key stops, but for the one that marks a moment.
    pub struct ByHand as "hand-driven segment" {
        /// For how long.
        by_hand: Q<Time>,
        /// The speed that the fully pressed pedal may ask for.
        up_to: At<Quantity>,
        /// What the person is to do, such as "Press to half, hold for 5 s, let go.".
        ask: String,
        /// How the pedal is worked in a rehearsal: a CSV file with a header such as `t_s,pedal_%`, time counting from the begin of the segment; the path counts from the suite file. Not at all, if absent.
        rehearsed: Option<At<String>>,
        /// Name, for `over` in a criterion.
        name: Option<At<String>>,
    }
}

table! {
    /// The drive is never enabled and the shaft is watched, at rest or turned by hand; a test has either this or demands.
    pub struct Watch as "watch" {
        /// For how long.
        watch: Q<Time>,
        /// What a person is to do meanwhile, such as "Turn the shaft forward by one turn, mark to mark."
        ask: Option<String>,
        /// How far they turn the shaft, forward above zero; in a rehearsal the simulated hand turns it so far.
        turned: Option<Q<Angle>>,
        /// Name, for `over` in a criterion.
        name: Option<At<String>>,
    }
}

table! {
    /// No demand is sent, and the controller's own command timeout must take the torque off: the last segment of its test.
    pub struct Silence as "silence" {
        /// How long the controller may take; longer than its command timeout.
        silence: Q<Time>,
        /// Name, for `over` in a criterion.
        name: Option<At<String>>,
    }
}

table! {
    /// The stop frame is sent once, as a stop sends it, and the demands go on at their last value, so that no command timeout
    /// helps: the frame must take the torque off, and no demand may bring it back. The last segment of its test.
    pub struct StopFrame as "stop frame segment" {
        /// How long the demands go on after it; longer than the command timeout.
        stop_frame: Q<Time>,
        /// Name, for `over` in a criterion.
        name: Option<At<String>>,
    }
}

table! {
    /// Segments again and again, each time from where the demand then stands.
    pub struct Repeat as "repeat" {
        /// How many times.
        repeat: At<u32>,
        /// The segments; the name of one is followed by the number of the pass: "up 2".
        of: Vec<At<Segment>>,
    }
    rules: [TableRule::Distinct(&["of", "name"], "segment name")]
}

words! {
    /// How the frequency of a chirp moves.
    pub enum Sweep {
        /// By as many hertz in each second.
        Linear = "linear",
        /// By as many octaves in each second.
        Logarithmic = "logarithmic",
    }
}

table! {
    /// What must be true of which figure.
    pub struct Criterion as "criterion" {
        /// Id of the metric; `spinproof check --metrics` lists them.
        metric: At<String>,
        /// Of which channel or link.
        of: Option<At<String>>,
        /// Over which named segment; the whole profile if absent.
        over: Option<At<String>>,
        /// The figure must not exceed this.
        at_most: Option<At<Quantity>>,
        /// The figure must reach this.
        at_least: Option<At<Quantity>>,
        /// The figure must lie between these two.
        between: Vec<At<Quantity>>,
        /// Half-width of the band for metrics that settle into one.
        band: Option<At<Quantity>>,
        /// The other channel: what a rise is over, the inlet, the second track, the cosine.
        with: Option<At<String>>,
        /// The channel of the coolant's flow.
        flow: Option<At<String>>,
        /// The channel of the shaft's speed.
        speed: Option<At<String>>,
        /// The channel of the winding's temperature.
        winding: Option<At<String>>,
        /// The channel of the current across the magnets.
        current: Option<At<String>>,
        /// How far the shaft was turned, or the two ends between which that lies.
        turned: Option<Ranged<Angle>>,
        /// Resistance of a phase, or the two ends between which it lies.
        resistance: Option<Ranged<Resistance>>,
        /// Name of the segment before, for metrics that hold two against each other.
        before: Option<At<String>>,
        /// The resolver's sine in the same burst: it leads the angle of the shaft.
        sine: Option<At<String>>,
        /// The resolver's cosine in it.
        cosine: Option<At<String>>,
        /// Lowest and highest frequency of a band.
        frequencies: Option<Ranged<Frequency>>,
        /// How often per turn.
        order: Option<Q<Number>>,
        /// What a turn is for `order`: "mechanical" if absent, or "electrical".
        turn: Option<At<Turn>>,
        /// How far the order may be off, as a share: 1 to 2 % where rolling bearings slip.
        slip: Option<Q<Number>>,
        /// How long something must last to count.
        lasting: Option<Q<Time>>,
        /// Density of the coolant, or the two ends between which it lies.
        density: Option<Ranged<Density>>,
        /// Specific heat of the coolant, or the two ends between which it lies.
        specific_heat: Option<Ranged<SpecificHeat>>,
        /// Inertia of everything that turns, at the shaft, or the two ends between which it lies.
        inertia: Option<Ranged<Inertia>>,
        /// Inertia that was added at the shaft, or the two ends between which it lies.
        added_inertia: Option<Ranged<Inertia>>,
        /// Drag torque at the speed under `at_speed`, or the two ends between which it lies.
        drag_torque: Option<Ranged<Torque>>,
        /// The speed at which a torque is meant.
        at_speed: Option<Q<Speed>>,
        /// Capacitance of the DC link, or the two ends between which it lies; the rig's if absent.
        capacitance: Option<Ranged<Capacitance>>,
        /// Why the limit stands where it does.
        why: Option<String>,
    }
    rules: [TableRule::OneOf(&["at_most", "at_least", "between"]), TableRule::Pair("between")]
}

impl Suite {
    /// What the suite calls its CSV files, of cycles and of rehearsed pedals, each once.
    pub fn cycles(&self) -> Vec<&At<String>> {
        let mut found: Vec<&At<String>> = Vec::new();
        for segment in self.test.iter().flat_map(|t| each_segment(&t.profile)) {
            let table = match segment {
                Segment::Cycle(cycle) => Some(&cycle.cycle),
                Segment::ByHand(hand) => hand.rehearsed.as_ref(),
                _ => None,
            };
            found.extend(table.filter(|t| !found.iter().any(|f| f.value == t.value)));
        }
        found
    }
}

/// Every segment that is written, those inside of repeats too, in order.
pub fn each_segment(profile: &[At<Segment>]) -> Vec<&Segment> {
    let mut found = Vec::new();
    for segment in profile {
        found.push(&segment.value);
        if let Segment::Repeat(repeat) = &segment.value {
            found.extend(each_segment(&repeat.of));
        }
    }
    found
}

table! {
    /// A person's answers to the questions of rig and suite, for one unit in one state of assembly, one build and one day.
    pub struct Answers as "answers file" {
        /// Version of the file format.
        schema: At<FormatVersion>,
        /// Serial number of the unit they are about.
        unit_serial: At<String>,
        /// Firmware build they are about.
        build: At<String>,
        /// Number of the state of assembly they are about; needed where the unit file says it under `[assembly]`.
        assembly: Option<At<u32>>,
        /// Who answered.
        answered_by: At<String>,
        /// When they cease to hold, 24 h ahead at most: RFC 3339 with offset, such as "2026-11-25T18:00:00Z".
        expires: At<String>,
        /// Question id and answer, "yes" or "no"; operator step id and what the meter shows, such as "60.2 V".
        answer: Named<At<String>>,
    }
}
