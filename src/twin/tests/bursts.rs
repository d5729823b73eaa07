use super::*;

/// Reads one channel of the burst, in counts.
fn read(bench: &mut Bench, header: &str) -> Vec<f64> {
    let mut counts = Vec::new();
    for offset in (0..4096).step_by(128) {
        bench.twin.receive(bench.now, format!("READ:BURS:{header}? {offset},128\n").as_bytes());
        let reply = bench.twin.transmit().expect("a block");
        assert_eq!(&reply[..5], b"#3256", "{header} at {offset}");
        assert!(reply.len() < 300, "a reply stays short");
        counts.extend(reply[5..261].chunks(2).map(|b| f64::from(i16::from_be_bytes([b[0], b[1]]))));
    }
    counts
}

fn rms(counts: &[f64]) -> f64 {
    let mean = counts.iter().sum::<f64>() / counts.len() as f64;
    (counts.iter().map(|c| (c - mean).powi(2)).sum::<f64>() / counts.len() as f64).sqrt()
}

/// A burst of everything at 600 rpm.
fn burst(faults: &[&str]) -> Bench {
    let mut bench = Bench::new(TwinSpec::demo(), faults);
    bench.enable();
    bench.follow(4.0, |t| (200.0 * t).min(600.0), |_, _, _| {});
    assert_eq!(bench.say("INIT:BURS CURR,VIBRATION,res"), "");
    bench.follow(0.5, |_| 600.0, |_, _, _| {});
    assert_eq!(bench.say("READ:BURS:COUN?"), "4096");
    bench
}

#[test]
fn one_trigger_captures_every_source_that_was_chosen() {
    let mut bench = burst(&[]);
    assert_eq!(bench.say("CONF:BURS:VIBR?"), "10000,50,4096,128,0.004788403");
    assert_eq!(bench.say("CONF:BURS:RES?"), "10000,50,4096,128,0.000610501");
    assert_eq!(bench.say("CONF:BURS:CURR?"), "10000,50,4096,128,0.195312500");
    let [a, b, c] = ["CURR:A", "CURR:B", "CURR:C"].map(|h| read(&mut bench, h));
    let sum: Vec<f64> = (0..4096).map(|i| a[i] + b[i] + c[i]).collect();
    assert!(rms(&sum) < 0.3 * rms(&a), "the phases add up to their noise");
    assert_eq!(read(&mut bench, "CURR"), a);
    let [sine, cosine] = ["RES:SINE", "RES:COS"].map(|h| read(&mut bench, h));
    for (s, c) in sine.iter().zip(&cosine) {
        assert!((s.hypot(*c) / 1638.0 - 1.0).abs() < 0.03, "{s} {c}");
    }
    for header in ["VIBR:AXI", "VIBR:RAD"] {
        let counts = read(&mut bench, header);
        let metres = rms(&counts) * 0.004788403;
        assert!((0.035..1.0).contains(&metres), "{header}: {metres} m/s² rms");
    }
}

#[test]
fn what_was_not_chosen_is_not_there() {
    let mut bench = Bench::new(TwinSpec::demo(), &[]);
    bench.say("INIT:BURS VIBR");
    bench.wait(0.5);
    read(&mut bench, "VIBR:AXI");
    for header in ["CURR", "RES:SINE"] {
        assert_eq!(bench.say(&format!("READ:BURS:{header}? 0,128")), "");
        assert_eq!(bench.say("SYST:ERR?"), "-230,\"Data corrupt or stale\"");
    }
    bench.say("INIT:BURS SPIN");
    assert_eq!(bench.say("SYST:ERR?"), "-224,\"Illegal parameter value\"");
}

/// The clock of the bursts is not the board's: turned at one speed, the signals advance by less per sample the faster it runs.
#[test]
fn the_clock_of_the_bursts_runs_at_its_own_rate() {
    let advance = |clock_ppm: f64| {
        let mut spec = TwinSpec::demo();
        spec.vibration.clock_ppm = clock_ppm;
        spec.rotor = RotorSpec { inertia: 1e9, friction: 0.0, breakaway: 0.0, drag: 0.0, windage: 0.0 };
        let mut bench = Bench::new(spec, &[]);
        bench.twin.plant.spin(600.0 * RPM);
        bench.say("INIT:BURS RES");
        bench.wait(0.5);
        let [sine, cosine] = ["RES:SINE", "RES:COS"].map(|h| read(&mut bench, h));
        let mut turned = 0.0;
        for i in 1..4096 {
            let cross = sine[i] * cosine[i - 1] - cosine[i] * sine[i - 1];
            turned += cross.atan2(sine[i] * sine[i - 1] + cosine[i] * cosine[i - 1]);
        }
        turned / 4095.0
    };
    let ratio = advance(2000.0) / advance(0.0);
    // Noise of 1.5 mrad at either end of 103 rad.
    assert!((ratio * 1.002 - 1.0).abs() < 1e-4, "{ratio}");
}

/// Bonded or not shows in the resolver's own signals too, and faults of the mechanics on the axis where they belong.
#[test]
fn faults_show_in_the_bursts() {
    let mut sound = burst(&[]);
    let off_circle = |bench: &mut Bench| {
        let [sine, cosine] = ["RES:SINE", "RES:COS"].map(|h| read(bench, h));
        let radius: Vec<f64> = sine.iter().zip(&cosine).map(|(s, c)| s.hypot(*c)).collect();
        rms(&radius)
    };
    let quiet = off_circle(&mut sound);
    let noisy = off_circle(&mut burst(&["casing-unbonded"]));
    assert!(noisy > 5.0 * quiet, "{noisy} counts, sound {quiet}");
    for (fault, header) in [("axial-shim-missing", "VIBR:AXI"), ("bearing-worn", "VIBR:RAD")] {
        let (bad, good) = (rms(&read(&mut burst(&[fault]), header)), rms(&read(&mut sound, header)));
        assert!(bad > 1.5 * good, "{fault}: {bad} counts, sound {good}");
    }
    // Once per turn at 600 rpm: 10 Hz, far below the noise of all frequencies together.
    let once = |bench: &mut Bench| {
        let counts = read(bench, "VIBR:RAD");
        let mut sums = [0.0; 2];
        for (i, count) in counts.iter().enumerate() {
            let window = 1.0 - (TAU * i as f64 / 4096.0).cos();
            let (s, c) = (TAU * 10.0 * 1e-4 * i as f64).sin_cos();
            sums[0] += window * count * s;
            sums[1] += window * count * c;
        }
        2.0 * sums[0].hypot(sums[1]) / 4096.0
    };
    let (bad, good) = (once(&mut burst(&["unbalance=5"])), once(&mut sound));
    assert!(bad > 5.0 * good, "unbalance: {bad} counts, sound {good}");
}

#[test]
fn equal_seeds_give_equal_bursts() {
    let take = || {
        let mut bench = burst(&["unbalance"]);
        read(&mut bench, "VIBR:RAD")
    };
    assert_eq!(take(), take());
}
