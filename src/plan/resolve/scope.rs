//! The names that the rest of the files may use, with the kinds of what they stand for.

use super::context::{Context, a, head};
use crate::diag::Diag;
use crate::files::read::{At, Current, Voltage, kind_of};
use crate::files::rig::{self, Role, Sets};
use crate::units::{Across, Form, Kind};

/// Names and kinds, taken from the rig as written, whether or not the things are right otherwise.
pub(super) struct Scope<'a> {
    pub links: Vec<Link<'a>>,
    /// In the order of the file.
    pub channels: Vec<Channel<'a>>,
    pub demands: Vec<Demand<'a>>,
    /// Channels of all bursts, then of all recordings; names are distinct from those of channels.
    pub bursts: Vec<BurstChannel<'a>>,
}

#[derive(Clone, Copy)]
pub(super) struct Link<'a> {
    pub name: &'a At<String>,
    pub file: &'a rig::Link,
}

#[derive(Clone, Copy)]
pub(super) struct Channel<'a> {
    pub name: &'a At<String>,
    pub file: &'a rig::Channel,
    /// What its values are; `None` if the file does not say or says it wrongly, which is noted
    /// elsewhere: nothing is then held against it.
    pub kind: Option<Kind>,
    /// Its values are states of the drive and no numbers.
    pub is_state: bool,
}

#[derive(Clone, Copy)]
pub(super) struct BurstChannel<'a> {
    pub name: &'a At<String>,
    pub kind: Kind,
}

#[derive(Clone, Copy)]
pub(super) struct Demand<'a> {
    pub name: &'a At<String>,
    pub file: &'a rig::Demand,
    pub kind: Kind,
}

impl<'a> Scope<'a> {
    pub fn new(ctx: &Context<'a>) -> Scope<'a> {
        let rig = ctx.rig;
        let channel = |(name, file): &'a (At<String>, rig::Channel)| {
            let is_state = file.measures.as_ref().is_some_and(|m| m.value == Role::DriveState);
            let kind = match &file.unit {
                Some(unit) => {
                    let fits = file.measures.as_ref().is_none_or(|m| suits(m.value, unit.kind));
                    fits.then_some(unit.kind)
                }
                None if is_state || !file.words.0.is_empty() => Some(Kind::default()),
                None => None,
            };
            Channel { name, file, kind, is_state }
        };
        Scope {
            links: rig.link.iter().map(|(name, file)| Link { name, file }).collect(),
            channels: rig.channel.iter().map(channel).collect(),
            demands: rig
                .demand
                .iter()
                .map(|(name, file)| Demand { name, file, kind: file.unit.kind })
                .collect(),
            bursts: rig
                .link
                .iter()
                .flat_map(|(_, link)| link.burst.iter().flat_map(|b| &b.channel))
                .map(|c| BurstChannel { name: &c.name, kind: c.scale.unit.kind })
                .chain(
                    rig.recording
                        .iter()
                        .flat_map(|(_, r)| &r.channel)
                        .map(|c| BurstChannel { name: &c.name, kind: c.full_scale.unit.kind }),
                )
                .collect(),
        }
    }

