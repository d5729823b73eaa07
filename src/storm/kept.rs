//! No sample lost: every reply with values that was delivered stands in the records, number for number, and the
//! records hold no values that were not delivered. The same of what is told the demands.

use super::evidence::{Evidence, Told};
use super::listen::{Asked, Heard, numbers, shapes};
use super::{Breach, Rule};
use crate::files::rig::Sets;
use crate::record::{Record, RowStatus, What};
use crate::time::Instant;
use std::collections::HashMap;

/// Characters of a line that an event keeps.
const KEPT: usize = 120;

pub(super) fn lost(evidence: &Evidence<'_>, lines: &[Heard], breaches: &mut Vec<Breach>) {
    let plan = evidence.plan;
    let mut rows: HashMap<Instant, Vec<(usize, Vec<u64>)>> = HashMap::new();
    let mut said: HashMap<Instant, Vec<&str>> = HashMap::new();
    for record in &evidence.records {
        match record {
            Record::Row(row) if row.status == RowStatus::Ok => {
                let values = row.values.iter().zip(&plan.groups[row.group].fields);
                // A field that no channel takes is not recorded.
                let bits = values.map(|(v, channel)| bits(channel.and(*v))).collect();
                rows.entry(row.t_reply).or_default().push((row.group, bits));
            }
            Record::Event(event) => {
                if let What::Garbage { text, .. } | What::Late { text, .. } | What::Unsolicited { text, .. } =
                    &event.what
                {
                    said.entry(event.at).or_default().push(text);
                }
            }
            _ => {}
        }
    }
    let shapes = shapes(plan);
    for heard in lines {
        if heard.at >= evidence.ended.at {
            break;
        }
        let fits = |i: usize| numbers(&heard.line, &shapes[i]).map(|n| (i, n));
        let read: Vec<(usize, Vec<f64>)> = (0..shapes.len()).filter_map(fits).collect();
        // One number alone may as well be an acknowledgement or a setting: what it answers tells.
        let polled = matches!(heard.answers, Some((_, Asked::Group(_))));
        if read.is_empty() || !polled && read.iter().all(|(_, n)| n.len() == 1) {
            continue;
        }
        let kept = rows.get_mut(&heard.at).and_then(|at| {
            let same = |(group, values): &(usize, Vec<u64>)| {
                let channels = &plan.groups[*group].fields;
                read.iter().any(|(g, n)| {
                    let bits = n.iter().zip(channels).map(|(n, channel)| bits(channel.map(|_| *n)));
                    g == group && bits.eq(values.iter().copied())
                })
            };
            at.iter().position(same).map(|i| at.swap_remove(i))
        });
        let text: String = heard.line.escape_ascii().to_string().chars().take(KEPT).collect();
        let told = said.get(&heard.at).is_some_and(|texts| texts.iter().any(|t| t.contains(&text)));
        if kept.is_none() && !told {
            let found = format!("`{text}` was delivered and stands nowhere in the records");
            breaches.push(Breach { rule: Rule::LostSample, at: heard.at, found });
            return;
        }
    }
    // What was delivered at the very end may be taken either way.
    let invented = rows.iter().filter(|(at, left)| **at < evidence.ended.at && !left.is_empty()).min();
    if let Some((at, left)) = invented {
        let name = &plan.groups[left[0].0].name;
        let found = format!("a row of {name} holds values that were not delivered then");
        breaches.push(Breach { rule: Rule::LostSample, at: *at, found });
    }
}

/// What a demand was told and what the records say it was told are the same, one for one: the figures rest on the records.
pub(super) fn told_otherwise(evidence: &Evidence<'_>, breaches: &mut Vec<Breach>) {
    let plan = evidence.plan;
    let mut sent: HashMap<Instant, Vec<(Sets, f64)>> = HashMap::new();
    for moment in &evidence.moments {
        for told in &moment.told {
            if let Told::Demand(sets, number, _) = told {
                sent.entry(moment.at).or_default().push((*sets, *number));
            }
        }
    }
    for record in &evidence.records {
        let Record::Sent(record) = record else { continue };
        let demand = &plan.demands[record.demand];
        let same = |(sets, number): &(Sets, f64)| {
            let apart = (demand.unit.to_si(*number) - record.value).abs();
            *sets == demand.sets && apart <= 1e-9 * (1.0 + record.value.abs())
        };
        let frame =
            sent.get_mut(&record.at).and_then(|at| at.iter().position(same).map(|i| at.swap_remove(i)));
        if frame.is_none() {
            let found = format!(
                "the records say that `{}` was told {} (SI), and it was not",
                demand.name, record.value
            );
            breaches.push(Breach { rule: Rule::LostSample, at: record.at, found });
            return;
        }
    }
    let left = sent.iter().filter(|(_, left)| !left.is_empty()).min_by_key(|(at, _)| **at);
    if let Some((at, left)) = left {
        let found = format!("{:?} was told {}, and the records do not say so", left[0].0, left[0].1);
        breaches.push(Breach { rule: Rule::LostSample, at: *at, found });
    }
}

/// A value so that NaN equals NaN.
fn bits(value: Option<f64>) -> u64 {
    value.map_or(u64::MAX, |v| if v.is_nan() { 0x7FF8_0000_0000_0000 } else { v.to_bits() })
}
