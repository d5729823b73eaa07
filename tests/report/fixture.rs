//! A made-up bench, its plan and its runs: what a report is made from, without files or hardware.

use spinproof::columns::{Burst, Columns, DemandSeries, LinkSeries, Series, Span, Waveform};
use spinproof::files::rig::{Role, Sets, SupplyKind, SupplySetting};
use spinproof::files::suite::Rule;
use spinproof::hazards::{Answer, Finding};
use spinproof::metrics::{Direction, Given, Measured, Metric, Refusal, Subject, View};
use spinproof::outcome::Cause;
use spinproof::plan::{
    Channel, Criterion, Crossing, Demand, Drive, Exchange, Frame, Gain, Holding, Link, Plan, Profile,
    Reading, Ready, RunDown, Segment, Setting, Shape, Slowing, Source, Stop, Supply, Test, Trip, Turning,
};
use spinproof::predicted::Predicted;
use spinproof::record::{Event, Grade, Stage, What};
use spinproof::report::{Evidence, Report, model};
use spinproof::time::{Duration, Instant};
use spinproof::trace::{FileUsed, RunInfo, RunKind};
use spinproof::units::{Kind, Unit, parse_quantity, parse_unit};
use spinproof::verdict::{Standing, Verdict};
use spinproof::wire::{Pattern, Template};

/// A metric that only lends its name: the verdicts of these tests are made by hand.
#[derive(Debug)]
struct Named(&'static str);

impl Metric for Named {
    fn id(&self) -> &'static str {
        self.0
    }
    fn version(&self) -> u32 {
        1
    }
    fn about(&self) -> &'static str {
        "made up for tests"
    }
    fn direction(&self) -> Direction {
        Direction::LowerIsBetter
    }
    fn subject(&self) -> Subject {
        Subject::Channel
    }
    fn kind(&self, of: Kind) -> Kind {
        of
    }
    fn compute(&self, _: &View<'_>) -> Result<Measured, Refusal> {
        Err(Refusal { why: "made up for tests".into() })
    }
}

static TRACKING_RMS: Named = Named("tracking_rms");
static REPLY_LOSS: Named = Named("reply_loss");
static TRACKING_MAX: Named = Named("tracking_max");
static OVERSHOOT: Named = Named("overshoot");
static SETTLING: Named = Named("settling_time");
static BUS_SAG: Named = Named("bus_sag");
static TRACKING_MEAN: Named = Named("tracking_mean");
static RIPPLE: Named = Named("steady_ripple");
static RISE_RATE: Named = Named("rise_rate");

/// One run, owned.
pub struct Run {
    pub plan: Plan,
    pub info: RunInfo,
    pub events: Vec<Event>,
    pub columns: Columns,
    pub verdicts: Vec<Vec<Verdict>>,
    pub cause: Cause,
    pub why: String,
    pub cuts: Vec<String>,
}

impl Run {
    pub fn report(&self) -> Report {
        self.report_beside(None)
    }

    pub fn report_beside(&self, predicted: Option<&Predicted>) -> Report {
        model(&Evidence {
            plan: &self.plan,
            run: &self.info,
            events: &self.events,
            columns: &self.columns,
            predicted,
            verdicts: &self.verdicts,
            cause: self.cause,
            why: self.why.clone(),
            hazards: &hazards(),
            cuts: self.cuts.clone(),
        })
    }
}

/// Two that fit, and one that could not be judged.
fn hazards() -> Vec<Finding> {
    let finding = |hazard, answer, told: &str, margin| Finding {
        hazard,
        answer,
        told: told.into(),
        margin,
        diag: None,
    };
    vec![
        finding("runaway", Answer::Fits, "1966 rpm, limit `2000 rpm` (rig, line 17)", Some(0.017)),
        finding("unattended", Answer::Fits, "a person stays beside this rig", None),
        finding(
            "reaction mount",
            Answer::NotJudged,
            "the rig does not say which torque its reaction mount holds",
            None,
        ),
    ]
}

fn unit(text: &str) -> Unit {
    parse_unit(text).expect("a unit of the table")
}

fn si(text: &str) -> f64 {
    parse_quantity(text).expect("a quantity").si
}

// ---- the plan ----

fn channel(name: &str, unit_text: &str, role: Role, u: f64) -> Channel {
    Channel {
        name: name.into(),
        unit: if unit_text.is_empty() { Unit::one() } else { unit(unit_text) },
        role: Some(role),
        range: (-1e9, 1e9),
        u,
        stale: Duration::from_millis(60),
        source: Source::Wire { group: 0, field: 0, gain: 1.0, offset: 0.0, reading: Reading::Number },
        grade: Grade::Measured,
        belongs_to: String::new(),
    }
}

const SPEED: usize = 0;
const CURRENT: usize = 1;
const BUS: usize = 2;
const WINDING: usize = 4;
const INVERTER: usize = 5;

