//! The matrix of stops: each fault of `table.toml` in each phase of a run over a pseudo-terminal. The judge is the
//! truth log of the twin, a process of its own in a session of its own; then the exit code, and what `report` makes
//! of the folder.
//!
//! `STOPS_REPEATS=20 cargo test --test stops` goes through all of it twenty times; `STOPS_ONLY=WORD` takes the cells
//! whose name has that word; `STOPS_AT_ONCE=N` sets how many run beside each other.
//!
//! A cell whose phase was never reached had no fault yet: a machine that is busy otherwise fails the bench's own
//! pre-checks, as it should. Such a cell is started again, and counted.
#![allow(clippy::unwrap_used)]

mod ahead;
mod bench;
mod disk;
mod judge;
mod line;
mod opening;
mod outlet;
mod table;
#[path = "../common/today.rs"]
mod today;
mod wall_clock;

use bench::{Found, Trouble};
use std::collections::VecDeque;
use std::io::Write;
use std::sync::{Mutex, MutexGuard, PoisonError};
use table::Cell;

/// One test at a time: what the matrix starts keeps the machine busy enough.
static ALONE: Mutex<()> = Mutex::new(());

fn alone() -> MutexGuard<'static, ()> {
    // A test that failed has left nothing behind that the next could trip over.
    ALONE.lock().unwrap_or_else(PoisonError::into_inner)
}

/// How often a cell may begin before it counts as broken: beside a build of something else, one start in five does not
/// get past the bench's own limits.
const BEGINS_MAX: u32 = 10;

fn number(name: &str, otherwise: usize) -> usize {
    std::env::var(name).ok().map_or(otherwise, |n| n.parse().expect("a number"))
}

#[test]
fn every_fault_in_every_phase_ends_as_the_table_says() {
    use std::os::unix::fs::PermissionsExt;
    let _alone = alone();
    let only = std::env::var("STOPS_ONLY").unwrap_or_default();
    let cells: Vec<Cell> = table::cells().into_iter().filter(|c| c.name().contains(&only)).collect();
    assert!(!cells.is_empty(), "no cell has `{only}` in its name");
    let repeats = number("STOPS_REPEATS", 1);
    let ahead = ahead::of_others();
    println!("ahead of other work on this machine: {ahead:?}");
    let temp = tempfile::tempdir().unwrap();
    // One row is about another user, who has to get this far.
    std::fs::set_permissions(temp.path(), PermissionsExt::from_mode(0o755)).unwrap();
    let mounts = bench::mounts(temp.path());
    let (cells, not_here): (Vec<Cell>, Vec<Cell>) =
        cells.into_iter().partition(|cell| bench::can_be_made(cell, mounts));
    if !not_here.is_empty() {
        // Past the test harness, which shows nothing of a test that passes.
        let names: Vec<String> = not_here.iter().map(Cell::name).collect();
        let said = format!("NOT TRIED, nothing can be mounted on this machine: {}\n", names.join(", "));
        std::io::stderr().write_all(said.as_bytes()).unwrap();
    }
    let work: VecDeque<(usize, &Cell)> =
        (0..repeats).flat_map(|r| cells.iter().map(move |c| (r, c))).collect();
    let (work, results) = (Mutex::new(work), Mutex::new(Vec::new()));
    std::thread::scope(|scope| {
        for worker in 0..number("STOPS_AT_ONCE", ahead.at_once()) {
            let (work, results, temp) = (&work, &results, temp.path());
            scope.spawn(move || {
                let mut made = 0;
                while let Some((repeat, cell)) = { work.lock().unwrap().pop_front() } {
                    let mut begun = 0;
                    let result = loop {
                        begun += 1;
                        made += 1;
                        let dir = temp.join(format!("{worker}-{made}"));
                        std::fs::create_dir(&dir).unwrap();
                        match bench::run(cell, &dir) {
                            Err(Trouble::NotReached(_)) if begun < BEGINS_MAX => {}
                            Err(Trouble::NotReached(why) | Trouble::Broken(why)) => break Err(why),
                            Ok(found) => break Ok(found),
                        }
                    };
                    // A long proof says where it is: what stops it early has lost nothing that held before.
                    match &result {
                        Ok(_) => println!("held   {}", cell.name()),
                        Err(why) => println!("BROKEN {}, begun {begun} times: {why}", cell.name()),
                    }
                    results.lock().unwrap().push((repeat, cell, begun, result));
                }
            });
        }
    });
    let results = results.into_inner().unwrap();
    let mut broken = Vec::new();
    for cell in &cells {
        let of: Vec<_> = results.iter().filter(|r| r.1.name() == cell.name()).collect();
        let held: Vec<&Found> = of.iter().filter_map(|r| r.3.as_ref().ok()).collect();
        let again: u32 = of.iter().map(|r| r.2 - 1).sum();
        let mut exits: Vec<i32> = held.iter().map(|f| f.exit).collect();
        exits.sort_unstable();
        exits.dedup();
        let stayed = held.iter().filter_map(|f| f.stayed).max();
        println!(
            "{:<44} {}/{repeats} exit {exits:?} gates on for at most {} ms, begun again {again}",
            cell.name(),
            held.len(),
            stayed.map_or("-".into(), |us| format!("{:.1}", us as f64 / 1000.0)),
        );
        for (repeat, _, _, result) in of {
            if let Err(why) = result {
                broken.push(format!("{} ({}), repeat {repeat}: {why}", cell.name(), cell.row.why));
            }
        }
    }
    assert!(broken.is_empty(), "{} cells broken:\n\n{}", broken.len(), broken.join("\n\n"));
}
