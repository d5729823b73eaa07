//! Where a person can be hurt, in the words of the trade. General knowledge of the trade
//! *(common practice)*, no quotation of any rule: local codes and licensed practice decide.

use super::model::Caution;
use super::words;
use crate::files::rig::SupplyKind;
use crate::plan::Plan;

/// The cautions that belong to this rig.
pub fn cautions(plan: &Plan) -> Vec<Caution> {
    let limit = plan.stop.bus.1;
    let wait = words::with_unit(&crate::units::number_text(plan.supply.discharge.secs_f64()), "s");
    let mut list = vec![
        caution(
            "Rotating parts",
            "An open flange catches cloth, hair and fingers, and throws what is loose. Guard everything that \
             turns, and stay out of its plane while it does. A free rotor coasts for a long time.",
        ),
        caution(
            "Reaction mount",
            "The casing pushes back with the torque of the shaft. Bolt the unit down; a clamp is not a mount.",
        ),
        caution(
            "Stored charge",
            format!(
                "The DC link stays charged after the supply is off. Switch off, wait at least {wait}, then measure \
                 with your own meter before you touch anything. Below {} there is still energy in the capacitor.",
                words::with_unit(&crate::units::number_text(limit), "V")
            ),
        ),
    ];
    if plan.supply.kind == SupplyKind::RectifiedMains {
        list.push(caution(
            "Mains-referenced bus",
            "A bus from rectified mains is tied to the mains on both poles. A variable autotransformer isolates \
             nothing, even turned to zero. An earthed probe, an unisolated USB cable or a hand completes the \
             circuit; use an isolating transformer or an isolated link.",
        ));
    }
    list.extend([
        caution(
            "A turning magnet machine is a generator",
            "As long as the shaft turns there is voltage at the phases, whatever the supply does.",
        ),
        caution("Heat", "Winding, heatsink and coolant stay hot after the run. A hot coolant loop may be under pressure."),
        caution("Magnets", "Rotors pull tools and fingers. Keep them away from pacemakers and from steel swarf."),
        caution(
            "Stopping",
            "A stop by software is not an emergency stop. The hard-wired emergency stop cuts the energy by itself; \
             keep it in reach and try it each day. This program only reads whether its loop is closed.",
        ),
        caution(
            "Who may do this",
            "Local codes and licensed practice decide who may work on mains and on a high-voltage bus, and how. \
             Do not work alone.",
        ),
    ]);
    list
}

fn caution(what: &str, text: impl Into<String>) -> Caution {
    Caution { what: what.into(), text: text.into() }
}

/// The cautions as plain text, for a terminal before a run on which something real may turn. Ends with a newline.
pub fn cautions_text(plan: &Plan) -> String {
    let mut text = String::from("People can be hurt here. Before anything turns:\n");
    for caution in cautions(plan) {
        text += &format!("  {}: {}\n", caution.what, caution.text);
    }
    text
}
