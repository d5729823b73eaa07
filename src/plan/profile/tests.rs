//! Profiles against tables worked out by hand, and what holds for every profile.

use super::*;
use proptest::prelude::*;

fn ms(millis: i64) -> Duration {
    Duration::from_millis(millis)
}

fn rows(profile: &Profile, table: &[(i64, f64, usize)]) {
    for (millis, demand, segment) in table {
        let got = profile.demand_at(ms(*millis));
        assert!((got - demand).abs() < 1e-9, "at {millis} ms: {got}, expected {demand}");
        assert_eq!(profile.segment_at(ms(*millis)), *segment, "at {millis} ms");
    }
}

/// Worked by hand: 300 at 200 a second takes 1.5 s, each stair 3 s; the last stair of 100 takes
/// 0.5 s. Stairs end at 4.5, 9.0, 13.5 and 17.0 s.
#[test]
fn stairs_are_climbed_as_worked_out_by_hand() {
    let mut course = Course::new(0.0);
    course.stairs("stairs".into(), 1000.0, 300.0, 200.0, ms(3000));
    let profile = course.finish();
    assert_eq!(profile.length(), ms(17_000));
    rows(
        &profile,
        &[
            (-5, 0.0, 0),
            (0, 0.0, 0),
            (750, 150.0, 0),
            (1_500, 300.0, 0),
            (4_500, 300.0, 0),
            (5_250, 450.0, 0),
            (6_000, 600.0, 0),
            (9_000, 600.0, 0),
            (10_500, 900.0, 0),
            (13_499, 900.0, 0),
            (13_750, 950.0, 0),
            (14_000, 1000.0, 0),
            (17_000, 1000.0, 0),
            (99_000, 1000.0, 0),
        ],
    );
}

/// Worked by hand: up 2 s to 120, 4 s there, a jump to 150 for 1 s, a jump that takes no time
/// back to 120, down 2 s.
#[test]
fn segments_follow_each_other_without_gaps() {
    let mut course = Course::new(0.0);
    course.ramp("up".into(), 120.0, time_of_ramp(120.0, 60.0));
    course.hold("hold".into(), ms(4000));
    course.step("step".into(), 150.0, ms(1000));
    course.step("back".into(), 120.0, Duration::ZERO);
    course.ramp("down".into(), 0.0, time_of_ramp(-120.0, 60.0));
    let profile = course.finish();
    assert_eq!(profile.length(), ms(9000));
    rows(
        &profile,
        &[
            (0, 0.0, 0),
            (500, 30.0, 0),
            (2_000, 120.0, 1),
            (5_999, 120.0, 1),
            (6_000, 150.0, 2),
            (6_999, 150.0, 2),
            (7_000, 120.0, 4),
            (8_000, 60.0, 4),
            (9_000, 0.0, 4),
        ],
    );
    assert_eq!((profile.segments[2].from(), profile.segments[2].to()), (120.0, 150.0));
    assert_eq!(profile.top(), 150.0);
}

/// Worked by hand: 3 s down to 400, 1 s there, 3 s to 100, 1 s there, 1 s to 0, 1 s there.
#[test]
fn stairs_go_down_as_well() {
    let mut course = Course::new(700.0);
    course.stairs("down".into(), 0.0, 300.0, 100.0, ms(1000));
    let profile = course.finish();
    rows(&profile, &[(1_500, 550.0, 0), (3_500, 400.0, 0), (7_500, 100.0, 0), (8_500, 50.0, 0)]);
    assert_eq!(profile.length(), ms(10_000));
}

#[test]
fn rounding_makes_no_stair_of_its_own() {
    assert_eq!(stair_count(0.1 + 0.2, 0.1), 3);
    assert_eq!(stair_count(-900.0, 300.0), 3);
    assert_eq!(stair_count(1000.0, 300.0), 4);
}

/// 100 at 30 a second take 3.333 333 3... s: a microsecond less would be steeper than asked for.
#[test]
fn a_ramp_is_never_steeper_than_its_rate() {
    assert_eq!(time_of_ramp(100.0, 30.0), Duration::from_micros(3_333_334));
    assert_eq!(time_of_ramp(-120.0, 60.0), Duration::from_micros(2_000_000));
    assert_eq!(time_of_ramp(1e-9, 60.0), Duration::from_micros(1));
}

/// Worked by hand: 100 around 600 from 550 begins at a phase of -30 degrees. At 0.5 Hz it is at 600 + 100 sin(60)
/// after half a second, at 600 + 50 after one, at 600 - 100 sin(60) after one and a half, back at 550 after two.
#[test]
fn a_sine_begins_where_the_demand_stands_and_ends_there() {
    let mut course = Course::new(550.0);
    course.swing(
        "s".into(),
        "sine",
        Swing {
            around: 600.0,
            amplitude: 100.0,
            phase: -std::f64::consts::FRAC_PI_6,
            frequency: (0.5, 0.5),
            sweep: crate::plan::Sweep::Linear,
            cycles: 3.0,
        },
    );
    course.hold("after".into(), ms(1000));
    let profile = course.finish();
    assert_eq!(profile.length(), ms(7000));
    let up = 100.0 * 0.75f64.sqrt();
    let table =
        [(-5, 550.0), (0, 550.0), (500, 600.0 + up), (1000, 650.0), (1500, 600.0 - up), (2000, 550.0)];
    for (millis, demand) in table {
        rows(&profile, &[(millis, demand, 0)]);
        rows(&profile, &[(millis.max(0) + 2000, if millis < 0 { 550.0 } else { demand }, 0)]);
    }
    rows(&profile, &[(5999, profile.demand_at(ms(5999)), 0), (6000, 550.0, 1), (9999, 550.0, 1)]);
    assert_eq!(profile.top(), 700.0);
}

