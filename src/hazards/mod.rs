//! The physics that may forbid a plan before anything is energised.
//!
//! [`judge`] holds every hazard against what rig and unit stand, with the worst end of every figure that is known as a range.
//! Its formulas (`physics`) are written from the textbook and shared with neither the twin nor the metrics: a mistake must
//! not cancel out. What it takes and a file does not declare is said; [`refusals`] forbids such a plan where something real would
//! turn, and [`warnings`] prints it where nothing does.

mod braking;
mod case;
mod energy;
mod faulty;
mod finding;
mod heat;
mod mains;
mod physics;
mod reach;
mod shorted;
mod speed;
#[cfg(test)]
mod tests;
mod turning;
mod unattended;

pub use case::Case;
pub use finding::{Answer, Finding};
pub use unattended::nobody_beside;

use crate::diag::Diag;
use crate::plan::Plan;

/// Judges every hazard, in a fixed order.
pub fn judge(case: &Case<'_>) -> Vec<Finding> {
    vec![
        speed::voltage_limit(case),
        speed::emf_below_bus(case),
        reach::judge(case),
        speed::emf_below_ratings(case),
        energy::guard(case),
        energy::mount(case),
        braking::planned(case),
        braking::overshoot(case),
        faulty::judge(case),
        heat::turning(case),
        heat::standing(case),
        heat::inverter(case),
        heat::coolant(case),
        mains::judge(case),
        unattended::judge(case),
    ]
}

/// Whether something real may turn: a link goes to anything but the twin. A pseudo-terminal may lead to a real board.
pub fn is_real(plan: &Plan) -> bool {
    plan.links.iter().any(|l| l.port != "twin")
}

/// The messages that forbid the plan: what is refused, and where something real may turn also what could not be judged.
pub fn refusals(findings: &[Finding], real: bool) -> Vec<Diag> {
    let forbids = |f: &&Finding| f.answer == Answer::Refused || real && f.answer == Answer::NotJudged;
    findings.iter().filter(forbids).filter_map(|f| f.diag.clone()).collect()
}

/// One line for each hazard that could not be judged, with what to declare.
pub fn warnings(findings: &[Finding]) -> Vec<String> {
    let unjudged = findings.iter().filter(|f| f.answer == Answer::NotJudged);
    unjudged
        .map(|f| {
            let help = f.diag.as_ref().and_then(|d| d.help.as_deref()).unwrap_or_default();
            format!("hazard not judged: {}: {}; {help}", f.hazard, f.told)
        })
        .collect()
}

/// The hazards of a plan in plain lines, for `check`: which, the answer, and how much of its limit is left. Ends with a newline.
pub fn summary(findings: &[Finding]) -> String {
    let tight = |f: &&Finding| f.answer == Answer::Fits && f.margin.is_some();
    let tightest = findings.iter().filter(tight).min_by(|a, b| {
        let margin = |f: &Finding| f.margin.unwrap_or(f64::INFINITY);
        margin(a).total_cmp(&margin(b))
    });
    let fit = findings.iter().filter(|f| f.answer == Answer::Fits).count();
    let mut text = format!("hazards: {fit} of {} fit", findings.len());
    if let Some(f) = tightest {
        text += &format!("; the tightest is {}, {} of its limit left", f.hazard, percent(f));
    }
    text.push('\n');
    text
}

/// The margin of a finding as printed: `12 %`; empty without one.
pub fn percent(finding: &Finding) -> String {
    finding.margin.map_or_else(String::new, |m| format!("{:.0} %", (m * 100.0).floor()))
}

/// A hazard that cannot be judged.
fn missing(case: &Case<'_>, hazard: &'static str, why: &str, help: &str) -> Finding {
    let diag = case.undeclared(format!("{hazard}: {why}, so this hazard cannot be judged")).help(help);
    Finding { hazard, answer: Answer::NotJudged, told: why.into(), margin: None, diag: Some(diag) }
}
