//! Words for a person, on outputs that may be gone: a closed pipe or terminal is no reason to break off, and no reason
//! for another exit code.

use std::fmt::Display;
use std::io::Write;

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
