use super::*;
use crate::units::{parse_quantity, parse_unit};
use proptest::prelude::*;

/// Names that the tests know: name, unit, SI value.
const KNOWN: &[(&str, &str, f64)] = &[
    ("speed", "rpm", 100.0),
    ("torque", "Nm", 50.0),
    ("inertia", "kg m2", 0.02),
    ("omega_e", "rpm electrical", 400.0),
    ("psi", "Wb", 0.065),
    ("bus", "V", 155.0),
    ("bus_current", "A", 10.0),
    ("id", "A peak", -30.0),
    ("iq", "A peak", 40.0),
    ("i_rms", "A rms", 20.0),
    ("u_line", "V rms line", 90.0),
    ("u_phase", "V rms phase", 52.0),
    ("winding", "°C", 353.15),
    ("coolant", "°C", 303.15),
    ("share", "%", 0.25),
    ("demand.speed", "rpm", 110.0),
];

fn resolve(name: &str) -> Option<(Operand, Kind)> {
    let index = KNOWN.iter().position(|(n, _, _)| *n == name)?;
    let kind = parse_unit(KNOWN[index].1).expect(KNOWN[index].1).kind;
    let operand = if name.starts_with("demand.") { Operand::Demand(index) } else { Operand::Channel(index) };
    Some((operand, kind))
}

fn index(operand: Operand) -> usize {
    match operand {
        Operand::Channel(index) | Operand::Demand(index) => index,
    }
}

fn parse(text: &str) -> Expr {
    Expr::parse(text, &resolve).unwrap_or_else(|e| panic!("{text}: {} at {:?}", e.message, e.span))
}

/// The value from the known operands at one moment.
fn value(text: &str) -> f64 {
    let expr = parse(text);
    expr.eval(&mut expr.memory(), 0.0, &|o| Some(KNOWN[index(o)].2)).expect(text)
}

/// Values of `text` (over the channel `speed`) at samples of time and value.
fn run(text: &str, samples: &[(f64, f64)]) -> Vec<Option<f64>> {
    let expr = parse(text);
    let mut memory = expr.memory();
    samples.iter().map(|(t, x)| expr.eval(&mut memory, *t, &|_| Some(*x))).collect()
}

fn close(found: f64, expected: f64) -> bool {
    (found - expected).abs() <= 1e-12 * (1.0 + expected.abs())
}

#[test]
fn expressions_have_the_value_and_the_kind_of_their_equation() {
    let rows = [
        ("speed - demand.speed", -10.0, "speed"),
        ("1 + 2 * 3 - 4 / 2", 5.0, "number"),
        ("(1 + 2) * 3", 9.0, "number"),
        ("2 - 3 - 4", -5.0, "number"),
        ("16 / 4 / 2", 2.0, "number"),
        ("-2 * -3", 6.0, "number"),
        ("--2", 2.0, "number"),
        ("1.5e2 + .5", 150.5, "number"),
        ("speed + '60 rpm'", 100.0 + std::f64::consts::TAU, "speed"),
        ("\"5 %\" + share", 0.3, "number"),
        ("torque * speed", 5000.0, "power"),
        ("0.5 * inertia * speed * speed", 100.0, "torque or energy"),
        ("torque / inertia * '1 rad'", 2500.0, "speed rate"),
        ("bus * bus_current / speed", 15.5, "torque or energy"),
        ("omega_e * psi", 26.0, "voltage"),
        ("bus / omega_e", 0.3875, "flux linkage"),
        ("omega_e * '0.5 mH' * id", -6.0, "voltage (peak)"),
        ("speed * '4 electrical'", 400.0, "electrical speed"),
        ("omega_e / '4 electrical'", 100.0, "speed"),
        ("omega_e / speed", 4.0, "electrical number"),
        ("sqrt(id * id + iq * iq)", 50.0, "current (peak)"),
        ("iq / i_rms", 2.0, "number"),
        ("i_rms * i_rms * '18 mOhm'", 7.2, "power"),
        ("bus * bus_current", 1550.0, "power"),
        ("winding - coolant", 50.0, "temperature difference"),
        ("coolant + (winding - coolant) / 2", 328.15, "temperature"),
        ("winding - '10 K'", 343.15, "temperature"),
        ("'10 K' + winding", 363.15, "temperature"),
        ("max(winding, coolant, '90 °C')", 363.15, "temperature"),
        ("min(speed, demand.speed)", 100.0, "speed"),
        ("abs(speed - demand.speed)", 10.0, "speed"),
        ("abs(min(-3, 2)) + sqrt(16)", 7.0, "number"),
    ];
    for (text, expected, kind) in rows {
        assert!(close(value(text), expected), "{text}: {} is not {expected}", value(text));
        assert_eq!(parse(text).kind().name(), kind, "{text}");
    }
    assert_eq!(parse("rate(winding, '1 s')").kind().name(), "temperature rate");
    assert_eq!(parse("rate(speed, '1 s')").kind().name(), "speed rate");
    assert_eq!(parse("mean(winding, '1 s')").kind().name(), "temperature");
    assert_eq!(parse("lowpass(bus, '20 ms')").kind().name(), "voltage");
}