/// Worked by hand from the closed forms: the phase of a chirp is the integral of its frequency.
/// Linear from 1 to 3 Hz in 4 s: after 2 s it has turned 2 + 2^2/4 = 3 times, after 4 s 8 times.
/// Logarithmic from 1 to 4 Hz in 2 ln 4 / 3 x 3 s: mean 3 / ln 4 = 2.1640 Hz.
#[test]
fn a_chirp_turns_as_often_as_its_frequency_says() {
    let swing = |frequency, sweep, cycles| Swing {
        around: 0.0,
        amplitude: 1.0,
        phase: 0.0,
        frequency,
        sweep,
        cycles,
    };
    let linear = swing((1.0, 3.0), crate::plan::Sweep::Linear, 8.0);
    assert_eq!(linear.length(), ms(4000));
    assert!(linear.at(2.0).abs() < 1e-12 && linear.at(4.0).abs() < 1e-12);
    // Half a turn after 0.5 = t + t^2/4: t = sqrt(6) - 2; there it falls through zero.
    let half = 6f64.sqrt() - 2.0;
    assert!(linear.at(half - 1e-3) > 0.0 && linear.at(half).abs() < 1e-12 && linear.at(half + 1e-3) < 0.0);
    let log = swing((1.0, 4.0), crate::plan::Sweep::Logarithmic, 6.0);
    assert!((log.length().secs_f64() - 2.0 * 4f64.ln()).abs() < 1e-6);
    // Half of the time is one octave, 1 to 2 Hz: a third of the turns, 2 of 6.
    assert!(log.at(4f64.ln()).abs() < 1e-12);
    assert_eq!(linear.slope(), 3.0 * std::f64::consts::TAU);
}

#[derive(Debug, Clone)]
enum Piece {
    Hold(i64),
    Ramp(f64, f64),
    Step(f64, i64),
    Stairs(f64, f64, f64, i64),
}

fn piece() -> impl Strategy<Value = Piece> {
    let value = -500.0..500.0f64;
    let rate = 5.0..400.0f64;
    prop_oneof![
        (1..5000i64).prop_map(Piece::Hold),
        (value.clone(), rate.clone()).prop_map(|(v, r)| Piece::Ramp(v, r)),
        (value.clone(), 0..3000i64).prop_map(|(v, h)| Piece::Step(v, h)),
        (value, 20.0..300.0f64, rate, 1..2000i64).prop_map(|(v, by, r, e)| Piece::Stairs(v, by, r, e)),
    ]
}

fn lay(pieces: &[Piece]) -> Profile {
    let mut course = Course::new(0.0);
    for piece in pieces {
        let from = course.value();
        match *piece {
            Piece::Hold(length) => course.hold("p".into(), ms(length)),
            Piece::Ramp(to, rate) => course.ramp("p".into(), to, time_of_ramp(to - from, rate)),
            Piece::Step(to, length) => course.step("p".into(), to, ms(length)),
            Piece::Stairs(to, by, rate, each) => course.stairs("p".into(), to, by, rate, ms(each)),
        }
    }
    course.finish()
}

proptest! {
    /// Between two moments with no jump between them the demand changes by no more than the
    /// steepest rate allows; everywhere it lies between the lowest and the highest corner.
    #[test]
    fn the_demand_stays_between_its_corners_and_below_its_rate(
        pieces in prop::collection::vec(piece(), 1..8),
        at in 0.0..1.0f64,
        ahead in 1..200_000i64,
    ) {
        let profile = lay(&pieces);
        let corners: Vec<(Duration, f64)> =
            profile.segments.iter().flat_map(|s| s.corners.clone()).collect();
        let t0 = Duration::from_micros((at * profile.length().micros() as f64) as i64);
        let t1 = Duration::from_micros(t0.micros() + ahead);
        let (v0, v1) = (profile.demand_at(t0), profile.demand_at(t1));
        let low = corners.iter().map(|c| c.1).fold(f64::INFINITY, f64::min);
        let high = corners.iter().map(|c| c.1).fold(f64::NEG_INFINITY, f64::max);
        prop_assert!((low - 1e-9..=high + 1e-9).contains(&v0), "{v0} not in {low}..{high}");
        let jumps = corners.windows(2).any(|w| w[0].0 == w[1].0 && w[0].1 != w[1].1 && t0 < w[0].0 && w[0].0 <= t1);
        if !jumps {
            let rate = pieces.iter().map(|p| match p {
                Piece::Ramp(_, r) | Piece::Stairs(_, _, r, _) => *r,
                _ => 0.0,
            }).fold(0.0, f64::max);
            // A thousandth of a microsecond is rounded down; a ramp is at least a microsecond long.
            let allowed = rate * 1e-6 * (ahead as f64 + 1.0) + 1e-6;
            prop_assert!((v1 - v0).abs() <= allowed, "{v0} to {v1} in {ahead} us at {rate}");
        }
    }

    /// Every moment belongs to the segment whose corners enclose it.
    #[test]
    fn every_moment_belongs_to_the_segment_around_it(
        pieces in prop::collection::vec(piece(), 1..8),
        at in 0.0..1.0f64,
    ) {
        let profile = lay(&pieces);
        let t = Duration::from_micros((at * profile.length().micros() as f64) as i64);
        let segment = &profile.segments[profile.segment_at(t)];
        prop_assert!(segment.corners[0].0 <= t && t <= segment.corners[segment.corners.len() - 1].0);
    }
}
