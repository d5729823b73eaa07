//! A bench with nobody beside it: what answers an answers file gave in the evening stops nothing at night.

use super::case::Case;
use super::finding::Finding;
use crate::diag::Diag;
use crate::files::rig::Rig;

const UNATTENDED: &str = "unattended";

/// A rig that may run with nobody beside it has all three guards that act by wires of their own.
pub(super) fn judge(case: &Case<'_>) -> Finding {
    let Some(wired) = case.rig.hard_wired.as_ref().filter(|w| w.unattended.value) else {
        return Finding::none(UNATTENDED, "a person stays beside this rig");
    };
    let guards = [
        ("contactor", &wired.contactor),
        ("guard_switch", &wired.guard_switch),
        ("thermal_cut_out", &wired.thermal_cut_out),
    ];
    match guards.iter().find(|(_, there)| !there.value) {
        None => Finding::none(
            UNATTENDED,
            "contactor, guard switch and thermal cut-out are hard-wired, as the rig declares",
        ),
        Some((name, absent)) => {
            let message = format!(
                "`unattended = true` ({}) and `{name} = false` ({}): with nobody beside it a rig needs contactor, guard switch and thermal cut-out by wires of their own",
                case.cite(wired.unattended.at),
                case.cite(absent.at),
            );
            let help =
                "wire it, or set `unattended = false` and stay beside it: an answers file does not act";
            Finding::forbidden(
                UNATTENDED,
                Diag::at(absent.at, message).other(wired.unattended.at, "").help(help),
            )
        }
    }
}

/// Why a run that answers its questions from a file, with no person at a terminal, is refused on a rig that is not simulated.
///
/// # Errors
/// One sentence with the mend.
pub fn nobody_beside(rig: &Rig) -> Result<(), String> {
    if rig.hard_wired.as_ref().is_some_and(|w| w.unattended.value) {
        return Ok(());
    }
    Err("nobody is at a terminal, and an answers file alone does not stop anything: either run it from a terminal, or \
         declare under [hard_wired] in the rig `unattended = true` with contactor, guard switch and thermal cut-out"
        .into())
}
