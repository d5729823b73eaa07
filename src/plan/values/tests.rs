//! Values by hand: what is known when, of what, and as of when.

use super::*;
use crate::plan::testing::*;
use crate::units::parse_quantity;

const RPM: f64 = std::f64::consts::TAU / 60.0;
const STATE: f64 = 0x0237 as f64;

fn demo() -> Plan {
    plan_of(RIG, UNIT, SUITE)
}

fn with_derived(text: &str) -> Plan {
    plan_of(&RIG.replacen("[channel.state]", &format!("{text}\n[channel.state]"), 1), UNIT, SUITE)
}

fn index(plan: &Plan, name: &str) -> usize {
    plan.channels.iter().position(|c| c.name == name).expect(name)
}

/// A reply to `drive`: speed in rpm, phase current, bus voltage, bus current.
fn drive(t: i64, speed: f64, current: f64) -> Row {
    row(0, t, &[Some(STATE), Some(speed), Some(current), Some(155.0), Some(1.5)])
}

fn slow(t: i64, winding: f64) -> Row {
    let cooling = [Some(1.9), Some(3700.0), Some(7.8), Some(20.0)];
    row(1, t, &[&[Some(winding), Some(30.0), Some(20.0), None, Some(1.0)][..], &cooling[..]].concat())
}

fn sent(plan: &Plan, name: &str, value: f64) -> Sent {
    let demand = plan.demands.iter().position(|d| d.name == name).expect(name);
    Sent { at: ms(0), demand, value }
}

/// Feeds a row and gives what came, by name.
fn feed(values: &mut Values, plan: &Plan, row: &Row) -> Vec<(String, Instant, Option<f64>)> {
    let mut out = Vec::new();
    values.on_row(plan, row, &mut out);
    out.iter().map(|v| (plan.channels[v.channel].name.clone(), v.at, v.si)).collect()
}

fn of(got: &[(String, Instant, Option<f64>)], name: &str) -> Option<(Instant, Option<f64>)> {
    got.iter().find(|(n, _, _)| n == name).map(|(_, at, si)| (*at, *si))
}

fn close(got: Option<f64>, expected: f64) {
    let got = got.expect("a value");
    assert!((got - expected).abs() < 1e-9, "{got}, expected {expected}");
}

#[test]
fn values_come_in_si_with_their_moment_of_sampling() {
    let plan = demo();
    let mut values = Values::new(&plan);
    let got = feed(&mut values, &plan, &slow(100, 20.0));
    let names: Vec<&str> = got.iter().map(|(n, _, _)| n.as_str()).collect();
    let cooling = ["pump_current", "pump_speed", "flow", "coolant_back"];
    assert_eq!(names, [&["winding", "inverter", "coolant", "stop_loop"][..], &cooling[..]].concat());
    let (at, winding) = of(&got, "winding").expect("winding");
    assert_eq!(at, ms(101));
    close(winding, 293.15);
    assert_eq!(values.latest(index(&plan, "winding")), Some((ms(101), ms(100), 293.15)));
    assert_eq!(values.latest(index(&plan, "speed")), None);
}

#[test]
fn a_derived_value_uses_the_demand_known_when_the_row_came() {
    let plan = demo();
    let mut values = Values::new(&plan);
    let got = feed(&mut values, &plan, &drive(0, 0.0, 0.0));
    assert_eq!(of(&got, "speed_error"), None, "no demand has been sent yet");
    values.on_sent(&sent(&plan, "speed", 100.0 * RPM));
    close(of(&feed(&mut values, &plan, &drive(5, 90.0, 0.0)), "speed_error").expect("error").1, -10.0 * RPM);
    values.on_sent(&sent(&plan, "pump", 0.8));
    values.on_sent(&sent(&plan, "speed", 80.0 * RPM));
    close(of(&feed(&mut values, &plan, &drive(10, 90.0, 0.0)), "speed_error").expect("error").1, 10.0 * RPM);
    assert_eq!(values.demand(0), Some(80.0 * RPM));
}

