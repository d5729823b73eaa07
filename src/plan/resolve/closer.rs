//! Pre-checks that look closer: resolved into ways, each held against what the rig has.

use super::context::{Context, head, length};
use super::links::Wires;
use super::pulse;
use super::scope::{Channel, Scope};
use crate::diag::Diag;
use crate::files::read::{At, Voltage, kind_of};
use crate::files::rig::{ResolverNoise, Role, SupplyCheck, SupplyKind, Within};
use crate::plan::{Check, Mains, Prediction, Quiet, Way, When, Window};
use crate::record::Grade;
use crate::time::Duration;
use crate::units::{Form, Kind, Quantity};
use std::f64::consts::SQRT_2;

/// Names of the pre-checks of this file; each is also the name of a guard that may be absent.
const SUPPLY: &str = "bus as the mains let it be";
const COOLANT: &str = "coolant moving";
const COLD_SOAK: &str = "temperatures alike after a cold soak";
const TRACKS: &str = "pedal tracks alike";
const CURRENTS: &str = "current sensors at zero";
const RADIUS: &str = "resolver signals";
const NOISE_OFF: &str = "resolver quiet, gates off";
const NOISE_ON: &str = "resolver quiet, gates on";

/// Peak over rms of the mains: many small rectifiers on a line flatten its tops to some 1.37 *(common practice)*; a pure
/// sine has the root of two.
const CREST: (f64, f64) = (1.37, SQRT_2);
/// Two silicon diodes take 0 V without load to 1.1 V each *(common practice)*.
const DIODES: (f64, f64) = (0.0, 2.2);

/// How many rows the watch with the gates on must see.
const QUIET_ROWS_MIN: i64 = 3;

/// The checks, the guards that this rig has not, and the watch with the gates on.
#[derive(Default)]
pub(super) struct Closer {
    pub checks: Vec<Check>,
    pub absent: Vec<String>,
    pub quiet: Option<Quiet>,
}

impl Closer {
    fn add(&mut self, name: &str, when: When, ways: Vec<Way>) {
        if ways.is_empty() {
            self.absent.push(name.into());
        } else {
            self.checks.push(Check { name: name.into(), when, ways });
        }
    }
}

/// Resolves them; channels by their index in the file.
pub(super) fn closer(ctx: &mut Context<'_>, scope: &Scope<'_>, wires: &Wires<'_>) -> Closer {
    let mut closer = Closer::default();
    let supply = ctx.rig.ready.supply.as_ref().and_then(|file| supply(ctx, scope, file));
    closer.add(SUPPLY, When::GatesOff, supply.into_iter().collect());
    let coolant = coolant(ctx, scope, wires);
    closer.add(COOLANT, When::GatesOff, coolant);
    let tracks = tracks(ctx, scope, wires);
    closer.add(TRACKS, When::GatesOff, tracks.into_iter().collect());
    let currents = currents(ctx, scope);
    closer.add(CURRENTS, When::GatesOff, currents.into_iter().collect());
    resolver(ctx, scope, wires, &mut closer);
    let soak = cold_soak(ctx, scope);
    closer.add(COLD_SOAK, When::ColdSoak, soak.into_iter().collect());
    closer
}

fn rms_volts() -> Kind {
    Kind { form: Form::Rms, ..kind_of::<Voltage>() }
}

