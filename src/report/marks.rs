//! Orders of the shaft that a reader may look for in a spectrum: what turns in the unit, and what criteria ask for.

use super::words;
use crate::plan::Plan;
use crate::units::{Dim, Unit};

/// An order closer to another than this share is the same to the eye.
const SAME: f64 = 0.004;

/// An order of the shaft that a reader may look for.
pub(super) struct Order {
    /// How often per turn.
    pub per_turn: f64,
    /// As it stands on the chart.
    pub name: String,
    /// Marked in the spectrum alone: a map with a line for each would be lines and nothing else.
    pub beside: bool,
}

/// Once and twice a turn; of an acceleration what gears and bearings do, of a current or a resolver's signal what the field
/// does; and what criteria of this channel look at. By ascending order; of two that fall together the unit's name stays.
pub(super) fn orders(plan: &Plan, of: &str, unit: &Unit) -> Vec<Order> {
    let shakes = unit.kind.dim == Dim { length: 1, time: -2, ..Dim::default() };
    let mut orders: Vec<Order> = Vec::new();
    let mut add = |per_turn: f64, name: String, beside: bool| {
        let new = orders.iter().all(|o| (o.per_turn / per_turn - 1.0).abs() > SAME);
        if new && per_turn.is_finite() && per_turn > 0.0 {
            orders.push(Order { per_turn, name, beside });
        }
    };
    for turning in &plan.turning {
        let field = turning.name == "electrical";
        if field || shakes {
            // A cage turns once in two or three turns, a ball is hidden by the races: seldom alone (common practice).
            let beside = turning.slips && !turning.name.contains("race");
            let name = if field { "electrical 1".into() } else { turning.name.clone() };
            add(turning.per_turn, name, beside);
        }
    }
    for n in [1.0, 2.0] {
        add(n, format!("order {n}"), false);
    }
    for criterion in plan.tests.iter().flat_map(|t| &t.criteria).filter(|c| c.of == of) {
        let middle = |key: &str| criterion.given.range(key).map(|(low, high)| 0.5 * (low + high));
        let Some(order) = middle("order") else { continue };
        let turns = middle("turn").unwrap_or(1.0);
        let word = if turns == 1.0 { "order" } else { "electrical" };
        add(order * turns, format!("{word} {}", words::tidy(order)), false);
    }
    orders.sort_by(|a, b| a.per_turn.total_cmp(&b.per_turn));
    orders
}