fn channels() -> Vec<Channel> {
    vec![
        channel("speed", "rpm", Role::ShaftSpeed, si("0.6 rpm")),
        channel("phase_current", "A rms", Role::PhaseCurrent, 0.4),
        channel("bus", "V", Role::BusVoltage, 0.5),
        channel("bus_current", "A", Role::BusCurrent, 0.3),
        channel("winding", "°C", Role::WindingTemperature, 0.8),
        channel("inverter", "°C", Role::InverterTemperature, 0.8),
        channel("coolant", "°C", Role::CoolantTemperature, 0.5),
    ]
}

/// Corners from seconds and rpm.
fn segment(name: &str, kind: &'static str, corners: &[(f64, f64)]) -> Segment {
    let rpm = unit("rpm");
    let corners = corners.iter().map(|(t, v)| (Duration::from_secs_f64(*t), rpm.to_si(*v))).collect();
    Segment { name: name.into(), kind, corners, shape: Shape::Straight }
}

#[allow(clippy::too_many_arguments)]
fn criterion(
    metric: &'static Named,
    of: &str,
    over: Option<usize>,
    low: Option<&str>,
    high: &str,
    band: Option<&str>,
    why: &str,
) -> Criterion {
    Criterion {
        metric,
        of: of.into(),
        against: "speed".into(),
        over,
        low: low.map(si),
        high: Some(si(high)),
        unit: parse_quantity(high).expect("a quantity").unit,
        band: band.map(si),
        given: Given::default(),
        why: Some(why.into()),
    }
}

fn tests() -> Vec<Test> {
    let crawl = Test {
        with: Vec::new(),
        asks: Vec::new(),
        operator: Vec::new(),
        name: "crawl".into(),
        about: Some("Does it turn, the right way, and follow?".into()),
        demand: 0,
        profile: Profile {
            segments: vec![
                segment("up", "ramp", &[(0.0, 0.0), (2.0, 120.0)]),
                segment("crawl", "hold", &[(2.0, 120.0), (6.0, 120.0)]),
                segment("down", "ramp", &[(6.0, 120.0), (8.0, 0.0)]),
            ],
        },
        by_hand: Vec::new(),
        bursts: Vec::new(),
        criteria: vec![
            criterion(
                &TRACKING_RMS,
                "speed",
                Some(1),
                None,
                "6 rpm",
                None,
                "at crawl a sound resolver and speed loop stay within a few rpm",
            ),
            criterion(
                &REPLY_LOSS,
                "board",
                None,
                None,
                "0.5 %",
                None,
                "a link that loses replies blinds the trips",
            ),
        ],
    };
    let climb = Test {
        with: Vec::new(),
        asks: Vec::new(),
        operator: Vec::new(),
        name: "climb".into(),
        about: Some("A steady ramp to 600 rpm and a small step on top.".into()),
        demand: 0,
        profile: Profile {
            segments: vec![
                segment("up", "ramp", &[(0.0, 0.0), (4.0, 600.0)]),
                segment("hold", "hold", &[(4.0, 600.0), (9.0, 600.0)]),
                segment("step", "step", &[(9.0, 600.0), (9.0, 680.0), (13.0, 680.0)]),
                segment("down", "ramp", &[(13.0, 680.0), (17.533, 0.0)]),
            ],
        },
        by_hand: Vec::new(),
        bursts: Vec::new(),
        criteria: vec![
            criterion(
                &TRACKING_MAX,
                "speed",
                Some(0),
                None,
                "40 rpm",
                None,
                "a ramp is followed late by slope times the loop's time constant",
            ),
            criterion(
                &OVERSHOOT,
                "speed",
                Some(2),
                None,
                "30 %",
                None,
                "overshoot on a bus without a way back is energy into the capacitor",
            ),
            criterion(
                &SETTLING,
                "speed",
                Some(2),
                None,
                "2 s",
                Some("8 rpm"),
                "a speed loop that rings longer is not ready for a load",
            ),
            criterion(
                &BUS_SAG,
                "bus",
                None,
                None,
                "12 V",
                None,
                "more under this little load means a weak supply or a bad joint",
            ),
        ],
    };
    let mut stairs = vec![(0.0, 0.0)];
    for step in 1..=4 {
        let begin = f64::from(step - 1) * 4.5;
        stairs.push((begin + 1.5, f64::from(step) * 300.0));
        stairs.push((begin + 4.5, f64::from(step) * 300.0));
    }
    let stairs = Test {
        with: Vec::new(),
        asks: Vec::new(),
        operator: Vec::new(),
        name: "stairs".into(),
        about: Some("Up to 1200 rpm in stairs, looking at each.".into()),
        demand: 0,
        profile: Profile {
            segments: vec![
                segment("stairs", "stairs", &stairs),
                segment("top", "hold", &[(18.0, 1200.0), (22.0, 1200.0)]),
                segment("down", "ramp", &[(22.0, 1200.0), (28.0, 0.0)]),
            ],
        },
        by_hand: Vec::new(),
        bursts: Vec::new(),
        criteria: vec![
            criterion(
                &TRACKING_MEAN,
                "speed",
                Some(1),
                Some("-5 rpm"),
                "5 rpm",
                None,
                "a standing error means the integrator is not at work or the scale is wrong",
            ),
            criterion(
                &RIPPLE,
                "speed",
                Some(1),
                None,
                "8 rpm",
                None,
                "speed ripple at no load comes from offsets and a poor resolver signal",
            ),
            criterion(
                &RISE_RATE,
                "inverter",
                None,
                None,
                "6 K/min",
                None,
                "without coolant the little heatsink mass heats many times faster",
            ),
        ],
    };
    vec![crawl, climb, stairs]
}

