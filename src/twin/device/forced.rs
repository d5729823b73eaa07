//! Words for commissioning: forced angle, alignment current, current limit, and what the current loops see.

use super::{Device, Reply, none};
use crate::time::Instant;
use crate::twin::firmware::{Firmware, Mode};
use crate::wire::scpi::{ScpiError, Unit};
use std::f64::consts::TAU;

/// Largest angle that may be told, degrees: a hundred electrical turns.
const ANGLE_MAX: f64 = 36_000.0;

/// Carries out a word of these; `None` if it is another.
pub(super) fn carry_out(now: Instant, unit: &Unit, firmware: &mut Firmware) -> Option<Reply> {
    Some(if unit.is("SOURce:ANGLe") {
        angle(now, unit, firmware)
    } else if unit.is("SOURce:ALIGnment:CURRent") {
        current(unit, firmware)
    } else if unit.is("SOURce:CURRent:LIMit") {
        limit(now, unit, firmware)
    } else {
        return None;
    })
}

fn angle(now: Instant, unit: &Unit, firmware: &mut Firmware) -> Reply {
    let degrees = unit.number()?;
    if degrees.is_nan() || degrees.abs() > ANGLE_MAX {
        return Err(ScpiError::OUT_OF_RANGE);
    }
    chosen(firmware)?;
    firmware.set_forced_angle(now, degrees.to_radians());
    Ok(())
}

fn current(unit: &Unit, firmware: &mut Firmware) -> Reply {
    let amperes = unit.number()?;
    if !(0.0..=firmware.limits().alignment).contains(&amperes) {
        return Err(ScpiError::OUT_OF_RANGE);
    }
    chosen(firmware)?;
    firmware.set_alignment_current(amperes);
    Ok(())
}

fn limit(now: Instant, unit: &Unit, firmware: &mut Firmware) -> Reply {
    let amperes = unit.number()?;
    if !(0.0..=firmware.limits().current).contains(&amperes) {
        return Err(ScpiError::OUT_OF_RANGE);
    }
    firmware.set_current_limit(now, amperes);
    Ok(())
}

fn chosen(firmware: &mut Firmware) -> Reply {
    if firmware.choose(Mode::Forced) { Ok(()) } else { Err(ScpiError::SETTINGS_CONFLICT) }
}

impl Device {
    /// Electrical angle in degrees; currents in A and voltages in V along d and q, in the axes that the current loops use;
    /// the three phase currents in A; noise of the angle in electrical mrad rms.
    pub(super) fn field_line(&mut self, unit: &Unit, firmware: &Firmware) -> Reply {
        none(unit)?;
        let [i_d, i_q, v_d, v_q] = firmware.axes();
        let [a, b, c] = firmware.phases();
        let angle = 360.0 * firmware.electrical_angle();
        let noise = 1e3 * TAU * firmware.readings.angle_square.sqrt();
        let all = [(angle, 2), (i_d, 3), (i_q, 3), (v_d, 4), (v_q, 4), (a, 3), (b, 3), (c, 3), (noise, 2)];
        self.numbers(&all);
        Ok(())
    }
}
