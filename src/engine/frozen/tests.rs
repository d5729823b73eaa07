use super::*;
use rand::SeedableRng;
use rand_distr::{Distribution, StandardNormal};
use rand_xoshiro::Xoshiro256PlusPlus;

const STALE: Duration = Duration::from_millis(180);

fn ms(ms: i64) -> Instant {
    Instant::from_micros(1000 * ms)
}

/// Readings `every` ms, each with its demand: the first that stands still for longer than it may, by its index.
fn first_still(every: i64, readings: impl IntoIterator<Item = (f64, Option<f64>)>) -> Option<(usize, Still)> {
    let mut follow = Follow::default();
    readings.into_iter().enumerate().find_map(|(i, (value, demand))| {
        let at = ms(every * i as i64);
        follow.sample(at, value, demand);
        follow.still(at, STALE).map(|still| (i, still))
    })
}

struct Noise(Xoshiro256PlusPlus);

impl Noise {
    fn of(seed: u64) -> Noise {
        Noise(Xoshiro256PlusPlus::seed_from_u64(seed))
    }

    fn next(&mut self) -> f64 {
        StandardNormal.sample(&mut self.0)
    }
}

/// As a board prints it, in steps.
fn printed(value: f64, step: f64) -> f64 {
    (value / step).round() * step
}

/// By hand: 10^12 is 32^7.97, 1000^4 and 10,000^3.
#[test]
fn the_more_runs_are_known_the_less_longer_another_may_be() {
    assert_eq!([2, 32, 1000, 1001, 10_000, 10_001].map(times), [40, 8, 4, 4, 3, 3]);
}

#[test]
fn a_noisy_reading_that_stands_still_is_found_when_it_is_older_than_it_may_be() {
    for seed in 0..50 {
        let mut noise = Noise::of(seed);
        let mut held = None;
        // Frozen at 1 s, 0.6 rpm of noise in steps of 0.01 rpm.
        let readings = (0..600).map(|i| {
            let value = printed(300.0 + 0.6 * noise.next(), 0.01);
            (if i < 200 { value } else { *held.get_or_insert(value) }, None)
        });
        let (at, still) = first_still(5, readings.collect::<Vec<_>>()).expect("it stands still");
        assert!((237..=240).contains(&at), "180 ms after its last change: {at}");
        assert!(still.samples >= 36 && still.longest <= 3, "{still:?}");
    }
}

/// The board refreshes ten times a second and is asked two hundred times.
#[test]
fn a_reading_that_is_refreshed_seldom_is_held_to_its_own_pace() {
    let mut noise = Noise::of(1);
    let mut value = 0.0;
    let read = |i: usize| {
        if i.is_multiple_of(20) && i < 2000 {
            value = printed(1200.0 + 0.6 * noise.next(), 0.01);
        }
        (value, None)
    };
    let (at, still) = first_still(5, (0..4000).map(read).collect::<Vec<_>>()).expect("it stands still");
    // 1980 is the last change; the longest of 99 runs was 20: seven times as long may be chance.
    assert_eq!((at, still.longest), (1980 + 7 * 20, 20));
}

/// Boards without noise, with little of it, and with steps that hide it, at speeds that creep from one digit to the next.
#[test]
fn a_coarse_reading_is_never_found() {
    for (step, sd) in [
        (10.0, 0.0),
        (10.0, 0.6),
        (10.0, 3.0),
        (10.0, 6.0),
        (1.0, 0.0),
        (1.0, 0.1),
        (1.0, 0.3),
        (1.0, 0.6),
        (0.01, 0.0),
        (0.1, 0.03),
        (0.1, 0.07),
    ] {
        let mut noise = Noise::of(7);
        // A ramp, a hold that settles, and a creep of ten digits in a minute.
        let readings = (0..16_000).map(|i| {
            let t = f64::from(i) * 0.005;
            let demand = 300.0 + 200.0 * t.min(2.0);
            let settles = 8.0 * (-(t - 2.0).max(0.0) / 0.2).exp() * f64::sin(30.0 * t);
            let creeps = step * (t - 4.0).max(0.0) / 6.0;
            (printed(demand - 4.0 + settles + creeps + sd * noise.next(), step), Some(demand))
        });
        assert_eq!(first_still(5, readings), None, "{step} rpm, {sd} rpm");
    }
}