fn supply(ctx: &mut Context<'_>, scope: &Scope<'_>, file: &SupplyCheck) -> Option<Way> {
    let bus = scope.with_role(Role::BusVoltage)?;
    if ctx.rig.supply.kind.value != SupplyKind::RectifiedMains {
        let message = format!(
            "the supply check ({}) predicts rectified mains, but the supply is `{}`",
            ctx.cite(file.at),
            ctx.rig.supply.kind.value.word(),
        );
        ctx.refuse(
            Diag::at(head(file.at), message)
                .other(head(ctx.rig.supply.at), "the supply")
                .help("take it out: the window `bus` holds any other supply"),
        );
        return None;
    }
    let mains = match &file.mains {
        Some(name) => {
            let (index, channel) = reading(ctx, scope, name)?;
            if channel.kind? != rms_volts() {
                let message = format!(
                    "{} is {}, expected a voltage (rms) of the transformer",
                    ctx.named("channel", channel.name),
                    crate::units::with_article(&channel.kind?.name()),
                );
                ctx.refuse(Diag::at(name.at, message).other(channel.name.at, "").help("its unit is `V rms`"));
                return None;
            }
            Mains::Read(index)
        }
        None => {
            let rig = &ctx.rig.name;
            let (low, high) =
                ctx.range(&file.setting, rms_volts(), "for the output of the transformer of", rig)?;
            Mains::Set(low, high)
        }
    };
    let ends = |range: Option<(f64, f64)>, absent| range.unwrap_or(absent);
    let crest = ends(file.crest.as_ref().map(|r| (r.low, r.high)), CREST);
    if crest.0 < 1.0 || crest.1 > 2.0 {
        let at = file.crest.as_ref().map_or(head(file.at), |c| c.at);
        let message = format!("{} is no peak over rms of mains", ctx.said(at));
        ctx.refuse(
            Diag::at(at, message).help("a square wave has 1, a sine 1.414; flat-topped mains some 1.37"),
        );
    }
    let diodes = ends(file.diodes.as_ref().map(|r| (r.low, r.high)), DIODES);
    Some(Way::Predicted(Prediction { bus, mains, crest, diodes }))
}

fn coolant(ctx: &mut Context<'_>, scope: &Scope<'_>, wires: &Wires<'_>) -> Vec<Way> {
    let Some(file) = &ctx.rig.ready.coolant else { return Vec::new() };
    let after = length(&file.pump_up);
    let observe = &ctx.rig.ready.observe;
    if after >= length(observe) && !ctx.is_wrong(file.pump_up.at) && !ctx.is_wrong(observe.at) {
        let message = format!(
            "the pump comes up in {}, and the watch is over after {}",
            ctx.said(file.pump_up.at),
            ctx.said(observe.at)
        );
        ctx.refuse(
            Diag::at(file.pump_up.at, message).other(observe.at, "the watch").help("watch for longer"),
        );
    }
    let measured = file.meter.iter().map(|w| (w, Grade::Measured));
    let inferred = file.pump.iter().map(|w| (w, Grade::Inferred));
    let mut ways: Vec<Way> = measured
        .chain(inferred)
        .filter_map(|(file, grade)| window(ctx, scope, file, COOLANT).map(|w| Way::Within(w, after, grade)))
        .collect();
    if let Some(seen) = &file.seen {
        let ids: Vec<&str> = ctx.rig.ready.question.iter().map(|q| q.id.value.as_str()).collect();
        if ctx.look_up("a question of the rig", seen, &ids).is_some() {
            ways.push(Way::Seen(seen.value.clone()));
        }
    }
    ways.extend(pulse::pulse(ctx, scope, wires).map(Way::Pulse));
    if file.heat_pulse.is_none() && file.meter.is_none() && file.pump.is_empty() && file.seen.is_none() {
        let message = format!("the coolant check ({}) says no way to know that it moves", ctx.cite(file.at));
        ctx.refuse(
            Diag::at(head(file.at), message)
                .help("give `meter`, `heat_pulse`, `pump` or `seen`, or take it out"),
        );
    }
    ways
}

fn tracks(ctx: &mut Context<'_>, scope: &Scope<'_>, wires: &Wires<'_>) -> Option<Way> {
    let file = ctx.rig.ready.pedal_tracks.as_ref()?;
    let (second, channel) = reading(ctx, scope, &file.second)?;
    let Some(first) = scope.with_role(Role::Pedal) else {
        if ctx.rig.ready.pedal.is_some() {
            return None; // The limit of a released pedal lacks it too, and that is said.
        }
        let message =
            format!("{} is a second track, and no channel measures the pedal", ctx.said(file.second.at));
        ctx.refuse(Diag::at(file.second.at, message).help("add `measures = \"pedal\"` to the first track"));
        return None;
    };
    let of_first = scope.channels[first];
    let group = |c: &Channel<'_>| wires.place_of(c.name).map(|(group, _)| group);
    if first == second || group(&of_first) != group(&channel) {
        let message = format!(
            "{} does not come in one reply with the first track, {}",
            ctx.said(file.second.at),
            ctx.named("channel", of_first.name),
        );
        let help = "a moving pedal read one track after the other seems to have them apart";
        ctx.refuse(Diag::at(file.second.at, message).other(of_first.name.at, "the first").help(help));
        return None;
    }
    let why = format!("for the travel of `{}`", of_first.name.value);
    let apart = ctx.quantity(&file.apart, of_first.kind?, &why, of_first.name.at)?;
    above_zero(ctx, &file.apart, "how far the tracks may be apart");
    Some(Way::Alike([first, second], apart))
}

