//! Each rule catches a machine that breaks it, and a sound one breaks none.

use super::*;
use crate::diag::Sources;
use crate::engine::{Input, Output};
use crate::files::load::{read_rig, read_suite, read_unit};
use crate::plan::resolve;
use crate::record::{Event, Record, RowStatus, Stage, What};
use std::collections::VecDeque;

/// Short, with one criterion that a sound unit does not meet: a ramp is followed late.
const SUITE: &str = r#"
schema = 1
name = "short"
[[test]]
name = "up"
profile = [
    { ramp = "300 rpm", rate = "390 rpm/s", name = "up" },
    { hold = "1 s", name = "hold" },
    { ramp = "0 rpm", rate = "390 rpm/s", name = "down" },
]
[[test.criterion]]
metric = "tracking_rms"
of = "speed"
over = "up"
at_most = "4 rpm"
why = "far tighter than any loop, and wide enough for a guard band"
"#;

fn ground() -> Ground {
    let mut sources = Sources::default();
    let rig =
        read_rig(&mut sources, "rig.toml", include_str!("../../fixtures/demo/rig.toml")).0.expect("a rig");
    let unit = read_unit(&mut sources, "unit.toml", include_str!("../../fixtures/demo/unit.toml")).0;
    let unit = unit.expect("a unit");
    let suite = read_suite(&mut sources, "suite.toml", SUITE).0.expect("a suite");
    let plan = Arc::new(resolve(&sources, &rig, &unit, &suite, None).expect("a plan"));
    Ground { rig, unit, plan }
}

/// What is wrong with a machine.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Defect {
    /// It does not hear the operator.
    Deaf,
    /// It never sends a stop frame.
    NoStopFrame,
    /// Its stop frame waits for the next input.
    SlowStopFrame,
    /// It believes in every sample of the bus that it is 155 V.
    BusBelieved,
    /// It tells the controller one rpm more.
    Bold,
    /// It takes every answer for a yes.
    YesToAll,
    /// It keeps but 99 of 100 rows.
    Forgetful,
    /// It writes the demand, near enough, where the speed should stand.
    Flattering,
    /// It calls the stop confirmed as soon as it is demanded.
    Trusting,
    /// It never says that it has finished.
    Endless,
    /// It hears bytes only while nothing is driven.
    DeafAtSpeed,
    /// Once the drive is on its way to being enabled it takes the shaft for still.
    Hasty,
}

/// The engine with a defect around it.
struct Spoilt {
    engine: Engine,
    defect: Defect,
    held: VecDeque<Output>,
    ready: VecDeque<Output>,
    rows: u32,
    demand: f64,
    enabling: bool,
    driven: bool,
    now: Instant,
}

impl Spoilt {
    fn of(ground: &Ground, defect: Defect) -> Spoilt {
        Spoilt {
            engine: Engine::new(ground.plan.clone()),
            defect,
            held: VecDeque::new(),
            ready: VecDeque::new(),
            rows: 0,
            demand: 0.0,
            enabling: false,
            driven: false,
            now: Instant::ZERO,
        }
    }

    fn spoil(&mut self, output: Output) {
        let stops = |bytes: &[u8]| evidence::told(bytes).iter().any(|t| t.stops());
        match (self.defect, output) {
            (_, Output::Send { bytes, .. }) if self.defect == Defect::NoStopFrame && stops(&bytes) => {}
            (Defect::SlowStopFrame, Output::Send { link, bytes }) if stops(&bytes) => {
                self.held.push_back(Output::Send { link, bytes });
            }
            (Defect::Bold, Output::Send { link, bytes }) => {
                let text = String::from_utf8(bytes).expect("the demo rig sends text");
                let more = text.strip_prefix("SOUR:SPE ").and_then(|rest| {
                    let (rpm, rest) = rest.split_once(';')?;
                    let rpm: f64 = rpm.parse().ok().filter(|rpm| *rpm > 0.0)?;
                    Some(format!("SOUR:SPE {:.1};{rest}", rpm + 1.0))
                });
                self.ready.push_back(Output::Send { link, bytes: more.unwrap_or(text).into_bytes() });
            }
            (Defect::Trusting, Output::Send { link, bytes }) if stops(&bytes) => {
                self.ready.push_back(Output::Send { link, bytes });
                let what = What::Stage { stage: Stage::NotDriven, confirmed: true, found: "trust".into() };
                self.ready.push_back(Output::Record(Record::Event(Event { at: self.now, what })));
            }
            (Defect::Endless, Output::Finished { .. }) => {}
            (Defect::Forgetful, Output::Record(Record::Row(row))) => {
                self.rows += 1;
                if !self.rows.is_multiple_of(100) {
                    self.ready.push_back(Output::Record(Record::Row(row)));
                }
            }
            (Defect::Flattering, Output::Record(Record::Row(mut row))) => {
                if row.group == 0 && row.status == RowStatus::Ok {
                    // Two rpm off: an error of nought would have no usable uncertainty.
                    row.values[1] = Some(self.demand * 60.0 / std::f64::consts::TAU + 2.0);
                }
                self.ready.push_back(Output::Record(Record::Row(row)));
            }
            (_, output) => {
                if let Output::Record(Record::Sent(sent)) = &output
                    && sent.demand == 0
                {
                    self.demand = sent.value;
                }
                if let Output::Send { bytes, .. } = &output {
                    self.enabling |= evidence::told(bytes).iter().any(|t| t.enables());
                    self.driven |= evidence::told(bytes).iter().any(|t| t.switches_on());
                }
                self.ready.push_back(output);
            }
        }
    }
}

