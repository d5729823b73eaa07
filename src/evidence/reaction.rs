//! What was measured of the controller when its stop frame was proved, held against what the rig declares ever after.

use super::entry::{Class, Entry, Standing, Told};
use crate::time::Duration;

/// That a controller was seen to be slower than the rig says it is, in words with the fix; `None` if none was. `declared`: from
/// the last byte of the stop to torque off. Runs of another unit, another class or a build that is surely another don't count.
pub fn slower_than_declared(
    declared: Duration,
    (now, build): (&Standing, &Told),
    class: Class,
    runs: &[Entry],
) -> Option<String> {
    let same_build = |run: &&Entry| match (build, &run.standing.build) {
        (Told::Said(Some(now)), Some(then)) => now == then,
        _ => true,
    };
    let same = runs.iter().filter(|r| Class::of(r.kind) == class && r.standing.serial == now.serial);
    let seen =
        same.filter(same_build).filter_map(|run| Some((run, Duration::from_micros(run.controller_us?))));
    let (run, least) = seen.max_by_key(|(_, least)| *least).filter(|(_, least)| *least > declared)?;
    Some(format!(
        "the controller took at least {least} from its stop frame to torque off in {}, and the rig says {declared} under [reaction] \
         `controller`: declare no less than was measured",
        run.folder
    ))
}