/// Always made where a channel measures the phase current: what the stop is proved by must read zero at rest.
fn currents(ctx: &mut Context<'_>, scope: &Scope<'_>) -> Option<Way> {
    let stop = ctx.rig.safe_state.not_driven_current.as_ref();
    let file = ctx.rig.ready.currents.as_ref();
    let Some(index) = scope.with_role(Role::PhaseCurrent) else {
        // The safe state's limit lacks it too, and that is said.
        if let (Some(file), None) = (file, stop) {
            let message =
                format!("{} needs a channel that measures the phase current", ctx.said(file.at_most.at));
            ctx.refuse(
                Diag::at(file.at_most.at, message).help("take the table out: the guard is then absent"),
            );
        }
        return None;
    };
    let channel = scope.channels[index];
    let limit = file.map(|f| &f.at_most).or(stop)?;
    let most = match file {
        // What the safe state says is held against the channel there.
        None => limit.si,
        Some(_) => {
            ctx.quantity(limit, channel.kind?, &format!("for `{}`", channel.name.value), channel.name.at)?
        }
    };
    if let (Some(_), Some(stop)) = (file, stop)
        && most > stop.si
        && limit.unit.kind == stop.unit.kind
    {
        let message = format!(
            "currents up to {} pass, but the safe state is proved only below {}: no stop could be confirmed",
            ctx.said(limit.at),
            ctx.said(stop.at),
        );
        ctx.refuse(
            Diag::at(limit.at, message).other(stop.at, "not driven below this").help("lower the first"),
        );
    }
    let name = CURRENTS.to_string();
    let window = Window { name, channel: index, low: f64::NEG_INFINITY, high: most };
    Some(Way::Within(window, Duration::ZERO, Grade::Measured))
}

fn resolver(ctx: &mut Context<'_>, scope: &Scope<'_>, wires: &Wires<'_>, closer: &mut Closer) {
    let file = ctx.rig.ready.resolver.as_ref();
    let radius = file.and_then(|f| f.radius.as_ref()).and_then(|w| window(ctx, scope, w, RADIUS));
    let within = |window: Window, after| Way::Within(window, after, Grade::Measured);
    closer.add(RADIUS, When::GatesOff, radius.map(|w| within(w, Duration::ZERO)).into_iter().collect());
    let noise = file.and_then(|f| f.noise.as_ref()).and_then(|noise| {
        let (channel, of) = reading(ctx, scope, &noise.channel)?;
        check_quiet(ctx, wires, noise, &of);
        let why = format!("for the noise `{}`", of.name.value);
        let off = ctx.quantity(&noise.gates_off, of.kind?, &why, of.name.at)?;
        let on = ctx.quantity(&noise.gates_on, of.kind?, &why, of.name.at)?;
        let upto = |name: &str, high| Window { name: name.into(), channel, low: f64::NEG_INFINITY, high };
        Some((upto(NOISE_OFF, off), upto(NOISE_ON, on), length(&noise.settle), length(&noise.observe)))
    });
    let (mut off, mut on) = (Vec::new(), Vec::new());
    if let Some((gates_off, gates_on, settle, observe)) = noise {
        off.push(within(gates_off, Duration::ZERO));
        on.push(within(gates_on, settle));
        if let Some(speed) = scope.with_role(Role::ShaftSpeed) {
            // What the noise makes of the speed is watched from the first moment: nothing was told to turn.
            let limit = ctx.rig.ready.speed.si;
            let window = Window { name: NOISE_ON.into(), channel: speed, low: -limit, high: limit };
            on.push(within(window, Duration::ZERO));
        }
        closer.quiet = Some(Quiet { settle, observe });
    }
    closer.add(NOISE_OFF, When::GatesOff, off);
    closer.add(NOISE_ON, When::GatesOn, on);
}

