//! A heat pulse is a test that the rig asks for before the first one of a suite: the same profile, trips and hazards as if it
//! had been written there.

use super::read::{At, Named};
use super::rig::{Demand, HeatPulse, Rig, Sets};
use super::suite::{Coast, Hold, Ramp, Rung, Segment, Suite, Test};

/// Name of the test.
const NAME: &str = "coolant by a heat pulse";

impl Rig {
    /// The heat pulse that comes before a suite. Commissioning has none: which way a current turns the shaft is not known yet.
    pub fn heat_pulse(&self, suite: &Suite) -> Option<&HeatPulse> {
        let first_rungs = suite.rung.as_ref().is_some_and(|r| r.value == Rung::Commissioning);
        self.ready.coolant.as_ref()?.heat_pulse.as_ref().filter(|_| !first_rungs)
    }

    /// The first demand that sets this.
    pub fn demand_that_sets(&self, sets: Sets) -> Option<&(At<String>, Demand)> {
        self.demand.iter().find(|(_, demand)| demand.sets.value == sets)
    }
}

impl Suite {
    /// The suite with the test of the rig's heat pulse before its own; as it is if there is none, or if the rig lacks what
    /// it takes.
    pub fn after_heat_pulse(&self, rig: &Rig) -> Suite {
        let mut suite = self.clone();
        let test = rig.heat_pulse(self).and_then(|file| pulse(rig, file));
        if let (Some(test), false) = (test, suite.test.is_empty()) {
            suite.test.insert(0, test);
        }
        suite
    }
}

fn pulse(rig: &Rig, file: &HeatPulse) -> Option<Test> {
    let (current, moved) = rig.demand_that_sets(Sets::AlignmentCurrent)?;
    let (angle, fixed) = rig.demand_that_sets(Sets::ForcedAngle)?;
    let at = file.current.at;
    let named = |name: &str| Some(At { value: name.to_string(), at });
    let hold = |hold, name| Segment::Hold(Hold { at, hold, name: named(name) });
    let ramp = Ramp {
        at,
        ramp: file.current.clone(),
        rate: moved.rate.clone(),
        lasting: None,
        name: named("rise of the current"),
    };
    let coast = Coast { at, coast: file.wait.clone(), below: None, name: named("wait") };
    let profile = [
        hold(file.before.clone(), "before"),
        Segment::Ramp(ramp),
        hold(file.heat.clone(), "heat"),
        Segment::Coast(coast),
    ];
    Some(Test {
        at: file.at,
        name: At { value: NAME.into(), at },
        about: Some("Is a little heat carried away? By the rig's pre-checks.".into()),
        demand: Some(current.clone()),
        with: Named(vec![(angle.clone(), fixed.rest.clone())]),
        operator: Vec::new(),
        profile: profile.into_iter().map(|value| At { value, at }).collect(),
        burst: Vec::new(),
        criterion: Vec::new(),
    })
}
