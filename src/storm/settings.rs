//! Nothing is enabled with other settings or another build than those last read on the wire, by the twin's truth, and each was
//! read after the newest restart.

use super::demands::rounding;
use super::evidence::Evidence;
use super::listen::{Asked, Heard};
use super::proof::truth_at;
use super::{Breach, Rule};
use crate::plan::Plan;
use crate::states::DriveState;
use crate::time::Instant;
use crate::twin::{Settings, Truth};
use crate::wire::Pattern;
use crate::wire::scpi::parse_message;
use std::collections::HashMap;
use std::f64::consts::TAU;

/// A setting in truth, in the unit in which it is read.
type InTruth = fn(&Settings) -> f64;

/// The words of the twin's board for its settings, and each in the unit in which it is read.
const SETTINGS: [(&str, InTruth); 6] = [
    ("CONFigure:CURRent:LIMit", |s| s.current),
    ("CONFigure:ALIGnment:CURRent:LIMit", |s| s.alignment),
    ("CONFigure:SPEed:LIMit", |s| s.speed * 60.0 / TAU),
    ("CONFigure:PEDal:RATE", |s| s.pedal_rate * 60.0 / TAU),
    ("CONFigure:COMMand:TIMeout", |s| s.command_timeout.secs_f64() * 1e3),
    ("CONFigure:VOLTage:LIMit", |s| s.bus_high),
];

/// What was last read of each setting and identity: when it was asked for, and the text.
type Read = HashMap<Asked, (Instant, String)>;

/// Each frame that switches the drive on, while in truth it is on its way to being enabled: after a restart no single frame
/// switches it on, so that whoever sends that one has had all the frames before it to find out.
pub(super) fn other_settings(evidence: &Evidence<'_>, lines: &[Heard], breaches: &mut Vec<Breach>) {
    let mut read = Read::new();
    let mut line = 0;
    for (index, moment) in evidence.moments.iter().enumerate() {
        while let Some(heard) = lines.get(line).filter(|h| h.moment == index) {
            line += 1;
            take(evidence.plan, heard, &mut read);
        }
        if !moment.told.iter().any(|told| told.switches_on()) {
            continue;
        }
        let Some(truth) = truth_at(evidence, moment.at) else { continue };
        if !matches!(truth.state, DriveState::ReadyToSwitchOn | DriveState::SwitchedOn) {
            continue;
        }
        if let Some(found) = not_as_read(evidence, &read, &truth) {
            let found = format!("the drive was switched on, and {found}");
            breaches.push(Breach { rule: Rule::OtherSettings, at: moment.at, found });
            return;
        }
    }
}

/// Keeps what a line says of a setting or of who the board is. One that a runner which stood still found late has been read as well.
fn take(plan: &Plan, heard: &Heard, read: &mut Read) {
    let Some((asked_at, asked)) = heard.answers else { return };
    let text = match asked {
        Asked::Setting(link, index) => {
            field(&plan.links[link].settings[index].exchange.expect, "value", &heard.line)
        }
        Asked::Identity(link) => {
            plan.links[link].identity.as_ref().and_then(|i| field(&i.expect, "build", &heard.line))
        }
        Asked::Group(_) | Asked::Demand(_) | Asked::Other => return,
    };
    if let Some(text) = text {
        read.insert(asked, (asked_at, text));
    }
}

fn field(pattern: &Pattern, name: &str, line: &[u8]) -> Option<String> {
    let place = pattern.fields().iter().position(|f| f == name)?;
    Some(pattern.fit(line)?.get(place)?.trim().to_string())
}

/// What in truth is not what was read, or was read before the newest restart; in words.
fn not_as_read(evidence: &Evidence<'_>, read: &Read, truth: &Truth) -> Option<String> {
    let plan = evidence.plan;
    let begun = evidence.truth.iter().map(|row| row.truth);
    let begun = begun.take_while(|t| t.t <= truth.t).find(|t| t.restarts == truth.restarts);
    let begun = begun.filter(|t| t.restarts > 0).map(|t| t.t);
    let known = |asked: Asked, name: &str| match read.get(&asked) {
        None => Err(format!("{name} was never read")),
        Some((at, text)) => match begun.filter(|restart| at <= restart) {
            Some(restart) => Err(format!("{name} was read at {at}, and the board restarted at {restart}")),
            None => Ok(text.clone()),
        },
    };
    for (index, link) in plan.links.iter().enumerate() {
        if link.identity.as_ref().is_some_and(|i| i.expect.fields().iter().any(|f| f == "build")) {
            match known(Asked::Identity(index), "the build") {
                Err(found) => return Some(found),
                Ok(text) if text != truth.settings.build => {
                    return Some(format!("the build is {} and was read as {text}", truth.settings.build));
                }
                Ok(_) => {}
            }
        }
        for (number, setting) in link.settings.iter().enumerate() {
            let text = match known(Asked::Setting(index, number), &setting.name) {
                Err(found) => return Some(found),
                Ok(text) => text,
            };
            let true_value = true_value(&setting.exchange.send, &truth.settings);
            if let Some(true_value) = true_value.filter(|value| !is_read(&text, *value)) {
                return Some(format!("{} is {true_value} and was read as {text}", setting.name));
            }
        }
    }
    None
}

/// What a question for a setting should be answered with; `None` for words that are not in the table.
fn true_value(send: &[u8], settings: &Settings) -> Option<f64> {
    let line = send.strip_suffix(b"\n").unwrap_or(send);
    let units = parse_message(line.strip_suffix(b"\r").unwrap_or(line)).0;
    let [unit] = &units[..] else { return None };
    SETTINGS.iter().find(|(word, _)| unit.is(word)).map(|(_, of)| of(settings))
}

/// Whether a text is a value as it was rounded.
fn is_read(text: &str, value: f64) -> bool {
    let decimals = text.split_once('.').map_or(0, |(_, d)| d.len());
    text.parse::<f64>().is_ok_and(|read| (read - value).abs() <= rounding(decimals) + 1e-6)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_text_is_a_value_if_it_rounds_to_it() {
        for (text, value, is) in [
            ("210", 210.0, true),
            ("210", 210.4, true),
            ("210", 231.0, false),
            ("2000.0", 2000.04, true),
            ("2000.0", 2000.2, false),
            ("0", 100.0, false),
            ("", 0.0, false),
            ("off", 0.0, false),
        ] {
            assert_eq!(is_read(text, value), is, "{text} for {value}");
        }
    }
}
