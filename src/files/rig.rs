//! The rig file: the bench, its supply, links, channels, demands, limits and safe state.

mod twin;

pub use super::burst::{Burst, BurstChannel};
use super::read::*;
pub use super::ready::{
    ColdSoakCheck, CoolantCheck, CurrentsCheck, HeatPulse, Question, Ready, ResolverCheck, ResolverNoise,
    SupplyCheck, TracksCheck, Within,
};
pub use super::recording::{RecordedChannel, Recording};
pub use super::withstand::{Coupled, CurrentLimit, HardWired, Reaction, Shaft, SpeedLoop, Withstand};
use crate::units::{Quantity, Unit};
pub use twin::*;

table! {
    /// A bench: supply, links, channels, demands, limits and safe state.
    pub struct Rig as "rig" {
        /// Version of the file format.
        schema: At<FormatVersion>,
        /// Name of the bench.
        name: At<String>,
        /// A sentence or two about it.
        about: Option<String>,
        /// Where the energy comes from.
        supply: Supply,
        /// What no suite may exceed on this bench.
        limits: Limits,
        /// Serial connections by name.
        link: Named<Link>,
        /// Measured and derived quantities by name.
        channel: Named<Channel>,
        /// Quantities that the runner sets, by name.
        demand: Named<Demand>,
        /// How the controller is enabled.
        drive: Drive,
        /// The ordered way to nothing turning and nothing energised.
        safe_state: SafeState,
        /// What must hold before anything turns.
        ready: Ready,
        /// Limits watched on every sample, by name.
        trip: Named<Trip>,
        /// Recordings made beside a run by something with a clock of its own, by name.
        recording: Named<Recording>,
        /// What is coupled to the shaft; nothing if absent.
        shaft: Option<Shaft>,
        /// How long it takes from a crossed trip to torque off.
        reaction: Option<Reaction>,
        /// The controller's own current limit.
        current: Option<CurrentLimit>,
        /// The controller's speed loop.
        speed_loop: Option<SpeedLoop>,
        /// What guard, mount and mains hold.
        withstand: Option<Withstand>,
        /// Guards that act without this program.
        hard_wired: Option<HardWired>,
        /// The simulated rig, used when a link's port is "twin".
        twin: Option<TwinRig>,
    }
    rules: [
        TableRule::Distinct(&["link", "*", "poll", "name"], "poll name"),
        TableRule::Distinct(&["ready", "question", "id"], "question id"),
    ]
}

table! {
    /// The DC supply of the bench.
    pub struct Supply as "supply" {
        /// What makes the direct voltage.
        kind: At<SupplyKind>,
        /// Whether this program can switch it.
        setting: At<SupplySetting>,
        /// The window in which the bus must be before anything turns, such as ["145 V", "165 V"].
        bus: Ranged<Voltage>,
        /// DC-link capacitance.
        capacitance: Ranged<Capacitance>,
        /// Voltage that the DC-link capacitor is rated for.
        rated: Option<Q<Voltage>>,
        /// Whether the supply takes energy back; if absent, only a battery does.
        takes_back: Option<At<bool>>,
        /// Time to wait after switching off until the bus is below the de-energised limit.
        discharge: Q<Time>,
        /// Resistance of the bleeder across the DC link; `discharge` must be long enough behind it.
        bleeder: Option<Q<Resistance>>,
        /// What a person must switch off, as printed beside BUS LIVE.
        switch_off: At<String>,
        /// Further meters, by the channels that they are read in, such as
        /// [{ voltage = "supply_volts", current = "supply_amps" }]: power that flows on speaks against a drive that says it is off.
        meter: Vec<SupplyMeter>,
    }
}

table! {
    /// A meter of what flows into the bus, on whichever link it is read.
    pub struct SupplyMeter as "meter of the supply" {
        /// The channel of its voltage; the channel that measures the bus voltage if absent.
        voltage: Option<At<String>>,
        /// The channel of its current; this or `power`.
        current: Option<At<String>>,
        /// The channel of its power, where it reads one.
        power: Option<At<String>>,
    }
    rules: [TableRule::OneOf(&["current", "power"]), TableRule::With("voltage", &["current"])]
}