/// Noise as a filter of 20 ms and one of 100 ms leave it, and as it comes from the twin's kind of sensor, for an hour and a half of
/// readings altogether.
#[test]
fn noise_that_goes_on_is_never_found() {
    for (tau, step) in [(0.0, 0.01), (0.0, 0.2), (4.0, 0.01), (4.0, 0.05), (20.0, 0.01), (20.0, 0.1)] {
        let mut noise = Noise::of(3);
        let keeps = if tau > 0.0 { f64::exp(-1.0 / tau) } else { 0.0 };
        let mut filtered = 0.0;
        let readings = (0..180_000).map(|_| {
            filtered = keeps * filtered + f64::sqrt(1.0 - keeps * keeps) * noise.next();
            (printed(1200.0 + 0.6 * filtered, step), None)
        });
        assert_eq!(first_still(5, readings), None, "{tau} samples, {step} rpm");
    }
}

/// Four digits whatever the size: noise of 0.05 shows at 99.95 and not at 1,200.
#[test]
fn a_reading_whose_digits_get_coarser_is_not_found() {
    let mut noise = Noise::of(5);
    let readings = (0..4000).map(|i| {
        let speed =
            if i < 1000 { 99.5 } else { 99.5 + f64::from((i - 1000).min(1100)) } + 0.05 * noise.next();
        (
            printed(
                speed,
                if speed < 100.0 {
                    0.01
                } else if speed < 1000.0 {
                    0.1
                } else {
                    1.0
                },
            ),
            None,
        )
    });
    assert_eq!(first_still(5, readings), None);
}

/// A current that is noise until the load is off, and none after: clamps and dead bands read zero.
#[test]
fn zero_is_never_found() {
    let mut noise = Noise::of(6);
    let readings = (0..2000).map(|i| (if i < 1000 { printed(5.0 + noise.next(), 0.01) } else { 0.0 }, None));
    assert_eq!(first_still(5, readings), None);
}

/// No noise at all, in steps of 1 rpm: at 200 rpm/s the reading moves with each sample, and the demand by 1 rpm meanwhile.
#[test]
fn a_speed_that_no_longer_follows_its_demand_is_found() {
    let readings = (0..600).map(|i| {
        let demand = 300.0 + f64::from(i);
        (f64::min(demand - 4.0, 500.0), Some(demand))
    });
    let (at, still) = first_still(5, readings).expect("it stands still");
    assert_eq!(at, 204 + 37, "180 ms after its last change");
    assert_eq!(still.moved, Some(37.0));
    // As one whose demand stands still is not.
    let holds = (0..600).map(|i| {
        let demand = f64::min(300.0 + f64::from(i), 504.0);
        (demand - 4.0, Some(demand))
    });
    assert_eq!(first_still(5, holds), None);
}

#[test]
fn one_that_thaws_is_said_and_is_no_measure_for_others() {
    let mut noise = Noise::of(9);
    let mut follow = Follow::default();
    let mut said = Vec::new();
    let mut held = 0.0;
    for i in 0..1000 {
        if !(300..330).contains(&(i % 500)) {
            held = printed(300.0 + 0.6 * noise.next(), 0.01);
        }
        said.extend(follow.sample(ms(5 * i), held, None));
        assert_eq!(follow.still(ms(5 * i), STALE), None, "150 ms are not too old");
    }
    assert_eq!(said.len(), 2, "{said:?}");
    assert_eq!((said[0].samples, said[0].lasting), (31, Duration::from_millis(155)));
    assert!(follow.longest <= 3);
}

/// Four values of one digit each, of which none by itself tells anything.
#[test]
fn a_whole_reply_is_held_to_change_where_several_of_its_values_do() {
    let mut noise = Noise::of(11);
    let mut reply = Reply::default();
    let mut found = None;
    for i in 0..800 {
        if i < 400 {
            let values: Vec<_> = (0..4).map(|_| Some(printed(0.6 * noise.next(), 1.0))).collect();
            reply.sample(ms(5 * i), &values);
        } else {
            let values: Vec<_> = reply.values.iter().map(|v| v.map(f64::from_bits)).collect();
            reply.sample(ms(5 * i), &values);
        }
        assert_eq!(reply.still(ms(5 * i), STALE, 2), None, "two are too few");
        if found.is_none() && reply.still(ms(5 * i), STALE, 4).is_some() {
            found = Some(i);
        }
    }
    assert!(found.is_some_and(|i| i > 430), "{found:?}");
}
