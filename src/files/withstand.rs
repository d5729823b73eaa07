//! What a bench withstands, as its rig file declares it: the figures that the hazards are held against.

use super::read::*;
use super::rig::{Limiting, Rig};
use crate::diag::Place;
use crate::units::Quantity;

table! {
    /// From the last byte of a reply that crosses a trip until the torque is off, each part at its longest. What comes before
    /// is the staleness of the channel and half of what a reply may take, and the frames' time on the line is worked out.
    pub struct Reaction as "reaction" {
        /// From that byte to the first byte of the stop: this program and its computer, with all cores busy.
        runner: Q<Time>,
        /// What the adapter holds the stop back, such as the 16 ms of some USB adapters.
        adapter: Q<Time>,
        /// From the last byte of the stop to gates off: the controller board. What it limits by itself takes no longer.
        controller: Q<Time>,
    }
}

table! {
    /// The controller's own current limit, read back before anything turns.
    pub struct CurrentLimit as "current limit" {
        /// Name of the setting that shows it.
        setting: At<String>,
        /// Unit of the number that is read, such as "A peak".
        unit: At<crate::units::Unit>,
        /// The highest value that it may have here.
        at_most: At<Quantity>,
    }
}

table! {
    /// The controller's speed loop.
    pub struct SpeedLoop as "speed loop" {
        /// How far the speed of a sound build gets beyond its demand at most; without it, as far as no trip fires.
        overshoot: Q<Speed>,
    }
}

table! {
    /// What guard, mount and mains hold.
    pub struct Withstand as "withstand" {
        /// Highest speed that everything which turns stands for as long as a stop takes, and at which windings and inverter may be
        /// shorted; the limit of the suites if absent.
        overspeed: Option<Q<Speed>>,
        /// Energy of turning parts that the guard contains, should they come loose.
        guard: Option<Q<Energy>>,
        /// Torque that the reaction mount holds, that of windings or an inverter shorted at that speed included.
        mount: Option<Q<Torque>>,
        /// Voltage of the mains that the fuse is in, lowest and highest, such as ["207 V rms", "253 V rms"].
        mains: Vec<At<Quantity>>,
        /// Rating of the fuse in the mains, such as "10 A rms".
        fuse: Option<At<Quantity>>,
    }
    rules: [TableRule::Pair("mains"), TableRule::With("fuse", &["mains"]), TableRule::With("mains", &["fuse"])]
}

table! {
    /// What turns with the shaft.
    pub struct Shaft as "shaft" {
        /// What is coupled to it.
        coupled: At<Coupled>,
        /// Torque that it takes up at any speed, or the two ends between which that lies; none is counted on if absent.
        holds: Option<Ranged<Torque>>,
        /// Its inertia, or the two ends between which that lies; zero if absent.
        inertia: Option<Ranged<Inertia>>,
        /// Most torque with which a machine that is coupled may turn the shaft, whatever goes wrong with it. A stop must take that
        /// off as well, by the same hard-wired contactor or by a link with a stop frame: nothing here can see whether it does.
        drives: Option<Q<Torque>>,
        /// Whether anything that turns is out of balance, so that its weight drives the shaft for a part of each turn; it is not if
        /// absent.
        unbalanced: Option<bool>,
    }
}

words! {
    /// What is coupled to the shaft.
    pub enum Coupled {
        /// Nothing: the shaft is free.
        Nothing = "nothing",
        /// A brake that holds against the torque.
        Brake = "brake",
        /// A second machine that holds the speed.
        Machine = "machine",
    }
}

table! {
    /// Guards that act without this program, by wires of their own.
    pub struct HardWired as "hard-wired guards" {
        /// Whether the emergency stop opens a contactor in the supply.
        contactor: At<bool>,
        /// Whether an open guard opens that contactor.
        guard_switch: At<bool>,
        /// Whether a thermal cut-out on unit or inverter opens that contactor.
        thermal_cut_out: At<bool>,
        /// Whether this bench may run with nobody beside it.
        unattended: At<bool>,
    }
}

impl Rig {
    /// What the board limits by itself, SI, and where it was written: the value that a setting must have when it is read back.
    pub fn limited(&self, what: Limiting) -> Option<(f64, Place)> {
        let mut settings = self.link.iter().flat_map(|(_, link)| &link.setting);
        let setting = settings.find(|s| s.limits.as_ref().is_some_and(|l| l.value == what))?;
        let must_be = setting.must_be.as_ref()?;
        let value = setting.unit.as_ref()?.value.to_si(must_be.value.trim().parse().ok()?);
        (value > 0.0 && value.is_finite()).then_some((value, must_be.at))
    }
}
