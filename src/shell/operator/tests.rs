use super::*;
use crate::diag::{FileId, Place};
use crate::files::read::{At, Named};
use crate::shell::support;

/// With a state of assembly.
fn plan(baud: u32) -> Plan {
    Plan { assembly: Some(3), ..support::plan(baud) }
}

fn place() -> Place {
    Place { file: FileId(0), start: 0, end: 0 }
}

fn at<T>(value: T) -> At<T> {
    At { value, at: place() }
}

fn answers(given: &[(&str, &str)]) -> Answers {
    let answer = given.iter().map(|(id, text)| (at(id.to_string()), at(text.to_string()))).collect();
    Answers {
        at: place(),
        schema: at(crate::files::read::FormatVersion),
        unit_serial: at("HC7-0042".into()),
        build: at("b1".into()),
        assembly: Some(at(3)),
        answered_by: at("A. Person".into()),
        expires: at("2026-11-25T18:00:00Z".into()),
        answer: Named(answer),
    }
}

fn noon() -> OffsetDateTime {
    OffsetDateTime::parse("2026-11-25T12:00:00Z", &Rfc3339).expect("a moment")
}

fn pty() -> PortKind {
    PortKind::Pty("/dev/pts/7".into())
}

fn wrong(answers: &Answers) -> Vec<NoAnswer> {
    choose(&plan(9600), &[pty()], Some(answers), true, noon()).expect_err("refused")
}

/// An answers file said hours ago that nobody is near it.
#[test]
fn hands_on_the_shaft_take_somebody_at_a_terminal_and_a_run_of_their_own() {
    let mut plan = plan(9600);
    let refused = |plan: &Plan, kind: PortKind, terminal| {
        choose(plan, &[kind], Some(&answers(&[("guards", "yes")])), terminal, noon()).err()
    };
    plan.tests[0].asks = vec![(0, "Turn the shaft by hand.".into())];
    let driven = refused(&plan, pty(), true).expect("the same test drives");
    assert!(matches!(&driven[..], [NoAnswer::HandsOn { .. }]), "{driven:?}");
    plan.tests[0]
        .profile
        .segments
        .iter_mut()
        .for_each(|s| s.shape = crate::plan::Shape::Watch { turned: Some(1.0) });
    let nobody = refused(&plan, pty(), false).expect("nobody is there");
    assert!(matches!(&nobody[..], [NoAnswer::NoHands { .. }]), "{nobody:?}");
    for (kind, terminal) in [(PortKind::Twin, false), (pty(), true)] {
        let why = refused(&plan, kind, terminal).unwrap_or_default();
        assert!(
            !why.iter().any(|w| matches!(w, NoAnswer::NoHands { .. } | NoAnswer::HandsOn { .. })),
            "{why:?}"
        );
    }
}

#[test]
fn only_for_the_twin_is_an_answer_assumed() {
    let plan = plan(9600);
    let choose = |kinds: &[PortKind], terminal| super::choose(&plan, kinds, None, terminal, noon());
    assert_eq!(choose(&[PortKind::Twin], true), Ok(Operator::Simulated));
    assert_eq!(choose(&[PortKind::Twin], false), Ok(Operator::Simulated));
    assert_eq!(choose(&[pty()], true), Ok(Operator::Terminal));
    for kinds in [&[pty()][..], &[PortKind::Twin, pty()], &[]] {
        let refused = choose(kinds, false).expect_err("nobody can answer");
        let [NoAnswer::Nobody { count: 1, .. }] = &refused[..] else { panic!("{refused:?}") };
        let text = refused[0].to_string();
        assert!(text.contains("the rig asks 1 question before") && text.contains("`guards`"), "{text}");
        assert!(text.contains("--answers"), "{text}");
    }
}

#[test]
fn good_answers_are_taken_with_the_name_of_who_gave_them() {
    let chosen =
        choose(&plan(9600), &[pty()], Some(&answers(&[("guards", "yes"), ("more", "no")])), false, noon());
    let expected = BTreeMap::from([("guards".to_string(), true), ("more".to_string(), false)]);
    let by = "answers file of A. Person, holds until 2026-11-25T18:00:00Z".to_string();
    assert_eq!(chosen, Ok(Operator::File { answers: expected, typed: BTreeMap::new(), by }));
}

#[test]
fn each_thing_wrong_with_answers_is_one_message_and_all_come_at_once() {
    let good = || answers(&[("guards", "yes")]);
    let text = |answers: &Answers| {
        let wrong = wrong(answers);
        assert_eq!(wrong.len(), 1, "{wrong:?}");
        wrong[0].to_string()
    };
    let other = |change: fn(&mut Answers)| {
        let mut answers = good();
        change(&mut answers);
        text(&answers)
    };
    assert_eq!(
        other(|a| a.unit_serial = at("HC7-0001".into())),
        "the answers are for unit `HC7-0001`, and this is unit `HC7-0042`; answer anew for this unit"
    );
    assert_eq!(
        other(|a| a.build = at("b0".into())),
        "the answers are for build `b0`, and the run is for build `b1`; answer anew for this build"
    );
    assert!(
        other(|a| a.expires = at("2026-11-25T12:00:00Z".into())).starts_with("the answers ceased to hold at")
    );
    assert!(
        other(|a| a.expires = at("2026-11-25T13:30:00+02:00".into())).contains("it is 2026-11-25T12:00:00Z")
    );
    assert!(other(|a| a.expires = at("tomorrow".into())).contains("is no moment"));
    assert_eq!(
        other(|a| a.assembly = Some(at(2))),
        "the answers are for `assembly = 2`, and the unit file says `number = 3` under [assembly]; the unit was opened between \
         the two: answer anew"
    );
    assert!(other(|a| a.assembly = None).ends_with("for the unit as it is now, then add `assembly = 3`"));
    assert_eq!(text(&answers(&[])), "the answers say nothing about `guards`; add them under [answer]");
    assert_eq!(
        text(&answers(&[("guards", "Yes!")])),
        "the answer to `guards` is `Yes!`; write \"yes\" or \"no\""
    );
    let mut all = answers(&[("guards", "maybe")]);
    (all.unit_serial, all.build, all.expires) = (at("x".into()), at("x".into()), at("x".into()));
    assert_eq!(wrong(&all).len(), 4);
}

