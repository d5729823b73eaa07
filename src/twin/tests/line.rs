use super::*;
use crate::wire::{Line, LineReader};
use proptest::prelude::*;

/// One row: message -> reply, then what the error queue holds. Headers are ours, syntax and error
/// numbers are SCPI's (from memory but for 0 and -113).
#[test]
fn messages_are_answered_or_leave_an_error() {
    let none = "0,\"No error\"";
    for (message, reply, error) in [
        ("*IDN?", "Hollin Clough Motors,HC-7 controller,HC7-0042,1.4.0", none),
        ("*OPC?", "1", none),
        ("*TST?", "0", none),
        ("CONF:CURR:LIM?", "24.0", none),
        ("CONF:SPE:LIM?", "2200.0", none),
        ("configure:command:timeout?", "100", none),
        ("CONT:WORD 6;*OPC?", "1", none),
        ("CONT:WORD #H06;WORD?", "6", none),
        ("STAT:WORD?", "592", none),
        ("SOUR:SPE 12.5;SPE?;:SOUR:PUMP 80;PUMP?;*OPC?", "12.50;80;1", none),
        ("SOURce:SPEed 2200;*OPC?", "1", none),
        ("SOUR:SPE 2201;*OPC?", "1", "-222,\"Data out of range\""),
        ("SOUR:SPE", "", "-109,\"Missing parameter\""),
        ("SOUR:SPE 1,2", "", "-108,\"Parameter not allowed\""),
        ("SOUR:SPE fast", "", "-104,\"Data type error\""),
        ("SOUR:SPE 60 RPM", "", "-138,\"Suffix not allowed\""),
        ("SOUR:PUMP 101", "", "-222,\"Data out of range\""),
        ("CONT:WORD 1.5", "", "-222,\"Data out of range\""),
        ("CONT:WORD 70000", "", "-222,\"Data out of range\""),
        ("MEAS:DRIV? 1", "", "-108,\"Parameter not allowed\""),
        ("MEAS:DRIV", "", "-113,\"Undefined header\""),
        ("MEAS:SPIN?", "", "-113,\"Undefined header\""),
        ("MEAS:SPIN?;*OPC?", "", "-113,\"Undefined header\""),
        ("*OPC?;MEAS:SPIN?", "1", "-113,\"Undefined header\""),
        ("*OPC?;!", "1", "-102,\"Syntax error\""),
        ("READ:BURS:TRIG?", "", "-230,\"Data corrupt or stale\""),
        ("CONF:BURS?", "10000,4096,128,0.195312", none),
        ("SYST:ERR:COUN?", "0", none),
        ("SYST:VERS?", "1999.0", none),
        ("*ESE 32;*ESE?", "32", none),
        ("", "", none),
    ] {
        let mut bench = Bench::new(TwinSpec::demo(), &[]);
        assert_eq!(bench.say(message), reply, "{message}");
        assert_eq!(bench.say("SYST:ERR?"), error, "{message}");
        assert_eq!(bench.say("SYST:ERR?"), none, "{message}");
    }
}

#[test]
fn readings_come_as_the_demo_rig_expects_them() {
    let mut bench = Bench::new(TwinSpec::demo(), &[]);
    let drive = bench.say("MEAS:DRIV?");
    let numbers: Vec<f64> = drive.split(',').map(|n| n.parse().expect("a number")).collect();
    assert_eq!(numbers.len(), 5, "{drive}");
    assert_eq!(numbers[0], f64::from(0x0240 | 0x10));
    assert!(numbers[1].abs() < 3.0 && numbers[2] < 0.6 && numbers[4].abs() < 0.3, "{drive}");
    assert!((numbers[3] - 156.8).abs() < 1.0, "{drive}");
    let slow = bench.say("MEAS:SLOW?");
    let numbers: Vec<f64> = slow.split(',').map(|n| n.parse().expect("a number")).collect();
    assert!(numbers[..3].iter().all(|t| (t - 20.0).abs() < 0.6), "{slow}");
    assert!(numbers[3].abs() < 0.5 && numbers[4] == 1.0, "{slow}");
}