fn trip(name: &str, channel: usize, when: Crossing) -> Trip {
    Trip { name: name.into(), channel, when, lasting: Duration::ZERO, why: None }
}

/// The field, one mesh and a bearing's outer race.
fn turning() -> Vec<Turning> {
    let turning = |name: &str, per_turn, slips| Turning { name: name.into(), per_turn, slips };
    vec![
        turning("electrical", 4.0, false),
        turning("mesh 1", 20.0, false),
        turning("outer race", 3.585, true),
    ]
}

pub fn plan() -> Plan {
    let pattern = || Pattern::parse("{value}").expect("a pattern");
    let setting = |name: &str, must_be: Option<&str>| Setting {
        name: name.into(),
        exchange: Exchange { send: b"?\n".to_vec(), expect: pattern() },
        must_be: must_be.map(String::from),
        at_most: None,
    };
    Plan {
        recordings: Vec::new(),
        turning: turning(),
        rig: "Hollin Clough bench".into(),
        unit: "HC-7".into(),
        serial: "HC7-0042".into(),
        model: "HC-7 controller".into(),
        suite: "first spin".into(),
        build: None,
        supply: Supply {
            kind: SupplyKind::RectifiedMains,
            setting: SupplySetting::HandSet,
            switch_off: "turn the transformer to zero and pull its plug".into(),
            discharge: Duration::from_millis(60_000),
        },
        links: vec![Link {
            name: "board".into(),
            port: "twin".into(),
            machine: false,
            baud: 460_800,
            frame: Frame { data_bits: 8, parity: 'N', stop_bits: 1 },
            ends_with: b"\n".to_vec(),
            reply_within: Duration::from_millis(15),
            settle: Duration::ZERO,
            unsolicited: Vec::new(),
            identity: None,
            settings: vec![
                setting("current limit, A peak", None),
                setting("speed limit, rpm", None),
                setting("command timeout, ms", Some("100")),
            ],
            line_max: 256,
            load: (0.2, 0.3),
        }],
        groups: Vec::new(),
        bursts: Vec::new(),
        channels: channels(),
        demands: vec![Demand {
            name: "speed".into(),
            sets: Sets::ShaftSpeed,
            link: 0,
            send: Template::parse("SOUR:SPE {value:.1}", b"\n").expect("a template"),
            expect: None,
            unit: unit("rpm"),
            every: Duration::from_millis(20),
            range: (0.0, si("2000 rpm")),
            rest: 0.0,
            belongs_to: String::new(),
        }],
        drive: Drive {
            command_timeout: Duration::from_millis(100),
            within: Duration::from_millis(500),
            reset: Vec::new(),
            enable: Vec::new(),
            state: 0,
        },
        stop: Stop {
            frames: Vec::new(),
            every: Duration::from_millis(20),
            not_driven_within: Duration::from_millis(250),
            current: Some((CURRENT, 3.0)),
            at_rest_within: Duration::from_millis(40_000),
            speed: (SPEED, si("8 rpm")),
            bus: (BUS, 60.0),
            speed_change_max: f64::INFINITY,
            gain: Gain { torque: (0.0, 0.0), current_max: 0.0, driven: 0.0, drag: 0.0, inertia: 1.0 },
            bus_fall_max: f64::INFINITY,
            coast_max: 0.0,
            slowing: Slowing {
                blind: None,
                drag: None,
                inertia: 1.0,
                turn: std::f64::consts::TAU,
                reaction: Duration::ZERO,
                settles: Duration::ZERO,
                assumed: false,
            },
            holding: Holding { least: f64::INFINITY, shorted: false, emf: 0.0 },
            reaction: None,
            run_down: RunDown::unknown(),
        },
        ready: Ready {
            observe: Duration::from_millis(1000),
            valid_for: Duration::from_millis(5000),
            loss_max: 0.005,
            round_trip_max: Duration::from_millis(12),
            windows: Vec::new(),
            questions: Vec::new(),
            checks: Vec::new(),
            quiet: None,
            absent: vec!["coolant flow".into(), "vibration".into()],
        },
        trips: vec![
            trip("overspeed", SPEED, Crossing::Above(si("1900 rpm"))),
            trip("reverse", SPEED, Crossing::Below(si("-60 rpm"))),
            trip("phase_current", CURRENT, Crossing::Above(60.0)),
            trip("bus_high", BUS, Crossing::Above(185.0)),
            trip("bus_low", BUS, Crossing::Below(110.0)),
            trip("winding_hot", WINDING, Crossing::Above(si("110 °C"))),
            trip("inverter_hot", INVERTER, Crossing::Above(si("80 °C"))),
        ],
        tests: tests(),
        rung: None,
        assembly: None,
        late_max: Duration::from_millis(5),
        rule: Rule::Guarded,
    }
}

