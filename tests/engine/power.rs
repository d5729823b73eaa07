//! A board that says it is off, and the power that flows into its bus.

use super::board::{Board, Ended, at, coasting, drive_plan, drive_suite};
use super::common::RIG;
use spinproof::outcome::Cause;
use spinproof::record::{Stage, What};
use spinproof::time::{Duration, Instant};

/// The demo bench with the supply's own meter on a link of its own.
fn metered() -> String {
    let link = "[link.supply]\nport = \"twin\"\nbaud = 115200\nreply_within = \"40 ms\"\n\n[[link.supply.poll]]\nname = \"supply\"\n\
        every = \"8 ms\"\nsend = \"U?;I?\"\nexpect = \"{supply_volts} V {supply_amps} A\"\n\n[channel.supply_volts]\nunit = \"V\"\n\
        range = [\"-5 V\", \"250 V\"]\nuncertainty = \"0.5 V\"\nstale = \"400 ms\"\n\n[channel.supply_amps]\nunit = \"A\"\n\
        range = [\"-100 A\", \"100 A\"]\nuncertainty = \"0.1 A\"\nstale = \"400 ms\"\n\n[drive]\n";
    let meter = "meter = [{ voltage = \"supply_volts\", current = \"supply_amps\" }]\n\n[limits]\n";
    changed(&[("[drive]\n", link), ("\n[limits]\n", meter)])
}

fn changed(changes: &[(&str, &str)]) -> String {
    changes.iter().fold(RIG.to_string(), |rig, (from, to)| {
        assert!(rig.contains(from), "{from}");
        rig.replacen(from, to, 1)
    })
}

/// Driven at 120 rpm for a second, then let go.
const ONE: &str = "schema = 1\nname = \"short\"\n[[test]]\nname = \"one\"\n\
    profile = [{ ramp = \"120 rpm\", rate = \"120 rpm/s\" }, { hold = \"1 s\" }]\ncriterion = []\n";

/// What a meter reads so long after the first stop frame, V and A; the board's own, and the supply's.
type Flow = fn(Duration) -> (f64, f64);

/// A board that obeys, coasts as it should, and whose bus is read so from its first stop frame on.
fn flows(own: Flow, supply: Flow) -> Board {
    let mut stopped: Option<Instant> = None;
    Board::new(move |now, request, seen| {
        if request.starts_with("CONT:WORD 0") {
            stopped = stopped.or(Some(now));
        }
        let since = stopped.map(|at| now - at);
        let of = |flow: Flow| since.map_or((155.0, 0.1), flow);
        match request {
            "MEAS:DRIV?" => {
                let (volts, amps) = of(own);
                Some(format!("{},{},0.5,{volts},{amps}", seen.state, seen.speed))
            }
            "U?;I?" => {
                let (volts, amps) = of(supply);
                Some(format!("{volts} V {amps} A"))
            }
            _ => None,
        }
    })
}

fn idle(_: Duration) -> (f64, f64) {
    (155.0, 0.1)
}

fn after_the_stop(ended: &Ended) -> Duration {
    let stop = ended.when(|w| matches!(w, What::StopSent { .. }));
    ended.when(|w| matches!(w, What::Finished { .. })) - stop
}

fn proof(ended: &Ended) -> String {
    let found = ended.events.iter().find_map(|e| match &e.what {
        What::Stage { stage: Stage::NotDriven, found, .. } => Some(found.clone()),
        _ => None,
    });
    found.unwrap_or_default()
}

