//! Gears and bearings, and the orders of the shaft that follow from them.

/// Two wheels that mesh.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GearStage {
    /// Teeth of the wheel that drives.
    pub pinion: u32,
    /// Teeth of the wheel that is driven.
    pub wheel: u32,
}

/// A rolling bearing on the machine's shaft.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BearingSpec {
    /// Balls.
    pub balls: u32,
    /// Diameter of a ball over that of the circle of their centres.
    pub ratio: f64,
    /// Contact angle in rad.
    pub contact: f64,
}

impl BearingSpec {
    /// Balls that pass a mark on the outer race per turn of the shaft: n/2 (1 - d/D cos a), rolling without slip.
    pub(super) fn outer_order(&self) -> f64 {
        0.5 * f64::from(self.balls) * (1.0 - self.ratio * self.contact.cos())
    }
}

/// Teeth that mesh per turn of the first shaft, stage after stage.
pub(super) fn mesh_orders(gears: &[GearStage]) -> impl Iterator<Item = f64> + '_ {
    gears.iter().scan(1.0, |shaft, stage| {
        let order = f64::from(stage.pinion) * *shaft;
        *shaft *= f64::from(stage.pinion) / f64::from(stage.wheel);
        Some(order)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Bearing 6205, n 9, d/D 0.20338: at 1797 rpm 107.36 Hz over the outer race (published bearing data).
    #[test]
    fn balls_pass_the_outer_race_as_the_published_bearing_says() {
        let bearing = BearingSpec { balls: 9, ratio: 0.20338, contact: 0.0 };
        let hertz = bearing.outer_order() * 1797.0 / 60.0;
        assert!((hertz - 107.36).abs() < 0.01, "{hertz} Hz");
    }

    /// 20 teeth on the shaft; then 20 teeth on a shaft that turns 2.2 times slower (by hand).
    #[test]
    fn later_stages_mesh_at_the_speed_of_their_own_shaft() {
        let gears = [GearStage { pinion: 20, wheel: 44 }, GearStage { pinion: 20, wheel: 78 }];
        let orders: Vec<f64> = mesh_orders(&gears).collect();
        assert!((orders[0] - 20.0).abs() < 1e-12 && (orders[1] - 9.090_909).abs() < 1e-6, "{orders:?}");
    }
}