impl Machine for Spoilt {
    fn handle(&mut self, now: Instant, input: Input) {
        self.now = now;
        self.ready.append(&mut self.held);
        let input = match (self.defect, input) {
            (Defect::Deaf, Input::Stop(_)) => Input::Deadline,
            (Defect::DeafAtSpeed, Input::Bytes { link, bytes }) if self.driven => {
                // The status word and the speed as they should be, whatever they are.
                Input::Bytes { link, bytes: read_of_the_drive(bytes, |fields| fields[0] = "1591") }
            }
            (Defect::Hasty, Input::Bytes { link, bytes }) if self.enabling => {
                Input::Bytes { link, bytes: read_of_the_drive(bytes, |fields| fields[1] = "0.00") }
            }
            (Defect::BusBelieved, Input::Bytes { link, bytes }) => {
                let calm = |fields: &mut [&str]| {
                    if fields[3].parse::<f64>().is_ok_and(|bus| bus > 50.0) {
                        fields[3] = "155.00";
                    }
                };
                Input::Bytes { link, bytes: read_of_the_drive(bytes, calm) }
            }
            (Defect::YesToAll, Input::Answer { id, by, person, .. }) => {
                Input::Answer { id, yes: true, by, person }
            }
            (_, input) => input,
        };
        self.engine.handle(now, input);
        while let Some(output) = self.engine.poll() {
            self.spoil(output);
        }
    }

    fn poll(&mut self) -> Option<Output> {
        self.ready.pop_front()
    }
}

/// A reply with the state, speed, phase current, bus and bus current with some of it changed; any other as it is.
fn read_of_the_drive(bytes: Vec<u8>, change: impl FnOnce(&mut [&str])) -> Vec<u8> {
    let text = String::from_utf8_lossy(&bytes).into_owned();
    let fields = text.strip_suffix('\n').map(|line| line.split(',').collect::<Vec<_>>());
    match fields.filter(|f| f.len() == 5 && !f[0].contains('.')) {
        Some(mut fields) => {
            change(&mut fields);
            (fields.join(",") + "\n").into_bytes()
        }
        None => bytes,
    }
}

fn at(seconds: f64) -> Instant {
    Instant::from_secs_f64(seconds)
}

fn fault(text: &str) -> Trouble {
    Trouble::Fault(FaultSetting::parse(text).expect(text))
}

fn storm(troubles: &[Trouble]) -> Storm {
    Storm { seed: 3, troubles: troubles.to_vec() }
}

