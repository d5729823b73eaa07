//! What a trace needs to know of a plan.

use super::Plan;
use crate::record::{BurstChannelLayout, BurstLayout, GroupLayout, Layout, QuantityLayout};

/// The names, units and quantity kinds that the indices in records of this plan stand for.
pub fn layout(plan: &Plan) -> Layout {
    let quantity = |name: &str, unit: &crate::units::Unit| QuantityLayout {
        name: name.into(),
        unit: unit.text.clone(),
        kind: unit.kind.name(),
    };
    let channel = |index: usize| quantity(&plan.channels[index].name, &plan.channels[index].unit);
    Layout {
        groups: plan
            .groups
            .iter()
            .map(|group| GroupLayout {
                name: group.name.clone(),
                link: plan.links[group.link].name.clone(),
                fields: group.fields.iter().map(|field| field.map(channel)).collect(),
            })
            .collect(),
        demands: plan.demands.iter().map(|demand| quantity(&demand.name, &demand.unit)).collect(),
        links: plan.links.iter().map(|link| link.name.clone()).collect(),
        bursts: plan
            .bursts
            .iter()
            .map(|burst| BurstLayout {
                name: burst.name.clone(),
                rate: burst.rate,
                u_rate: burst.u_rate,
                samples: burst.samples as u32,
                channels: burst
                    .channels
                    .iter()
                    .map(|c| BurstChannelLayout { quantity: quantity(&c.name, &c.unit), scale: c.scale })
                    .collect(),
            })
            .collect(),
        run: None,
    }
}