#[test]
fn a_lost_row_is_none_for_its_channels_and_all_that_is_derived_from_them() {
    let plan = demo();
    for status in [RowStatus::Lost, RowStatus::Malformed] {
        let mut values = Values::new(&plan);
        values.on_sent(&sent(&plan, "speed", 0.0));
        feed(&mut values, &plan, &drive(0, 10.0, 0.0));
        let got = feed(&mut values, &plan, &row_without(0, 5, status));
        assert_eq!(got.len(), 8);
        assert!(got.iter().all(|(_, at, si)| *at == ms(5) && si.is_none()), "{got:?}");
        let latest = values.latest(index(&plan, "speed")).expect("the value before stands");
        assert_eq!((latest.0, latest.1), (ms(1), ms(0)));
    }
    let mut values = Values::new(&plan);
    assert_eq!(feed(&mut values, &plan, &row_without(0, 5, RowStatus::Missed)), []);
}

#[test]
fn a_field_that_was_not_read_takes_only_what_rests_on_it() {
    let plan = with_derived("[channel.power]\nunit = \"W\"\nderived = \"bus * bus_current\"\n");
    let mut values = Values::new(&plan);
    values.on_sent(&sent(&plan, "speed", 0.0));
    feed(&mut values, &plan, &drive(0, 10.0, 0.0));
    let unread = row(0, 5, &[Some(STATE), None, Some(0.0), Some(150.0), Some(2.0)]);
    let got = feed(&mut values, &plan, &unread);
    assert_eq!(of(&got, "speed"), Some((ms(5), None)));
    assert_eq!(of(&got, "speed_error"), Some((ms(5), None)));
    close(of(&got, "power").expect("power").1, 300.0);
    // The next row is not held back by it.
    close(of(&feed(&mut values, &plan, &drive(10, 10.0, 0.0)), "speed_error").expect("error").1, 10.0 * RPM);
}

/// A loss belongs to the row that brought it: a row of another group goes on with the value before.
#[test]
fn a_loss_in_one_group_does_not_reach_into_the_rows_of_another() {
    let plan = with_derived(
        "[channel.mixed]\nunit = \"K\"\nderived = \"winding - coolant + speed * '1 K' / '1 rpm'\"\n",
    );
    let mut values = Values::new(&plan);
    feed(&mut values, &plan, &drive(0, 10.0, 0.0));
    feed(&mut values, &plan, &slow(10, 50.0));
    let got = feed(&mut values, &plan, &row_without(0, 20, RowStatus::Lost));
    assert_eq!(of(&got, "mixed"), Some((ms(20), None)));
    close(of(&feed(&mut values, &plan, &slow(40, 60.0)), "mixed").expect("mixed").1, 60.0 - 20.0 + 10.0);
}

#[test]
fn nan_is_a_value_and_passes_through() {
    let plan = demo();
    let mut values = Values::new(&plan);
    values.on_sent(&sent(&plan, "speed", 0.0));
    let got = feed(&mut values, &plan, &drive(0, f64::NAN, 0.0));
    for name in ["speed", "speed_error"] {
        assert!(of(&got, name).expect(name).1.expect(name).is_nan());
    }
    assert!(values.latest(index(&plan, "speed")).expect("speed").2.is_nan());
}

/// Bits of the status word beside the state's own are cleared; a word that fits no state is NaN.
#[test]
fn a_drive_state_is_the_code_of_the_state() {
    let plan = demo();
    let mut values = Values::new(&plan);
    for (word, code) in
        [(STATE, Some(0x27)), (0x0028 as f64, Some(0x08)), (3.0, None), (0.5, None), (-1.0, None)]
    {
        let row = row(0, 0, &[Some(word), Some(0.0), Some(0.0), Some(0.0), Some(0.0)]);
        let si = of(&feed(&mut values, &plan, &row), "state").expect("state").1.expect("a value");
        assert_eq!(state_of(si).map(DriveState::code), code, "{word}");
        assert_eq!(si.is_nan(), code.is_none(), "{word}");
    }
    assert_eq!(state_of(f64::NAN), None);
    assert_eq!(state_of(65_536.0 + 0x27 as f64), None, "a word has sixteen bits");
}

