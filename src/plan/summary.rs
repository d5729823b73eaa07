//! A plan in a few plain lines, for `check`.

use super::Plan;
use crate::record::Grade;
use crate::units::{Unit, quantity_text};
use std::fmt::Write;

/// A few plain lines about a plan: links with their load, tests with length and highest demand, trips,
/// questions, and the guards that this rig has not. Ends with a newline.
pub fn summary(plan: &Plan) -> String {
    let mut text = String::new();
    let build = plan.build.as_ref().map_or(String::new(), |b| format!(", build {b}"));
    // Writing to a string cannot fail.
    let _ = writeln!(text, "{} on {}: {} {}{build}", plan.suite, plan.rig, plan.unit, plan.serial);
    for (index, link) in plan.links.iter().enumerate() {
        let groups = plan.groups.iter().filter(|g| g.link == index).count();
        let _ = writeln!(
            text,
            "link {}: {} at {} baud, {}, busy {:.1} % of the time ({:.1} % out, {:.1} % in)",
            link.name,
            link.port,
            link.baud,
            counted(groups, "poll"),
            (link.load.0 + link.load.1) * 100.0,
            link.load.0 * 100.0,
            link.load.1 * 100.0,
        );
    }
    for test in &plan.tests {
        let unit = &plan.demands[test.demand].unit;
        let _ = writeln!(
            text,
            "test {}: {:.1} s, up to {}, {}",
            test.name,
            test.profile.length().secs_f64(),
            quantity(unit, test.profile.top()),
            match test.criteria.len() {
                1 => "1 criterion".to_string(),
                n => format!("{n} criteria"),
            },
        );
    }
    let derived = plan.channels.iter().filter(|c| c.grade == Grade::Inferred).count();
    let _ = writeln!(
        text,
        "{}, {derived} of them derived; {}; {} before each run",
        counted(plan.channels.len(), "channel"),
        counted(plan.trips.len(), "trip"),
        counted(plan.ready.questions.len(), "question"),
    );
    if !plan.ready.absent.is_empty() {
        let _ = writeln!(text, "guards absent: {}", plan.ready.absent.join(", "));
    }
    text + &slowing(plan) + &current(plan)
}

/// What the speed shows after a stop.
fn slowing(plan: &Plan) -> String {
    let slowing = &plan.stop.slowing;
    if let Some(blind) = &slowing.blind {
        return format!("after a stop the speed proves nothing: {blind}\n");
    }
    let unit = &plan.channels[plan.stop.speed.0].unit;
    let falls = match slowing.fall(0.0) {
        None => "only a rise of the speed speaks against it: no file gives a range of what rubs".to_string(),
        Some(least) => format!("the speed falls by {}/s or more", quantity(unit, least)),
    };
    let assumed = if slowing.assumed { " (assumed: no `speed_settles`)" } else { "" };
    format!(
        "after a stop {falls}; means over {} turns of the machine's shaft count, from {} on{assumed}\n",
        crate::units::number_text((slowing.turn / std::f64::consts::TAU * 100.0).round() / 100.0),
        slowing.reaction + slowing.settles,
    )
}

/// What the phase current shows after a stop.
fn current(plan: &Plan) -> String {
    let Some((channel, limit)) = plan.stop.current else { return String::new() };
    let holding = &plan.stop.holding;
    let described = &plan.channels[channel];
    let (doubt, least) = (2.0 * described.u, holding.least);
    let shown = |si: f64| quantity_text(&described.unit, si, Some(described.u));
    if holding.shorted {
        return "after a stop the phase current proves nothing: the windings are shorted\n".into();
    }
    if doubt >= least {
        return format!(
            "after a stop the phase current proves nothing: {} hold the lightest unit, and the sensor is known to {}\n",
            shown(least),
            shown(doubt),
        );
    }
    let above = if limit > least {
        format!("; from there to the limit {} it proves nothing", shown(limit))
    } else {
        String::new()
    };
    format!(
        "after a stop the phase current proves something from {} and what it reads with the gates off to {}, which hold the lightest unit{above}\n",
        shown(doubt),
        shown(least),
    )
}

fn quantity(unit: &Unit, si: f64) -> String {
    quantity_text(unit, si, None)
}

fn counted(n: usize, what: &str) -> String {
    if n == 1 { format!("1 {what}") } else { format!("{n} {what}s") }
}
