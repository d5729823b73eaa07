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
        /// How a measured value with its uncertainty is held against a limit; "guarded" if absent.
        rule: Option<At<Rule>>,
        /// Questions beside those of the rig.
        question: Vec<Question>,
        /// Trips beside those of the rig.
        trip: Named<Trip>,
        /// The tests, in order.
        test: Vec<Test>,
    }
    rules: [
        TableRule::Distinct(&["test", "name"], "test name"),
        TableRule::Distinct(&["question", "id"], "question id"),
    ]
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
        /// Name of the segment before, for metrics that hold two against each other.
        before: Option<At<String>>,
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
        /// Why the limit stands where it does.
        why: Option<String>,
    }
    rules: [TableRule::OneOf(&["at_most", "at_least", "between"]), TableRule::Pair("between")]
}

table! {
    /// A person's answers to the questions of rig and suite, for one unit, one build and one day.
    pub struct Answers as "answers file" {
        /// Version of the file format.
        schema: At<FormatVersion>,
        /// Serial number of the unit they are about.
        unit_serial: At<String>,
        /// Firmware build they are about.
        build: At<String>,
        /// Who answered.
        answered_by: At<String>,
        /// When they cease to hold: RFC 3339 with offset, such as "2026-11-25T18:00:00Z".
        expires: At<String>,
        /// Question id and answer, "yes" or "no".
        answer: Named<At<String>>,
    }
}