// ---- what happened ----

/// Begin of each test and of its profile, in seconds.
const BEGINS: [f64; 3] = [0.4, 12.0, 33.2];
const WATCH: f64 = 1.6;

pub fn at(seconds: f64, what: What) -> Event {
    Event { at: Instant::from_secs_f64(seconds), what }
}

fn opening() -> Vec<Event> {
    let field = |name: &str, text: &str| (name.to_string(), text.to_string());
    let fields = vec![
        field("maker", "Hollin Clough Motors"),
        field("model", "HC-7 controller"),
        field("serial", "HC7-0042"),
        field("build", "2.4.1"),
    ];
    let mut events = vec![at(0.02, What::Identity { link: "board".into(), fields })];
    for (i, (name, value)) in
        [("current limit, A peak", "250"), ("speed limit, rpm", "2500"), ("command timeout, ms", "100")]
            .iter()
            .enumerate()
    {
        let (link, name, value) = ("board".into(), name.to_string(), value.to_string());
        events.push(at(0.05 + 0.01 * i as f64, What::Setting { link, name, value }));
    }
    let sha256 = "5d1f0c7be2f1d6b02c86a1b1a6b3a0a9c1e1d54f8f7e35f66b3d1c0a7c2b9e44".to_string();
    events.push(at(0.09, What::SettingsHash { sha256 }));
    events
}

fn pre_checks(test: usize, bus: f64, holds: bool) -> Vec<Event> {
    let t = BEGINS[test] + WATCH - 0.1;
    let rows: Vec<(&str, bool, Grade, String)> = vec![
        ("identity and build", true, Grade::Measured, "HC-7 controller HC7-0042, build 2.4.1".into()),
        ("settings", true, Grade::Measured, "3 read, 1 of 1 as they must be".into()),
        ("link quality", true, Grade::Measured, "0 of 210 replies lost, longest round trip 4.1 ms".into()),
        ("bus in window", holds, Grade::Measured, format!("{bus:.1} V, window 140 V to 165 V")),
        ("temperatures", true, Grade::Measured, "20.3 °C to 21.0 °C, window 5 °C to 45 °C".into()),
        ("shaft at rest", true, Grade::Measured, "0.4 rpm, limit 8 rpm".into()),
        ("emergency-stop loop", true, Grade::Measured, "closed".into()),
        ("guards", true, Grade::Confirmed, "yes, at the terminal".into()),
        ("coolant", true, Grade::Confirmed, "yes, at the terminal".into()),
        // The engine goes on without an absent guard, and says so.
        ("coolant flow", true, Grade::Absent, "this rig has no way to tell".into()),
    ];
    rows.into_iter()
        .map(|(name, holds, grade, found)| {
            at(t, What::PreCheck { name: name.into(), holds, grade, found, test })
        })
        .collect()
}

fn stop(from: f64, reason: &str, not_driven: bool, rest_after: f64, bus: f64) -> Vec<Event> {
    let stage =
        |t: f64, stage, confirmed, found: &str| at(t, What::Stage { stage, confirmed, found: found.into() });
    let mut events = vec![at(from, What::StopBegan { reason: reason.into() })];
    events.push(at(from, What::StopSent { link: "board".into() }));
    events.push(at(from + 0.02, What::StopSent { link: "board".into() }));
    if not_driven {
        events.push(stage(
            from + 0.031,
            Stage::NotDriven,
            true,
            "state switch on disabled, phase current 0.2 A rms (limit 3 A rms)",
        ));
    } else {
        events.push(stage(
            from + 0.25,
            Stage::NotDriven,
            false,
            "no reply within 250 ms after the last stop frame",
        ));
    }
    let rested = "speed 0.3 rpm (limit 8 rpm)";
    let rest = if not_driven { rested } else { "speed 612 rpm (limit 8 rpm) after 40 s" };
    events.push(stage(from + rest_after, Stage::AtRest, not_driven, rest));
    events.push(stage(
        from + rest_after,
        Stage::DeEnergised,
        false,
        &format!("bus {bus:.1} V (limit 60 V); the supply is set by hand"),
    ));
    events
}

/// A test that ran to its end: pre-checks, profile, stop.
fn whole_test(plan: &Plan, test: usize) -> Vec<Event> {
    let mut events = vec![at(BEGINS[test], What::TestBegan { test })];
    events.extend(pre_checks(test, 154.8 - 0.3 * test as f64, true));
    let begin = BEGINS[test] + WATCH;
    for (segment, s) in plan.tests[test].profile.segments.iter().enumerate() {
        events.push(at(begin + s.corners[0].0.secs_f64(), What::SegmentBegan { test, segment }));
    }
    let end = begin + plan.tests[test].profile.length().secs_f64();
    events.push(at(end, What::ProfileEnded { test }));
    events.extend(stop(end, "end of the profile", true, 0.4, 154.6));
    events.push(at(end + 0.45, What::TestEnded { test, complete: true }));
    events
}