words! {
    /// What makes the direct voltage.
    pub enum SupplyKind {
        /// A bridge rectifier on the mains, with or without a variable transformer: no way back.
        RectifiedMains = "rectified mains",
        /// A laboratory supply: no way back unless it says so.
        BenchSupply = "bench supply",
        /// A battery: takes energy back.
        Battery = "battery",
    }
}

words! {
    /// Whether the program can switch the supply.
    pub enum SupplySetting {
        /// Only a person can turn it down.
        HandSet = "hand-set",
        /// A demand of the rig switches it.
        Switched = "switched",
    }
}

table! {
    /// What no suite may exceed on this bench.
    pub struct Limits as "limits" {
        /// Highest shaft speed, either way round.
        speed: Q<Speed>,
        /// Steepest ramp.
        speed_rate: Q<SpeedRate>,
        /// Largest sudden change of the speed demand; without it no profile may contain a step.
        speed_step: Option<Q<Speed>>,
        /// Steepest change of a torque demand; without it no torque can be demanded.
        torque_rate: Option<Q<TorqueRate>>,
        /// Highest bus voltage, such as the capacitor's rating.
        bus: Q<Voltage>,
    }
}

table! {
    /// A serial connection and how its bytes become values.
    pub struct Link as "link" {
        /// "twin" for the simulated controller, or a device such as "/dev/ttyUSB0".
        port: At<String>,
        /// What stands behind a pseudo-terminal; any other device always has a machine behind it.
        behind: Option<At<Behind>>,
        /// Line rate in baud.
        baud: At<u32>,
        /// Data bits, parity (N, E, O), stop bits; "8N1" if absent.
        frame: Option<At<String>>,
        /// What ends a line, both ways; "\n" if absent.
        ends_with: Option<At<String>>,
        /// How long a reply may take, from the last byte of the request to the last of the reply.
        reply_within: Q<Time>,
        /// How long to wait after opening the port (some boards reset when it opens).
        settle: Option<Q<Time>>,
        /// Patterns of lines that may come unasked; they are recorded and passed over.
        unsolicited: Vec<At<String>>,
        /// Which unit of several this link belongs to.
        belongs_to: Option<At<String>>,
        /// How the controller says who it is: {maker}, {model}, {serial}, {build} in the reply.
        identity: Option<Exchange>,
        /// Settings read back and hashed before each run.
        setting: Vec<Setting>,
        /// Requests repeated at a fixed period.
        poll: Vec<Poll>,
        /// Sorts of bursts that the controller can take.
        burst: Vec<Burst>,
    }
    rules: [TableRule::Distinct(&["setting", "name"], "setting name")]
}

table! {
    /// A request and the pattern of its reply.
    pub struct Exchange as "exchange" {
        /// What to send.
        send: At<String>,
        /// Pattern of the reply; names in braces take what stands there.
        expect: At<String>,
    }
}

table! {
    /// One setting of the controller.
    pub struct Setting as "setting" {
        /// Name, as reported.
        name: At<String>,
        /// What to send.
        send: At<String>,
        /// Pattern of the reply with {value} in it.
        expect: At<String>,
        /// The text that must stand there, if it is known.
        must_be: Option<At<String>>,
        /// What the controller limits by it, if a demand or a hazard rests on that.
        limits: Option<At<Limiting>>,
        /// Unit of the value, where it limits something.
        unit: Option<At<Unit>>,
    }
    rules: [TableRule::With("unit", &["limits"]), TableRule::With("limits", &["unit"])]
}

words! {
    /// What stands behind a port.
    pub enum Behind {
        /// A drive unit that can hurt somebody.
        Machine = "machine",
    }
}

words! {
    /// What the controller limits by itself.
    pub enum Limiting {
        /// Mechanical speed of the machine's shaft, either way round.
        ShaftSpeed = "shaft speed",
        /// How steeply the speed that a pedal asks for may change.
        PedalRate = "pedal rate",
        /// Voltage of the DC link above which it takes the torque off.
        BusVoltage = "bus voltage",
    }
}

table! {
    /// A request repeated at a fixed period; every name in its reply is a channel.
    pub struct Poll as "poll" {
        /// Name of the group.
        name: At<String>,
        /// Period.
        every: Q<Time>,
        /// What to send.
        send: At<String>,
        /// Pattern of the reply: {speed} takes the channel `speed`, {_} passes over a field.
        expect: At<String>,
        /// Polled only for suites that name it under `poll`: a line has no room for everything at once.
        optional: Option<bool>,
    }
}