/// A few rows must be seen with the gates on: one alone says nothing of noise.
fn check_quiet(ctx: &mut Context<'_>, wires: &Wires<'_>, noise: &ResolverNoise, of: &Channel<'_>) {
    let Some((group, _)) = wires.place_of(of.name) else { return };
    let (poll, observe) = (wires.polls[group].file, &noise.observe);
    let known = !ctx.is_wrong(observe.at) && !ctx.is_wrong(poll.every.at);
    if known && length(observe) < length(&poll.every) * QUIET_ROWS_MIN {
        let message = format!(
            "watching for {} with the gates on sees fewer than {QUIET_ROWS_MIN} rows of `{}`, polled every {}",
            ctx.said(observe.at),
            poll.name.value,
            ctx.said(poll.every.at),
        );
        let help = format!("watch for at least {}", length(&poll.every) * QUIET_ROWS_MIN);
        ctx.refuse(Diag::at(observe.at, message).other(poll.every.at, "the poll").help(help));
    }
}

fn cold_soak(ctx: &mut Context<'_>, scope: &Scope<'_>) -> Option<Way> {
    let declared = ctx.suite.cold_soak.as_ref().filter(|c| c.value);
    let Some(file) = &ctx.rig.ready.cold_soak else {
        if let Some(declared) = declared {
            let message = format!(
                "the suite declares a cold soak ({}), but the rig's pre-checks ({}) do not say how alike temperatures then are",
                ctx.cite(declared.at),
                ctx.cite(ctx.rig.ready.at),
            );
            let help =
                "add `[ready.cold_soak]` with `apart = \"__ K\"` to the rig, or take it out of the suite";
            ctx.refuse(Diag::at(declared.at, message).other(head(ctx.rig.ready.at), "").help(help));
        }
        return None;
    };
    let roles = [Role::WindingTemperature, Role::InverterTemperature, Role::CoolantTemperature];
    let channels: Vec<usize> = roles.iter().filter_map(|role| scope.with_role(*role)).collect();
    if channels.len() < 2 {
        let message = format!("a cold soak ({}) needs two temperatures to compare", ctx.cite(file.at));
        ctx.refuse(
            Diag::at(head(file.at), message)
                .help("channels that measure winding, inverter and coolant temperature"),
        );
        return None;
    }
    declared.map(|_| Way::Together(channels, file.apart.si))
}

/// A channel by its name that is read from the board as a number.
pub(super) fn reading<'s>(
    ctx: &mut Context<'_>,
    scope: &Scope<'s>,
    name: &At<String>,
) -> Option<(usize, Channel<'s>)> {
    let index = ctx.look_up("a channel of the rig", name, &scope.channel_names())?;
    let channel = scope.channels[index];
    if channel.is_state || channel.file.derived.is_some() {
        let message = format!("{} is not read from the board as a number", ctx.said(name.at));
        ctx.refuse(Diag::at(name.at, message).other(channel.name.at, ""));
        return None;
    }
    Some((index, channel))
}

fn window(ctx: &mut Context<'_>, scope: &Scope<'_>, file: &Within, name: &str) -> Option<Window> {
    let (index, channel) = reading(ctx, scope, &file.channel)?;
    let why = format!("for `{}`", file.channel.value);
    let (low, high) = ctx.range(&file.between, channel.kind?, &why, channel.name)?;
    Some(Window { name: name.into(), channel: index, low, high })
}

fn above_zero(ctx: &mut Context<'_>, limit: &At<Quantity>, what: &str) {
    if limit.si <= 0.0 {
        let message = format!("{what}, {}, is not above zero", ctx.said(limit.at));
        ctx.refuse(Diag::at(limit.at, message));
    }
}