fn test_end(plan: &Plan, test: usize) -> f64 {
    BEGINS[test] + WATCH + plan.tests[test].profile.length().secs_f64() + 0.45
}

// ---- what was measured ----

/// A small generator of repeatable noise: Knuth's MMIX constants.
struct Noise(u64);

impl Noise {
    fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        ((self.0 >> 33) as f64 / f64::from(1u32 << 31) - 0.5) * 2.0
    }
}

/// Columns of a run that ends at `end`; `trip_at` lets the torque go and the shaft coast.
fn columns(plan: &Plan, end: f64, trip_at: Option<f64>) -> Columns {
    let mut noise = Noise(42);
    let rpm = unit("rpm");
    let series = |i: usize| Series {
        name: plan.channels[i].name.clone(),
        unit: plan.channels[i].unit.clone(),
        u: plan.channels[i].u,
        t: Vec::new(),
        u_t: Vec::new(),
        v: Vec::new(),
        lost: Vec::new(),
        missed: Vec::new(),
    };
    let mut all: Vec<Series> = (0..plan.channels.len()).map(series).collect();
    let mut demand = DemandSeries { name: "speed".into(), unit: rpm.clone(), t: Vec::new(), v: Vec::new() };
    let (mut speed, mut rate, mut winding, mut inverter) = (0.0f64, 0.0f64, 20.4f64, 20.6f64);
    let dt = 0.005;
    for i in 0..((end - 0.1) / dt) as usize {
        let t = 0.1 + i as f64 * dt;
        let driven = (0..3).find(|test| {
            let begin = BEGINS[*test] + WATCH;
            t >= begin
                && t <= begin + plan.tests[*test].profile.length().secs_f64()
                && trip_at.is_none_or(|x| t < x)
        });
        let told = driven.map(|test| {
            plan.tests[test].profile.demand_at(Duration::from_secs_f64(t - BEGINS[test] - WATCH))
        });
        if let (Some(told), 0) = (told, i % 4) {
            demand.t.push(t);
            demand.v.push(told);
        }
        // A second-order follower (damping 0.5, 10 rad/s) while driven, drag alone while not.
        match told {
            Some(told) => {
                rate += (100.0 * (told - speed) - 10.0 * rate) * dt;
                speed += rate * dt;
            }
            None => {
                rate = -0.35 * speed - if speed > 0.1 { 0.6 } else { speed };
                speed = (speed + rate * dt).max(0.0);
                rate = 0.0;
            }
        }
        let torque = if told.is_some() { 0.8 + 0.0045 * speed + 0.03 * rate } else { 0.0 };
        let amps = (torque / 0.39).abs();
        let power = torque * speed + 3.0 * 0.018 * amps * amps + if told.is_some() { 22.0 } else { 4.0 };
        winding += (3.0 * 0.018 * amps * amps - 25.0 * (winding - 21.0)) / 3850.0 * dt + 0.0004 * dt * speed;
        inverter += (power * 0.09 - 40.0 * (inverter - 21.0)) / 900.0 * dt + 0.0006 * dt * speed;
        let bus = 154.9 - 0.35 * power / 150.0 - 1.2 * power / 400.0 + 0.25 * noise.next();
        if (20.0..20.06).contains(&t) {
            all.iter_mut().take(4).for_each(|s| s.lost.push(t));
            continue;
        }
        let fast = [
            rpm.to_si(rpm.from_si(speed) + 0.9 * noise.next()),
            amps + 0.3 * noise.next().abs(),
            bus,
            power / bus + 0.1 * noise.next(),
        ];
        for (channel, v) in fast.into_iter().enumerate() {
            all[channel].t.push(t);
            all[channel].v.push(v);
        }
        if i % 20 == 0 {
            let slow = [winding, inverter, 20.6 + 0.01 * t];
            for (channel, v) in slow.into_iter().enumerate() {
                all[4 + channel].t.push(t);
                all[4 + channel].v.push(v + 273.15 + 0.05 * noise.next());
            }
        }
    }
    let links = vec![LinkSeries {
        name: "board".into(),
        t: all[0].t.clone(),
        round_trip: all[0]
            .t
            .iter()
            .map(|t| (!(20.0..20.06).contains(t)).then_some(0.0031))
            .chain([None; 12])
            .collect(),
        missed: vec![20.03],
    }];
    let spans = spans(plan, end, trip_at);
    Columns { series: all, demands: vec![demand], links, spans, ..Columns::default() }
}

fn spans(plan: &Plan, end: f64, trip_at: Option<f64>) -> Vec<Span> {
    let end = trip_at.unwrap_or(end).min(end);
    let mut spans = Vec::new();
    for (test, t) in plan.tests.iter().enumerate() {
        let begin = BEGINS[test] + WATCH;
        if begin >= end {
            break;
        }
        let mut span = |segment: Option<usize>, name: &str, from: f64, to: f64| {
            if begin + from < end {
                let t1 = (begin + to).min(end);
                let complete = begin + to <= end;
                spans.push(Span {
                    test,
                    segment,
                    name: name.into(),
                    t0: begin + from,
                    t1,
                    complete,
                    from: 0.0,
                    to: 0.0,
                });
            }
        };
        span(None, &t.name, 0.0, t.profile.length().secs_f64());
        for (i, s) in t.profile.segments.iter().enumerate() {
            let last = s.corners.last().expect("a segment has corners");
            span(Some(i), &s.name, s.corners[0].0.secs_f64(), last.0.secs_f64());
        }
    }
    spans
}