words! {
    /// What a channel measures, where the engine needs to know it.
    pub enum Role {
        /// Mechanical speed of the machine's shaft.
        ShaftSpeed = "shaft speed",
        /// Voltage of the DC bus.
        BusVoltage = "bus voltage",
        /// Current from the supply into the inverter.
        BusCurrent = "bus current",
        /// Current in the machine's phases.
        PhaseCurrent = "phase current",
        /// Torque at the shaft.
        Torque = "torque",
        /// Temperature of the winding.
        WindingTemperature = "winding temperature",
        /// Temperature of the inverter's heatsink or gate drivers.
        InverterTemperature = "inverter temperature",
        /// Temperature of the coolant.
        CoolantTemperature = "coolant temperature",
        /// Pedal travel, 0 released.
        Pedal = "pedal",
        /// State of the drive: CiA 402 or words mapped to it.
        DriveState = "drive state",
        /// Hard-wired emergency-stop loop, 1 closed; read only.
        EmergencyStopLoop = "emergency-stop loop",
    }
}

table! {
    /// A measured or derived quantity.
    pub struct Channel as "channel" {
        /// What it measures, where the engine needs to know it.
        measures: Option<At<Role>>,
        /// Unit of the number on the wire.
        unit: Option<At<Unit>>,
        /// Lowest and highest plausible value.
        range: Vec<At<Quantity>>,
        /// Standard uncertainty (k = 1).
        uncertainty: Option<At<Quantity>>,
        /// How old the newest value may get while the machine is driven.
        stale: Option<Q<Time>>,
        /// Calibration: value = gain x reading + offset.
        gain: Option<f64>,
        /// Calibration: value = gain x reading + offset.
        offset: Option<At<Quantity>>,
        /// An expression over other channels and demands, instead of a reading.
        derived: Option<At<String>>,
        /// The reading is a CiA 402 status word.
        status_word: Option<bool>,
        /// Words in the reply and the CiA 402 states they mean.
        states: Named<At<DriveState>>,
        /// Words in the reply and the numbers they mean, such as { OPEN = 0, CLOSED = 1 }.
        words: Named<f64>,
        /// Which unit of several this channel belongs to.
        belongs_to: Option<At<String>>,
    }
    rules: [TableRule::Pair("range")]
}

/// A CiA 402 state, by its name in words.
pub use crate::states::DriveState;

impl Field for DriveState {
    fn read(value: &toml::Spanned<toml::de::DeValue<'_>>, reader: &mut Reader) -> Option<Self> {
        let text = String::read(value, reader)?;
        match DriveState::ALL.iter().find(|s| s.words() == text) {
            Some(state) => Some(*state),
            None => {
                let place = reader.place(value.span());
                let help = suggestion(&text, DriveState::ALL.iter().map(|s| s.words()));
                reader.wrong(place, format!("`{text}` is not a state of CiA 402"), Some(help))
            }
        }
    }
    fn schema(_: &mut Definitions) -> serde_json::Value {
        let words: Vec<&str> = DriveState::ALL.iter().map(|s| s.words()).collect();
        serde_json::json!({"type": "string", "enum": words})
    }
}

words! {
    /// What a demand sets.
    pub enum Sets {
        /// Mechanical speed of the machine's shaft.
        ShaftSpeed = "shaft speed",
        /// Torque at the shaft.
        Torque = "torque",
        /// The coolant pump, 0 to 100 %.
        Pump = "pump",
        /// The speed that the fully pressed pedal asks for: the drive is handed to whoever works it.
        SpeedAtFullPedal = "speed at full pedal",
        /// Electrical angle of the current that the controller puts on whatever the resolver says.
        ForcedAngle = "forced angle",
        /// Size of the current at the forced angle, which pulls the magnets there.
        AlignmentCurrent = "alignment current",
        /// The most current that the controller may use for a speed demand, below its own limit.
        CurrentLimit = "current limit",
    }
}