/// Power from torque and speed: 50 Nm at 3000 rpm is 15708 W, P = T 2 pi n/60 (arithmetic).
#[test]
fn torque_times_speed_is_power() {
    let expr = parse("'50 Nm' * '3000 rpm'");
    let power = expr.eval(&mut expr.memory(), 0.0, &|_| None).expect("constants need no operand");
    assert!((power - 15707.963).abs() < 1e-3, "{power}");
    assert_eq!(expr.kind(), parse_unit("W").expect("W").kind);
    assert_ne!(parse("torque * omega_e").kind(), parse_unit("W").expect("W").kind);
}

#[test]
fn what_is_not_an_expression_says_where_and_why() {
    let rows = [
        ("", "expected a value, found the end", ""),
        ("speed +", "expected a value, found the end", ""),
        ("speed demand.speed", "expected an operator, found `demand.speed`", "demand.speed"),
        ("speed)", "expected an operator, found `)`", ")"),
        ("(speed", "a parenthesis is not closed", ""),
        ("abs(speed bus)", "expected an operator, found `bus`", "bus"),
        ("sped - demand.speed", "there is no channel `sped`", "sped"),
        ("sqroot(4)", "there is no function `sqroot`", "sqroot"),
        ("abs", "there is no channel `abs`", "abs"),
        ("abs(1, 2)", "`abs` cannot take 2 values", "abs(1, 2)"),
        ("min(1)", "`min` cannot take 1 value", "min(1)"),
        ("abs()", "expected a value, found `)`", ")"),
        ("rate(speed)", "`rate` cannot take 1 value", "rate(speed)"),
        ("rate(speed, 3)", "expected a duration in quotes", "3"),
        ("rate(speed, '3 V')", "`3 V` is a voltage, expected a duration", "'3 V'"),
        ("mean(speed, '0 s')", "`0 s` is not above zero", "'0 s'"),
        ("mean(speed, '1 s'", "a parenthesis is not closed", ""),
        ("speed ^ 2", "`^` has no meaning here", "^"),
        ("speed > bus", "`>` has no meaning here", ">"),
        ("speed + '3 rmp'", "`rmp` is not a unit known here", "'3 rmp'"),
        ("speed + '3 rpm", "this quote is not closed", "'3 rpm"),
        ("speed + 3 rpm", "expected an operator, found `rpm`", "rpm"),
        ("1.2.3 + 4", "expected an operator, found `.3`", ".3"),
        (". + 4", "`.` is not a finite number", "."),
        ("1e999", "`1e999` is not a finite number", "1e999"),
        ("1 + speed * 5", "a number does not go with a speed", "1 + speed * 5"),
        ("bus + (speed)", "a voltage does not go with a speed", "bus + (speed)"),
        ("speed + omega_e", "a speed does not go with an electrical speed", "speed + omega_e"),
        ("id - i_rms", "a current (peak) does not go with a current (rms)", "id - i_rms"),
        (
            "u_line + u_phase",
            "a line voltage (rms) does not go with a phase voltage (rms)",
            "u_line + u_phase",
        ),
        ("max(bus, id)", "a voltage does not go with a current (peak)", "bus, id"),
        ("max(winding, '3 K')", "a temperature does not go with a temperature difference", "winding, '3 K'"),
        ("id * i_rms", "a peak and an rms value cannot be multiplied", "id * i_rms"),
        ("u_line * '3 A phase'", "a line and a phase value cannot be multiplied", "u_line * '3 A phase'"),
        ("winding + coolant", "a temperature cannot be added to a temperature", "winding + coolant"),
        ("'3 K' - winding", "a temperature cannot be taken from a difference", "'3 K' - winding"),
        (
            "2 * winding",
            "a temperature on a scale cannot be multiplied, divided, negated or rooted",
            "2 * winding",
        ),
        (
            "1 + -winding",
            "a temperature on a scale cannot be multiplied, divided, negated or rooted",
            "-winding",
        ),
        (
            "abs(winding)",
            "a temperature on a scale cannot be multiplied, divided, negated or rooted",
            "abs(winding)",
        ),
        ("sqrt(bus)", "a voltage has no square root", "sqrt(bus)"),
    ];
    for (text, message, part) in rows {
        let error = Expr::parse(text, &resolve).expect_err(text);
        assert_eq!(error.message, message, "{text}");
        assert_eq!(&text[error.span.clone()], part, "{text}");
    }
}