/// Noon and 24 h are noon of the next day, in any offset; a second more, or a thousand years, is not of this day.
#[test]
fn answers_hold_for_a_day_at_most() {
    for (expires, taken) in [
        ("2026-11-26T12:00:00Z", true),
        ("2026-11-26T14:00:00+02:00", true),
        ("2026-11-26T12:00:01Z", false),
        ("2026-11-26T12:00:00-00:01", false),
        ("9999-12-31T23:59:59Z", false),
    ] {
        let mut answers = answers(&[("guards", "yes")]);
        answers.expires = at(expires.into());
        let chosen = choose(&plan(9600), &[pty()], Some(&answers), true, noon());
        assert_eq!(chosen.is_ok(), taken, "{expires}: {chosen:?}");
        if let Err(wrong) = chosen {
            let text = format!(
                "the answers would hold until {expires}, and it is 2026-11-25T12:00:00Z: they are for one day; look again on the \
                 day itself, and let them hold until 2026-11-26T12:00:00Z at most"
            );
            assert_eq!(wrong.iter().map(ToString::to_string).collect::<Vec<_>>(), [text]);
        }
    }
}

#[test]
fn a_unit_file_without_a_state_of_assembly_takes_answers_without_one_alone() {
    let mut plan = plan(9600);
    plan.assembly = None;
    let mut answers = answers(&[("guards", "yes")]);
    let chosen = |answers: &Answers| choose(&plan, &[pty()], Some(answers), true, noon());
    assert_eq!(chosen(&answers), Err(vec![NoAnswer::AssemblyUnknown { found: 3 }]));
    answers.assembly = None;
    assert!(chosen(&answers).is_ok());
}

#[test]
fn a_run_that_names_no_build_takes_no_answers() {
    let mut plan = plan(9600);
    plan.build = None;
    let refused =
        choose(&plan, &[pty()], Some(&answers(&[("guards", "yes")])), true, noon()).expect_err("refused");
    assert_eq!(refused, [NoAnswer::BuildOpen { found: "b1".into() }]);
}

#[test]
fn yes_in_full_is_yes_an_empty_line_or_half_a_yes_asks_again_and_anything_else_is_no() {
    for (typed, expected, asked) in [
        ("yes\n", true, 1),
        ("  YES \n", true, 1),
        ("y\nyes\n", true, 2),
        (" Y \nn\n", false, 2),
        ("no\n", false, 1),
        ("yes please\n", false, 1),
        ("\n\nyes\n", true, 3),
        ("\n \nja\n", false, 3),
    ] {
        let mut shown = Vec::new();
        let answer = type_answer("Is it so?", &mut typed.as_bytes(), &mut shown).expect("answered");
        let shown = String::from_utf8(shown).expect("text");
        assert_eq!((answer, shown.matches("Is it so? [yes/no]").count()), (expected, asked), "{typed:?}");
    }
    assert!(
        type_answer("Is it so?", &mut &b""[..], &mut Vec::new()).is_err(),
        "a closed terminal is no answer"
    );
}

#[test]
fn a_meter_value_comes_from_the_answers_file_and_must_be_a_quantity() {
    let mut plan = plan(9600);
    plan.tests[0].operator.push(crate::plan::OperatorStep {
        id: "raise".into(),
        ask: "Raise the supply.".into(),
        channel: 1,
        low: 58.0,
        high: 62.0,
        within: crate::time::Duration::from_millis(60_000),
        meter: Some(0.4),
    });
    let choose = |given: &[(&str, &str)]| choose(&plan, &[pty()], Some(&answers(given)), false, noon());
    let Ok(Operator::File { answers, typed, .. }) = choose(&[("guards", "yes"), ("raise", "60.2 V")]) else {
        panic!("it is good")
    };
    assert_eq!((answers.len(), typed["raise"].as_str()), (1, "60.2 V"));
    let wrong =
        |given| choose(given).expect_err("refused").iter().map(ToString::to_string).collect::<Vec<_>>();
    assert_eq!(
        wrong(&[("guards", "yes")]),
        ["the answers say nothing about `raise`; add them under [answer]"]
    );
    assert_eq!(
        wrong(&[("guards", "yes"), ("raise", "yes")]),
        ["the meter value of `raise` is `yes`; write it as \"__ V\""]
    );
    let nobody = super::choose(&plan, &[pty()], None, false, noon()).expect_err("nobody");
    assert!(nobody[0].to_string().contains("`guards`, `raise`"), "{}", nobody[0]);
}

#[test]
fn an_empty_line_asks_for_the_meter_again() {
    let mut shown = Vec::new();
    let typed = type_value("Read it", "V", &mut &b"\n 60.2 V \n"[..], &mut shown).expect("typed");
    assert_eq!(
        (typed.as_str(), String::from_utf8_lossy(&shown).matches("Read it [V]").count()),
        ("60.2 V", 2)
    );
    assert!(type_value("Read it", "V", &mut &b""[..], &mut Vec::new()).is_err());
}
