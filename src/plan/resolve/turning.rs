//! What turns in the unit: for the lines of orders in a report.

use super::context::Context;
use crate::metrics::bearing_orders;
use crate::plan::Turning;

/// The field, the meshes and the bearings of the unit file, as orders of the machine's shaft.
pub(super) fn turning(ctx: &Context<'_>) -> Vec<Turning> {
    let unit = ctx.unit;
    let mut turning = vec![Turning::new("electrical", f64::from(unit.machine.pole_pairs.value), false)];
    // The second stage's pinion sits on the shaft of the first stage's wheel.
    let mut shaft = 1.0;
    for (i, stage) in unit.gear_stage.iter().enumerate() {
        let (pinion, wheel) = (f64::from(stage.pinion.value), f64::from(stage.wheel.value));
        turning.push(Turning::new(format!("mesh {}", i + 1), shaft * pinion, false));
        shaft *= pinion / wheel;
    }
    for bearing in &unit.bearing {
        let contact = bearing.contact_angle.as_ref().map_or(0.0, |angle| angle.si);
        let orders = bearing_orders(bearing.balls.value, bearing.ball_to_pitch, contact);
        // The place tells bearings apart; one alone needs none.
        let place = if unit.bearing.len() > 1 { format!(", {}", bearing.place) } else { String::new() };
        for (part, order) in [
            ("outer race", orders.outer_race),
            ("inner race", orders.inner_race),
            // A fault of a ball strikes a race twice in each turn of the ball.
            ("ball", 2.0 * orders.ball_spin),
            ("cage", orders.cage),
        ] {
            turning.push(Turning::new(format!("{part}{place}"), order, true));
        }
    }
    turning.retain(|t| t.per_turn.is_finite() && t.per_turn > 0.0);
    turning
}