#[test]
fn a_slip_gets_a_suggestion() {
    let rows = [
        ("sped + bus", "did you mean `speed`?"),
        ("psede", ""),
        ("seped", "did you mean `speed`?"),
        ("Bus", "did you mean `bus`?"),
        ("bus_curent", "did you mean `bus_current`?"),
        ("sqrrt(4)", "did you mean `sqrt`?"),
        ("average(4)", "known here: abs, sqrt, min, max, rate, lowpass, mean"),
        ("speed + 5", "give the number a unit, as '__ rpm'"),
        ("5 rpm + speed", "write '5 rpm' in quotes"),
        ("rate", "a function takes its values in parentheses: rate(x, '100 ms')"),
    ];
    for (text, help) in rows {
        let error = Expr::parse(text, &resolve).expect_err(text);
        assert_eq!(error.help.unwrap_or_default(), help, "{text}");
    }
    let only_demand = |name: &str| (name == "demand.flow").then(|| (Operand::Demand(0), Kind::default()));
    let error = Expr::parse("flow", &only_demand).expect_err("flow is a demand");
    assert_eq!(error.help.as_deref(), Some("did you mean `demand.flow`?"));
}

#[test]
fn operands_are_named_once_in_order() {
    let expr = parse("speed - demand.speed + abs(speed)");
    let names: Vec<&str> = expr.operands().into_iter().map(|o| KNOWN[index(o)].0).collect();
    assert_eq!(names, ["speed", "demand.speed"]);
}

#[test]
fn a_missing_operand_gives_none_and_nan_gives_nan() {
    let speed = resolve("speed").expect("speed").0;
    for text in ["speed - demand.speed", "min(speed, demand.speed)", "max(demand.speed, speed)"] {
        let expr = parse(text);
        let missing = expr.eval(&mut expr.memory(), 0.0, &|o| (o == speed).then_some(1.0));
        assert_eq!(missing, None, "{text}");
        let nan = |o| Some(if o == speed { f64::NAN } else { 1.0 });
        assert!(expr.eval(&mut expr.memory(), 0.0, &nan).expect(text).is_nan(), "{text}");
    }
    assert!(value("sqrt(-4)").is_nan());
    assert_eq!(value("1 / 0"), f64::INFINITY);
    let expr = parse("speed");
    assert_eq!(expr.eval(&mut expr.memory(), f64::NAN, &|_| Some(1.0)), None);
}

