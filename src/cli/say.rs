//! Words for a person, on outputs that may be gone: a closed pipe or terminal is no reason to break off, and no reason
//! for another exit code.

use crate::shell::progress::moves_cursor;
use std::fmt::Display;
use std::io::{IsTerminal, Write};

/// Whether to colour what goes to a stream: one that is a terminal which knows escapes, unless the person has set `NO_COLOR` to
/// anything at all (common practice).
pub(super) fn colours(stream: &impl IsTerminal) -> bool {
    let declined = std::env::var_os("NO_COLOR").is_some_and(|value| !value.is_empty());
    moves_cursor(stream) && !declined
}

/// To standard output, as it is.
pub(super) fn out(text: impl Display) {
    let _ = write!(std::io::stdout().lock(), "{text}");
}

/// To standard output, as a line.
pub(super) fn line(text: impl Display) {
    out(format_args!("{text}\n"));
}

/// To standard error, as a line.
pub(super) fn err(text: impl Display) {
    let _ = writeln!(std::io::stderr().lock(), "{text}");
}
