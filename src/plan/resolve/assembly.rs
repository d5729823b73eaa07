//! The state of assembly of the unit.

use super::context::Context;
use crate::diag::Diag;

/// Its number, if the unit file says it.
pub(super) fn number(ctx: &mut Context<'_>) -> Option<u32> {
    let assembly = ctx.unit.assembly.as_ref()?;
    if assembly.number.value == 0 {
        let message = "the state of assembly is counted from 1, found 0";
        ctx.refuse(Diag::at(assembly.number.at, message).help("write 1 if it was never opened again"));
    }
    if let Some(closed) = assembly.closed.as_ref().filter(|c| !is_day(&c.value)) {
        let message = format!("{} is no day", ctx.said(closed.at));
        ctx.refuse(Diag::at(closed.at, message).help("write year, month and day, such as \"2026-11-20\""));
    }
    Some(assembly.number.value)
}

/// Whether it has the shape `2026-11-20`, with a month and a day that exist in some year.
fn is_day(text: &str) -> bool {
    let parts: Vec<&str> = text.split('-').collect();
    let [year, month, day] = parts.as_slice() else { return false };
    let digits = |s: &str, n: usize| s.len() == n && s.bytes().all(|b| b.is_ascii_digit());
    let within = |s: &str, max: u8| s.parse::<u8>().is_ok_and(|n| (1..=max).contains(&n));
    digits(year, 4) && digits(month, 2) && digits(day, 2) && within(month, 12) && within(day, 31)
}