#[test]
fn the_event_register_and_the_queue_follow_ieee_488_2() {
    let mut bench = Bench::new(TwinSpec::demo(), &[]);
    assert_eq!(bench.say("*ESR?"), "128", "power-on");
    for (message, events) in [("NO:SUCH", "32"), ("SOUR:PUMP 200", "16"), ("*OPC", "1"), ("*CLS", "0")] {
        bench.say(message);
        assert_eq!(bench.say("*ESR?"), events, "{message}");
    }
    assert_eq!(bench.say("SYST:ERR?"), "0,\"No error\"", "cleared by *CLS");
    for _ in 0..20 {
        bench.say("NO:SUCH");
    }
    assert_eq!(bench.say("SYST:ERR:COUN?"), "16");
    for _ in 0..15 {
        assert_eq!(bench.say("SYST:ERR?"), "-113,\"Undefined header\"");
    }
    assert_eq!(bench.say("SYST:ERR?"), "-350,\"Queue overflow\"");
}

#[test]
fn a_bare_terminator_flushes_a_half_sent_line() {
    // The half-sent line even looks like the head of a block: the stop must get through.
    for half in ["SOUR:SPE 60", "SOUR:SPE #9", "#15ab", "\"", "\u{0}\u{ff}"] {
        let mut bench = Bench::new(TwinSpec::demo(), &[]);
        bench.enable();
        bench.say("SOUR:SPE 60");
        bench.twin.receive(bench.now, half.as_bytes());
        bench.twin.receive(bench.now, b"\nCONT:WORD 0;*OPC?\n");
        assert!(!bench.twin.truth().gates, "{half}");
        let reply = bench.twin.transmit().expect("a reply");
        assert!(reply.ends_with(b"1\n"), "{half}");
    }
}

#[test]
fn a_line_too_long_is_an_error_and_the_next_is_heard() {
    let mut bench = Bench::new(TwinSpec::demo(), &[]);
    assert_eq!(bench.say(&"x".repeat(1000)), "");
    assert_eq!(bench.say("SYST:ERR?"), "-363,\"Input buffer overrun\"");
    assert_eq!(bench.say("*OPC?\r"), "1");
}

#[test]
fn a_fault_is_told_without_being_asked() {
    let mut bench = Bench::new(TwinSpec::demo(), &[]);
    bench.enable();
    bench.wait(0.2);
    assert_eq!(bench.twin.transmit().as_deref(), Some(&b"# fault: command timeout\n"[..]));
    assert_eq!(bench.say("STAT:WORD?"), (0x0208 | 0x10).to_string());
}

#[test]
fn a_burst_is_read_in_chunks_of_a_definite_length() {
    let mut bench = Bench::new(TwinSpec::demo(), &[]);
    bench.enable();
    bench.follow(2.0, |t| (150.0 * t).min(300.0), |_, _, _| {});
    bench.say("INIT:BURS");
    let trigger = bench.now.micros();
    bench.follow(0.5, |_| 300.0, |_, _, _| {});
    assert_eq!(bench.say("READ:BURS:TRIG?;COUN?"), format!("{trigger};4096"));
    let mut counts = Vec::new();
    for offset in (0..4096).step_by(128) {
        bench.twin.receive(bench.now, format!("READ:BURS:CURR? {offset},128\n").as_bytes());
        let mut reader = LineReader::new(b"\n", 300);
        reader.push(&bench.twin.transmit().expect("a block"));
        let Some(Line::Whole(line)) = reader.next_line() else { panic!("no line at {offset}") };
        assert_eq!(&line[..5], b"#3256");
        counts.extend(line[5..].chunks(2).map(|b| i16::from_be_bytes([b[0], b[1]])));
    }
    assert_eq!(counts.len(), 4096);
    // 300 rpm and four pole pairs: 20 Hz, a period of 500 samples; the sensor's offset and noise
    // are small against the current.
    let periods = |by: usize| -> f64 {
        counts.windows(by + 1).map(|w| f64::from(w[0]) * f64::from(w[by])).sum::<f64>()
    };
    assert!(periods(500) > 0.0 && periods(250) < 0.0, "{} {}", periods(500), periods(250));
    bench.say("READ:BURS:CURR? 4090,10");
    assert_eq!(bench.say("SYST:ERR?"), "-230,\"Data corrupt or stale\"");
    bench.say("READ:BURS:CURR? 0,129");
    assert_eq!(bench.say("SYST:ERR?"), "-222,\"Data out of range\"");
}

