//! The report as JSON: the model as it stands, keys in the model's order. Samples are in the trace.

use super::Report;

/// The report as indented JSON with a newline at its end. A number that is not finite becomes null.
///
/// # Errors
/// None that serde_json is known to give for this model, whose keys are all texts; passed on if it does.
pub fn json(report: &Report) -> serde_json::Result<String> {
    let mut text = serde_json::to_string_pretty(report)?;
    text.push('\n');
    Ok(text)
}