/// By hand: 0.3 A and half of that by 155 V are 23 W, twice that 47 W; 118.8 rpm, 4 ms after the stop, are 12.4 rad/s, which
/// (0.6 + 0.003 x 12.4) Nm hold with 8 W and (1.0 + 0.006 x 12.4) Nm with 13 W.
#[test]
fn what_the_bus_cannot_show_is_said_once_a_stop() {
    let ended = drive_suite(ONE, flows(idle, idle));
    assert_eq!(ended.cause, Cause::Passed, "{}", ended.why);
    let said = proof(&ended);
    assert!(
        said.contains("bus power shows no drive above 47 W; holding 118.80 rpm takes 8 W to 13 W"),
        "{said}"
    );
    // The supply's own meter is three times as good.
    let ended = drive_plan(&metered(), ONE, flows(idle, idle), None);
    assert_eq!(ended.cause, Cause::Passed, "{}", ended.why);
    assert!(proof(&ended).contains("no drive above 16 W"), "{}", proof(&ended));
}

#[test]
fn three_amperes_on_the_link_of_the_supply_take_the_proof_back_soon() {
    let ended = drive_plan(&metered(), ONE, flows(idle, |_| (153.0, 3.0)), None);
    assert_eq!(ended.cause, Cause::NotConfirmed, "{}", ended.why);
    assert_eq!(ended.stages(Stage::NotDriven), [true, false, false], "{}", ended.why);
    assert!(ended.stages(Stage::AtRest).is_empty(), "no rest: {}", ended.why);
    assert!(ended.why.contains("`supply_amps` shows 459 W into the bus"), "{}", ended.why);
    assert!(ended.why.contains("the board took 16 W before it was enabled"), "{}", ended.why);
    let took = after_the_stop(&ended);
    assert!(took < Duration::from_millis(1500), "{took}");
    assert!(ended.count(|w| matches!(w, What::StopSent { .. })) >= 2, "the stop is repeated");
}

#[test]
fn the_boards_own_bus_current_speaks_against_its_word() {
    let ended = drive_suite(ONE, flows(|_| (155.0, 0.6), idle));
    assert_eq!(ended.cause, Cause::NotConfirmed, "{}", ended.why);
    assert!(ended.why.contains("`bus_current` shows 93 W"), "{}", ended.why);
}

/// It was driven and stops when the stop is repeated: that is no ordinary end, and it is confirmed.
#[test]
fn power_that_goes_when_the_stop_is_repeated_ends_tripped() {
    let board = flows(|since| (155.0, if since < Duration::from_millis(520) { 3.0 } else { 0.1 }), idle);
    let ended = drive_suite(ONE, board);
    assert_eq!(ended.cause, Cause::Tripped, "{}", ended.why);
    assert_eq!(ended.stages(Stage::NotDriven), [true, false, true], "{}", ended.why);
}

/// The capacitor takes back 10 V within 60 ms of the stop: half of 4.7 mF x (155^2 - 145^2) V^2 are 7 J, 47 A V over 0.15 s.
#[test]
fn what_a_sagged_capacitor_takes_is_no_drive() {
    let board = flows(
        |since| {
            let risen = (since.secs_f64() / 0.06).min(1.0);
            (145.0 + 10.0 * risen, if risen < 1.0 { 0.8 } else { 0.1 })
        },
        idle,
    );
    let ended = drive_suite(ONE, board);
    assert_eq!(ended.cause, Cause::Passed, "{}", ended.why);
}

/// A person turns the transformer up slowly after the stop: 6 V/s into 4.7 mF are 28 mA, 4.4 W; 60 V/s in all ten times that.
#[test]
fn a_bus_that_is_raised_falls_or_takes_back_is_no_drive() {
    let slowly = flows(|since| (155.0 + (25.0 * since.secs_f64()).min(20.0), 0.1 + 0.12), idle);
    assert_eq!(drive_suite(ONE, slowly).cause, Cause::Passed);
    let off = flows(|since| (155.0 - (30.0 * since.secs_f64()).min(20.0), 0.0), idle);
    assert_eq!(drive_suite(ONE, off).cause, Cause::Passed);
    let back = flows(|_| (155.0, -3.0), idle);
    assert_eq!(drive_suite(ONE, back).cause, Cause::Passed);
}