/// First order: 63.212 % at tau, 2 % left at 3.9120 tau (closed form, textbook), however the samples are
/// spaced.
#[test]
fn lowpass_follows_a_step_by_the_closed_form_at_any_spacing() {
    for spacing in [&[1e-3][..], &[0.7e-3, 2.3e-3, 1.0e-3], &[5e-3]] {
        let mut samples = vec![(0.0, 0.0)];
        while samples.last().expect("begins with one").0 < 0.0782399 {
            let t = samples.last().expect("begins with one").0 + spacing[samples.len() % spacing.len()];
            samples.push((t, 1.0));
        }
        for ((t, _), y) in samples.iter().zip(run("lowpass(speed, '20 ms')", &samples)) {
            let expected = 1.0 - (-t / 0.02).exp();
            assert!((y.expect("from the first") - expected).abs() < 1e-12, "{t}");
        }
    }
    let at_tau = run("lowpass(speed, '20 ms')", &[(0.0, 0.0), (0.02, 1.0)])[1].expect("two samples");
    assert!((at_tau - 0.63212).abs() < 1e-5, "{at_tau}");
    let at_2_percent = run("lowpass(speed, '20 ms')", &[(0.0, 0.0), (3.9120 * 0.02, 1.0)])[1].expect("two");
    assert!((at_2_percent - 0.98).abs() < 1e-6, "{at_2_percent}");
}

#[test]
fn rate_is_the_slope_of_a_line_at_any_spacing_and_of_nothing_outside_its_window() {
    let times = [0.0, 0.011, 0.02, 0.033, 0.041, 0.05, 0.068, 0.07];
    let line: Vec<(f64, f64)> = times.iter().map(|t| (1000.0 + t, 7.0 - 300.0 * t)).collect();
    let rates = run("rate(speed, '50 ms')", &line);
    for (t, rate) in times.iter().zip(&rates) {
        assert_eq!(rate.is_some(), *t >= 0.05, "{t}: no rate before the window is full");
        assert!(rate.is_none_or(|r| (r + 300.0).abs() < 1e-6), "{t}: {rate:?}");
    }
    // A jump of 1 in a line of slope 0 is seen while it is in the window, and is gone after.
    let jump: Vec<(f64, f64)> = (0..60).map(|i| (0.01 * f64::from(i), f64::from(i >= 30))).collect();
    let rates = run("rate(speed, '100 ms')", &jump);
    assert_eq!(rates[29], Some(0.0));
    assert!(rates[30].expect("full") > 0.0);
    assert_eq!(rates[42], Some(0.0));
}

/// Least squares by hand: times 0, 1, 2 s and values 0, 0, 3 have the slope 1.5.
#[test]
fn rate_is_the_least_squares_slope() {
    let found = run("rate(speed, '2 s')", &[(0.0, 0.0), (1.0, 0.0), (2.0, 3.0)]);
    assert_eq!(found, [None, None, Some(1.5)]);
}

#[test]
fn mean_weighs_by_time_and_cuts_at_the_begin_of_the_window() {
    // A line's mean over the window is its value in the middle, also when the begin lies between samples.
    let times = [0.0, 0.3, 0.45, 0.9, 1.25, 1.3];
    let line: Vec<(f64, f64)> = times.iter().map(|t| (*t, 10.0 + 4.0 * t)).collect();
    let found = run("mean(speed, '1 s')", &line);
    assert_eq!(found[..4], [None, None, None, None]);
    assert!(close(found[4].expect("full"), 10.0 + 4.0 * 0.75), "{found:?}");
    assert!(close(found[5].expect("full"), 10.0 + 4.0 * 0.8), "{found:?}");
}

#[test]
fn a_window_fills_anew_after_a_gap_and_forgets_a_nan() {
    let at = |t: f64, x: f64| (t, x);
    let gap =
        run("mean(speed, '1 s')", &[at(0.0, 1.0), at(1.0, 1.0), at(3.5, 1.0), at(4.0, 1.0), at(4.5, 1.0)]);
    assert_eq!(gap, [None, Some(1.0), None, None, Some(1.0)]);
    for text in ["mean(speed, '1 s')", "rate(speed, '1 s')"] {
        let samples = [at(0.0, 2.0), at(1.0, f64::NAN), at(2.0, 2.0), at(3.0, 2.0)];
        let found = run(text, &samples);
        assert!(found[1].expect("full").is_nan() && found[2].expect("full").is_nan(), "{text}");
        assert!(found[3].expect("full").is_finite(), "{text}");
    }
    let filtered = run("lowpass(speed, '1 s')", &[at(0.0, 2.0), at(1.0, f64::NAN), at(2.0, 5.0)]);
    assert!(filtered[1].expect("some").is_nan());
    assert_eq!(filtered[2], Some(5.0));
}