table! {
    /// A quantity that the runner sets.
    pub struct Demand as "demand" {
        /// What it sets.
        sets: At<Sets>,
        /// On which link.
        link: At<String>,
        /// What to send; {value} is the number, {value:.1} with one decimal.
        send: At<String>,
        /// Pattern of the reply, if the controller answers.
        expect: Option<At<String>>,
        /// Unit of the number on the wire.
        unit: At<Unit>,
        /// How often it is sent again while driving; the controller's command timeout watches it.
        every: Q<Time>,
        /// Lowest and highest value that may be sent.
        range: Vec<At<Quantity>>,
        /// The value that is sent before the profile and after it; the pump's runs throughout.
        rest: At<Quantity>,
        /// Steepest change per second of a forced angle or an alignment current.
        rate: Option<At<Quantity>>,
        /// Which unit of several this demand belongs to.
        belongs_to: Option<At<String>>,
    }
    rules: [TableRule::Needed("range"), TableRule::Pair("range")]
}

table! {
    /// How the controller is enabled.
    pub struct Drive as "drive" {
        /// The controller's own command timeout, as its maker declares it.
        command_timeout: Q<Time>,
        /// How long a step may take to reach its state.
        within: Q<Time>,
        /// Steps that clear a fault, tried once if the controller starts in one.
        reset: Vec<Step>,
        /// Steps from resting to ready to turn.
        enable: Vec<Step>,
    }
}

table! {
    /// One step: what to send and the state it leads to.
    pub struct Step as "step" {
        /// On which link.
        link: At<String>,
        /// What to send.
        send: At<String>,
        /// Pattern of the reply, if the controller answers.
        expect: Option<At<String>>,
        /// The state that must be seen before the next step.
        reaches: Option<At<DriveState>>,
    }
}

table! {
    /// The safe state: torque off, coast, pump on; and what proves that it was reached.
    pub struct SafeState as "safe state" {
        /// Frames that take the torque off, in order.
        send: Vec<StopFrame>,
        /// How often they are repeated until the machine is confirmed not driven.
        every: Q<Time>,
        /// How long until samples must show that the machine is not driven.
        not_driven_within: Q<Time>,
        /// Phase current below which the machine counts as not driven.
        not_driven_current: Option<At<Quantity>>,
        /// What the stop makes of the machine's windings; "open" if absent. Shorted they carry a current as long as they turn, and
        /// the phase current then shows nothing of a drive.
        windings: Option<At<Windings>>,
        /// How long after torque off the reading of the speed still shows what was before: its filter, and shaft and coupling that
        /// swing; 300 ms if absent.
        speed_settles: Option<Q<Time>>,
        /// How long until the shaft must be at rest.
        at_rest_within: Q<Time>,
        /// Speed below which the shaft counts as at rest.
        at_rest_speed: Q<Speed>,
        /// A channel that reads the speed of the same shaft by a sensor or a link of its own: rest needs both of them, and this one
        /// alone shows it where the first is not believed.
        second_speed: Option<At<String>>,
        /// Bus voltage below which it counts as de-energised.
        de_energised_bus: Q<Voltage>,
    }
}

words! {
    /// What a stop makes of the machine's windings.
    pub enum Windings {
        /// All switches off: no current flows unless the EMF is above the bus.
        Open = "open",
        /// All three lines together: the EMF drives a current through them, which brakes.
        Shorted = "shorted",
    }
}

table! {
    /// One frame of the stop.
    pub struct StopFrame as "stop frame" {
        /// On which link.
        link: At<String>,
        /// What to send.
        send: At<String>,
        /// Pattern of the reply, if the controller answers.
        expect: Option<At<String>>,
    }
}

table! {
    /// A limit watched on every sample; crossing it starts the safe state.
    pub struct Trip as "trip" {
        /// Which channel.
        channel: At<String>,
        /// Trips above this.
        above: Option<At<Quantity>>,
        /// Trips below this.
        below: Option<At<Quantity>>,
        /// Trips when it rises faster than this.
        rises_faster: Option<At<Quantity>>,
        /// Trips when it falls faster than this.
        falls_faster: Option<At<Quantity>>,
        /// Length of time over which the rate is taken.
        over: Option<Q<Time>>,
        /// How long it must last; at once if absent.
        r#for: Option<Q<Time>>,
        /// Why the limit stands where it does.
        why: Option<String>,
    }
    rules: [
        TableRule::OneOf(&["above", "below", "rises_faster", "falls_faster"]),
        TableRule::With("over", &["rises_faster", "falls_faster"]),
    ]
}
