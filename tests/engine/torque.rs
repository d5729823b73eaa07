//! Torque on a free shaft: only below the controller's own limit.

use super::board::{Board, at, drive, drive_plan, drive_suite, driven, reads};
use super::common::torque_rig;
use spinproof::outcome::Cause;
use spinproof::record::{Stage, What};

const TORQUE: &str = "schema = 1\nname = \"push\"\n[[test]]\nname = \"push\"\ndemand = \"torque\"\n\
    profile = [{ ramp = \"2 Nm\", rate = \"2 Nm/s\" }, { hold = \"1 s\" }]\ncriterion = []\n";

/// A board whose own speed limit reads as `limit`.
fn limited(limit: &'static str) -> Board {
    Board::new(move |_, request, _| (request == "CONF:SPE:LIM?").then(|| limit.into()))
}

/// The plan allows 1947.5 rpm (`tests/profiles.rs` has it worked by hand).
#[test]
fn a_torque_is_demanded_only_where_the_controllers_own_limit_fits() {
    for (limit, fits) in [("1947", true), ("800.0", true), ("1948", false), ("2200.0", false)] {
        let ended = drive_plan(&torque_rig(), TORQUE, limited(limit), None);
        let expected = if fits { Cause::Passed } else { Cause::Refused };
        assert_eq!(ended.cause, expected, "{limit}: {}", ended.why);
        assert_eq!(ended.count(driven) > 0, fits, "{limit}");
        let said = ended.events.iter().find_map(|e| match &e.what {
            What::PreCheck { name, holds, found, .. }
                if name == "controller's own limit" && found.contains("speed limit") =>
            {
                Some((*holds, found))
            }
            _ => None,
        });
        let (holds, found) = said.expect("a pre-check of its own");
        assert_eq!(holds, fits, "{found}");
        assert!(found.contains("at most 1947 rpm") && found.contains("gain on a free shaft"), "{found}");
    }
}

/// Many boards mean "no limit" by zero; one that answers nonsense is not trusted either.
#[test]
fn a_limit_that_is_none_is_refused() {
    for limit in ["0", "-1", "NAN", "9.91E37", "off", "inf"] {
        let ended = drive_plan(&torque_rig(), TORQUE, limited(limit), None);
        assert_eq!(ended.cause, Cause::Refused, "{limit}: {}", ended.why);
        assert_eq!(ended.count(driven), 0, "{limit}");
    }
}

/// While a torque is demanded the speed demand is silent: two demands would fight each other.
#[test]
fn only_the_tests_own_demand_is_sent() {
    let sent = std::rc::Rc::new(std::cell::RefCell::new(Vec::new()));
    let log = sent.clone();
    let board = Board::new(move |_, request, _| {
        log.borrow_mut().push(request.to_string());
        (request == "CONF:SPE:LIM?").then(|| "1800".into())
    });
    let ended = drive_plan(&torque_rig(), TORQUE, board, None);
    assert_eq!(ended.cause, Cause::Passed, "{}", ended.why);
    let sent = sent.borrow();
    assert!(!sent.iter().any(|r| r.starts_with("SOUR:SPE")));
    assert!(sent.iter().any(|r| r == "SOUR:TORQ 2.00;*OPC?"), "the ramp got to its end");
}

/// The bus after the stop: 56 V in every sample, or in every other one, as a flipped bit would make of 156 V.
#[test]
fn one_low_sample_of_the_bus_is_no_proof_that_it_is_dead() {
    for (low, confirmed) in [([true, true], true), ([true, false], false), ([false, true], false)] {
        let (mut driven, mut count) = (false, 0);
        let board = Board::new(move |_, request, seen| {
            driven |= seen.state == 0x27;
            if request == "MEAS:SUPP?" && driven {
                return Some("0.4".into());
            } else if request != "MEAS:DRIV?" || !driven || seen.state == 0x27 {
                return None;
            }
            count += 1;
            // Where all are low it has fallen there as a capacitor does that is drawn on, in two steps: too soon for the trip.
            let falls = if low == [true, true] { f64::max(156.0 - 50.0 * count as f64, 56.0) } else { 56.0 };
            let bus = if low[count % 2] { falls } else { 156.0 };
            Some(format!("{},{},0.0,{bus},0.0", seen.state, seen.speed))
        });
        let ended = drive(board, None);
        assert_eq!(ended.stages(Stage::DeEnergised), [confirmed], "{low:?}: {}", ended.why);
    }
}

#[test]
fn an_overspeed_trips_under_torque_too() {
    let board = Board::new(move |now, request, seen| {
        if request == "CONF:SPE:LIM?" {
            return Some("1800".into());
        }
        if now > at(2000) && seen.state == 0x27 { reads(request, seen.state, 1950.0, 1.0) } else { None }
    });
    let ended = drive_plan(&torque_rig(), TORQUE, board, None);
    assert_eq!(ended.cause, Cause::Tripped, "{}", ended.why);
    assert!(ended.why.contains("overspeed"), "{}", ended.why);
}

/// A limit of zero is none to some boards: the test's own is told before the drive is enabled, and no other until the stop.
#[test]
fn a_current_limit_is_in_force_before_anything_is_enabled() {
    const SLOW: &str = "schema = 1\nname = \"slow\"\n[[test]]\nname = \"slow\"\nwith = { current_limit = \"6 A peak\" }\n\
        profile = [{ ramp = \"60 rpm\", rate = \"60 rpm/s\" }, { hold = \"1 s\" }]\ncriterion = []\n";
    let sent = std::rc::Rc::new(std::cell::RefCell::new(Vec::new()));
    let log = sent.clone();
    let board = Board::new(move |_, request, _| {
        log.borrow_mut().push(request.to_string());
        None
    });
    let ended = drive_suite(SLOW, board);
    assert_eq!(ended.cause, Cause::Passed, "{}", ended.why);
    let sent = sent.borrow();
    let first = |begin: &str| sent.iter().position(|r| r.starts_with(begin)).expect(begin);
    assert!(first("SOUR:CURR:LIM 6.00") < first("CONT:WORD 6"), "{sent:?}");
    let limits: Vec<&String> = sent.iter().filter(|r| r.starts_with("SOUR:CURR:LIM")).collect();
    assert!(limits.len() > 20 && limits.iter().all(|r| r.starts_with("SOUR:CURR:LIM 6.00")), "{limits:?}");
}