/// 2 x 3 A + 1 A. The gain belongs to the number on the wire, so that hundredths of a degree are read with
/// 0.01; the offset is a difference: (0.5 x 20 + 273.15) K + 5 K.
#[test]
fn calibration_is_gain_times_reading_plus_offset() {
    let rig = RIG
        .replacen(
            "uncertainty = \"0.4 A rms\"",
            "uncertainty = \"0.4 A rms\"\ngain = 2\noffset = \"1 A rms\"",
            1,
        )
        .replacen("uncertainty = \"0.5 K\"", "uncertainty = \"0.5 K\"\ngain = 0.5\noffset = \"5 K\"", 1);
    let plan = plan_of(&rig, UNIT, SUITE);
    let mut values = Values::new(&plan);
    close(of(&feed(&mut values, &plan, &drive(0, 0.0, 3.0)), "phase_current").expect("current").1, 7.0);
    close(
        of(&feed(&mut values, &plan, &slow(0, 0.0)), "coolant").expect("coolant").1,
        0.5 * 20.0 + 273.15 + 5.0,
    );
}

/// A value made of two groups is as of the newest sample, and was asked for with the oldest request.
#[test]
fn a_value_from_two_groups_is_as_new_as_its_newest_and_as_old_as_its_oldest() {
    let plan = with_derived(
        "[channel.rise]\nunit = \"K\"\nderived = \"winding - coolant + 0 * phase_heat\"\n\n[channel.phase_heat]\nunit = \"K\"\nderived = \"phase_current * '1 K' / '1 A rms'\"\n",
    );
    let rise = index(&plan, "rise");
    let mut values = Values::new(&plan);
    assert_eq!(of(&feed(&mut values, &plan, &drive(0, 0.0, 1.0)), "rise"), None, "the slow group is missing");
    let got = feed(&mut values, &plan, &slow(10, 50.0));
    assert_eq!(of(&got, "rise").expect("rise").0, ms(11));
    close(of(&got, "rise").expect("rise").1, 30.0);
    assert_eq!(values.latest(rise).map(|l| (l.0, l.1)), Some((ms(11), ms(0))));
    let got = feed(&mut values, &plan, &drive(20, 0.0, 1.0));
    assert_eq!(of(&got, "rise").expect("rise").0, ms(21));
    assert_eq!(values.latest(rise).map(|l| (l.0, l.1)), Some((ms(21), ms(10))));
    // A sample that was taken before one already seen does not turn the time back.
    let got = feed(&mut values, &plan, &slow(5, 50.0));
    assert_eq!(of(&got, "rise").expect("rise").0, ms(21));
    assert_eq!(values.latest(rise).map(|l| (l.0, l.1)), Some((ms(21), ms(5))));
}

#[test]
fn the_same_records_give_the_same_values() {
    let plan = with_derived("[channel.smooth]\nunit = \"rpm\"\nderived = \"lowpass(speed, '20 ms')\"\n");
    let run = || {
        let mut values = Values::new(&plan);
        let mut out = Vec::new();
        for i in 0..200 {
            if i % 4 == 0 {
                values.on_sent(&sent(&plan, "speed", i as f64));
            }
            let lost = row_without(0, 5 * i, RowStatus::Lost);
            let row = if i % 17 == 3 { lost } else { drive(5 * i, (i * i % 89) as f64, 1.0) };
            values.on_row(&plan, &row, &mut out);
        }
        out.iter().map(|v| (v.channel, v.at, v.si.map(f64::to_bits))).collect::<Vec<_>>()
    };
    let first = run();
    assert_eq!(first, run());
    assert!(first.iter().any(|(c, _, si)| *c == index(&plan, "smooth") && si.is_some()));
}

#[test]
fn records_of_another_plan_are_passed_over() {
    let plan = demo();
    let mut values = Values::new(&plan);
    values.on_sent(&Sent { at: ms(0), demand: 9, value: parse_quantity("1 rpm").expect("1 rpm").si });
    assert_eq!(feed(&mut values, &plan, &row(7, 0, &[Some(1.0)])), []);
}