#[test]
fn a_second_call_for_one_moment_replaces_the_first() {
    for text in ["lowpass(speed, '1 s')", "rate(speed, '1 s')", "mean(speed, '1 s')"] {
        let once = run(text, &[(0.0, 1.0), (1.0, 2.0), (2.0, 5.0)]);
        let twice = run(text, &[(0.0, 9.0), (0.0, 1.0), (1.0, 7.0), (1.0, 2.0), (2.0, 5.0)]);
        assert_eq!(once.last(), twice.last(), "{text}");
        let backwards = run(text, &[(0.0, 1.0), (1.0, 7.0), (0.5, 2.0), (2.0, 5.0)]);
        assert_eq!(once.last(), backwards.last(), "{text}");
    }
}

#[test]
fn windows_prune_what_has_left_them() {
    let expr = parse("mean(speed, '100 ms') + rate(speed, '100 ms') * '1 s' + lowpass(speed, '1 s')");
    let mut memory = expr.memory();
    for i in 0..10_000 {
        expr.eval(&mut memory, 1e-3 * f64::from(i), &|_| Some(1.0));
    }
    assert!(memory.samples() <= 101 + 101 + 2, "{}", memory.samples());
}

#[test]
fn what_is_remembered_does_not_depend_on_a_missing_neighbour() {
    let expr = parse("bus + mean(bus, '1 s') + psi * omega_e");
    let bus = resolve("bus").expect("bus").0;
    let mut memory = expr.memory();
    assert_eq!(expr.eval(&mut memory, 0.0, &|o| (o == bus).then_some(10.0)), None);
    assert_eq!(expr.eval(&mut memory, 1.0, &|_| Some(10.0)), Some(10.0 + 10.0 + 100.0));
}

#[test]
fn deep_and_long_texts_are_refused() {
    let rows = [
        ("(".repeat(100_000), "the expression is too long"),
        ("(".repeat(200), "the expression is nested too deep"),
        ("-".repeat(200), "the expression is nested too deep"),
        ("abs(".repeat(100), "the expression is nested too deep"),
        (vec!["1"; 5_000].join("+"), "the expression is too long"),
        (vec!["speed"; 200].join("*"), "the unit of this has too high a power"),
    ];
    for (text, message) in rows {
        assert_eq!(Expr::parse(&text, &resolve).expect_err(&text).message, message);
    }
    assert!(close(value(&vec!["1"; 250].join("+")), 250.0));
}

#[test]
fn units_that_the_rules_name_are_units() {
    for unit in ["W", "J", "V", "Wb", "Ohm", "H"] {
        assert!(parse_quantity(&format!("1 {unit}")).is_ok(), "{unit}");
    }
}

proptest! {
    #[test]
    fn any_text_gives_an_expression_or_a_message_inside_it(text in "\\PC{0,60}") {
        check(&text)?;
    }

    #[test]
    fn any_words_of_the_language_give_an_expression_or_a_message_inside_it(
        words in prop::collection::vec(prop::sample::select(vec![
            "speed", "demand.speed", "winding", "2", "1e3", "'20 ms'", "\"5 rpm\"", "+", "-", "*", "/", "(", ")",
            ",", "rate(", "mean(", "lowpass(", "abs(", "sqrt(", "min(", "max(", "°", "'", "x",
        ]), 0..20),
    ) {
        check(&words.join(" "))?;
    }
}

/// A text is read without panic; a message points into it, and an expression can be evaluated.
fn check(text: &str) -> Result<(), TestCaseError> {
    match Expr::parse(text, &resolve) {
        Ok(expr) => {
            let mut memory = expr.memory();
            for i in 0..5 {
                expr.eval(&mut memory, 0.01 * f64::from(i), &|o| Some(KNOWN[index(o)].2));
            }
        }
        Err(error) => prop_assert!(text.get(error.span.clone()).is_some(), "{:?}", error.span),
    }
    Ok(())
}