/// One row: what is wrong with the machine, in which storm it shows, which rule catches it.
#[test]
fn each_rule_catches_a_machine_that_breaks_it() {
    let ground = ground();
    let stopped = Trouble::Stopped(at(2.5));
    let rows: &[(Defect, &[Trouble], Rule)] = &[
        (Defect::Deaf, std::slice::from_ref(&stopped), Rule::LateStop),
        (Defect::NoStopFrame, std::slice::from_ref(&stopped), Rule::LateStop),
        (Defect::SlowStopFrame, std::slice::from_ref(&stopped), Rule::LateStop),
        (Defect::BusBelieved, &[fault("bus-low=1.5@2 s")], Rule::LateStop),
        (Defect::DeafAtSpeed, &[fault("stop-loop-open@2.43 s")], Rule::LateStop),
        (Defect::Bold, &[], Rule::AboveThePlan),
        (Defect::YesToAll, &[Trouble::No("guards".into())], Rule::NotReady),
        (Defect::Hasty, &[fault("resolver-reversed=0.88@1.005 s")], Rule::NotReady),
        (Defect::Forgetful, &[], Rule::LostSample),
        (Defect::Flattering, &[], Rule::LostSample),
        (Defect::Flattering, &[], Rule::FalsePass),
        (Defect::Trusting, std::slice::from_ref(&stopped), Rule::FalseProof),
        (Defect::Endless, &[], Rule::NoEnd),
        (Defect::Bold, &[], Rule::NotRepeatable),
    ];
    for (defect, troubles, rule) in rows {
        let storm = storm(troubles);
        let sound = ground.weather(&storm, true).expect("a twin");
        assert_eq!(sound.breaches, [], "a sound machine in the storm of {defect:?}");
        let spoilt = ground.weather_with(Spoilt::of(&ground, *defect), &storm, true).expect("a twin");
        let found: Vec<Rule> = spoilt.breaches.iter().map(|b| b.rule).collect();
        assert!(found.contains(rule), "{defect:?}: {rule:?} expected, found {:?}", spoilt.breaches);
    }
}

/// A defect that shows only with one of several troubles is reduced to that one.
#[test]
fn a_broken_rule_is_reduced_to_what_it_takes() {
    let ground = ground();
    let all = [
        fault("link-split=0.1"),
        fault("weak-magnets=0.1"),
        Trouble::Stopped(at(2.5)),
        fault("unbalance=0.2@1 s"),
    ];
    let left = fewest(&all, &mut |some| {
        let spoilt = Spoilt::of(&ground, Defect::Deaf);
        let weathered = ground.weather_with(spoilt, &storm(some), false).expect("a twin");
        weathered.breaches.iter().any(|b| b.rule == Rule::LateStop)
    });
    assert_eq!(left, [Trouble::Stopped(at(2.5))]);
}

#[test]
fn a_sound_unit_beyond_its_limit_is_judged_and_not_accepted() {
    let ground = ground();
    let weathered = ground.weather(&storm(&[]), false).expect("a twin");
    assert_eq!(weathered.cause, Cause::Passed);
    let Acceptance { judged, beyond, accepted, let_through, backwards, .. } = weathered.acceptance;
    assert_eq!((judged, beyond, accepted, backwards), (1, 1, 0, 0));
    assert!(let_through < 22_750, "{let_through} millionths, and 22750 on the very limit");
}

#[test]
fn the_engine_breaks_no_rule_in_drawn_storms_and_each_is_the_same_again() {
    let ground = ground();
    for index in 0..40 {
        let storm = draw(&ground.plan, 7, index);
        assert_eq!(draw(&ground.plan, 7, index), storm);
        let weathered = ground.weather(&storm, index % 4 == 0).expect("a twin");
        assert_eq!(weathered.breaches, [], "storm {index}: {:?}", storm.troubles);
        if index % 8 == 0 {
            assert_eq!(ground.weather(&storm, false).expect("a twin").digest, weathered.digest);
        }
    }
}

#[test]
fn storms_are_drawn_from_everything() {
    let ground = ground();
    let storms: Vec<Storm> = (0..2000).map(|i| draw(&ground.plan, 1, i)).collect();
    let mut faults: Vec<_> = storms
        .iter()
        .flat_map(|s| &s.troubles)
        .filter_map(|t| if let Trouble::Fault(fault) = t { Some(fault.name) } else { None })
        .collect();
    faults.sort();
    faults.dedup();
    assert_eq!(faults.len(), crate::twin::every_fault().len());
    for index in 0..7 {
        let sorts = |t: &Trouble| match t {
            Trouble::Fault(_) => 0,
            Trouble::Build(_) => 1,
            Trouble::Late(..) => 2,
            Trouble::Frozen(..) => 3,
            Trouble::Stopped(_) => 4,
            Trouble::No(_) => 5,
            Trouble::Unplugged(..) => 6,
        };
        assert!(storms.iter().flat_map(|s| &s.troubles).any(|t| sorts(t) == index), "sort {index}");
        assert!(storms.iter().any(|s| s.troubles.len() == index), "{index} troubles");
    }
    assert_ne!(storms[0], storms[1]);
}