#[test]
fn a_coast_that_takes_power_is_none() {
    let suite = "schema = 1\nname = \"short\"\n[[test]]\nname = \"one\"\n\
        profile = [{ ramp = \"300 rpm\", rate = \"300 rpm/s\" }, { coast = \"5 s\", below = \"60 rpm\" }]\ncriterion = []\n";
    let ended = drive_plan(&metered(), suite, flows(idle, |_| (153.0, 3.0)), None);
    assert_eq!(ended.cause, Cause::NotConfirmed, "{}", ended.why);
    assert!(after_the_stop(&ended) < Duration::from_millis(2500), "{}", after_the_stop(&ended));
}

/// The board claims rest at once: the next test is not enabled.
#[test]
fn nothing_is_enabled_again_while_the_bus_shows_a_drive() {
    let suite = "schema = 1\nname = \"short\"\n[[test]]\nname = \"one\"\n\
        profile = [{ ramp = \"60 rpm\", rate = \"120 rpm/s\" }, { ramp = \"0 rpm\", rate = \"120 rpm/s\" }]\ncriterion = []\n\
        [[test]]\nname = \"two\"\nprofile = [{ ramp = \"60 rpm\", rate = \"120 rpm/s\" }]\ncriterion = []\n";
    let ended = drive_plan(&metered(), suite, flows(idle, |_| (153.0, 3.0)), None);
    assert_eq!(ended.cause, Cause::NotConfirmed, "{}", ended.why);
    assert_eq!(ended.count(|w| matches!(w, What::TestBegan { test: 1 })), 0);
}

/// It comes on by itself a second after rest was shown, in the pre-checks of the next test.
#[test]
fn a_drive_that_comes_on_before_the_next_test_is_not_enabled() {
    let suite = "schema = 1\nname = \"short\"\n[[test]]\nname = \"one\"\n\
        profile = [{ ramp = \"60 rpm\", rate = \"120 rpm/s\" }, { ramp = \"0 rpm\", rate = \"120 rpm/s\" }]\ncriterion = []\n\
        [[test]]\nname = \"two\"\nprofile = [{ ramp = \"60 rpm\", rate = \"120 rpm/s\" }]\ncriterion = []\n";
    let later = |since: Duration| (153.0, if since < Duration::from_millis(900) { 0.1 } else { 3.0 });
    let ended = drive_plan(&metered(), suite, flows(idle, later), None);
    assert_eq!(ended.cause, Cause::NotConfirmed, "{}", ended.why);
    assert_eq!(ended.count(|w| matches!(w, What::SegmentBegan { test: 1, .. })), 0);
}

#[test]
fn a_rig_without_a_bus_current_says_so() {
    let rig = changed(&[("measures = \"bus current\"\n", "")]);
    let ended = drive_plan(&rig, ONE, flows(|_| (155.0, 3.0), idle), None);
    assert_eq!(ended.cause, Cause::Passed, "{}", ended.why);
    assert!(proof(&ended).contains("no bus power is read"), "{}", proof(&ended));
}

/// A supply whose link falls silent after the stop is not waited for without end.
#[test]
fn a_meter_that_falls_silent_holds_nothing_up() {
    let mut stopped: Option<Instant> = None;
    let board = Board::new(move |now, request, seen| {
        if request.starts_with("CONT:WORD 0") {
            stopped = stopped.or(Some(now));
        }
        let silent = request == "U?;I?" && stopped.is_some();
        match request {
            _ if silent => Some(String::new()),
            "U?;I?" => Some("155.0 V 0.1 A".into()),
            "MEAS:DRIV?" => {
                let speed = stopped.map_or(seen.speed, |at| coasting(120.0, now - at));
                Some(format!("{},{speed},0.5,155.0,0.1", seen.state))
            }
            _ => None,
        }
    });
    let ended = drive_plan(&metered(), ONE, board, None);
    assert!(
        ended.stages(Stage::AtRest) == [true]
            && ended.when(|w| matches!(w, What::Finished { .. })) < at(6000),
        "{}",
        ended.why
    );
}
