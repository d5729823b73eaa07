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
            "An open flange catches cloth, hair and fingers, and throws what is loose. Put a guard over every open \
             flange that holds what may come off, and stay out of its plane while it turns. A free rotor coasts for \
             a long time.",
        ),
        caution(
            "Reaction mount",
            "The casing pushes back with the torque of the shaft. Bolt the unit down to a mount that holds the \
             largest torque the controller can make; a clamp is not a mount.",
        ),
        caution(
            "Stored charge",
            format!(
                "The DC link stays charged after the supply is off. Switch off, and keep the plug in your hand or \
                 lock the isolator off. Wait until the shaft stands, since a turning machine charges it again, and \
                 at least {wait}. Then measure with your own meter before you touch anything: one rated for the \
                 bus, proved on a known source before and after; pole to pole, and each pole to earth. Below {} \
                 there is still energy in the capacitor.",
                words::with_unit(&crate::units::number_text(limit), "V")
            ),
        ),
    ];
    if plan.supply.kind == SupplyKind::RectifiedMains {
        list.push(caution(
            "Mains-referenced bus",
            "A bus from rectified mains is tied to the mains on both poles. A variable autotransformer isolates \
             nothing, even turned to zero. An earthed probe or a hand completes the circuit; use an isolating \
             transformer.",
        ));
        list.push(caution(
            "Fuse and residual current",
            "Fuse the supply on both sides of the rectifier, with a fuse made for direct current in the DC link. A \
             fault behind a rectifier drives direct current, which blinds the usual residual-current devices: use \
             one of type B. Behind an isolating transformer it sees nothing: watch the isolation there.",
        ));
    }
    list.extend([
        caution(
            "Isolated USB",
            "A board that hangs on the bus puts its voltage on the cable and on the computer. Put an isolated USB \
             adapter, rated for the bus, between board and computer; it also keeps the noise of the gates out.",
        ),
        caution(
            "A turning magnet machine is a generator",
            "As long as the shaft turns there is voltage at the phases, whatever the supply does.",
        ),
        caution(
            "Heat",
            "Winding, heatsink and coolant stay hot after the run. A hot coolant loop may be under pressure.",
        ),
        caution(
            "Magnets",
            "Rotors pull tools and fingers, and snap home with more force than a hand holds. Keep them away from \
             pacemakers and from steel swarf.",
        ),
        caution(
            "Stopping",
            "A stop by software is not an emergency stop. The hard-wired emergency stop cuts the energy by itself; \
             keep it in reach, outside the plane of what turns, and try it each day. This program only reads whether \
             its loop is closed.",
        ),
        caution(
            "A second person",
            "Do not work alone: have somebody in sight who knows where the emergency stop is and how to free a \
             person from live parts.",
        ),
        caution(
            "Who may do this",
            "Local codes and licensed practice decide who may work on mains and on a high-voltage bus, and how.",
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
