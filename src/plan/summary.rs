//! A plan in a few plain lines, for `check`.

use super::Plan;
use crate::record::Grade;
use crate::units::{Unit, rounded_text};
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
    text
}

fn quantity(unit: &Unit, si: f64) -> String {
    format!("{} {unit}", rounded_text(unit, si, None)).trim_end().to_string()
}

fn counted(n: usize, what: &str) -> String {
    if n == 1 { format!("1 {what}") } else { format!("{n} {what}s") }
}
