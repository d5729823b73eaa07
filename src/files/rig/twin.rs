//! The simulated rig.

use super::*;

table! {
    /// The simulated rig.
    pub struct TwinRig as "twin" {
        /// Output of the transformer, as in "110 V rms".
        transformer: At<Quantity>,
        /// Peak of the mains over their rms, from 1.05; that of a sine if absent, some 1.37 where the tops are flat.
        crest: Option<Q<Number>>,
        /// Mains frequency.
        frequency: Q<Frequency>,
        /// Resistance of transformer and mains.
        source_resistance: Q<Resistance>,
        /// Bleeder across the DC link.
        bleeder: Q<Resistance>,
        /// Temperature of the room and of everything at the start.
        ambient: Q<Temperature>,
        /// What the shaft drives; what `[shaft]` says if absent.
        load: Option<At<LoadKind>>,
        /// Torque of the friction brake, or the largest of the second machine.
        load_torque: Option<Q<Torque>>,
        /// Torque per speed of the second machine.
        load_drag: Option<Q<Drag>>,
        /// Inertia of the second machine; what `[shaft]` says if absent.
        load_inertia: Option<Q<Inertia>>,
        /// The controller's current limit, as in "24 A peak".
        current_limit: Option<At<Quantity>>,
        /// Whether there is a flow meter in the coolant; there is one if absent.
        flow_meter: Option<bool>,
    }
}

words! {
    /// What the shaft of the simulated rig drives.
    pub enum LoadKind {
        /// Nothing.
        Free = "free",
        /// A brake of constant friction.
        FrictionBrake = "friction brake",
        /// A second machine on a resistor: torque grows with speed up to its largest.
        SecondMachine = "second machine",
    }
}
