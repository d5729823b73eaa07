//! Which kinds go together; the rules are in the docs of the room.

use crate::units::{Across, Dim, Form, Kind, parse_unit};

/// A message and how to mend it.
pub(super) type Mismatch = (String, Option<String>);

/// Kind of `a + b` or, if `minus`, of `a - b`.
pub(super) fn sum(a: Kind, b: Kind, minus: bool) -> Result<Kind, Mismatch> {
    alike(a.difference(), b.difference())?;
    match (a.absolute, b.absolute, minus) {
        (true, true, false) => Err((
            "a temperature cannot be added to a temperature".into(),
            Some("add a difference, such as '10 K'; their mean is t1 + (t2 - t1) / 2".into()),
        )),
        (true, true, true) => Ok(a.difference()),
        (false, true, true) => Err((
            "a temperature cannot be taken from a difference".into(),
            Some("put the temperature first".into()),
        )),
        (_, _, _) => Ok(Kind { absolute: a.absolute || b.absolute, ..a }),
    }
}

/// Kind of the smaller or the larger of two values.
pub(super) fn choice(a: Kind, b: Kind) -> Result<Kind, Mismatch> {
    alike(a, b).map(|()| a)
}

/// Kind of `a * b`.
pub(super) fn product(a: Kind, b: Kind) -> Result<Kind, Mismatch> {
    relative(a)?;
    relative(b)?;
    let form = join(a.form, b.form, Form::Plain, "a peak and an rms value cannot be multiplied")?;
    let across = join(a.across, b.across, Across::Plain, "a line and a phase value cannot be multiplied")?;
    let electrical = a.electrical || b.electrical;
    settle(Kind { dim: add(a.dim, b.dim, 1)?, absolute: false, electrical, form, across })
}

/// Kind of `a / b`.
pub(super) fn quotient(a: Kind, b: Kind) -> Result<Kind, Mismatch> {
    relative(a)?;
    relative(b)?;
    let ratio = a.dim == b.dim;
    let form = part(a.form, b.form, Form::Plain, ratio, "a peak and an rms value cannot be divided")?;
    let across =
        part(a.across, b.across, Across::Plain, ratio, "a line and a phase value cannot be divided")?;
    let electrical = a.electrical != b.electrical;
    settle(Kind { dim: add(a.dim, b.dim, -1)?, absolute: false, electrical, form, across })
}

/// Kind of the square root of `a`.
pub(super) fn root(a: Kind) -> Result<Kind, Mismatch> {
    relative(a)?;
    let d = a.dim;
    let parts = [d.mass, d.length, d.time, d.current, d.temperature, d.angle];
    if parts.iter().any(|exponent| exponent % 2 != 0) {
        return Err((format!("{} has no square root", named(a)), None));
    }
    let [mass, length, time, current, temperature, angle] = parts.map(|exponent| exponent / 2);
    Ok(Kind { dim: Dim { mass, length, time, current, temperature, angle }, ..a })
}

/// Refuses a temperature on a scale where only a difference has a meaning.
pub(super) fn relative(a: Kind) -> Result<(), Mismatch> {
    match a.absolute {
        true => Err((
            "a temperature on a scale cannot be multiplied, divided, negated or rooted".into(),
            Some("take a difference first, such as (winding - coolant) or (winding - '0 °C')".into()),
        )),
        false => Ok(()),
    }
}

/// `a speed`, `an inertia`, for messages.
pub(super) fn named(kind: Kind) -> String {
    crate::units::with_article(&kind.name())
}

fn alike(a: Kind, b: Kind) -> Result<(), Mismatch> {
    if a == b {
        return Ok(());
    }
    let number = Kind::default();
    let example = |kind: Kind| kind.blank().map(|e| format!("give the number a unit, as '{e}'"));
    let help = match (a == number, b == number) {
        (true, _) => example(b),
        (_, true) => example(a),
        _ => None,
    };
    Err((format!("{} does not go with {}", named(a), named(b)), help))
}

/// The mark of a product. A mark of both factors stays: of a square, and of V peak x A peak too.
fn join<M: PartialEq>(a: M, b: M, none: M, clash: &str) -> Result<M, Mismatch> {
    match (a == none, b == none) {
        (true, _) => Ok(b),
        (_, true) => Ok(a),
        _ if a == b => Ok(a),
        _ => Err((clash.into(), None)),
    }
}

/// The mark of a quotient.
fn part<M: PartialEq>(a: M, b: M, none: M, ratio: bool, clash: &str) -> Result<M, Mismatch> {
    match (a == none, b == none) {
        (true, _) => Ok(b),
        (_, true) => Ok(a),
        _ if a == b || ratio => Ok(none),
        _ => Err((clash.into(), None)),
    }
}

/// Drops the radian where the equations of machines do, and marks that mean nothing there.
fn settle(kind: Kind) -> Result<Kind, Mismatch> {
    let mut kind = kind;
    let without_angle = Dim { angle: 0, ..kind.dim };
    let among = |units: &[&str]| units.iter().any(|u| dimension(u) == without_angle);
    if kind.dim.angle != 0 {
        let drops = if kind.electrical { among(&["V", "Wb", "Ohm", "H"]) } else { among(&["W", "J"]) };
        if drops {
            kind.dim = without_angle;
            kind.electrical = false;
        }
    }
    if kind.dim.angle == 0 && among(&["W", "J"]) && kind.form != Form::Peak {
        kind.form = Form::Plain;
        kind.across = Across::Plain;
    }
    Ok(kind)
}

fn dimension(unit: &str) -> Dim {
    // The units named above are in the table; a test reads every one of them.
    parse_unit(unit).map(|u| u.kind.dim).unwrap_or_default()
}

fn add(a: Dim, b: Dim, times: i8) -> Result<Dim, Mismatch> {
    a.joined(b, times).ok_or_else(|| ("the unit of this has too high a power".to_string(), None))
}
