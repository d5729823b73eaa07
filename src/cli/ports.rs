//! `ports`: the serial ports of this machine.

use super::{Early, say};
use crate::outcome::Cause;
use crate::shell::ports::{list, text};

pub(super) fn run() -> Result<Cause, Early> {
    let ports =
        list().map_err(|e| Early::new(Cause::NotMade, format!("the system does not tell its ports: {e}")))?;
    say::out(text(&ports));
    Ok(Cause::Passed)
}