    pub fn link_names(&self) -> Vec<&'a str> {
        self.links.iter().map(|l| l.name.value.as_str()).collect()
    }

    pub fn channel_names(&self) -> Vec<&'a str> {
        self.channels.iter().map(|c| c.name.value.as_str()).collect()
    }

    pub fn burst_names(&self) -> Vec<&'a str> {
        self.bursts.iter().map(|b| b.name.value.as_str()).collect()
    }

    /// Index of the channel with a role, in the order of the file.
    pub fn with_role(&self, role: Role) -> Option<usize> {
        self.channels.iter().position(|c| c.file.measures.as_ref().is_some_and(|m| m.value == role))
    }

    /// The demand that sets the shaft speed.
    pub fn speed_demand(&self) -> Option<(usize, Demand<'a>)> {
        self.demands.iter().copied().enumerate().find(|(_, d)| d.file.sets.value == Sets::ShaftSpeed)
    }

    pub fn check_names(&self, ctx: &mut Context<'_>) {
        self.links.iter().for_each(|l| ctx.name("link", l.name));
        self.channels.iter().for_each(|c| ctx.name("channel", c.name));
        self.demands.iter().for_each(|d| ctx.name("demand", d.name));
        self.links.iter().flat_map(|l| &l.file.poll).for_each(|p| ctx.name("poll", &p.name));
        self.check_belonging(ctx);
        self.check_roles(ctx);
    }

    /// A run drives one unit; what belongs to another has no business here yet.
    fn check_belonging(&self, ctx: &mut Context<'_>) {
        let links = self.links.iter().map(|l| &l.file.belongs_to);
        let channels = self.channels.iter().map(|c| &c.file.belongs_to);
        let demands = self.demands.iter().map(|d| &d.file.belongs_to);
        let unit = &ctx.unit.name;
        for name in links.chain(channels).chain(demands).flatten().filter(|name| name.value != unit.value) {
            let message = format!("{} is not the unit of this run, {}", ctx.said(name.at), ctx.said(unit.at));
            ctx.refuse(Diag::at(name.at, message).other(unit.at, "the unit").help("a run drives one unit"));
        }
    }

    fn check_roles(&self, ctx: &mut Context<'_>) {
        for (i, channel) in self.channels.iter().enumerate() {
            let Some(role) = &channel.file.measures else { continue };
            let first = &self.channels[..i]
                .iter()
                .filter_map(|c| c.file.measures.as_ref())
                .find(|m| m.value == role.value);
            match (first, &channel.file.unit) {
                (Some(first), _) => ctx.twice("the measure", role.at, first.at),
                (None, Some(unit)) if !channel.is_state && !suits(role.value, unit.kind) => {
                    let message = format!(
                        "channel `{}` measures {}, but its unit {} is {}",
                        channel.name.value,
                        ctx.said(role.at),
                        ctx.said(unit.at),
                        a(&unit.kind.name()),
                    );
                    ctx.refuse(Diag::at(unit.at, message).other(role.at, ""));
                }
                _ => {}
            }
        }
        for role in [Role::DriveState, Role::ShaftSpeed, Role::BusVoltage] {
            if self.with_role(role).is_none() {
                let message =
                    format!("no channel measures `{}`: the safe state could not be proved", role.word());
                ctx.refuse(Diag::general(message).help("add `measures = \"...\"` to the channel that does"));
            }
        }
    }

    /// Quantities of the unit and of the simulated rig whose kind has more than one form.
    pub fn check_nameplate(&self, ctx: &mut Context<'_>) {
        let current = &ctx.unit.controller.current_max;
        if plain(current.unit.kind) != kind_of::<Current>() || current.unit.kind.form == Form::Plain {
            let message = format!(
                "{} is {}, expected a current (peak) or (rms)",
                ctx.said(current.at),
                a(&current.unit.kind.name())
            );
            ctx.refuse(Diag::at(current.at, message).help("write it as \"__ A peak\""));
        } else if current.si <= 0.0 {
            // Nothing would be judged with a board that makes no torque.
            let message = format!("{} is not above zero", ctx.said(current.at));
            let help = "write the most that the board may be asked for, as \"__ A peak\"";
            ctx.refuse(Diag::at(current.at, message).help(help));
        }
        let poles = &ctx.unit.machine.pole_pairs;
        if poles.value == 0 {
            ctx.refuse(Diag::at(poles.at, format!("{} pole pairs turn nothing", ctx.said(poles.at))));
        }
        let Some(twin) = &ctx.rig.twin else { return };
        let rms = Kind { form: Form::Rms, ..kind_of::<Voltage>() };
        ctx.quantity(&twin.transformer, rms, "for the output of the transformer", head(twin.at));
    }
}

/// A kind without its form (peak, rms) and without line or phase.
pub(super) fn plain(kind: Kind) -> Kind {
    Kind { form: Form::Plain, across: Across::Plain, ..kind }
}

fn suits(role: Role, kind: Kind) -> bool {
    use crate::files::read::{Number, Speed, Temperature, Torque};
    match role {
        Role::ShaftSpeed => kind == kind_of::<Speed>(),
        Role::BusVoltage => kind == kind_of::<Voltage>(),
        Role::BusCurrent => kind == kind_of::<Current>(),
        Role::PhaseCurrent => plain(kind) == kind_of::<Current>(),
        Role::Torque => kind == kind_of::<Torque>(),
        Role::WindingTemperature | Role::InverterTemperature | Role::CoolantTemperature => {
            kind == kind_of::<Temperature>()
        }
        Role::Pedal | Role::EmergencyStopLoop | Role::DriveState => kind == kind_of::<Number>(),
    }
}