#[test]
fn a_reset_takes_the_gates_off_and_leaves_the_pump_on() {
    let mut bench = Bench::new(TwinSpec::demo(), &[]);
    bench.say("SOUR:PUMP 80");
    bench.enable();
    bench.say("*RST");
    assert!(!bench.twin.truth().gates);
    assert_eq!(bench.say("SOUR:PUMP?"), "80");
}

/// Drives for a while; returns all bytes sent and the truth log as text.
fn session(seed: u64, pieces: &[i64]) -> (Vec<u8>, Vec<u8>) {
    let faults = ["resolver-noise=0.5@1 s", "bus-low=0.2"].map(|f| FaultSetting::parse(f).expect("a fault"));
    let mut twin = Twin::new(TwinSpec::demo(), seed, &faults);
    let (mut sent, mut log) = (Vec::new(), Vec::new());
    let mut piece = pieces.iter().cycle();
    let mut now = 0;
    for (i, message) in ["CONT:WORD 6\n", "CONT:WORD 7\n", "CONT:WORD 15;*OPC?\n"]
        .into_iter()
        .chain((0..60).map(|_| ""))
        .enumerate()
    {
        let at = 50_000 + i as i64 * 20_000;
        while now < at {
            now = (now + piece.next().expect("endless")).min(at);
            twin.advance(Instant::from_micros(now));
        }
        let demand = format!("{message}SOUR:SPE {};:MEAS:DRIV?\n", i);
        twin.receive(Instant::from_micros(at), demand.as_bytes());
        sent.extend(twin.transmit().expect("a reply"));
        twin.drain_truth().iter().for_each(|row| row.csv(&mut log));
    }
    log.extend(format!("{:?}", twin.truth()).into_bytes());
    (sent, log)
}

#[test]
fn equal_inputs_give_equal_bytes_and_truth_however_time_is_cut() {
    let whole = session(5, &[i64::MAX / 2]);
    assert_eq!(session(5, &[i64::MAX / 2]), whole);
    assert_eq!(session(5, &[1000]), whole);
    assert_eq!(session(5, &[37, 5000, 99, 1]), whole);
    assert_ne!(session(6, &[1000]).0, whole.0, "another seed, other noise");
}

#[test]
fn one_second_is_a_thousand_milliseconds() {
    let mut at_once = Twin::new(TwinSpec::demo(), 3, &[]);
    let mut by_millis = at_once.clone();
    at_once.advance(Instant::from_micros(1_000_000));
    (1..=1000).for_each(|i| by_millis.advance(Instant::from_micros(i * 1000)));
    assert_eq!(at_once.truth(), by_millis.truth());
    assert_eq!(at_once.drain_truth(), by_millis.drain_truth());
}

#[test]
fn the_truth_log_has_a_row_every_ten_milliseconds_in_order() {
    let mut bench = Bench::new(TwinSpec::demo(), &[]);
    bench.enable();
    bench.wait(0.5);
    let times: Vec<i64> = bench.rows.iter().map(|r| r.truth.t.micros()).collect();
    assert!(times.is_sorted());
    for t in (0..600_000).step_by(10_000) {
        assert!(times.contains(&t), "{t} us");
    }
    let header = TruthRow::CSV_HEADER.split(',').count();
    for row in &bench.rows {
        let mut csv = Vec::new();
        row.csv(&mut csv);
        assert_eq!(csv.split(|byte| *byte == b',').count(), header);
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]
    #[test]
    fn garbage_on_the_line_never_panics_and_never_silences(bytes in proptest::collection::vec(any::<u8>(), 0..400)) {
        let mut twin = Twin::new(TwinSpec::demo(), 1, &[]);
        twin.receive(Instant::from_micros(100_000), &bytes);
        twin.receive(Instant::from_micros(101_000), b"\n*OPC?\n");
        prop_assert!(twin.transmit().expect("an answer").ends_with(b"1\n"));
    }
}