// ---- verdicts, by hand ----

fn found(value: &str, u: &str, n: usize, standing: Standing, met: bool, margin: &str) -> Verdict {
    let unit = parse_quantity(value).expect("a quantity").unit;
    let difference = |text: &str| unit.difference_to_si(text.parse().expect("a number"));
    let measured = Measured { value: si(value), u: difference(u) / 2.0, n, note: None };
    Verdict { measured: Ok(measured), standing, met, margin: Some(difference(margin)), probability: None }
}

pub fn not_measured(why: &str) -> Verdict {
    Verdict {
        measured: Err(Refusal { why: why.into() }),
        standing: Standing::NotMeasured,
        met: false,
        margin: None,
        probability: None,
    }
}

fn good_verdicts() -> Vec<Vec<Verdict>> {
    use Standing::Pass;
    vec![
        vec![
            found("1.324 rpm", "0.41", 801, Pass, true, "4.676"),
            found("0 %", "0.19", 1620, Pass, true, "0.5"),
        ],
        vec![
            found("17.62 rpm", "1.24", 801, Pass, true, "22.38"),
            found("16.41 %", "2.54", 801, Pass, true, "13.59"),
            found("0.783 s", "0.022", 801, Pass, true, "1.217"),
            found("4.92 V", "1.04", 3507, Pass, true, "7.08"),
        ],
        vec![
            found("0.241 rpm", "1.2", 801, Pass, true, "4.759"),
            found("1.93 rpm", "0.11", 801, Pass, true, "6.07"),
            found("1.37 K/min", "0.42", 281, Pass, true, "4.63"),
        ],
    ]
}

// ---- the runs ----

fn info(kind: RunKind, ended: Option<f64>) -> RunInfo {
    let file = |role: &str, name: &str, digit: char| FileUsed {
        role: role.into(),
        name: name.into(),
        sha256: digit.to_string().repeat(64),
        written: None,
    };
    RunInfo {
        schema: 1,
        spinproof: "0.1.0".into(),
        kind,
        build: None,
        seed: kind.simulated().then_some(7),
        faults: Vec::new(),
        began_utc: "2026-11-25T09:14:03.250000Z".into(),
        ended: ended.map(|t| ("2026-11-25T09:15:06.900000Z".into(), (t * 1e6) as i64)),
        finished: None,
        unconfirmed: None,
        unrecorded: None,
        before: Default::default(),
        began_monotonic: 0,
        files: vec![
            file("rig", "files/rig.toml", 'a'),
            file("unit", "files/unit.toml", 'b'),
            file("suite", "files/suite.toml", 'c'),
        ],
        recordings: Vec::new(),
    }
}

pub fn passing() -> Run {
    let plan = plan();
    let end = test_end(&plan, 2) + 0.1;
    let mut events = opening();
    for test in 0..3 {
        events.extend(whole_test(&plan, test));
    }
    events.push(at(end, What::Finished { cause: Cause::Passed, why: String::new() }));
    let columns = columns(&plan, end, None);
    Run {
        info: info(RunKind::Twin, Some(end)),
        events,
        columns,
        verdicts: good_verdicts(),
        cause: Cause::Passed,
        why: String::new(),
        cuts: Vec::new(),
        plan,
    }
}

pub fn failing() -> Run {
    let mut run = passing();
    run.verdicts[1][1] = found("41.2 %", "2.5", 801, Standing::Fail, false, "-11.2");
    run.verdicts[1][2] = found("1.994 s", "0.022", 801, Standing::ConditionalPass, false, "0.006");
    run.verdicts[2][2] =
        not_measured("281 samples hold 3 that are no numbers: a slope over them would be made up");
    run.info.kind = RunKind::Bench;
    run.info.seed = None;
    run.cause = Cause::CriterionFailed;
    run.why = "3 of 9 criteria not met".into();
    run
}

