//! The pre-checks, as the rig file describes them.

use super::read::*;
use crate::units::Quantity;

table! {
    /// What must hold before anything turns. Identity, settings, link, bus, temperatures, rest and,
    /// where wired, pedal and emergency-stop loop are always checked.
    pub struct Ready as "pre-checks" {
        /// How long the channels are watched.
        observe: Q<Time>,
        /// How long a passed pre-check stays good.
        valid_for: Q<Time>,
        /// Share of replies that may be lost while watching.
        loss: Q<Number>,
        /// Longest round trip while watching.
        round_trip: Q<Time>,
        /// Lowest and highest temperature of any temperature channel at the start.
        temperature: Ranged<Temperature>,
        /// Highest pedal travel that counts as released; needed with a pedal channel.
        pedal: Option<At<Quantity>>,
        /// Speed below which the shaft counts as at rest.
        speed: Q<Speed>,
        /// What the mains let the bus be.
        supply: Option<SupplyCheck>,
        /// How it is known that the coolant moves.
        coolant: Option<CoolantCheck>,
        /// How alike temperatures are after a cold soak.
        cold_soak: Option<ColdSoakCheck>,
        /// Whether the two tracks of the pedal agree.
        pedal_tracks: Option<TracksCheck>,
        /// Whether the current sensors read zero with the gates off.
        currents: Option<CurrentsCheck>,
        /// Whether the resolver's signals are there and quiet.
        resolver: Option<ResolverCheck>,
        /// Questions that a person answers.
        question: Vec<Question>,
    }
}

table! {
    /// A question that a person at the bench answers with yes or no.
    pub struct Question as "question" {
        /// Short name, used in the answers file.
        id: At<String>,
        /// The question, such that "yes" is the safe answer.
        ask: At<String>,
    }
}

table! {
    /// What the mains let the bus be: between flat-topped mains behind two diodes and a pure sine behind ideal ones.
    pub struct SupplyCheck as "supply check" {
        /// The channel that reads the output of the transformer in V rms; this or `setting`.
        mains: Option<At<String>>,
        /// What the transformer is set to, as in ["110 V rms", "114 V rms"].
        setting: Vec<At<Quantity>>,
        /// Lowest and highest peak of the mains over their rms; ["1.37", "1.4143"] if absent.
        crest: Option<Ranged<Number>>,
        /// Least and most that the diodes in the way take together; ["0 V", "2.2 V"] if absent.
        diodes: Option<Ranged<Voltage>>,
    }
    rules: [TableRule::OneOf(&["mains", "setting"]), TableRule::Pair("setting")]
}

table! {
    /// A channel and the window that each of its samples must lie in.
    pub struct Within as "window" {
        /// Which channel.
        channel: At<String>,
        /// Lowest and highest value.
        between: Vec<At<Quantity>>,
    }
    rules: [TableRule::Needed("between"), TableRule::Pair("between")]
}

table! {
    /// How it is known that the coolant moves; every way given must hold, and the best of them is the grade.
    pub struct CoolantCheck as "coolant check" {
        /// How long the pump takes to come up; what is read before does not count.
        pump_up: Q<Time>,
        /// A flow meter: measured.
        meter: Option<Within>,
        /// What the pump draws and how fast it turns, by which liquid can be told from air: inferred.
        pump: Vec<Within>,
        /// A little heat, and how quickly it is carried away: measured.
        heat_pulse: Option<HeatPulse>,
        /// The question whose yes says that a person saw it move: confirmed by a person.
        seen: Option<At<String>>,
    }
}

table! {
    /// A current through the shaft at rest warms the inverter a little; coolant that moves carries most of that away again.
    /// Before the first test of every suite but commissioning; it needs demands of a forced angle and of an alignment current.
    pub struct HeatPulse as "heat pulse" {
        /// The current; it stands still, along the angle at which the rotor stands.
        current: At<Quantity>,
        /// The channel of the temperature that is looked at, best the inverter's: it is small.
        of: At<String>,
        /// The channel of the rotor's electrical angle.
        angle: At<String>,
        /// How long the temperature is watched before: it may drift by itself.
        before: Q<Time>,
        /// How long the current flows.
        heat: Q<Time>,
        /// How long is waited then, the torque off.
        wait: Q<Time>,
        /// Most of the rise that may be left after that: between what moving coolant leaves and the whole.
        left: Q<Number>,
        /// Smallest step of the temperature's reading: a difference is known no better.
        resolution: Q<TemperatureDifference>,
    }
}

table! {
    /// How alike winding, inverter and coolant are once everything has stood long enough.
    pub struct ColdSoakCheck as "cold soak check" {
        /// How far apart they may be beside what their sensors may be off.
        apart: Q<TemperatureDifference>,
    }
}

table! {
    /// Whether the two tracks of the pedal agree; both must come in one reply.
    pub struct TracksCheck as "pedal tracks check" {
        /// The channel of the second track.
        second: At<String>,
        /// How far apart they may be.
        apart: At<Quantity>,
    }
}

table! {
    /// Whether the current sensors read zero with the gates off.
    pub struct CurrentsCheck as "currents check" {
        /// Highest phase current; no more than the safe state takes for not driven.
        at_most: At<Quantity>,
    }
}

table! {
    /// Whether the resolver's signals are there, and how noisy they are.
    pub struct ResolverCheck as "resolver check" {
        /// Sine and cosine together, as a share of what they should be.
        radius: Option<Within>,
        /// Noise of the angle.
        noise: Option<ResolverNoise>,
    }
}

table! {
    /// Noise of the resolver's angle, with the gates off and then switching at the demand's rest value.
    pub struct ResolverNoise as "resolver noise" {
        /// Which channel.
        channel: At<String>,
        /// Highest with the gates off.
        gates_off: At<Quantity>,
        /// Highest with the gates switching.
        gates_on: At<Quantity>,
        /// How long the board needs to see the noise; what is read before does not count.
        settle: Q<Time>,
        /// How long it is watched then.
        observe: Q<Time>,
    }
}