pub fn tripped() -> Run {
    let mut plan = plan();
    let bus_high = plan.trips.iter_mut().find(|t| t.name == "bus_high").expect("a trip of the plan");
    bus_high.why = Some("the capacitor is being pumped up".into());
    let trip_at = BEGINS[1] + WATCH + 9.21;
    let end = trip_at + 14.6;
    let mut events = opening();
    events.extend(whole_test(&plan, 0));
    events.push(at(BEGINS[1], What::TestBegan { test: 1 }));
    events.extend(pre_checks(1, 154.5, true));
    for (segment, s) in plan.tests[1].profile.segments.iter().take(3).enumerate() {
        let t = BEGINS[1] + WATCH + s.corners[0].0.secs_f64();
        events.push(at(t, What::SegmentBegan { test: 1, segment }));
    }
    let found_text = "bus 185.4 V, limit 185 V".to_string();
    let sampled = ((trip_at - 0.0021) * 1e6) as i64;
    events.push(at(trip_at, What::Trip { trip: "bus_high".into(), found: found_text, sampled }));
    events.extend(stop(trip_at, "trip bus_high", true, 14.2, 154.9));
    events.push(at(trip_at + 14.3, What::TestEnded { test: 1, complete: false }));
    let why = "bus_high: bus 185.4 V, limit 185 V, at 22.810 s in climb".to_string();
    events.push(at(end, What::Finished { cause: Cause::Tripped, why: why.clone() }));
    let mut verdicts = good_verdicts();
    for verdict in &mut verdicts[1][1..] {
        *verdict = not_measured("the segment did not run to its end");
    }
    for verdict in &mut verdicts[2] {
        *verdict = not_measured("the test was not attempted");
    }
    let mut columns = columns(&plan, end, Some(trip_at));
    // The way up to the trip: what the overshoot gave back went into the capacitor.
    let bus = &mut columns.series[BUS];
    for (t, v) in bus.t.iter().zip(bus.v.iter_mut()) {
        let before = trip_at - t;
        if (0.0..0.35).contains(&before) {
            *v += 31.0 * (1.0 - before / 0.35);
        } else if before < 0.0 {
            *v += 31.0 * (before / 3.0).exp();
        }
    }
    Run {
        info: info(RunKind::Bench, Some(end)),
        events,
        columns,
        verdicts,
        cause: Cause::Tripped,
        why,
        cuts: Vec::new(),
        plan,
    }
}

pub fn refused() -> Run {
    let plan = plan();
    let end = 2.2;
    let mut events = opening();
    events.push(at(BEGINS[0], What::TestBegan { test: 0 }));
    events.extend(pre_checks(0, 118.3, false));
    events.extend(stop(1.95, "bus in window: 118.3 V, window 140 V to 165 V", true, 0.1, 118.3));
    events.push(at(2.1, What::TestEnded { test: 0, complete: false }));
    let why = "bus in window: 118.3 V, window 140 V to 165 V".to_string();
    events.push(at(end, What::Finished { cause: Cause::Refused, why: why.clone() }));
    let columns = columns(&plan, 2.05, Some(0.0));
    Run {
        info: info(RunKind::Bench, Some(end)),
        events,
        columns,
        verdicts: Vec::new(),
        cause: Cause::Refused,
        why,
        cuts: Vec::new(),
        plan,
    }
}

pub fn cut() -> Run {
    let plan = plan();
    let end = 19.25;
    let mut events = opening();
    events.extend(whole_test(&plan, 0));
    events.push(at(BEGINS[1], What::TestBegan { test: 1 }));
    events.extend(pre_checks(1, 154.5, true));
    for segment in 0..2 {
        let s = &plan.tests[1].profile.segments[segment];
        events
            .push(at(BEGINS[1] + WATCH + s.corners[0].0.secs_f64(), What::SegmentBegan { test: 1, segment }));
    }
    let mut verdicts = good_verdicts();
    verdicts.truncate(1);
    verdicts.push(vec![not_measured("the run was cut in this segment"); 4]);
    let columns = columns(&plan, end, None);
    Run {
        info: info(RunKind::Bench, None),
        events,
        columns,
        verdicts,
        cause: Cause::NotMade,
        why: "the run was cut".into(),
        cuts: vec!["stream of group drive: 41 bytes after the last whole batch".into()],
        plan,
    }
}

/// Cut a moment after the enabling frame: neither the drive's new state nor the first segment was on the disk yet.
pub fn cut_before_driving() -> Run {
    let mut run = cut();
    let begun = run.events.iter().position(|e| matches!(e.what, What::SegmentBegan { .. })).expect("driven");
    run.events.truncate(begun);
    run.columns = columns(&run.plan, 2.1, Some(0.0));
    run
}

/// Cut soon after the second test began: the last stop on the disk is that of the first.
pub fn cut_in_second_test() -> Run {
    let mut run = cut();
    let begun = run.events.iter().rposition(|e| matches!(e.what, What::TestBegan { .. })).expect("begun");
    run.events.truncate(begun + 1);
    run.columns = columns(&run.plan, 12.2, None);
    run
}

/// The passing run with a drive that came back on during its last stop, and a shaft that was not shown at rest after it.
pub fn driven_again() -> Run {
    let mut run = passing();
    let began = run.events.iter().rposition(|e| matches!(e.what, What::StopBegan { .. })).expect("stopped");
    let from = run.events[began].at.secs_f64();
    run.events.truncate(began);
    let mut events = stop(from, "end of the profile", true, 40.0, 154.6);
    let at_rest = events.iter_mut().find_map(|e| match &mut e.what {
        What::Stage { stage: Stage::AtRest, confirmed, found } => Some((confirmed, found)),
        _ => None,
    });
    let (confirmed, found) = at_rest.expect("a stage");
    (*confirmed, *found) = (false, "speed 312 rpm is not below 8 rpm after 40 s".into());
    let not_driven = events.iter().position(|e| matches!(e.what, What::Stage { .. })).expect("a stage");
    let first = events[not_driven].clone();
    let again = "the drive is `operation enabled` again after it was not driven".to_string();
    let later = [
        at(from + 0.1, What::State { state: "operation enabled".into() }),
        at(from + 0.1, What::Stage { stage: Stage::NotDriven, confirmed: false, found: again.clone() }),
        at(from + 0.1, What::StopSent { link: "board".into() }),
        at(from + 0.13, What::State { state: "switch on disabled".into() }),
        at(from + 0.13, first.what),
    ];
    events.splice(not_driven + 1..not_driven + 1, later);
    run.events.extend(events);
    run.events.push(at(from + 40.1, What::TestEnded { test: 2, complete: false }));
    let why = format!("samples did not confirm `at rest` ({again})");
    run.events.push(at(from + 40.2, What::Finished { cause: Cause::NotConfirmed, why: why.clone() }));
    run.info.ended = Some(("2026-11-25T09:15:46.900000Z".into(), ((from + 40.2) * 1e6) as i64));
    (run.cause, run.why) = (Cause::NotConfirmed, why);
    run
}

pub fn not_confirmed() -> Run {
    let plan = plan();
    let lost_at = BEGINS[1] + WATCH + 6.0;
    let end = lost_at + 40.4;
    let mut events = opening();
    events.extend(whole_test(&plan, 0));
    events.push(at(BEGINS[1], What::TestBegan { test: 1 }));
    events.extend(pre_checks(1, 154.5, true));
    for segment in 0..2 {
        let s = &plan.tests[1].profile.segments[segment];
        events
            .push(at(BEGINS[1] + WATCH + s.corners[0].0.secs_f64(), What::SegmentBegan { test: 1, segment }));
    }
    events.push(at(lost_at, What::LinkLost { link: "board".into(), why: "the port is gone".into() }));
    events.extend(stop(lost_at, "link board lost", false, 40.0, 154.2));
    events.push(at(lost_at + 40.1, What::TestEnded { test: 1, complete: false }));
    let why = "no reply within 250 ms after the last stop frame".to_string();
    events.push(at(end, What::Finished { cause: Cause::NotConfirmed, why: why.clone() }));
    let mut verdicts = good_verdicts();
    verdicts.truncate(1);
    verdicts.push(vec![not_measured("the link was lost in this segment"); 4]);
    let columns = columns(&plan, lost_at - 0.1, None);
    Run {
        info: info(RunKind::Bench, Some(end)),
        events,
        columns,
        verdicts,
        cause: Cause::NotConfirmed,
        why,
        cuts: Vec::new(),
        plan,
    }
}

/// The passing run with bursts of a vibration on each stair (300, 600, 900 and 1200 rpm): order 4 with 2 m/s2 and a
/// line at 700 Hz with 0.3 m/s2, whatever the speed; and of a current with one order.
pub fn with_bursts() -> Run {
    let mut run = passing();
    let wave = |name: &str, unit_text: &str, course: &dyn Fn(f64) -> f64| Waveform {
        name: name.into(),
        unit: unit(unit_text),
        scale: 1e-3,
        offset: 0.0,
        u_offset: 0.0,
        u_scale: 0.01,
        ends: (i16::MIN, i16::MAX),
        raw: (0..4096).map(|i| (course(f64::from(i) * 1e-4) * 1e3).round() as i16).collect(),
    };
    let sine = |f: f64, t: f64| (std::f64::consts::TAU * f * t).sin();
    for (t0, turns) in [(38.0, 5.0), (42.5, 10.0), (47.0, 15.0), (52.5, 20.0)] {
        run.columns.bursts.push(Burst {
            name: "shaking".into(),
            t0: (t0 * 1e6) as i64,
            u_t0: 100.0,
            laid: spinproof::columns::Laid::Triggered,
            rate: 10_000.0,
            u_rate: 20.0,
            gates: Some(true),
            channels: vec![
                wave("axial", "m/s2", &|t| 2.0 * sine(4.0 * turns, t) + 0.3 * sine(700.0, t)),
                wave("current_a", "A", &|t| 5.0 * sine(4.0 * turns, t)),
            ],
        });
    }
    run
}

/// The passing run with ten minutes of a winding that warms towards 60 °C with a time constant of 200 s.
pub fn with_soak() -> Run {
    let mut run = passing();
    let mut noise = Noise(7);
    let winding = &mut run.columns.series[WINDING];
    winding.t = (0..=600).map(f64::from).collect();
    winding.u_t = vec![0.001; 601];
    let warm = |t: &f64| 273.15 + 60.0 - 40.0 * (-t / 200.0).exp();
    winding.v = winding.t.iter().map(|t| warm(t) + 0.1 * noise.next()).collect();
    let soak = Span {
        test: 2,
        segment: Some(1),
        name: "soak".into(),
        t0: 0.0,
        t1: 600.0,
        complete: true,
        from: 0.0,
        to: 0.0,
    };
    run.columns.spans.push(soak);
    run
}
